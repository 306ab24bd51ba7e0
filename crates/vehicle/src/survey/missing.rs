//! Who is missing: modules that others complain about.

use std::collections::BTreeMap;

use protocol::{Address, System};

use super::{FoundCode, ModuleSurvey};

/// A module that others get no messages from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Missing {
    /// The code, without failure type.
    pub code: protocol::Code,
    /// Who is missing, in the words of the standard code.
    pub who: String,
    /// Who says so, by address.
    pub reported_by: Vec<Address>,
    /// Somebody says that it is so now; otherwise it was so once and may be over.
    pub is_now: bool,
}

/// How the text of a code that misses a module begins.
const NO_MESSAGES: &str = "no messages from ";

/// Modules that others miss, those that more of them miss first.
///
/// A code of one module may tell of its own wiring; two that miss the same one point at that one, its supply, its fuse or
/// its network (common practice, no source).
pub(super) fn missing(modules: &[ModuleSurvey]) -> Vec<Missing> {
    let mut by_code: BTreeMap<u16, Missing> = BTreeMap::new();
    for module in modules {
        for found in module.codes.iter().filter(|found| found.code.system() == System::Network) {
            let code = found.code.without_failure_type();
            let text = definition::codes::text(code).and_then(|text| text.strip_prefix(NO_MESSAGES));
            let Some(who) = text else { continue };
            let missing = by_code.entry(code.number).or_insert_with(|| Missing {
                code,
                who: who.trim_start_matches("the ").to_owned(),
                reported_by: Vec::new(),
                is_now: false,
            });
            if !missing.reported_by.contains(&module.address) {
                missing.reported_by.push(module.address);
            }
            missing.is_now |= is_present(found);
        }
    }
    let mut missing: Vec<Missing> = by_code.into_values().collect();
    missing.sort_by_key(|missing| std::cmp::Reverse((missing.is_now, missing.reported_by.len())));
    missing
}

fn is_present(found: &FoundCode) -> bool {
    found.status.is_some_and(protocol::CodeStatus::failing_now)
        || found.kwp_status.is_some_and(protocol::kwp::codes::Status::present)
}
