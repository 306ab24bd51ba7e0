//! `witness standin`: serves the invented car for anyone to connect to.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crate::cli::StandinArgs;
use crate::failure::{Exit, Failure};
use crate::output::{print_json, print_text, wrapped};

/// Where it listens when nothing else is said.
const DEFAULT_TCP: &str = "127.0.0.1:4077";

pub(crate) fn run(args: &StandinArgs, json: bool) -> Result<Exit, Failure> {
    if args.help_cars {
        let help = help();
        if json {
            print_json(&help)?;
        } else {
            print_text(&page(&help));
        }
        return Ok(Exit::Done);
    }
    let failed = |error: standin::StandinError| Failure::input(error).hint("`witness standin --help-cars` explains");
    if args.show_definitions {
        let definitions = standin::definitions(&args.name).map_err(failed)?.to_owned();
        if json {
            print_json(&wire::StandinDefinitions { definitions })?;
        } else {
            print_text(&definitions);
        }
        return Ok(Exit::Done);
    }
    let announce = |adapter: String| {
        if json {
            print_json(&wire::Serving { adapter })
        } else {
            print_text(&format!(
                "{adapter}\nserving until Ctrl-C; connect with: witness survey --adapter '{adapter}'\n"
            ));
            Ok(())
        }
    };
    let stop = Arc::new(AtomicBool::new(false));
    crate::stop::on_signals(&stop)?;
    let name = match &args.face {
        Some(face) => format!("{}{}face={face}", args.name, if args.name.contains('?') { '&' } else { '?' }),
        None => args.name.clone(),
    };
    let scheme = standin::scheme(&name).map_err(failed)?;
    if args.pty {
        let mut terminal = standin::Terminal::open().map_err(failed)?;
        announce(format!("{scheme}+serial:{}", terminal.path().display()))?;
        standin::serve_pty(&mut terminal, &name, args.speed, &stop).map_err(failed)?;
    } else {
        let address = args.tcp.as_deref().unwrap_or(DEFAULT_TCP);
        let listener = std::net::TcpListener::bind(address).map_err(|source| {
            Failure::new(Exit::Failed, format!("cannot listen on {address}: {source}"))
                .hint("another program may use this port: choose one with --tcp 127.0.0.1:0")
        })?;
        let bound = listener.local_addr().map_or_else(|_| address.to_owned(), |bound| bound.to_string());
        announce(match scheme {
            "doip" => format!("doip://{bound}"),
            _ => format!("{scheme}+tcp://{bound}"),
        })?;
        standin::serve_tcp(&listener, &name, args.speed, &stop).map_err(failed)?;
    }
    Ok(Exit::Done)
}

fn help() -> wire::StandinHelp {
    let explained = |(name, text): (&str, &str)| wire::Explained { name: name.to_owned(), text: text.to_owned() };
    wire::StandinHelp {
        cars: standin::cars().map(explained).collect(),
        options: standin::OPTIONS.into_iter().map(explained).collect(),
        faults: standin::FAULT_FORMS.map(str::to_owned).to_vec(),
    }
}

fn page(help: &wire::StandinHelp) -> String {
    let width = crate::output::width();
    let mut text = "A stand-in is named NAME or NAME?option=value&option=value. The cars:\n".to_owned();
    for car in &help.cars {
        text += &format!("  {:14}{}\n", car.name, car.text);
    }
    text += "\nOptions:\n";
    for option in &help.options {
        let lines = wrapped(&option.text, &" ".repeat(16), width);
        text += &format!("  {:14}{}", option.name, lines.trim_start());
        if !text.ends_with('\n') {
            text.push('\n');
        }
    }
    text += "\nFaults:\n";
    for form in &help.faults {
        text += &format!("  {form}\n");
    }
    text += "\nExample: standin:fell?script=town&fault=wheel-dropout:rear_left:0.5&fault=misfire-coil:1:0.6\n";
    text
}
