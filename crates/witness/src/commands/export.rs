//! `witness export`: a drive as a table.

use crate::cli::{ExportArgs, Shape};
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text};

pub(crate) fn run(args: &ExportArgs, json: bool) -> Result<Exit, Failure> {
    let shape = match args.shape {
        Shape::Wide => workshop::Shape::Wide,
        Shape::Long => workshop::Shape::Long,
    };
    let result = super::workshop()?.export(&args.drive, &args.out, shape, args.force)?;
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
