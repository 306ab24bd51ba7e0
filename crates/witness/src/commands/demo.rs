//! `witness demo`: the whole pass on the invented car.

use std::path::{Path, PathBuf};
use std::time::Instant;

use crate::cli::{AdapterArgs, DemoArgs, DriveOptions, RecordingArgs, SignalChoice};
use crate::failure::{Exit, Failure};
use crate::output::{Aloud, print_json, print_text, progress};
use workshop::{Control, Scope, Shape};

/// The invented car of the demo, with two faults that its driver would complain about, after ten minutes on the road.
const CAR: &str =
    "standin:fell?script=mixed&seed=7&start=600&fault=wheel-dropout:rear_left:0.6&fault=pedal-wear:1:0.8:30:10";
/// What is recorded: enough for the wheels and the pedal, and no more, for every signal costs the others time.
const SIGNALS: [&str; 8] = [
    "wheel.speed.front_left",
    "wheel.speed.front_right",
    "wheel.speed.rear_left",
    "wheel.speed.rear_right",
    "pedal.position_1",
    "pedal.position_2",
    "vehicle.speed",
    "engine.speed",
];
/// Length of the drive, seconds of car time.
const DRIVE_S: f64 = 600.0;

pub(crate) fn run(args: &DemoArgs, json: bool) -> Result<Exit, Failure> {
    let began = Instant::now();
    let folder = &args.out;
    std::fs::create_dir_all(folder).map_err(|source| cannot_write(folder, source))?;
    let [survey_file, drive_file, table_file] =
        ["survey.json", "drive.mcap", "drive.csv"].map(|name| folder.join(name));
    // Files of an earlier demo, and nothing else, make room.
    for file in [&survey_file, &drive_file, &table_file] {
        match std::fs::remove_file(file) {
            Err(source) if source.kind() != std::io::ErrorKind::NotFound => return Err(cannot_write(file, source)),
            _ => {}
        }
    }
    progress("An invented car, a Tarnwick Fell 1.6. Its driver says: the ABS lamp comes and goes, and now and then");
    progress("the engine stumbles when the pedal is pressed only a little. Nothing here is a real car or customer.");
    let adapter = || AdapterArgs { adapter: CAR.to_owned(), definitions: Vec::new() };

    progress("\n1. Survey: everything is read and saved before anything else happens");
    let workshop = super::workshop()?;
    let mut car = super::connect(&workshop, &adapter())?;
    let survey = workshop.survey(&mut car, Scope::Emissions, Some(&survey_file), &mut Aloud)?;
    if !json {
        print_text(&super::survey::page(&survey));
    }

    progress(&format!("\n2. Drive: {} minutes of road on a clock that runs as fast as the link asks", DRIVE_S / 60.0));
    let recorded = super::drive::run(
        &DriveOptions {
            adapter: adapter(),
            choice: SignalChoice { signals: SIGNALS.map(str::to_owned).to_vec(), watchlist: None },
            recording: RecordingArgs { seconds: Some(DRIVE_S), out: Some(drive_file.clone()), force: false },
        },
        &Control::default(),
        &mut super::drive::Lines::new(),
    )?;
    progress(&format!("recorded {:.0} s in {:.1} s", recorded.drive.duration_s, began.elapsed().as_secs_f64()));

    progress("\n3. Examine: what the recording proves");
    let examined = workshop.examine(&drive_file)?;
    if !json {
        print_text(&super::examine::page(&examined, false));
    }
    workshop.export(&drive_file, &table_file, Shape::Wide, false)?;

    let shown = |path: &Path| path.canonicalize().unwrap_or_else(|_| path.to_owned()).display().to_string();
    let files: Vec<PathBuf> = vec![survey_file, drive_file.clone(), table_file];
    let faulty = examined.findings.iter().filter(|finding| finding.verdict == "faulty").count();
    let wall_s = began.elapsed().as_secs_f64();
    if json {
        print_json(&wire::Demo {
            folder: shown(folder),
            files: files.iter().map(|file| shown(file)).collect(),
            wall_s,
            codes: survey.modules.iter().flat_map(|module| &module.codes).map(|code| code.code.clone()).collect(),
            examined,
        })?;
    } else {
        let mut text = format!(
            "\n{faulty} findings of a fault, {} checks in all, {wall_s:.1} s. Files:\n",
            examined.findings.len()
        );
        for file in &files {
            text += &format!("  {}\n", shown(file));
        }
        text += "Look again: witness examine --all demo/drive.mcap\n"
            .replace("demo", &folder.display().to_string())
            .as_str();
        print_text(&text);
    }
    Ok(Exit::Done)
}

fn cannot_write(path: &Path, source: std::io::Error) -> Failure {
    workshop::WorkshopError::Write { path: path.to_owned(), source }.into()
}
