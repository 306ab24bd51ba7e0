//! `witness survey`: reads everything, saves it, then shows it.

use workshop::Scope;

use crate::cli::SurveyArgs;
use crate::failure::{Exit, Failure};
use crate::output::{Aloud, clean, in_columns, print_json, print_text, width, wrapped};

pub(crate) fn run(args: &SurveyArgs, json: bool) -> Result<Exit, Failure> {
    let scope = if args.emissions_only { Scope::Emissions } else { Scope::Everything };
    let workshop = super::workshop()?;
    workshop.expect_survey_room(args.out.as_deref())?;
    let mut car = super::connect(&workshop, &args.adapter)?;
    let _at_once = super::stop_between_steps(&mut car)?;
    let survey = workshop.survey(&mut car, scope, args.out.as_deref(), &mut Aloud)?;
    super::tell_case(survey.case.as_ref());
    if json {
        print_json(&survey)?;
    } else {
        print_text(&page(&survey));
    }
    let complete = survey.problems.is_empty() && survey.modules.iter().all(|module| module.problems.is_empty());
    Ok(if complete { Exit::Done } else { Exit::Lost })
}

/// The survey as a page of text.
pub(crate) fn page(survey: &wire::Survey) -> String {
    let width = width();
    let car = &survey.vehicle;
    let mut page = String::new();
    let mut line = |label: &str, text: String| page += &wrapped_behind(label, &clean(&text), width);
    line(
        "Car",
        match (&car.vin, car.model_year) {
            (Some(vin), Some(year)) => format!("VIN {vin}, read as model year {year}"),
            (Some(vin), None) => format!("VIN {vin}"),
            (None, _) => {
                "no VIN reported, which is normal on older cars; describe the car in its case: witness case vehicle \
                          --plate PLATE --model 'MAKER MODEL YEAR' --engine ENGINE"
                    .to_owned()
            }
        },
    );
    for note in &car.vin_notes {
        line("", note.clone());
    }
    line("Network", car.protocol.clone().unwrap_or_else(|| "unknown".to_owned()));
    let supply = car.supply_volts.map_or_else(String::new, |volts| format!(", {volts:.1} V at the connector"));
    line("Adapter", format!("{}{supply}", car.adapter));
    if let Some(file) = &survey.file {
        line("Saved", file.clone());
    }
    for problem in &survey.problems {
        line("Problem", problem.clone());
    }
    if !survey.notes.is_empty() {
        line("Note", format!("{} answers came damaged and were asked for again: nothing is lost", survey.notes.len()));
    }
    page += &map_page(survey, width);
    for module in &survey.modules {
        page += "\n";
        page += &module_page(module, width);
    }
    page += "\n";
    page += &readiness_page(survey, width);
    page
}

fn wrapped_behind(label: &str, text: &str, width: usize) -> String {
    let lines = wrapped(text, "          ", width);
    format!("{label:10}{}", lines.trim_start_matches(' '))
}

/// The car as a map: who answers on which network, and who is missing.
fn map_page(survey: &wire::Survey, width: usize) -> String {
    if survey.modules.len() < 2 && survey.missing.is_empty() {
        return String::new();
    }
    let mut page = "\nMap\n".to_owned();
    let at_the_connector = survey.vehicle.protocol.as_deref().unwrap_or("at the connector");
    for network in &survey.networks {
        let name = network.name.as_deref().map_or_else(|| at_the_connector.to_owned(), clean);
        page += &wrapped(&format!("{name}: {} modules", network.modules.len()), "  ", width);
        let members = survey.modules.iter().filter(|module| network.modules.contains(&module.address));
        let lines: Vec<String> = members
            .map(|module| {
                let codes = match module.codes.len() {
                    0 => String::new(),
                    1 => ", 1 code".to_owned(),
                    n => format!(", {n} codes"),
                };
                format!("{}  {} ({}{codes})", module.address, clean(&name_of(module)), module.dialect)
            })
            .collect();
        page += &in_columns(&lines, "    ", width);
    }
    for missing in &survey.missing {
        let when = if missing.is_now { "now" } else { "once, not now" };
        let text = format!(
            "missing ({when}): {}, say {} ({}); check its supply, its fuse and its network first",
            missing.who,
            missing.reported_by.join(", "),
            missing.code
        );
        page += &wrapped(&text, "  ", width);
    }
    page
}

/// What a module is called, or what its address says.
fn name_of(module: &wire::Module) -> String {
    match (&module.name, &module.kind) {
        (Some(name), _) => name.clone(),
        (None, Some(kind)) => format!("{kind}, by its address"),
        (None, None) => "no name given".to_owned(),
    }
}

fn module_page(module: &wire::Module, width: usize) -> String {
    let name = name_of(module);
    let count = match module.codes.len() {
        0 => "no codes".to_owned(),
        1 => "1 code".to_owned(),
        n => format!("{n} codes"),
    };
    let lamp = match module.readiness.as_ref().and_then(|readiness| readiness.lamp) {
        Some(true) => ", lamp on",
        _ => "",
    };
    let mut page = format!("{}  {}: {count}{lamp}\n", module.address, clean(&name));
    for code in &module.codes {
        let state = if code.kinds.is_empty() { &code.status_words } else { &code.kinds };
        let text = code.text.clone().unwrap_or_else(|| format!("no text known; {}", code.structure));
        page += &wrapped(&format!("{}  {}: {text}", code.code, state.join(", ")), "  ", width);
        if (code.status.is_some() || code.kwp_status.is_some()) && !code.status_words.is_empty() {
            page += &wrapped(&code.status_words.join(", "), "           ", width);
        }
        for record in &code.records {
            let number = record.record.map_or_else(String::new, |number| format!(" {number:02X}"));
            page += &wrapped(&format!("kept with it, record{number}: {}", record.bytes), "           ", width);
        }
    }
    for frame in &module.freeze_frames {
        page += &format!("  Freeze frame {} of {}\n", frame.frame, frame.code);
        let name_width = frame.values.iter().map(|value| value.words().chars().count()).max().unwrap_or(0);
        let values: Vec<String> = frame.values.iter().map(|value| clean(&value_text(value, name_width))).collect();
        page += &in_columns(&values, "    ", width);
    }
    if !module.monitors.is_empty() {
        let of = |verdict: &str| module.monitors.iter().filter(|monitor| monitor.verdict == verdict).count();
        page += &format!(
            "  Self-tests: {} passed, {} failed, {} not run since codes were cleared\n",
            of("passed"),
            of("failed"),
            of("not run")
        );
        for monitor in module.monitors.iter().filter(|monitor| monitor.verdict == "failed") {
            let number = |value: Option<f64>| value.map_or_else(|| "?".to_owned(), short);
            let title = monitor.title.clone().unwrap_or_else(|| format!("{} {}", monitor.monitor, monitor.test));
            let limits = format!("{} .. {}", number(monitor.min), number(monitor.max));
            let text = format!("failed: {title}: {} {} (limits {limits})", number(monitor.value), monitor.unit);
            page += &wrapped(&text, "    ", width);
        }
        let misfires: Vec<String> = module
            .monitors
            .iter()
            .filter(|monitor| monitor.test == "0C" && ("A2"..="AD").contains(&monitor.monitor.as_str()))
            .filter_map(|monitor| {
                let cylinder = u8::from_str_radix(&monitor.monitor, 16).ok()?.checked_sub(0xA1)?;
                Some(format!("{cylinder}:\u{a0}{}", short(monitor.value?)))
            })
            .collect();
        if !misfires.is_empty() {
            page +=
                &wrapped(&format!("misfires in this drive cycle by cylinder: {}", misfires.join(", ")), "    ", width);
        }
    }
    for item in &module.info {
        let ratios = item
            .performance
            .iter()
            .filter(|monitor| monitor.conditions > 0)
            .map(|monitor| format!("{} {} of {}", monitor.name, monitor.completions, monitor.conditions));
        let values: Vec<String> = item.values.iter().cloned().chain(ratios).collect();
        page += &wrapped(&format!("{}: {}", item.title, clean(&values.join(", "))), "  ", width);
    }
    for problem in &module.problems {
        page += &wrapped(&format!("problem: {}", clean(problem)), "  ", width);
    }
    page
}

fn value_text(value: &wire::Value, name_width: usize) -> String {
    let shown = value.text(&short);
    let unit = if value.unit == "1" { String::new() } else { format!(" {}", value.unit) };
    format!("{:name_width$}  {shown}{unit}", value.words())
}

/// A number with no more digits than a reader wants.
fn short(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn readiness_page(survey: &wire::Survey, width: usize) -> String {
    let readiness = &survey.readiness;
    let Some(module) = &readiness.module else {
        return "Readiness  not reported\n".to_owned();
    };
    let names = |state: &str| {
        let chosen: Vec<&str> = readiness
            .monitors
            .iter()
            .filter(|monitor: &&wire::MonitorState| monitor.state == state)
            .map(|m| m.name.as_str())
            .collect();
        if chosen.is_empty() { "none".to_owned() } else { chosen.join(", ") }
    };
    let mut page = format!("Readiness, as {module} reports it\n");
    page += &wrapped(&format!("complete: {}", names("complete")), "  ", width);
    page += &wrapped(&format!("not complete: {}", names("incomplete")), "  ", width);
    page += &wrapped(&format!("not fitted: {}", names("not fitted")), "  ", width);
    page += &wrapped(
        "Inspection programmes differ in how many incomplete monitors they accept: check yours. Clearing codes would make \
         the monitors incomplete again; permanent codes would stay.",
        "  ",
        width,
    );
    page
}
