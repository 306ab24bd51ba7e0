//! Every benchmark of the workspace, one after the other, and the workbench in a browser.

use crate::pages;
use crate::step::{Failure, Steps, run};
use crate::workspace::Workspace;

/// Runs each `[[bench]]` target in release, then measures the workbench; what they print is their result.
pub(crate) fn all(workspace: &Workspace) -> Result<(), Failure> {
    let benches: Vec<_> = workspace
        .packages()
        .iter()
        .flat_map(|package| package.benches.iter().map(move |bench| (package, bench)))
        .collect();
    let mut steps = Steps::of(benches.len() + 1);
    for (package, bench) in benches {
        steps.step(&format!("{bench}: benchmark of crate {}", package.name), || {
            let arguments = ["bench", "--quiet", "--package", &package.name, "--bench", bench];
            run(workspace.cargo().args(arguments), "the lines above are what the benchmark said")
        })?;
    }
    workbench(workspace, &mut steps)?;
    steps.summary();
    Ok(())
}

/// Measures the workbench alone.
pub(crate) fn web(workspace: &Workspace) -> Result<(), Failure> {
    workbench(workspace, &mut Steps::of(1))
}

fn workbench(workspace: &Workspace, steps: &mut Steps) -> Result<(), Failure> {
    steps.step("web: the workbench in a browser, each figure beside its goal", || pages::bench(workspace))
}
