//! Reads road scripts; the format is documented in `data/roads/README.md`.

use crate::StandinError;

/// One stretch of road.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stretch {
    /// Its start from the beginning of the script, s.
    pub(crate) from_s: f64,
    /// Length, s.
    pub(crate) length_s: f64,
    /// Wanted speed, km/h.
    pub(crate) speed_kmh: f64,
    /// Pedal held by the script, %.
    pub(crate) pedal_pct: Option<f64>,
    /// Curvature, 1/m, left positive.
    pub(crate) curvature_per_m: f64,
    /// Uphill, %.
    pub(crate) grade_pct: f64,
    /// Air conditioning wanted.
    pub(crate) ac: bool,
    /// Engine stopped.
    pub(crate) off: bool,
}

/// A road script.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Road {
    /// Outside air, degC.
    pub(crate) ambient_c: f64,
    /// Engine warm at the start.
    pub(crate) warm: bool,
    stretches: Vec<Stretch>,
    length_s: f64,
}

/// Name and text of the built-in scripts.
pub(crate) const BUILT_IN: [(&str, &str); 7] = [
    ("mixed", include_str!("../data/roads/mixed.road")),
    ("town", include_str!("../data/roads/town.road")),
    ("cruise", include_str!("../data/roads/cruise.road")),
    ("corners", include_str!("../data/roads/corners.road")),
    ("pedal", include_str!("../data/roads/pedal.road")),
    ("warmup", include_str!("../data/roads/warmup.road")),
    ("idle", include_str!("../data/roads/idle.road")),
];

impl Road {
    /// A built-in script, or a file that ends in `.road`.
    pub(crate) fn named(name: &str) -> Result<Self, StandinError> {
        if name.ends_with(".road") {
            let text = std::fs::read_to_string(name)
                .map_err(|source| StandinError::ScriptFile { path: name.escape_debug().to_string(), source })?;
            return Self::read(name, &text);
        }
        let Some((name, text)) = BUILT_IN.iter().find(|(known, _)| *known == name) else {
            let known: Vec<&str> = BUILT_IN.iter().map(|(name, _)| *name).collect();
            return Err(StandinError::NoScript { script: name.escape_debug().to_string(), known: known.join(", ") });
        };
        Self::read(name, text)
    }

    /// Reads a script.
    pub(crate) fn read(name: &str, text: &str) -> Result<Self, StandinError> {
        let mut road = Self { ambient_c: 18.0, warm: true, stretches: Vec::new(), length_s: 0.0 };
        let mut ac = false;
        for (line, text) in (1..).zip(text.lines()) {
            let words: Vec<&str> = text.split('#').next().unwrap_or("").split_whitespace().collect();
            road.line(&words, &mut ac).map_err(|what| StandinError::Script {
                script: name.escape_debug().to_string(),
                line,
                what,
            })?;
        }
        if road.stretches.is_empty() {
            let (script, what) = (name.escape_debug().to_string(), "the script has no stretch of road".to_owned());
            return Err(StandinError::Script { script, line: 1, what });
        }
        Ok(road)
    }

    fn line(&mut self, words: &[&str], ac: &mut bool) -> Result<(), String> {
        let number = |text: Option<&&str>, low: f64, high: f64, what: &str| {
            let value = text.and_then(|t| t.parse::<f64>().ok()).filter(|v| (low..=high).contains(v));
            value.ok_or_else(|| format!("{what} must be a number from {low} to {high}"))
        };
        let Some((first, mut rest)) = words.split_first() else { return Ok(()) };
        match *first {
            "ambient" => {
                self.ambient_c = number(rest.first(), -30.0, 50.0, "`ambient`")?;
                return Ok(());
            }
            "engine" => {
                self.warm = match rest {
                    ["warm"] => true,
                    ["cold"] => false,
                    _ => return Err("`engine` is warm or cold".to_owned()),
                };
                return Ok(());
            }
            _ => {}
        }
        let mut stretch = Stretch {
            from_s: self.length_s,
            length_s: number(Some(first), 0.1, 7200.0, "the length of a stretch in seconds")?,
            speed_kmh: self.stretches.last().map_or(0.0, |last| last.speed_kmh),
            pedal_pct: None,
            curvature_per_m: 0.0,
            grade_pct: 0.0,
            ac: *ac,
            off: false,
        };
        while let Some((word, after)) = rest.split_first() {
            rest = after.get(1..).unwrap_or(&[]);
            match *word {
                "speed" => stretch.speed_kmh = number(after.first(), 0.0, 180.0, "`speed`")?,
                "pedal" => stretch.pedal_pct = Some(number(after.first(), 0.0, 100.0, "`pedal`")?),
                "left" => stretch.curvature_per_m = 1.0 / number(after.first(), 5.5, 5000.0, "the radius of a curve")?,
                "right" => {
                    stretch.curvature_per_m = -1.0 / number(after.first(), 5.5, 5000.0, "the radius of a curve")?;
                }
                "grade" => stretch.grade_pct = number(after.first(), -15.0, 15.0, "`grade`")?,
                "ac" => {
                    stretch.ac = match after.first() {
                        Some(&"on") => true,
                        Some(&"off") => false,
                        _ => return Err("`ac` is on or off".to_owned()),
                    }
                }
                "off" => {
                    stretch.off = true;
                    stretch.speed_kmh = 0.0;
                    rest = after;
                }
                _ => return Err(format!("`{}` is no word of a stretch", word.escape_debug())),
            }
        }
        *ac = stretch.ac;
        self.length_s += stretch.length_s;
        self.stretches.push(stretch);
        Ok(())
    }

    /// Length of one round, s.
    #[cfg(test)]
    pub(crate) fn length_s(&self) -> f64 {
        self.length_s
    }

    /// The stretch at this time.
    pub(crate) fn at(&self, time_s: f64) -> Stretch {
        let time_s = time_s.max(0.0) % self.length_s;
        let after = self.stretches.partition_point(|stretch| stretch.from_s <= time_s);
        self.stretches[after.clamp(1, self.stretches.len()) - 1]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_script_says_what_to_do_when() {
        let road = Road::read("test", "ambient 5\nengine cold\n10 speed 0 # wait\n20 speed 50 left 12 ac on\n5 off\n")
            .expect("a good script");
        assert!((road.ambient_c, road.warm, road.length_s()) == (5.0, false, 35.0));
        assert!((road.at(9.9).speed_kmh, road.at(10.0).speed_kmh, road.at(45.5).speed_kmh) == (0.0, 50.0, 50.0));
        assert!(road.at(10.0).curvature_per_m > 0.0 && road.at(10.0).ac && road.at(31.0).off);
    }

    #[test]
    fn the_public_list_names_every_built_in_script() {
        assert_eq!(BUILT_IN.map(|(name, _)| name), crate::SCRIPTS);
    }

    #[test]
    fn errors_name_the_line() {
        for (text, line) in [("10 speed 0\n10 fly 3", 2), ("speed 50", 1), ("10 speed", 1), ("10 left 2", 1), ("", 1)] {
            match Road::read("test", text) {
                Err(StandinError::Script { line: found, .. }) => assert_eq!(found, line, "{text}"),
                other => panic!("{text}: {other:?}"),
            }
        }
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_a_script_or_an_error(text in "([a-z0-9.# -]{0,30}\n){0,6}|\\PC{0,60}") {
            if let Ok(road) = Road::read("any", &text) {
                proptest::prop_assert!(road.at(1e9).length_s > 0.0);
            }
        }
    }
}
