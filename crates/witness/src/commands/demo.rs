//! `witness demo`: the whole pass on the invented car.

use std::path::{Path, PathBuf};
use std::time::Instant;

use crate::cli::DemoArgs;
use crate::failure::{Exit, Failure};
use crate::output::{Aloud, print_json, print_text, progress};
use wire::CaseVehicle;
use workshop::{CaseChoice, Control, NewCase, Places, ReportWish, Scope, Shape, Silent, When, Wish, Workshop};

/// The invented car of the demo, with two faults that its driver would complain about, after ten minutes on the road.
const CAR: &str =
    "standin:fell?script=mixed&seed=7&start=600&fault=wheel-dropout:rear_left:0.6&fault=pedal-wear:1:0.8:30:10";
/// The same make with another complaint: coil 1 fails under load. With its coils and plugs as they sit.
const SHAKY_CAR: &str = "standin:fell?script=mixed&warm=1";
/// What its fault is called by the stand-in.
const BAD_COIL: &str = "&fault=misfire-coil:1:0.8";
/// What is recorded of it.
const SHAKY_SIGNALS: [&str; 6] = [
    "engine.speed",
    "engine.load",
    "misfire.cylinder_1",
    "misfire.cylinder_2",
    "misfire.cylinder_3",
    "misfire.cylinder_4",
];
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

/// Its presence tells that a demo made what is in a folder.
const MARK: &str = "made-by-witness-demo.txt";
/// What a demo makes, and the next one replaces.
const MADE: [&str; 10] = [
    "casebook",
    "survey.json",
    "drive.mcap",
    "drive.csv",
    "shaky-before.mcap",
    "shaky-swapped.mcap",
    "shaky-repaired.mcap",
    "shaky-report.html",
    "shaky-report.pdf",
    "shaky-case.zip",
];

/// Files of an earlier demo, and nothing else, make room: the names of some are those that people give their own.
fn take_folder(folder: &Path) -> Result<(), Failure> {
    let mark = folder.join(MARK);
    if !mark.exists()
        && let Some(file) = MADE.iter().map(|name| folder.join(name)).find(|file| file.exists())
    {
        let said = format!("`{}` is in the way, and may not be of a demo: it is left untouched", file.display());
        return Err(Failure::input(said).hint("name a new or empty folder with --out"));
    }
    std::fs::create_dir_all(folder).map_err(|source| cannot_write(folder, source))?;
    std::fs::write(&mark, "What is here was made by `witness demo`, and the next one replaces it.\n")
        .map_err(|source| cannot_write(&mark, source))
}

pub(crate) fn run(args: &DemoArgs, json: bool) -> Result<Exit, Failure> {
    let began = Instant::now();
    let folder = &args.out;
    take_folder(folder)?;
    let [survey_file, drive_file, table_file] =
        ["survey.json", "drive.mcap", "drive.csv"].map(|name| folder.join(name));
    for file in [&survey_file, &drive_file, &table_file] {
        match std::fs::remove_file(file) {
            Err(source) if source.kind() != std::io::ErrorKind::NotFound => return Err(cannot_write(file, source)),
            _ => {}
        }
    }
    progress("An invented car, a Tarnwick Fell 1.6. Its driver says: the ABS lamp comes and goes, and now and then");
    progress("the engine stumbles when the pedal is pressed only a little. Nothing here is a real car or customer.");
    // A casebook of its own: the demo leaves the user's alone.
    let book = folder.join("casebook");
    match std::fs::remove_dir_all(&book) {
        Err(source) if source.kind() != std::io::ErrorKind::NotFound => return Err(cannot_write(&book, source)),
        _ => {}
    }
    let workshop = Workshop::new(Places::at(&book)?, crate::SOFTWARE).by("demo");
    let complaint = |text: &str| NewCase {
        vehicle: CaseVehicle { model: Some("Tarnwick Fell 1.6".to_owned()), ..CaseVehicle::default() },
        complaint: text.to_owned(),
        ..NewCase::default()
    };
    workshop
        .new_case(&complaint("The ABS lamp comes and goes, and the engine stumbles when I press the pedal a little"))?;

    progress("\n1. Survey: everything is read and saved before anything else happens");
    let mut car = workshop.connect(CAR, &[], &mut Aloud)?;
    let survey = workshop.survey(&mut car, Scope::Emissions, Some(&survey_file), &mut Aloud)?;
    if !json {
        print_text(&super::survey::page(&survey));
    }

    progress(&format!("\n2. Drive: {} minutes of road on a clock that runs as fast as the link asks", DRIVE_S / 60.0));
    let wish = Wish { seconds: Some(DRIVE_S), out: Some(drive_file.clone()), ..wish(&SIGNALS)? };
    let mut car = workshop.connect(CAR, &[], &mut Aloud)?;
    let recorded = workshop.record(&mut car, &wish, &Control::default(), &mut super::drive::Lines::new())?;
    progress(&format!("recorded {:.0} s in {:.1} s", recorded.drive.duration_s, began.elapsed().as_secs_f64()));

    progress("\n3. Examine: what the recording proves");
    let examined = workshop.examine(&drive_file)?;
    if !json {
        print_text(&super::examine::page(&examined, false));
    }
    workshop.export(&drive_file, &table_file, Shape::Wide, false)?;

    let (story_files, story) = shaky_engine(&workshop, folder, &complaint("It shakes and lacks power uphill"), json)?;

    let shown = |path: &Path| path.canonicalize().unwrap_or_else(|_| path.to_owned()).display().to_string();
    let files: Vec<PathBuf> = [vec![survey_file, drive_file.clone(), table_file], story_files].concat();
    let faulty = examined.findings.iter().filter(|finding| finding.verdict == "faulty").count();
    let wall_s = began.elapsed().as_secs_f64();
    if json {
        print_json(&wire::Demo {
            folder: shown(folder),
            files: files.iter().map(|file| shown(file)).collect(),
            wall_s,
            codes: survey.modules.iter().flat_map(|module| &module.codes).map(|code| code.code.clone()).collect(),
            examined,
            swap: story.0,
            proof: story.1,
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
        if args.open {
            progress("\n9. The workbench, with the cases of the demo and the invented car to connect to:");
            let options =
                server::Options { adapters: vec![CAR.to_owned(), SHAKY_CAR.to_owned()], ..Default::default() };
            return super::serve::serve(&options, workshop, true, false);
        }
    }
    Ok(Exit::Done)
}

fn wish(signals: &[&str]) -> Result<Wish, Failure> {
    let names: Vec<String> = signals.iter().map(|name| (*name).to_owned()).collect();
    Ok(Wish::of(workshop::signal_ids(&names)?))
}

/// The second car: complaint, survey, suspects, a drive, coil and plug exchanged, a drive, the verdict, the repair, and its
/// proof. Gives the files and what was said of swap and repair.
fn shaky_engine(
    workshop: &Workshop,
    folder: &Path,
    complaint: &NewCase,
    json: bool,
) -> Result<(Vec<PathBuf>, (wire::SwapJudged, wire::Proof)), Failure> {
    progress("\n4. Another invented Fell. Its driver says: it shakes and lacks power uphill. A case is opened for it.");
    workshop.new_case(complaint)?;
    progress("\n5. Survey: its codes, and whom they and the complaint make suspect");
    let mut car = workshop.connect(&format!("{SHAKY_CAR}&start=900{BAD_COIL}"), &[], &mut Silent)?;
    let survey = workshop.survey(&mut car, Scope::Emissions, None, &mut Silent)?;
    let codes: Vec<&str> = survey.modules.iter().flat_map(|module| &module.codes).map(|it| it.code.as_str()).collect();
    progress(&format!("   codes: {}", codes.join(", ")));
    tell_suspects(&workshop.suspects_of_case(None)?);
    let mut files = Vec::new();
    let mut drive = |name: &str, extra: &str| -> Result<(), Failure> {
        let out = folder.join(name);
        let _ = std::fs::remove_file(&out);
        let mut car = workshop.connect(&format!("{SHAKY_CAR}{extra}"), &[], &mut Silent)?;
        let wish = Wish { seconds: Some(DRIVE_S), out: Some(out.clone()), ..wish(&SHAKY_SIGNALS)? };
        workshop.record(&mut car, &wish, &Control::default(), &mut Silent)?;
        let examined = workshop.examine(&out)?;
        let faulty = examined.findings.iter().find(|finding| finding.verdict == "faulty");
        progress(&faulty.map_or_else(|| "   nothing faulty".to_owned(), |it| format!("   {}", it.statement)));
        files.push(out);
        Ok(())
    };
    progress("\n6. First drive");
    drive("shaky-before.mcap", BAD_COIL)?;
    tell_suspects(&workshop.suspects_of_case(None)?);
    progress(
        "\n7. Swap: coil of cylinder 1 with 4, plug of cylinder 1 with 3 (engine off, key out, parts cool); second drive",
    );
    workshop.add_swap("coil", 1, 4, When::Now)?;
    workshop.add_swap("plug", 1, 3, When::Now)?;
    drive("shaky-swapped.mcap", &format!("{BAD_COIL}&coils=4,2,3,1&plugs=3,2,1,4&seed=2"))?;
    let judged = workshop.judge_case()?;
    if !json {
        print_text(&super::swap::page(&judged));
    }
    tell_suspects(&workshop.suspects_of_case(None)?);
    progress("\n8. Repair: a new coil on cylinder 4, where the bad one sits now, codes cleared; third drive, as proof");
    workshop.add_replacement("coil", Some(4), "new", When::Now)?;
    workshop.add_entry(&wire::Content::Note { text: "Codes cleared after the repair, engine off".to_owned() })?;
    let mended = "&coils=4,2,3,1&plugs=3,2,1,4&seed=3&cleared=1";
    drive("shaky-repaired.mcap", mended)?;
    let mut car = workshop.connect(&format!("{SHAKY_CAR}&start={DRIVE_S}{mended}"), &[], &mut Silent)?;
    workshop.survey(&mut car, Scope::Emissions, None, &mut Silent)?;
    let proof = workshop.proof_of_case()?;
    for fault in &proof.faults {
        progress(&format!("   {}: {}", fault.outcome, fault.statement));
    }
    workshop.add_entry(&wire::Content::Closed { outcome: "coil of cylinder 1 replaced".to_owned() })?;
    let (case, zip) = (workshop.find_cases("", 1)?.cases.into_iter().next(), folder.join("shaky-case.zip"));
    let _ = std::fs::remove_file(&zip);
    if let Some(case) = case {
        let workshop = workshop.clone().in_case(CaseChoice::Number(case.number));
        // The form that people print is there where the program was built with it.
        let forms =
            if cfg!(feature = "pdf") { &["shaky-report.html", "shaky-report.pdf"][..] } else { &["shaky-report.html"] };
        for name in forms {
            let out = folder.join(name);
            workshop.report_of_case(&ReportWish { out: out.clone(), replace: true, ..ReportWish::default() })?;
            files.push(out);
        }
        workshop.export_case(&zip)?;
        files.push(zip);
    }
    Ok((files, (judged, proof)))
}

/// Where the suspects stand, and how they moved.
fn tell_suspects(suspects: &wire::Suspects) {
    if let Some(area) = suspects.areas.first() {
        progress(&format!("   suspects: {}", area.statement));
    }
    for change in suspects.moved.iter().take(3) {
        progress(&format!("   {}: {:.0} % -> {:.0} %", change.suspect, 100.0 * change.from, 100.0 * change.to));
    }
}

fn cannot_write(path: &Path, source: std::io::Error) -> Failure {
    workshop::WorkshopError::Write { path: path.to_owned(), source }.into()
}
