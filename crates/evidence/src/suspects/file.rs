//! Files of the fault model: a format of our own, read and checked. `data/suspects/README.md` explains the format.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use serde::Deserialize;
use toml::Spanned;

use super::model::{CLUE_RANGE, Clue, Member, Model, ModelError, SuspectRow};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    title: Spanned<String>,
    source: String,
    caution: Option<String>,
    each: Option<Spanned<EachRow>>,
    #[serde(default)]
    complaint: Vec<String>,
    unlisted: Spanned<f64>,
    no_fault: Spanned<f64>,
    minutes: Spanned<MinutesRow>,
    #[serde(default)]
    swap: BTreeMap<String, Spanned<String>>,
    suspect: Vec<Spanned<SuspectRow>>,
    clue: Vec<Spanned<Clue>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct EachRow {
    ids: Vec<String>,
    /// `{n}` stands for the id with spaces for underscores.
    name: String,
    unnamed: String,
    title_unnamed: Option<String>,
    how_to_name: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MinutesRow {
    check: f64,
    comeback: f64,
    further: f64,
}

impl Model {
    /// Reads and checks a model; `id` is the name of its file without the ending.
    ///
    /// # Errors
    /// [`ModelError`] with the line at fault.
    pub fn parse(id: &str, text: &str) -> Result<Self, ModelError> {
        let wrong = |span: Option<Range<usize>>, problem: String| ModelError {
            file: id.to_owned(),
            line: span.map_or(1, |span| line_of(text, span.start)),
            problem,
        };
        let file: File =
            toml::from_str(text).map_err(|error| wrong(error.span(), error.message().replace('\n', " ").to_owned()))?;
        let check = |holds: bool, span: Range<usize>, problem: &str| {
            if holds { Ok(()) } else { Err(wrong(Some(span), problem.to_owned())) }
        };
        for share in [&file.unlisted, &file.no_fault] {
            check((0.01..=0.6).contains(share.as_ref()), share.span(), "a share is 0.01 to 0.6")?;
        }
        let minutes = file.minutes.as_ref();
        let within = [minutes.check, minutes.comeback, minutes.further].iter().all(|m| (1.0..=600.0).contains(m));
        check(within, file.minutes.span(), "`check`, `comeback` and `further` are 1 to 600 minutes")?;
        let members: Vec<Member> = file.each.iter().flat_map(|each| each.as_ref().members()).collect();
        check(
            file.title.as_ref().contains("{}") != members.is_empty(),
            file.title.span(),
            "`{}` in the title and `[each]` go together",
        )?;
        let mut ids = BTreeSet::new();
        for row in &file.suspect {
            let (suspect, span) = (row.as_ref(), row.span());
            check(is_id(&suspect.id) && ids.insert(suspect.id.as_str()), span.clone(), "the id must be unique")?;
            check((0.1..=1000.0).contains(&suspect.prior), span.clone(), "`prior` is a weight of 0.1 to 1000")?;
            check((1.0..=1200.0).contains(&suspect.minutes), span.clone(), "`minutes` is 1 to 1200")?;
            check((0.0..=20_000.0).contains(&suspect.money), span.clone(), "`money` is 0 to 20000")?;
            check(!members.is_empty() || !suspect.name.contains("{}"), span, "`{}` needs `[each]`")?;
        }
        for suspect in file.swap.values() {
            check(ids.contains(suspect.as_ref().as_str()), suspect.span(), "no suspect has this id")?;
        }
        let mut names = BTreeSet::new();
        for row in &file.clue {
            let (clue, span) = (row.as_ref(), row.span());
            check(is_id(&clue.id) && names.insert(clue.id.as_str()), span.clone(), "the id must be unique")?;
            clue.check(&ids, members.len()).map_err(|problem| wrong(Some(span.clone()), problem))?;
            let texts = [&clue.yes, &clue.no, &clue.why];
            let has_place = texts.into_iter().chain(&clue.ask).chain(&clue.caution).any(|text| text.contains("{}"));
            check(!members.is_empty() || !has_place, span.clone(), "`{}` needs `[each]`")?;
            let is_swapped = clue.part.as_ref().is_none_or(|part| file.swap.contains_key(part));
            check(is_swapped, span, "`part` is a kind of part that `[swap]` names")?;
        }
        let can_open = !file.complaint.is_empty() || file.clue.iter().any(|clue| clue.as_ref().opens);
        check(can_open, file.title.span(), "nothing opens this area: give `complaint` or a clue with `opens = true`")?;
        let each = file.each.map(Spanned::into_inner);
        let title_unnamed = each.as_ref().and_then(|each| each.title_unnamed.clone());
        let (unnamed, how_to_name) = each.map(|each| (each.unnamed, each.how_to_name)).unzip();
        let MinutesRow { check: check_minutes, comeback, further } = file.minutes.into_inner();
        Ok(Self {
            id: id.to_owned(),
            title: file.title.into_inner(),
            title_unnamed,
            source: file.source,
            caution: file.caution,
            members,
            unnamed: unnamed.unwrap_or_default(),
            how_to_name: how_to_name.flatten(),
            complaint: file.complaint,
            unlisted: file.unlisted.into_inner(),
            no_fault: file.no_fault.into_inner(),
            check_minutes,
            comeback_minutes: comeback,
            further_minutes: further,
            suspects: file.suspect.into_iter().map(Spanned::into_inner).collect(),
            clues: file.clue.into_iter().map(Spanned::into_inner).collect(),
            swap: file.swap.into_iter().map(|(kind, suspect)| (kind, suspect.into_inner())).collect(),
        })
    }
}

impl EachRow {
    fn members(&self) -> impl Iterator<Item = Member> {
        let name = |id: &String| self.name.replace("{n}", &id.replace('_', " "));
        self.ids.iter().map(move |id| Member { id: id.clone(), name: name(id) })
    }
}

impl Clue {
    fn check(&self, suspects: &BTreeSet<&str>, n_members: usize) -> Result<(), String> {
        if let Some(unknown) = self.yes_if.keys().find(|id| !suspects.contains(id.as_str())) {
            return Err(format!("`yes_if` names `{unknown}`, but no suspect has this id"));
        }
        let (least, most) = CLUE_RANGE;
        let mut probabilities = self.yes_if.values().chain([&self.otherwise]).chain(&self.no_fault);
        if !probabilities.all(|p| (least..=most).contains(p)) {
            return Err(format!("probabilities are {least} to {most}"));
        }
        let others = self.yes_if.values().chain(&self.no_fault);
        if others.into_iter().all(|&p| p == self.otherwise) {
            return Err("it is equally likely under everything, so it tells nothing".to_owned());
        }
        if self.ask.is_some() != self.minutes.is_some() {
            return Err("a test has `ask` and `minutes`".to_owned());
        }
        if self.minutes.is_some_and(|minutes| !(1.0..=600.0).contains(&minutes))
            || !(0.0..=20_000.0).contains(&self.money)
        {
            return Err("`minutes` is 1 to 600, `money` 0 to 20000".to_owned());
        }
        if self.ask.is_none() && self.codes_each.is_empty() && self.codes_any.is_empty() && self.findings.is_empty() {
            return Err("nothing can answer it: give `ask`, codes or findings".to_owned());
        }
        for text in &self.codes_each {
            let n = codes_of(text)?.len();
            if n != n_members {
                return Err(format!("`{text}` gives {n} codes for {n_members} members"));
            }
        }
        for text in &self.codes_any {
            codes_of(text)?;
        }
        for row in &self.findings {
            if !crate::CHECKS.iter().any(|check| check.kind.to_string() == row.kind) {
                return Err(format!("no check is called `{}`", row.kind));
            }
            if row.figure.is_some() != (row.above.is_some() || row.below.is_some()) {
                return Err("`figure` and `above` or `below` go together".to_owned());
            }
            if (row.subject.contains("{n}") || row.of_another) && n_members == 0 {
                return Err("`{n}` and `of_another` need `[each]`".to_owned());
            }
        }
        Ok(())
    }
}

fn is_id(id: &str) -> bool {
    !id.is_empty() && id.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

fn line_of(text: &str, offset: usize) -> usize {
    text.as_bytes().iter().take(offset).filter(|&&byte| byte == b'\n').count() + 1
}

/// The codes that a text such as `P0301-P0312, P0316` names; a range counts in decimal digits, and a `*` at the end
/// stands for any rest (`U01*`).
///
/// # Errors
/// A sentence about what is wrong.
pub(crate) fn codes_of(text: &str) -> Result<Vec<String>, String> {
    let mut codes = Vec::new();
    for item in text.split(',').map(str::trim) {
        let is_code = |code: &str| {
            code.strip_suffix('*').map_or(code.len() == 5, |start| (2..5).contains(&start.len()))
                && code.starts_with(['P', 'C', 'B', 'U'])
                && code[1..].trim_end_matches('*').bytes().all(|b| b.is_ascii_digit() || (b'A'..=b'F').contains(&b))
        };
        let wrong = || format!("`{item}` is no code, range of codes or start of codes");
        match item.split_once('-') {
            None if item.is_ascii() && is_code(item) => codes.push(item.to_owned()),
            None => return Err(wrong()),
            Some((from, to)) => {
                if !item.is_ascii() || !is_code(from) || !is_code(to) || from[..1] != to[..1] {
                    return Err(wrong());
                }
                let number = |code: &str| code[1..].parse::<u32>().map_err(|_| wrong());
                let (first, last) = (number(from)?, number(to)?);
                if first > last {
                    return Err(wrong());
                }
                codes.extend((first..=last).map(|n| format!("{}{n:04}", &from[..1])));
            }
        }
    }
    Ok(codes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::suspects::model::FILES;

    #[test]
    fn codes_and_ranges() {
        assert_eq!(codes_of("P0309-P0311, U01*").unwrap(), ["P0309", "P0310", "P0311", "U01*"]);
        for bad in ["", "P03", "X0300", "P0300-C0301", "P0302-P0301", "P030é", "P03ZZ", "*", "é0300-P0301", "P*"] {
            assert!(codes_of(bad).is_err(), "{bad}");
        }
    }

    const GOOD: &str = r#"title = "A thing"
source = "common practice, no source"
complaint = ["thing"]
unlisted = 0.1
no_fault = 0.2
minutes = { check = 10, comeback = 60, further = 120 }

[[suspect]]
id = "one"
name = "one"
prior = 10
minutes = 20
money = 30

[[clue]]
id = "seen"
yes = "it is there"
no = "it is not"
why = "because"
ask = "Look."
minutes = 5
yes_if = { one = 0.9 }
otherwise = 0.1
"#;

    #[test]
    fn a_wrong_file_is_refused_with_the_line() {
        let model = Model::parse("thing", GOOD).unwrap();
        assert_eq!((model.suspects.len(), model.clues.len()), (1, 1));
        for (good, bad, line, says) in [
            ("unlisted = 0.1", "unlisted = 0.9", 4, "share"),
            ("prior = 10", "prior = -10", 8, "prior"),
            ("yes_if = { one = 0.9 }", "yes_if = { two = 0.9 }", 15, "no suspect"),
            ("yes_if = { one = 0.9 }", "yes_if = { one = 1.0 }", 15, "0.01 to 0.99"),
            ("yes_if = { one = 0.9 }", "yes_if = { one = 0.1 }", 15, "tells nothing"),
            ("ask = \"Look.\"\n", "", 15, "ask"),
            ("money = 30", "money = 30\ncolour = 1", 13, "colour"),
            ("complaint = [\"thing\"]\n", "", 1, "opens"),
            ("otherwise = 0.1", "otherwise = 0.1\ncodes_any = [\"Q1\"]", 15, "no code"),
            ("otherwise = 0.1", "otherwise = 0.1\nfindings = [{ kind = \"x\", subject = \"y\" }]", 15, "no check"),
            ("no = \"it is not\"", "no = \"it is not {}\"", 15, "[each]"),
        ] {
            assert!(GOOD.contains(good));
            let error = Model::parse("thing", &GOOD.replace(good, bad)).unwrap_err();
            assert!(error.problem.contains(says), "{bad}: {error}");
            // A table is named by the line of its first key or of its head.
            assert!(error.line.abs_diff(line) <= 1, "{bad}: {error}");
        }
    }

    #[test]
    fn every_embedded_file_is_sound() {
        for (name, text) in FILES {
            if let Err(error) = Model::parse(name, text) {
                panic!("{error}");
            }
        }
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("data/suspects");
        let files = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
        let mut files: Vec<String> = files.filter_map(|name| name.strip_suffix(".toml").map(str::to_owned)).collect();
        let mut embedded: Vec<&str> = FILES.iter().map(|file| file.0).collect();
        files.sort();
        embedded.sort_unstable();
        assert_eq!(files, embedded, "every file of the folder is embedded");
    }
}
