//! What a fuzzing task is asked for.

use std::ffi::OsString;

/// `[TARGET ...] [--seconds N] [--jobs N] [--report]`.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Ask {
    /// Names of targets; none: all.
    pub(crate) targets: Vec<String>,
    /// How long each runs, s of processor time.
    pub(crate) seconds: u64,
    /// How many run at a time.
    pub(crate) n_jobs: usize,
    /// Whether only the page of all runs so far is written.
    pub(crate) is_report: bool,
}

impl Default for Ask {
    fn default() -> Self {
        Self { targets: Vec::new(), seconds: 60, n_jobs: 1, is_report: false }
    }
}

impl Ask {
    /// Reads the arguments; `None` when they are not of this form.
    pub(crate) fn read(arguments: &[OsString]) -> Option<Self> {
        let mut ask = Self::default();
        let mut arguments = arguments.iter().map(|argument| argument.to_str());
        while let Some(argument) = arguments.next() {
            match argument? {
                "--seconds" => ask.seconds = arguments.next()??.parse().ok().filter(|seconds| *seconds > 0)?,
                "--jobs" => ask.n_jobs = arguments.next()??.parse().ok().filter(|n_jobs| *n_jobs > 0)?,
                "--report" => ask.is_report = true,
                name if name.starts_with('-') => return None,
                name => ask.targets.push(name.to_owned()),
            }
        }
        Some(ask)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn arguments_are_read_or_refused() {
        let read = |line: &str| Ask::read(&line.split_whitespace().map(OsString::from).collect::<Vec<_>>());
        assert_eq!(read(""), Some(Ask::default()));
        let expected = Ask { targets: vec!["obd".into(), "uds".into()], seconds: 9, n_jobs: 2, is_report: false };
        assert_eq!(read("obd --seconds 9 uds --jobs 2"), Some(expected));
        for wrong in ["--seconds", "--seconds 0", "--seconds x", "--jobs 0", "--other"] {
            assert_eq!(read(wrong), None, "{wrong}");
        }
    }
}
