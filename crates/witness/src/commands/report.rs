//! `witness report`: a report to hand over.

use workshop::{Case, Entry, Language, Moment, Paper, ReportWish, Settings, Units, Vehicle};

use crate::cli::{ReportArgs, ReportLanguage, ReportPaper, ReportUnits};
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text, width, wrapped};

pub(crate) fn run(args: &ReportArgs, json: bool) -> Result<Exit, Failure> {
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let done = args.done.iter().map(|text| Entry { time: String::new(), text: text.clone() });
    let case = Case {
        number: text(&args.number),
        technician: text(&args.technician),
        complaint: text(&args.complaint),
        conditions: args.condition.clone(),
        vehicle: Vehicle {
            description: text(&args.vehicle),
            plate: args.plate.clone(),
            mileage_km: args.mileage_km.map(f64::from),
            ..Vehicle::default()
        },
        done: done.collect(),
        remains: args.remains.clone(),
        ..Case::default()
    };
    let at = |moment: Moment, files: &[std::path::PathBuf]| {
        files.iter().map(|file| (moment, file.clone())).collect::<Vec<_>>()
    };
    let survey = |moment: Moment, file: &Option<std::path::PathBuf>| file.clone().map(|file| (moment, file));
    let wish = ReportWish {
        case,
        surveys: survey(Moment::Before, &args.survey_before)
            .into_iter()
            .chain(survey(Moment::After, &args.survey_after))
            .collect(),
        drives: [at(Moment::Before, &args.before), at(Moment::Between, &args.between), at(Moment::After, &args.after)]
            .concat(),
        swap: args.swap.clone(),
        out: args.out.clone(),
        settings: Settings {
            language: match args.language {
                ReportLanguage::En => Language::English,
                ReportLanguage::Es => Language::Spanish,
            },
            units: match args.units {
                ReportUnits::Metric => Units::Metric,
                ReportUnits::Us => Units::Us,
            },
            paper: match args.paper {
                ReportPaper::A4 => Paper::A4,
                ReportPaper::Letter => Paper::Letter,
            },
            without_pictures: args.without_picture.iter().filter_map(|place| place.checked_sub(1)).collect(),
        },
        shop: args.shop.clone(),
        replace: args.force,
    };
    let workshop = super::workshop()?;
    let result = if wish.drives.is_empty() && wish.surveys.is_empty() {
        if let Some(option) = of_files_alone(args) {
            return Err(Failure::input(format!("{option} goes with drives and surveys that are named: a case has its own"))
                .hint("name them with --before, --after and --survey-before, or leave it out; `witness case` writes into the case"));
        }
        workshop.report_of_case(&wish)?
    } else {
        workshop.report(&wish)?
    };
    if json {
        print_json(&result)?;
    } else {
        let mut page = format!("{}: {:.0} kB\n", clean(&result.file), result.bytes as f64 / 1e3);
        for line in &result.problems {
            page += &wrapped(&format!("lost: {}", clean(line)), "", width());
        }
        print_text(&page);
    }
    Ok(if result.problems.is_empty() { Exit::Done } else { Exit::Lost })
}

/// An option that was given and that the report of a case would pass over.
fn of_files_alone(args: &ReportArgs) -> Option<&'static str> {
    let given = [
        ("--swap", args.swap.is_some()),
        ("--complaint", args.complaint.is_some()),
        ("--condition", !args.condition.is_empty()),
        ("--number", args.number.is_some()),
        ("--technician", args.technician.is_some()),
        ("--vehicle", args.vehicle.is_some()),
        ("--plate", args.plate.is_some()),
        ("--mileage-km", args.mileage_km.is_some()),
    ];
    given.into_iter().find_map(|(option, is_given)| is_given.then_some(option))
}
