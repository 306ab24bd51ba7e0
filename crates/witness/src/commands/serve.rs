//! `witness serve`, and `witness` alone: the workbench in the browser.

use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use server::{Options, ServerError, Workbench};
use workshop::Workshop;

use crate::cli::ServeArgs;
use crate::failure::{Exit, Failure};
use crate::output::{print_json, print_text};

pub(crate) fn run(args: &ServeArgs, json: bool) -> Result<Exit, Failure> {
    let options =
        Options { listen: args.listen, adapters: args.adapter.clone(), pace: args.pace, ..Options::default() };
    serve(&options, super::workshop()?, !args.no_open, json)
}

/// Serves a workbench until it is interrupted.
pub(crate) fn serve(options: &Options, workshop: Workshop, is_to_open: bool, json: bool) -> Result<Exit, Failure> {
    let workbench = Workbench::open(options, workshop)?;
    let url = workbench.url();
    let stop = Arc::new(AtomicBool::new(false));
    crate::stop::on_signals(&stop)?;
    if json {
        print_json(&wire::Workbench { url: url.clone() })?;
    } else {
        print_text(&format!("{url}\nserving until Ctrl-C; phones and tablets join from there, under Settings\n"));
    }
    if is_to_open {
        open_in_browser(&url);
    }
    workbench.run(&stop)?;
    Ok(Exit::Done)
}

/// Shows the page; where the system has no way to, the address that was printed must do.
fn open_in_browser(url: &str) {
    let mut command = if cfg!(target_os = "windows") {
        let mut command = Command::new("cmd");
        command.args(["/C", "start", ""]);
        command
    } else if cfg!(target_os = "macos") {
        Command::new("open")
    } else {
        Command::new("xdg-open")
    };
    let _ = command.arg(url).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
}

impl From<ServerError> for Failure {
    fn from(error: ServerError) -> Self {
        let failure = Failure::new(Exit::Failed, &error);
        match error {
            ServerError::Listen { address, .. } => failure.hint(format!(
                "perhaps a workbench runs already: open http://{address}/ or choose another port, `witness serve --listen 127.0.0.1:0`"
            )),
            ServerError::System(_) => failure,
        }
    }
}
