//! Rules about crates: who may build with whom, and what each says of itself.

use std::collections::BTreeSet;

use crate::workspace::Package;

/// One row of the crate table of the architecture page.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Row {
    name: String,
    may_use: Vec<String>,
    may_use_in_tests: Vec<String>,
    must_not_know: String,
}

/// Ways that stay shut whatever the table says, directly or through other crates, in tests too.
///
/// The analysis must never see the car that the tests are made with, or it could learn it by heart.
const SHUT: &[(&str, &str)] = &[("evidence", "standin"), ("evidence", "vehicle"), ("drive", "standin")];

/// Crates that no other crate may use.
const LAST: &[&str] = &["campaign", "witness", "fuzz", "xtask"];

/// The rows of the table whose first column is headed `crate`.
///
/// Columns: crate, its job, may use, in tests also, must not know; crate names stand in backticks.
pub(super) fn rows(page: &str) -> Vec<Row> {
    let table = page.lines().skip_while(|line| !line.starts_with("| crate |")).skip(2);
    table.take_while(|line| line.starts_with('|')).filter_map(row).collect()
}

fn row(line: &str) -> Option<Row> {
    let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
    let [name, _, may_use, in_tests, must_not_know] = cells.as_slice() else { return None };
    Some(Row {
        name: in_backticks(name).into_iter().next()?,
        may_use: in_backticks(may_use),
        may_use_in_tests: in_backticks(in_tests),
        must_not_know: (*must_not_know).to_owned(),
    })
}

fn in_backticks(cell: &str) -> Vec<String> {
    cell.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

/// Every crate has a row, every row a crate, and no crate uses more than its row allows.
pub(super) fn table_against_workspace(rows: &[Row], packages: &[Package]) -> Vec<String> {
    let mut complaints = Vec::new();
    for row in rows {
        if !packages.iter().any(|package| package.name == row.name) {
            complaints.push(format!("ARCHITECTURE.md: `{}` is in the crate table but not in the workspace", row.name));
        }
        if row.must_not_know.is_empty() {
            complaints.push(format!("ARCHITECTURE.md: `{}` does not say what it must not know", row.name));
        }
    }
    for package in packages {
        let name = &package.name;
        let Some(row) = rows.iter().find(|row| row.name == *name) else {
            complaints.push(format!("ARCHITECTURE.md: crate `{name}` is missing from the crate table"));
            continue;
        };
        for used in package.uses.iter().filter(|used| !row.may_use.contains(used)) {
            complaints.push(format!("crate `{name}` uses `{used}`: its row in ARCHITECTURE.md does not allow that"));
        }
        let allowed = |used: &&String| row.may_use.contains(used) || row.may_use_in_tests.contains(used);
        for used in package.uses_in_tests.iter().filter(|used| !allowed(used)) {
            complaints.push(format!("tests of `{name}` use `{used}`: its row in ARCHITECTURE.md does not allow that"));
        }
    }
    complaints
}

/// The ways of [`SHUT`] and [`LAST`].
pub(super) fn forbidden_ways(packages: &[Package]) -> Vec<String> {
    let mut complaints = Vec::new();
    for (from, to) in SHUT {
        if reached(from, packages).contains(to) {
            complaints
                .push(format!("crate `{from}` reaches `{to}`, in its tests or through another crate: it never may"));
        }
    }
    for package in packages {
        for last in LAST.iter().filter(|last| all_uses(package).any(|used| used == **last)) {
            complaints.push(format!("crate `{}` uses `{last}`: nothing may", package.name));
        }
    }
    complaints
}

fn all_uses(package: &Package) -> impl Iterator<Item = &str> {
    package.uses.iter().chain(&package.uses_in_tests).map(String::as_str)
}

/// Every crate that is built when `from` and its tests are. Tests of *other* crates are not.
fn reached<'a>(from: &str, packages: &'a [Package]) -> BTreeSet<&'a str> {
    let find = |name: &str| packages.iter().find(|package| package.name == name);
    let mut reached = BTreeSet::new();
    let mut open: Vec<&str> = find(from).into_iter().flat_map(all_uses).collect();
    while let Some(name) = open.pop() {
        if reached.insert(name) {
            open.extend(find(name).into_iter().flat_map(|package| package.uses.iter().map(String::as_str)));
        }
    }
    reached
}

/// A crate's header says what the crate must not know.
pub(super) fn header(name: &str, source: &str) -> Option<String> {
    let header: Vec<&str> = source.lines().map_while(|line| line.strip_prefix("//!")).map(str::trim).collect();
    // The sentence may be broken over two lines.
    let says_it = header.join(" ").contains("must not know");
    (!says_it).then(|| format!("crate `{name}`: its header does not say what it must not know"))
}

/// A crate takes part in the workspace's lint table.
pub(super) fn lint_table(name: &str, manifest: &str) -> Option<String> {
    (!manifest.contains("[lints]\nworkspace = true"))
        .then(|| format!("crate `{name}`: its Cargo.toml lacks `[lints]` with `workspace = true`"))
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAGE: &str = "# Page\n\n| crate | its job | may use | in tests also | must not know |\n| --- | --- | --- | --- | --- |\n\
                        | `signal` | names | nothing | nothing | how a sample was obtained |\n\
                        | `evidence` | findings | `signal` | `drive` | cars |\n\
                        | `drive` | recordings | `signal` | nothing | cars |\n\
                        | `standin` | a car | `signal` | nothing | the analysis |\n\
                        | `witness` | wires | `signal`, `drive` | nothing | the sums |\n\nText after `it`.\n";

    fn package(name: &str, uses: &[&str], uses_in_tests: &[&str]) -> Package {
        let owned = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect();
        Package {
            name: name.to_owned(),
            folder: name.into(),
            uses: owned(uses),
            uses_in_tests: owned(uses_in_tests),
            benches: Vec::new(),
        }
    }

    fn sound() -> Vec<Package> {
        vec![
            package("signal", &[], &[]),
            package("evidence", &["signal"], &["drive"]),
            package("drive", &["signal"], &[]),
            package("standin", &["signal"], &[]),
            package("witness", &["signal", "drive"], &[]),
        ]
    }

    fn complaints(packages: &[Package]) -> Vec<String> {
        let mut all = table_against_workspace(&rows(PAGE), packages);
        all.extend(forbidden_ways(packages));
        all
    }

    #[test]
    fn a_sound_workspace_gets_no_complaint() {
        assert_eq!(complaints(&sound()), [] as [String; 0]);
    }

    #[test]
    fn a_crate_without_row_and_a_row_without_crate_are_named() {
        let mut packages = sound();
        packages.retain(|package| package.name != "drive");
        packages.push(package("extra", &[], &[]));
        let all = complaints(&packages);
        assert!(all.iter().any(|line| line.contains("`drive` is in the crate table but not")), "{all:?}");
        assert!(all.iter().any(|line| line.contains("`extra` is missing")), "{all:?}");
    }

    #[test]
    fn a_use_that_the_row_does_not_allow_is_named() {
        let mut packages = sound();
        packages[2] = package("drive", &["signal", "evidence"], &[]);
        packages[0] = package("signal", &[], &["drive"]);
        let all = complaints(&packages);
        assert!(all.iter().any(|line| line.starts_with("crate `drive` uses `evidence`")), "{all:?}");
        assert!(all.iter().any(|line| line.starts_with("tests of `signal` use `drive`")), "{all:?}");
    }

    #[test]
    fn evidence_never_reaches_the_stand_in_even_where_the_table_allows_each_step() {
        let mut packages = sound();
        packages[1] = package("evidence", &["signal"], &["standin"]);
        assert!(forbidden_ways(&packages)[0].contains("`evidence` reaches `standin`"));
        packages[1] = package("evidence", &["signal"], &["drive"]);
        packages[2] = package("drive", &["signal", "standin"], &[]);
        assert!(forbidden_ways(&packages).iter().any(|line| line.contains("`evidence` reaches `standin`")));
    }

    #[test]
    fn nothing_uses_the_command_line() {
        let mut packages = sound();
        packages[2] = package("drive", &["signal"], &["witness"]);
        assert_eq!(forbidden_ways(&packages), ["crate `drive` uses `witness`: nothing may"]);
    }

    #[test]
    fn a_row_must_say_what_its_crate_must_not_know() {
        let page = PAGE.replace("| how a sample was obtained |", "| |");
        let all = table_against_workspace(&rows(&page), &sound());
        assert_eq!(all, ["ARCHITECTURE.md: `signal` does not say what it must not know"]);
    }

    #[test]
    fn headers_and_lint_tables_are_read() {
        assert_eq!(header("a", "//! For this.\n//! It must not\n//! know that.\n\nfn main() {}"), None);
        assert!(header("a", "//! For this.\n\n//! must not know that").is_some(), "only the header counts");
        assert!(header("a", "// must not know that").is_some());
        assert_eq!(lint_table("a", "[package]\n\n[lints]\nworkspace = true\n"), None);
        assert!(lint_table("a", "[package]\n").is_some());
    }
}
