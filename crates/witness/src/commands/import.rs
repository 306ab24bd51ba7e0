//! `witness import`: a drive from somebody else's table.

use drive::{ImportOptions, MapEntry, Overwrite};

use crate::cli::ImportArgs;
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text};

pub(crate) fn run(args: &ImportArgs, json: bool) -> Result<Exit, Failure> {
    let map = args.map.iter().map(|text| text.parse::<MapEntry>()).collect::<Result<Vec<_>, _>>();
    let map = map.map_err(|error| {
        Failure::input(error).hint("for instance --map 'wheel_fl_kmh=wheel.speed.front_left [km/h]'")
    })?;
    let options = ImportOptions {
        map,
        overwrite: if args.force { Overwrite::WhenDone } else { Overwrite::Never },
        info: drive::DriveInfo { software: Some(crate::SOFTWARE.to_owned()), ..drive::DriveInfo::default() },
    };
    let imported = drive::import(&args.table, &args.out, &options)?;
    let result = wire::Imported {
        file: args.out.display().to_string(),
        rows: imported.n_rows,
        samples: imported.n_samples,
        signals: imported.signals.iter().map(ToString::to_string).collect(),
        notes: imported.notes,
    };
    if json {
        print_json(&result)?;
    } else {
        let mut text = format!("{}: {} rows, {} samples\n", result.file, result.rows, result.samples);
        for signal in &result.signals {
            text += &format!("  {}\n", clean(signal));
        }
        for note in &result.notes {
            text += &format!("note: {}\n", clean(note));
        }
        print_text(&text);
    }
    Ok(Exit::Done)
}
