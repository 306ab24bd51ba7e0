//! What a standard trouble code means, in our own words.
//!
//! The texts are data files (`data/codes/*.txt`) whose head states where they come from. A code that is not in them has
//! no text here: a made-up meaning would send somebody to the wrong part.

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::sync::OnceLock;

use protocol::{Code, Definer};

/// The text files, by the name that a [`Problem`] gives.
const FILES: &[(&str, &str)] = &[
    ("engine.txt", include_str!("../data/codes/engine.txt")),
    ("transmission.txt", include_str!("../data/codes/transmission.txt")),
    ("electric_drive.txt", include_str!("../data/codes/electric_drive.txt")),
    ("chassis_body.txt", include_str!("../data/codes/chassis_body.txt")),
    ("network.txt", include_str!("../data/codes/network.txt")),
];

/// What the module complains about with this code, such as "cylinder 1 misfires". A failure type makes no difference.
///
/// `None` for a code that the files do not hold, and for every range that belongs to the vehicle makers: its meaning
/// differs from maker to maker.
///
/// ```
/// let text = |code: &str| definition::codes::text(code.parse().unwrap());
/// assert_eq!(text("P0301"), Some("cylinder 1 misfires"));
/// assert_eq!(text("P1301"), None);
/// ```
#[must_use]
pub fn text(code: Code) -> Option<&'static str> {
    static TEXTS: OnceLock<HashMap<Code, String>> = OnceLock::new();
    let texts = TEXTS.get_or_init(|| read(FILES).0);
    texts.get(&code.without_failure_type()).map(String::as_str)
}

/// A line of a text file that cannot be used, and why.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
#[error("{file} line {line}: {what}")]
struct Problem {
    file: &'static str,
    line: usize,
    what: Fault,
}

/// What is wrong with a line.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
enum Fault {
    #[error("expected `CODES  TEXT` or `name = this | that`")]
    Shape,
    #[error("`{0}` is neither a code nor a range of codes such as P0301-P0312 or P0261-P0294/3")]
    Codes(String),
    #[error("`{0}` belongs to the vehicle makers and can have no text here")]
    MakerDefined(String),
    #[error("`{0}` already has a text")]
    Twice(String),
    #[error("`{{{name}}}` has {entries} entries for {codes} codes")]
    Count { name: String, entries: usize, codes: usize },
}

/// Every text of the files by code, and the lines that could not be used.
fn read(files: &[(&'static str, &str)]) -> (HashMap<Code, String>, Vec<Problem>) {
    let mut texts = HashMap::new();
    let mut problems = Vec::new();
    for (file, content) in files {
        let mut lists = HashMap::new();
        for (idx, line) in content.lines().enumerate() {
            if let Err(what) = read_line(line.trim(), &mut lists, &mut texts) {
                problems.push(Problem { file, line: idx + 1, what });
            }
        }
    }
    (texts, problems)
}

/// Takes up one line: a comment, a named list, or codes and their text.
fn read_line<'a>(
    line: &'a str,
    lists: &mut HashMap<&'a str, Vec<String>>,
    texts: &mut HashMap<Code, String>,
) -> Result<(), Fault> {
    if line.is_empty() || line.starts_with('#') {
        return Ok(());
    }
    if let Some((codes, text)) = line.split_once("  ") {
        let codes = expand_codes(codes)?;
        let rows = expand_text(text.trim_start(), codes.len(), lists)?;
        for (code, row) in codes.iter().zip(rows) {
            let key: Code = code.parse().map_err(|_| Fault::Codes(code.clone()))?;
            if key.definer() != Definer::Standard {
                return Err(Fault::MakerDefined(code.clone()));
            }
            match texts.entry(key) {
                Entry::Vacant(place) => place.insert(row),
                Entry::Occupied(_) => return Err(Fault::Twice(code.clone())),
            };
        }
        return Ok(());
    }
    let (name, entries) = line.split_once(" = ").ok_or(Fault::Shape)?;
    lists.insert(name, entries.split(" | ").map(str::to_owned).collect());
    Ok(())
}

/// `P0001,P0003-P0005,P0010-P0016/3` as single codes.
fn expand_codes(list: &str) -> Result<Vec<String>, Fault> {
    let mut codes = Vec::new();
    for item in list.split(',') {
        let unusable = || Fault::Codes(item.to_owned());
        let Some((first, rest)) = item.split_once('-') else {
            codes.push(item.to_owned());
            continue;
        };
        let (last, step) = match rest.split_once('/') {
            Some((last, step)) => (last, step.parse().ok().filter(|step| *step > 0).ok_or_else(unusable)?),
            None => (rest, 1),
        };
        // Ranges count in decimal: the standard numbers cylinders P0301 to P0312, not P0301 to P030C.
        let (Some((first_head, first)), Some((last_head, last))) = (decimal_tail(first), decimal_tail(last)) else {
            return Err(unusable());
        };
        if first_head != last_head || first > last || (last - first) % step != 0 {
            return Err(unusable());
        }
        let width = 5_usize.saturating_sub(first_head.len());
        codes.extend((first..=last).step_by(step).map(|number| format!("{first_head}{number:0width$}")));
    }
    Ok(codes)
}

/// A code's part up to its last letter, and the decimal digits behind it as a number.
fn decimal_tail(code: &str) -> Option<(&str, usize)> {
    let (head, tail) = code.split_at_checked(code.rfind(|c: char| !c.is_ascii_digit())? + 1)?;
    (code.len() == 5).then_some((head, tail.parse().ok()?))
}

/// The text once per code, every `{…}` replaced by that code's entry.
fn expand_text(text: &str, n_codes: usize, lists: &HashMap<&str, Vec<String>>) -> Result<Vec<String>, Fault> {
    let mut rows = vec![String::new(); n_codes];
    let mut rest = text;
    while let Some((before, after)) = rest.split_once('{') {
        let (name, after) = after.split_once('}').ok_or(Fault::Shape)?;
        let entries = entries(name, lists).ok_or(Fault::Shape)?;
        if entries.len() != n_codes {
            return Err(Fault::Count { name: name.to_owned(), entries: entries.len(), codes: n_codes });
        }
        for (row, entry) in rows.iter_mut().zip(entries) {
            row.push_str(before);
            row.push_str(&entry);
        }
        rest = after;
    }
    rows.iter_mut().for_each(|row| row.push_str(rest));
    Ok(rows)
}

/// `1..12`, `A..F`, `this|that` or the name of a list, as its entries.
fn entries(name: &str, lists: &HashMap<&str, Vec<String>>) -> Option<Vec<String>> {
    if let Some((first, last)) = name.split_once("..") {
        if let (Ok(first), Ok(last)) = (first.parse::<u8>(), last.parse::<u8>()) {
            return Some((first..=last).map(|number| number.to_string()).collect());
        }
        let (first, last) = (first.parse::<char>().ok()?, last.parse::<char>().ok()?);
        return Some((first..=last).map(String::from).collect());
    }
    if name.contains('|') {
        return Some(name.split('|').map(str::to_owned).collect());
    }
    lists.get(name).cloned()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The files as they are embedded; fails on the first unusable line.
    fn embedded() -> HashMap<Code, String> {
        let (texts, problems) = read(FILES);
        assert!(problems.is_empty(), "{}", problems.iter().map(|p| format!("{p}\n")).collect::<String>());
        texts
    }

    fn text(code: &str) -> Option<&'static str> {
        super::text(code.parse().unwrap())
    }

    #[test]
    fn every_line_expands_to_codes_of_its_own() {
        let texts = embedded();
        for (key, text) in &texts {
            assert!(!text.contains(['{', '}', '|', '\t']), "{key} {text}");
            assert!(!text.ends_with('.') && !text.starts_with(' ') && !text.contains("  "), "{key} {text}");
            assert!((5..=140).contains(&text.len()), "{key} {text}");
        }
    }

    #[test]
    fn each_file_says_where_its_texts_come_from() {
        for (name, content) in FILES {
            assert!(
                content.contains("# Origin: numbering by SAE J2012 / ISO 15031-6, meaning in our own words"),
                "{name}"
            );
        }
    }

    /// How many codes of each group have a text. A line that is lost or repeated changes a count.
    #[test]
    fn the_groups_have_as_many_texts_as_were_written() {
        let mut counts: HashMap<String, usize> = HashMap::new();
        for key in embedded().keys() {
            *counts.entry(key.to_string()[..2].to_owned()).or_default() += 1;
        }
        let mut counts: Vec<_> = counts.into_iter().collect();
        counts.sort();
        eprintln!("texts per group: {counts:?}");
        let expected = [("B0", 6), ("C0", 30), ("P0", 1064), ("P2", 397), ("P3", 98), ("U0", 131)];
        assert_eq!(counts, expected.map(|(group, n)| (group.to_owned(), n)));
    }

    /// The families that the computations attach to. Sources: P0171, P0174, P2120-P2128, P2138, C0031-C003A from public
    /// workshop lists; the other meanings from memory of SAE J2012.
    #[test]
    fn the_families_that_findings_point_at_mean_what_the_standard_says() {
        for (codes, words) in [
            ("P0300", &["several cylinders misfire"] as &[&str]),
            ("P0301", &["cylinder 1 misfires"]),
            ("P0308", &["cylinder 8 misfires"]),
            ("P0310", &["cylinder 10 misfires"]),
            ("P0312", &["cylinder 12 misfires"]),
            ("P0313", &["misfire", "fuel level is low"]),
            ("P0314", &["single cylinder misfires"]),
            ("P0316", &["first 1000 revolutions"]),
            ("P0171", &["too lean, bank 1"]),
            ("P0172", &["too rich, bank 1"]),
            ("P0174", &["too lean, bank 2"]),
            ("P0175", &["too rich, bank 2"]),
            ("P2187", &["too lean at idle, bank 1"]),
            ("P2188", &["too rich at idle, bank 1"]),
            ("P2189", &["too lean at idle, bank 2"]),
            ("P2190", &["too rich at idle, bank 2"]),
            ("P2177", &["too lean off idle, bank 1"]),
            ("P2178", &["too rich off idle, bank 1"]),
            ("P2179", &["too lean off idle, bank 2"]),
            ("P2180", &["too rich off idle, bank 2"]),
            ("P2191", &["too lean at higher load, bank 1"]),
            ("P2192", &["too rich at higher load, bank 1"]),
            ("P0420", &["catalyst", "bank 1"]),
            ("P0430", &["catalyst", "bank 2"]),
            ("P0130", &["oxygen sensor", "bank 1 sensor 1", "circuit"]),
            ("P0133", &["oxygen sensor", "bank 1 sensor 1", "slowly"]),
            ("P0135", &["oxygen sensor", "bank 1 sensor 1", "heater"]),
            ("P0141", &["oxygen sensor", "bank 1 sensor 2", "heater"]),
            ("P0150", &["oxygen sensor", "bank 2 sensor 1", "circuit"]),
            ("P0153", &["oxygen sensor", "bank 2 sensor 1", "slowly"]),
            ("P0161", &["oxygen sensor", "bank 2 sensor 2", "heater"]),
            ("P0101", &["air flow meter", "implausible"]),
            ("P0102", &["air flow meter", "too low"]),
            ("P0103", &["air flow meter", "too high"]),
            ("P0104", &["air flow meter", "comes and goes"]),
            ("P0106", &["manifold", "implausible"]),
            ("P0109", &["manifold", "comes and goes"]),
            ("P0111", &["intake air temperature", "implausible"]),
            ("P0114", &["intake air temperature", "comes and goes"]),
            ("P0068", &["manifold pressure or air flow", "throttle"]),
            ("P0116", &["coolant temperature", "implausible"]),
            ("P0119", &["coolant temperature", "comes and goes"]),
            ("P0125", &["closed-loop"]),
            ("P0128", &["thermostat"]),
            ("P0120", &["throttle or pedal position sensor A", "circuit"]),
            ("P0124", &["throttle or pedal position sensor A", "comes and goes"]),
            ("P0220", &["throttle or pedal position sensor B", "circuit"]),
            ("P0222", &["throttle or pedal position sensor B", "too low"]),
            ("P2120", &["position sensor D", "circuit"]),
            ("P2122", &["position sensor D", "too low"]),
            ("P2123", &["position sensor D", "too high"]),
            ("P2125", &["position sensor E", "circuit"]),
            ("P2127", &["position sensor E", "too low"]),
            ("P2128", &["position sensor E", "too high"]),
            ("P2130", &["position sensor F", "circuit"]),
            ("P2133", &["position sensor F", "too high"]),
            ("P2135", &["A and B disagree"]),
            ("P2136", &["A and C disagree"]),
            ("P2137", &["B and C disagree"]),
            ("P2138", &["D and E disagree"]),
            ("P2139", &["D and F disagree"]),
            ("P2140", &["E and F disagree"]),
            ("P0645", &["air-conditioning clutch relay", "open"]),
            ("P0646", &["air-conditioning clutch relay", "low"]),
            ("P0647", &["air-conditioning clutch relay", "high"]),
            ("P0530", &["air-conditioning pressure"]),
            ("P0534", &["refrigerant"]),
            ("P0480", &["cooling fan 1"]),
            ("P0485", &["cooling fan"]),
            ("P0691", &["cooling fan 1", "low"]),
            ("P0696", &["cooling fan 3", "high"]),
            ("P0560", &["system voltage"]),
            ("P0562", &["system voltage", "low"]),
            ("P0563", &["system voltage", "high"]),
            ("P0620", &["generator"]),
            ("P0622", &["generator"]),
            ("P0335", &["crankshaft position sensor A"]),
            ("P0340", &["camshaft position sensor A"]),
            ("P0344", &["camshaft position sensor A", "comes and goes"]),
            ("P0016", &["crankshaft and camshaft", "bank 1 sensor A"]),
            ("P0019", &["crankshaft and camshaft", "bank 2 sensor B"]),
            ("U0001", &["high-speed CAN"]),
            ("U0073", &["bus A"]),
            ("U0100", &["no messages from engine control module A"]),
            ("U0101", &["no messages", "transmission"]),
            ("U0121", &["no messages", "anti-lock"]),
            ("U0126", &["no messages", "steering angle"]),
            ("U0131", &["no messages", "power steering"]),
            ("U0140", &["no messages", "body"]),
            ("U0151", &["no messages", "restraint"]),
            ("U0155", &["no messages", "instrument cluster"]),
            ("U0401", &["implausible data", "engine"]),
            ("U0415", &["implausible data", "anti-lock"]),
        ] {
            let text = text(codes).unwrap_or_else(|| unreachable!("{codes} has no text"));
            for word in words {
                assert!(text.contains(word), "{codes}: `{text}` lacks `{word}`");
            }
        }
    }

    /// Families that are numbered in steps: the first and the last member, and one between.
    #[test]
    fn stepped_families_end_where_the_standard_ends_them() {
        for (code, expected) in [
            ("P0201", "cylinder 1 injector: circuit fault"),
            ("P0212", "cylinder 12 injector: circuit fault"),
            ("P0267", "cylinder 3 injector: circuit low"),
            ("P0296", "cylinder 12 contributes more or less than the others"),
            ("P0354", "ignition coil D (usually cylinder 4): primary or secondary circuit fault"),
            ("P0362", "ignition coil L (usually cylinder 12): primary or secondary circuit fault"),
            ("P0682", "cylinder 12 glow plug: circuit fault"),
            ("P2335", "ignition coil L (usually cylinder 12): secondary circuit fault"),
            ("P2347", "cylinder 12 knocks above its limit"),
            ("P3409", "cylinder 2 deactivation, intake valve: control circuit open or faulty"),
            ("P3496", "cylinder 12 deactivation, exhaust valve: control circuit high"),
            ("P219D", "cylinder 2 gets another mixture than its neighbours"),
            ("p21a7", "cylinder 12 gets another mixture than its neighbours"),
        ] {
            assert_eq!(text(code), Some(expected), "{code}");
        }
    }

    /// C0035 is the left front sensor in one numbering and the right front supply in the other (both from memory): no
    /// wheel-speed text may name one side as if it were certain.
    #[test]
    fn wheel_speed_texts_never_settle_the_side_by_number() {
        let of = |number: &str| text(number).unwrap_or_default();
        for (code, side) in [("C0031", "left front"), ("C0034", "right front"), ("C0037", "left rear")] {
            assert!(of(code).contains("sensor,") && of(code).contains(side), "{code} {}", of(code));
        }
        assert!(of("C003A").contains("right rear"));
        for (code, side) in [("C0030", "left front"), ("C0033", "right front"), ("C0036", "left rear")] {
            assert!(of(code).contains("tone wheel") && of(code).contains(side), "{code} {}", of(code));
        }
        assert!(of("C0035").contains("left front") && of("C0035").contains("right front"));
        for (key, text) in embedded() {
            if text.contains("wheel-speed") {
                assert!(text.contains("numbering") && text.contains("module's own text"), "{key} {text}");
            }
        }
    }

    #[test]
    fn codes_of_the_vehicle_makers_have_no_text() {
        for code in ["P1000", "P1345", "P3000", "P33FF", "B1600", "B2000", "C1000", "C2345", "U1000", "U2FFF", "B3000"]
        {
            assert_eq!(text(code), None, "{code}");
            assert_ne!(code.parse::<Code>().unwrap().definer(), Definer::Standard, "{code}");
        }
        for code in ["P0000", "P0FFF", "P2000", "P3400", "P3FFF", "B0FFF", "C0FFF", "U0FFF", "U3000"] {
            assert_eq!(code.parse::<Code>().unwrap().definer(), Definer::Standard, "{code}");
        }
        assert!(embedded().keys().all(|key| key.definer() == Definer::Standard));
    }

    #[test]
    fn unusable_lines_are_named_and_cost_only_themselves() {
        let file = "P0001  good\nP0001  again\nP1000  maker\nP0300-P030C  hex\nP0301-P0303  {1..2}\nnonsense\n\
                    P0305-P0308/2  odd\nP0310  {unknown}\nP0311  {1..\nP0002  also good\n";
        let (texts, problems) = read(&[("x.txt", file)]);
        let mut codes: Vec<_> = texts.keys().map(ToString::to_string).collect();
        codes.sort();
        assert_eq!(codes, ["P0001", "P0002"]);
        assert_eq!(problems.iter().map(|p| p.line).collect::<Vec<_>>(), [2, 3, 4, 5, 6, 7, 8, 9]);
        assert_eq!(problems[0].to_string(), "x.txt line 2: `P0001` already has a text");
        assert_eq!(problems[3].to_string(), "x.txt line 5: `{1..2}` has 2 entries for 3 codes");
    }

    proptest::proptest! {
        #[test]
        fn any_file_can_be_read(file in "[P0-9A-F,/{}|.= #\\-a-z\n]{0,80}") {
            let _ = read(&[("any", &file)]);
        }
    }
}
