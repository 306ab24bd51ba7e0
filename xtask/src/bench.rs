//! Every benchmark of the workspace, one after the other.

use crate::step::{Failure, Steps, run};
use crate::workspace::Workspace;

/// Runs each `[[bench]]` target in release; what it prints is its result.
pub(crate) fn all(workspace: &Workspace) -> Result<(), Failure> {
    let benches: Vec<_> = workspace
        .packages()
        .iter()
        .flat_map(|package| package.benches.iter().map(move |bench| (package, bench)))
        .collect();
    let mut steps = Steps::of(benches.len());
    for (package, bench) in benches {
        steps.step(&format!("{bench}: benchmark of crate {}", package.name), || {
            let arguments = ["bench", "--quiet", "--package", &package.name, "--bench", bench];
            run(workspace.cargo().args(arguments), "the lines above are what the benchmark said")
        })?;
    }
    steps.summary();
    Ok(())
}
