//! One recording is one piece of evidence, however often it is given and whatever its copies are called.

use std::collections::HashMap;
use std::path::Path;

use drive::DriveError;

use crate::WorkshopError;

/// For each of these recordings the one before it that it repeats. They are known by their SHA-256, as in the casebook. A
/// repeat is told among the `problems`; one that is given as something else than before (`cannot` says what one recording
/// cannot do) is no repeat but a mistake.
///
/// # Errors
/// [`WorkshopError::SameRecording`]; [`WorkshopError::Drive`] where a file cannot be read.
pub(crate) fn repeats<'a, As: PartialEq>(
    given: impl Iterator<Item = (&'a Path, As)>,
    cannot: &'static str,
    problems: &mut Vec<String>,
) -> Result<Vec<Option<usize>>, WorkshopError> {
    let mut known: HashMap<String, (usize, &Path, As)> = HashMap::new();
    let each = given.enumerate().map(|(idx, (path, given_as))| {
        let unreadable = |source| DriveError::Io { doing: "cannot read", path: path.to_owned(), source };
        let sha256 = casebook::sha256_of_file(path, "").map_err(unreadable)?.sha256;
        let Some((first_idx, first, first_as)) = known.get(&sha256) else {
            known.insert(sha256, (idx, path, given_as));
            return Ok(None);
        };
        if *first_as != given_as {
            let (first, again) = ((*first).to_owned(), path.to_owned());
            return Err(WorkshopError::SameRecording { first, again, cannot });
        }
        let told =
            format!("the recording `{}` is given again as `{}`; it counts once", first.display(), path.display());
        if !problems.contains(&told) {
            problems.push(told);
        }
        Ok(Some(*first_idx))
    });
    each.collect()
}

/// Of what belongs to recordings, that which belongs to no repeat.
pub(crate) fn once<'a, T>(all: &'a [T], repeats: &'a [Option<usize>]) -> impl Iterator<Item = &'a T> {
    all.iter().zip(repeats).filter(|(_, repeated)| repeated.is_none()).map(|(it, _)| it)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;
    use crate::Blame;

    #[test]
    fn a_copy_under_another_name_is_the_same_recording() {
        let folder = tempfile::tempdir().unwrap();
        let [a, b, copy] = [("a", "1"), ("b", "2"), ("copy", "1")].map(|(name, text)| {
            let path = folder.path().join(name);
            std::fs::write(&path, text).unwrap();
            path
        });
        let mut problems = Vec::new();
        let mut found = |given: &[(&Path, u8)]| repeats(given.iter().copied(), "be two things", &mut problems);
        let again = found(&[(&a, 1), (&a, 1), (&b, 2), (&copy, 1), (&a, 1)]).unwrap();
        assert_eq!(again, [None, Some(0), None, Some(0), Some(0)]);
        assert_eq!(once(&["a", "a", "b", "copy", "a"], &again).collect::<Vec<_>>(), [&"a", &"b"]);
        let error = found(&[(&a, 1), (&b, 1), (&copy, 2)]).unwrap_err();
        assert!(error.blame() == Blame::Input && error.hint().is_some());
        assert!(error.to_string().ends_with("one recording cannot be two things"), "{error}");
        let gone = found(&[(&folder.path().join("gone"), 1)]).unwrap_err();
        assert_eq!((gone.blame(), gone.hint().as_deref()), (Blame::Input, Some("check the path")));
        assert_eq!(problems.len(), 2, "each repeat is told once: {problems:?}");
    }
}
