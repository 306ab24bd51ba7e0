//! `witness manual`: one page for each command, made from the same definitions as the commands themselves.

use clap::CommandFactory;

use crate::cli::{Cli, ManualArgs};
use crate::failure::{Exit, Failure};
use crate::output::{print_json, print_text};

pub(crate) fn run(args: &ManualArgs, json: bool) -> Result<Exit, Failure> {
    let cannot = |source: std::io::Error| {
        Failure::new(Exit::Failed, format!("cannot write `{}`: {source}", args.folder.display()))
    };
    std::fs::create_dir_all(&args.folder).map_err(cannot)?;
    let mut pages = Vec::new();
    let mut command = Cli::command().disable_help_subcommand(true);
    command.build();
    write(&command, args, &mut pages).map_err(cannot)?;
    if json {
        print_json(&wire::Manual { folder: args.folder.display().to_string(), pages })?;
    } else {
        print_text(&format!("{} pages in {}\n", pages.len(), args.folder.display()));
    }
    Ok(Exit::Done)
}

fn write(command: &clap::Command, args: &ManualArgs, pages: &mut Vec<String>) -> std::io::Result<()> {
    let name = command.get_display_name().unwrap_or(command.get_name()).replace(' ', "-");
    // The same commit gives the same pages, so none bears a date; an empty one would be left out, and what follows would
    // stand in its place.
    let page =
        clap_mangen::Man::new(command.clone()).title(&name).date(" ").source(crate::SOFTWARE).manual("Witnessmark");
    let mut text = Vec::new();
    page.render(&mut text)?;
    let file = format!("{name}.1");
    std::fs::write(args.folder.join(&file), text)?;
    pages.push(file);
    command.get_subcommands().try_for_each(|below| write(below, args, pages))
}
