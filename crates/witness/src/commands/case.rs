//! `witness case`: cases and their ledger.

use wire::{Case, CaseEntry, CaseMoved, CaseVehicle, Conditions, Content, Entry};
use workshop::{CaseChoice, Workshop};

use crate::cli::{CaseCommand, NewCaseArgs, VehicleArgs};
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text, width, wrapped};

pub(crate) fn run(command: CaseCommand, json: bool) -> Result<Exit, Failure> {
    let workshop = super::workshop()?;
    let in_case = |number: Option<i64>| match number {
        Some(number) => workshop.clone().in_case(CaseChoice::Number(number)),
        None => workshop.clone(),
    };
    let add = |content: Content| made(&workshop.add_entry(&content)?, json);
    match command {
        CaseCommand::New(args) => made(&new(&workshop, args)?, json),
        CaseCommand::List { limit } => cases(&workshop.find_cases("", limit)?, json),
        CaseCommand::Search { text, limit } => cases(&workshop.find_cases(&text.join(" "), limit)?, json),
        CaseCommand::Show { number } => shown(&in_case(number).show_case()?, json),
        CaseCommand::Open { number } => {
            let case = in_case(Some(number)).take_up_case()?;
            cases(&wire::Cases { open: Some(case.number), cases: vec![case] }, json)
        }
        CaseCommand::Close { outcome } => {
            let closed = workshop.add_entry(&Content::Closed { outcome })?;
            made(&closed, json)
        }
        CaseCommand::Reopen { number, reason } => {
            made(&in_case(Some(number)).add_entry(&Content::Reopened { reason })?, json)
        }
        CaseCommand::Vehicle(args) => {
            let case = workshop.chosen_case(&mut workshop.casebook()?)?;
            let vehicle = CaseVehicle { number: case.vehicle.number, ..vehicle(&args)? };
            add(Content::Vehicle { vehicle, mileage_km: args.mileage })
        }
        CaseCommand::Note { text } => add(Content::Note { text }),
        CaseCommand::Photo { file, text } => made(&workshop.add_photo(&file, &text)?, json),
        CaseCommand::Decide { text, reason } => add(Content::Decision { text, reason }),
        CaseCommand::Tested { result } => {
            let (area, test, is_yes) = super::suspects::by_hand(&result)?;
            add(Content::Tested { area, test, is_yes })
        }
        CaseCommand::Repaired { result } => {
            let (area, suspect, helped) = super::suspects::by_hand(&result)?;
            add(Content::Repaired { area, suspect, helped })
        }
        CaseCommand::Correct { entry, reason, content } => {
            let content = content.map(|text| serde_json::from_str::<Content>(&text)).transpose();
            let content = content.map_err(|error| {
                Failure::input(format!("--content: {error}"))
                    .hint(r#"for instance '{"kind": "note", "text": "the lamp was off"}'"#)
            })?;
            add(Content::Correction { of: entry, reason, content: content.map(Box::new) })
        }
        CaseCommand::Compare(args) => super::compare::run(&workshop, args, json),
        CaseCommand::Reference { drive, model, text } => {
            made(&workshop.mark_reference(&drive, model.as_deref(), &text)?, json)
        }
        CaseCommand::Verify { number } => verified(&in_case(number).verify_case()?, json),
        CaseCommand::Export { file } => moved(&workshop.export_case(&file)?, json),
        CaseCommand::Import { file } => moved(&workshop.import_case(&file)?, json),
        CaseCommand::Backup { file } => moved(&workshop.back_up(&file)?, json),
    }
}

fn new(workshop: &Workshop, args: NewCaseArgs) -> Result<CaseEntry, Failure> {
    let conditions = Conditions { engine: args.when, speed: args.speed, weather: args.weather, often: args.often };
    let mut vehicle = vehicle(&args.vehicle)?;
    if let (None, Some(plate)) = (&vehicle.vin, &vehicle.plate) {
        let mut casebook = workshop.casebook()?;
        let known = casebook.vehicle_by_plate(plate).map_err(::workshop::WorkshopError::from)?;
        vehicle.number = known.map_or(0, |known| known.number);
    }
    let mileage_km = args.vehicle.mileage;
    Ok(workshop.new_case(&::workshop::NewCase { vehicle, complaint: args.complaint, conditions, mileage_km })?)
}

fn vehicle(args: &VehicleArgs) -> Result<CaseVehicle, Failure> {
    let vin = args.vin.as_deref().map(|text| protocol::Vin::new(text).map_err(Failure::input)).transpose()?;
    Ok(CaseVehicle {
        number: 0,
        vin: vin.map(|vin| vin.as_str().to_owned()),
        plate: args.plate.clone(),
        model: args.model.clone(),
        engine: args.engine.clone(),
    })
}

fn made(made: &CaseEntry, json: bool) -> Result<Exit, Failure> {
    if json {
        print_json(made)?;
    } else {
        print_text(&format!("case {}, entry {}\n", made.case.number, made.entry.number));
    }
    Ok(Exit::Done)
}

fn cases(found: &wire::Cases, json: bool) -> Result<Exit, Failure> {
    if json {
        print_json(found)?;
        return Ok(Exit::Done);
    }
    let mut text = String::new();
    for case in &found.cases {
        let state = match (found.open == Some(case.number), case.closed_unix_ms) {
            (true, _) => "*",
            (_, Some(_)) => "closed",
            _ => "",
        };
        text += &wrapped(
            &format!("{:>5} {state:6} {}  {}  {}", case.number, time(case.opened_unix_ms), car(case), complaint(case)),
            "",
            width(),
        );
    }
    print_text(if text.is_empty() { "no cases\n" } else { &text });
    Ok(Exit::Done)
}

fn complaint(case: &Case) -> String {
    if case.complaint.is_empty() { "(no complaint written down)".to_owned() } else { clean(&case.complaint) }
}

fn car(case: &Case) -> String {
    let vehicle = &case.vehicle;
    let parts = [&vehicle.plate, &vehicle.model, &vehicle.engine, &vehicle.vin];
    let known: Vec<String> = parts.into_iter().flatten().map(|part| clean(part)).collect();
    if known.is_empty() { format!("vehicle {}", vehicle.number) } else { known.join(", ") }
}

fn time(unix_ms: i64) -> String {
    ::workshop::time_for_people(unix_ms.saturating_mul(1_000_000))
}

fn shown(shown: &wire::CaseShown, json: bool) -> Result<Exit, Failure> {
    if json {
        print_json(shown)?;
        return Ok(Exit::Done);
    }
    let (width, case) = (width(), &shown.case);
    let mut page = wrapped(&format!("Case {}: {}", case.number, complaint(case)), "", width);
    page += &format!("  {}", car(case));
    page += &case.mileage_km.map_or_else(String::new, |km| format!(", {km} km"));
    page += if case.closed_unix_ms.is_some() { ", closed\n" } else { ", open\n" };
    let Conditions { engine, speed, weather, often } = &case.conditions;
    for (label, text) in [("engine", engine), ("speed", speed), ("weather", weather), ("how often", often)] {
        if let Some(text) = text {
            page += &wrapped(&format!("{label}: {}", clean(text)), "  ", width);
        }
    }
    page += "\n";
    let corrections = ::workshop::corrections(&shown.entries);
    for entry in &shown.entries {
        page += &format!("{:>4}  {}  {}\n", entry.number, time(entry.time_unix_ms), clean(&entry.who));
        let mut text = said(entry);
        if let Some((by, _)) = corrections.get(&entry.number) {
            text += &format!(" [holds no longer as it stands: see entry {by}]");
        }
        page += &wrapped(&text, "      ", width);
    }
    page += &format!("\n{}", super::swap::placement(&shown.placement));
    page += &format!("last hash {}\n", case.head);
    print_text(&page);
    Ok(Exit::Done)
}

/// An addition that may be empty.
fn in_brackets(text: &str) -> String {
    if text.is_empty() { String::new() } else { format!(" ({text})") }
}

/// An entry in a line.
fn said(entry: &Entry) -> String {
    let text = match &entry.content {
        Content::Earlier { done_unix_ms, content } => {
            let done = Entry { content: (**content).clone(), ..Entry::default() };
            format!("done {}: {}", time(*done_unix_ms), said(&done))
        }
        Content::Reference { file, model, text } => format!("healthy drive of a {model}: {text} ({})", file.path),
        Content::Opened { .. } => "opened".to_owned(),
        Content::Vehicle { vehicle, .. } => {
            let described = vehicle.vin.as_deref().or(vehicle.plate.as_deref()).or(vehicle.model.as_deref());
            format!("vehicle: {}", described.unwrap_or("described"))
        }
        Content::Survey { survey, file } => {
            let codes: Vec<&str> =
                survey.modules.iter().flat_map(|module| &module.codes).map(|code| code.code.as_str()).collect();
            let codes = if codes.is_empty() { "no codes".to_owned() } else { codes.join(", ") };
            format!("survey: {codes} ({})", file.path)
        }
        Content::Drive { file, summary, .. } => {
            format!("drive: {:.0} s of {} signals ({})", summary.duration_s, summary.signals.len(), file.path)
        }
        Content::Mark { t_s, to_s, text, .. } => {
            let until = to_s.map(|to_s| format!(" to {}", crate::output::clock(to_s))).unwrap_or_default();
            format!("mark at {}{until}: {text}", crate::output::clock(*t_s))
        }
        Content::Finding { findings, .. } => {
            let faulty: Vec<String> = findings
                .iter()
                .filter(|finding| finding.verdict == "faulty")
                .map(|finding| format!("{} {}", finding.kind, finding.subject.join(" and ")))
                .collect();
            let faulty = if faulty.is_empty() { "nothing faulty".to_owned() } else { faulty.join(", ") };
            format!("examined: {faulty}, {} answers", findings.len())
        }
        Content::Swap { part, from, to } => format!("swap: {part} between cylinders {from} and {to}"),
        Content::Replaced { part, at, text } => {
            let at = at.map_or_else(String::new, |at| format!(" on cylinder {at}"));
            format!("replaced: {part}{at}{}", in_brackets(text))
        }
        Content::Command { module, output, statement, .. } => format!("command: {output} of {module}: {statement}"),
        Content::Clearing { modules, statement, .. } => format!("cleared: {}: {statement}", modules.join(", ")),
        Content::Note { text } => format!("note: {text}"),
        Content::Photo { file, text } => format!("photo: {text} ({})", file.path),
        Content::Decision { text, reason } => format!("decided: {text}{}", in_brackets(reason)),
        Content::SwapVerdict { verdict } => format!("swap judged: {}", verdict.statement),
        Content::Tested { area, test, is_yes } => {
            format!("tested: {area}/{test}: {}", if *is_yes { "yes" } else { "no" })
        }
        Content::Repaired { area, suspect, helped } => {
            format!("repaired: {area}/{suspect}: {}", if *helped { "the fault is gone" } else { "it did not help" })
        }
        Content::Suspects { statements, .. } => format!("suspects: {}", statements.join(" ")),
        Content::Proof { proof } => format!("proof: {}", proof.verdict),
        Content::Correction { of, reason, content } => {
            let how = if content.is_some() { "corrected" } else { "withdrawn" };
            format!("entry {of} {how}: {reason}")
        }
        Content::Closed { outcome } => format!("closed: {outcome}"),
        Content::Reopened { reason } => format!("opened again: {reason}"),
    };
    // Where nobody gave a reason or an outcome no colon waits for one.
    clean(text.trim_end_matches([' ', ':']))
}

fn verified(verified: &wire::Verified, json: bool) -> Result<Exit, Failure> {
    if json {
        print_json(verified)?;
    } else {
        let mut text = format!(
            "case {}: {} entries, {} files: {}\nlast hash {}\n",
            verified.case.number,
            verified.case.n_entries,
            verified.n_files,
            if verified.sound { "sound" } else { "NOT SOUND" },
            verified.case.head
        );
        for problem in &verified.problems {
            text += &wrapped(&clean(problem), "  ", width());
        }
        print_text(&text);
    }
    Ok(if verified.sound { Exit::Done } else { Exit::Lost })
}

fn moved(moved: &CaseMoved, json: bool) -> Result<Exit, Failure> {
    if json {
        print_json(moved)?;
    } else {
        let case = moved
            .case
            .as_ref()
            .map_or_else(String::new, |case| format!("case {}, {} files, ", case.number, moved.n_files));
        let mut text = format!("{case}{}\n", moved.file);
        for note in &moved.notes {
            text += &wrapped(&format!("note: {}", clean(note)), "", width());
        }
        for problem in &moved.problems {
            text += &wrapped(&format!("lost: {}", clean(problem)), "", width());
        }
        print_text(&text);
    }
    Ok(if moved.problems.is_empty() { Exit::Done } else { Exit::Lost })
}
