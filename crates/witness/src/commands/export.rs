//! `witness export`: a drive as a table.

use drive::{ExportOptions, Layout, Overwrite};

use crate::cli::{ExportArgs, Shape};
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text};

pub(crate) fn run(args: &ExportArgs, json: bool) -> Result<Exit, Failure> {
    let ending = args.out.extension().map(|ending| ending.to_string_lossy().to_ascii_lowercase());
    if ending.as_deref() != Some("csv") {
        return Err(Failure::input(format!("cannot tell the format of `{}` by its ending", args.out.display()))
            .hint("name the file FILE.csv; it is the one format that can be written so far"));
    }
    let options = ExportOptions {
        layout: match args.shape {
            Shape::Wide => Layout::Wide,
            Shape::Long => Layout::Long,
        },
        overwrite: if args.force { Overwrite::WhenDone } else { Overwrite::Never },
    };
    let exported = drive::export(&args.drive, &args.out, options)?;
    let result = wire::Exported {
        file: args.out.display().to_string(),
        rows: exported.n_rows,
        samples: exported.n_samples,
        left_out: exported.left_out,
        problems: exported.problems.iter().map(ToString::to_string).collect(),
    };
    if json {
        print_json(&result)?;
    } else {
        let mut text = format!("{}: {} rows, {} samples\n", result.file, result.rows, result.samples);
        for line in &result.left_out {
            text += &format!("a table cannot hold: {}\n", clean(line));
        }
        for line in &result.problems {
            text += &format!("lost: {}\n", clean(line));
        }
        print_text(&text);
    }
    Ok(if result.problems.is_empty() { Exit::Done } else { Exit::Lost })
}
