//! The hash chain over a ledger: whoever changes, takes away or slips in an entry changes every hash behind it.

use sha2::{Digest, Sha256};

use crate::RawEntry;

/// What stands before the first entry.
pub(crate) const START: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// Bytes as lower-case hex.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// SHA-256 of `previous`, `uid`, number, time, who, software and content, each on a line of its own; who and software as
/// JSON strings, so that neither can hold a line end, and content exactly as it is stored.
pub(crate) fn hash(previous: &str, uid: &str, entry: &RawEntry) -> String {
    let quoted = |text: &str| serde_json::Value::from(text).to_string();
    let (who, software) = (quoted(&entry.who), quoted(&entry.software));
    let lines =
        format!("{previous}\n{uid}\n{}\n{}\n{who}\n{software}\n{}\n", entry.number, entry.time_unix_ms, entry.content);
    hex(&Sha256::digest(lines.as_bytes()))
}

/// What speaks against a ledger: a hole, or an entry that does not carry the hash that it should.
#[must_use]
pub fn verify(uid: &str, entries: &[RawEntry]) -> Vec<String> {
    let mut problems = Vec::new();
    let mut previous = START;
    for (expected, entry) in (1u64..).zip(entries) {
        if entry.number != expected {
            problems.push(format!(
                "entry {expected} is missing: entry {} follows entry {}",
                entry.number,
                expected - 1
            ));
            break;
        }
        if hash(previous, uid, entry) != entry.hash {
            problems.push(format!("entry {expected} was changed, or one before it taken away"));
            break;
        }
        previous = &entry.hash;
    }
    problems
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ledger() -> Vec<RawEntry> {
        let mut entries: Vec<RawEntry> = Vec::new();
        for number in 1..=3 {
            let mut entry = RawEntry {
                number,
                time_unix_ms: 1_700_000_000_000 + number as i64,
                who: "me".into(),
                software: "test 1".into(),
                content: format!(r#"{{"kind":"note","text":"{number}"}}"#),
                hash: String::new(),
            };
            entry.hash = hash(entries.last().map_or(START, |last| &last.hash), "u", &entry);
            entries.push(entry);
        }
        entries
    }

    #[test]
    fn the_hash_is_the_one_of_any_other_program() {
        // printf '%064d\nu\n1\n1700000000001\n"me"\n"test 1"\n{"kind":"note","text":"1"}\n' 0 | sha256sum
        assert_eq!(ledger()[0].hash, EXPECTED);
    }
    const EXPECTED: &str = "8291ba583d5d13409eae819ed2f08c77cc55ef9dd23d248ecf666256d9ab47df";

    #[test]
    fn every_kind_of_tampering_is_named() {
        assert_eq!(verify("u", &ledger()), [] as [String; 0]);
        let mut changed = ledger();
        changed[1].content = changed[1].content.replace('2', "9");
        assert!(verify("u", &changed)[0].contains("entry 2 was changed"));
        let mut missing = ledger();
        missing.remove(1);
        assert!(verify("u", &missing)[0].contains("entry 2 is missing"));
        let mut backdated = ledger();
        backdated[2].time_unix_ms -= 5;
        assert!(verify("u", &backdated)[0].contains("entry 3"));
        assert!(!verify("v", &ledger()).is_empty(), "a ledger belongs to its case");
    }
}
