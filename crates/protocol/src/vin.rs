//! The vehicle identification number: check digit, model year, and what is odd about it.

use std::fmt;

/// A vehicle identification number of 17 plausible characters.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Vin {
    text: String,
}

/// Why a text is not a VIN.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum VinError {
    /// Not 17 characters.
    #[error("a VIN has 17 characters, `{text}` has {have}")]
    Length {
        /// The text.
        text: String,
        /// Its number of characters.
        have: usize,
    },
    /// A character that no VIN has: everything but 0-9 and A-Z without I, O and Q.
    #[error("no VIN has `{character}`: `{text}`")]
    Character {
        /// The text.
        text: String,
        /// The first such character.
        character: char,
    },
    /// The same character seventeen times, as modules that were never given a VIN report it.
    #[error("`{0}` is a placeholder, not the VIN of a vehicle")]
    Placeholder(String),
}

/// What is odd about a VIN that is one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum VinWarning {
    /// The check digit does not fit. Outside North America it need not be there (ISO 3779, from memory).
    #[error("the check digit is `{is}`, computed `{expected}`; vehicles not made for North America may have none")]
    CheckDigit {
        /// What position 9 holds.
        is: char,
        /// What the rule gives.
        expected: char,
    },
    /// Position 10 holds no year code.
    #[error("`{0}` in position 10 is no model year code")]
    ModelYear(char),
}

impl Vin {
    /// Checks and takes a VIN; blanks around it are dropped and lower case is raised.
    ///
    /// # Errors
    /// [`VinError`] when it cannot be the VIN of any vehicle.
    ///
    /// ```
    /// use protocol::Vin;
    /// let vin = Vin::new("1G4AH59H45G118341").unwrap();
    /// assert_eq!((vin.check_digit(), vin.model_year(), vin.warnings().len()), ('4', Some(2005), 0));
    /// assert!(Vin::new("11111111111111111").is_err());
    /// ```
    pub fn new(text: &str) -> Result<Self, VinError> {
        let text = text.trim().to_ascii_uppercase();
        let shown = || text.escape_debug().to_string();
        let have = text.chars().count();
        if have != 17 {
            return Err(VinError::Length { text: shown(), have });
        }
        if let Some(character) = text.chars().find(|character| value(*character).is_none()) {
            return Err(VinError::Character { text: shown(), character });
        }
        if text.chars().all(|character| text.starts_with(character)) {
            return Err(VinError::Placeholder(text));
        }
        Ok(Self { text })
    }

    /// The 17 characters.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.text
    }

    fn position(&self, n: usize) -> char {
        self.text.chars().nth(n - 1).unwrap_or('0')
    }

    /// The check digit that the rule gives for the other 16 characters.
    ///
    /// Source: 49 CFR 565.15(c): sum of character values times position weights, modulo 11, ten written as X.
    #[must_use]
    pub fn check_digit(&self) -> char {
        const WEIGHTS: [u32; 17] = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];
        let sum: u32 = self.text.chars().zip(WEIGHTS).map(|(c, weight)| value(c).unwrap_or(0) * weight).sum();
        char::from_digit(sum % 11, 10).unwrap_or('X')
    }

    /// Whether position 9 holds the computed check digit.
    #[must_use]
    pub fn check_digit_fits(&self) -> bool {
        self.position(9) == self.check_digit()
    }

    /// The model year of a passenger car or light truck (up to 4536 kg): position 10, in the period that position 7
    /// picks: a digit for 1980-2009, a letter for 2010-2039.
    ///
    /// For heavier vehicles and trailers position 7 does not decide, and outside North America position 10 need not be
    /// a year: show it as what it is, a reading of the VIN.
    /// Source: 49 CFR 565.15(b) and 565.25(b); year letters from public tables.
    #[must_use]
    pub fn model_year(&self) -> Option<u16> {
        const CODES: &str = "ABCDEFGHJKLMNPRSTVWXY123456789";
        let idx = CODES.chars().position(|code| code == self.position(10))?;
        let first = if self.position(7).is_ascii_digit() { 1980 } else { 2010 };
        Some(first + u16::try_from(idx).ok()?)
    }

    /// Whether the maker builds so few vehicles that its identifier goes on in positions 12 to 14: position 3 is 9.
    ///
    /// Source: 49 CFR 565.15(a).
    #[must_use]
    pub fn is_of_small_maker(&self) -> bool {
        self.position(3) == '9'
    }

    /// What is odd about it; none of it makes it unusable.
    #[must_use]
    pub fn warnings(&self) -> Vec<VinWarning> {
        let mut warnings = Vec::new();
        if !self.check_digit_fits() {
            warnings.push(VinWarning::CheckDigit { is: self.position(9), expected: self.check_digit() });
        }
        if self.model_year().is_none() {
            warnings.push(VinWarning::ModelYear(self.position(10)));
        }
        warnings
    }
}

/// Value of a character in the check sum; `None` for one that no VIN has.
fn value(character: char) -> Option<u32> {
    Some(match character {
        '0'..='9' => u32::from(character) - u32::from('0'),
        'A' | 'J' => 1,
        'B' | 'K' | 'S' => 2,
        'C' | 'L' | 'T' => 3,
        'D' | 'M' | 'U' => 4,
        'E' | 'N' | 'V' => 5,
        'F' | 'W' => 6,
        'G' | 'P' | 'X' => 7,
        'H' | 'Y' => 8,
        'R' | 'Z' => 9,
        _ => return None,
    })
}

impl fmt::Display for Vin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.text)
    }
}

impl std::str::FromStr for Vin {
    type Err = VinError;

    fn from_str(text: &str) -> Result<Self, VinError> {
        Self::new(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vin(text: &str) -> Vin {
        Vin::new(text).unwrap()
    }

    #[test]
    fn worked_check_digits() {
        // 49 CFR 565 worked table; the agency's outline for new manufacturers; the third one computed by the rule.
        for (text, digit) in [("1G4AH59H_5G118341", '4'), ("1J9RP1A3_A1644345", '6'), ("1M8GDM9A_KP042788", 'X')] {
            let right = vin(&text.replace('_', &digit.to_string()));
            assert_eq!(right.check_digit(), digit);
            assert_eq!(right.warnings(), []);
            let wrong = vin(&text.replace('_', "0"));
            assert_eq!(wrong.warnings(), [VinWarning::CheckDigit { is: '0', expected: digit }]);
        }
    }

    /// 49 CFR 565.15(c), table III: the values of the letters; I, O and Q have none.
    #[test]
    fn values_of_the_letters() {
        let values: Vec<Option<u32>> = ('A'..='Z').map(value).collect();
        let table = "12345678.12345.7.923456789";
        assert_eq!(values, table.chars().map(|c| c.to_digit(10)).collect::<Vec<_>>());
        assert_eq!(vin("1G4AH59H45G118341").to_string(), "1G4AH59H45G118341");
    }

    #[test]
    fn worked_model_years() {
        // 49 CFR 565.15(b): position 7 a digit or a letter; both edges of both periods.
        assert_eq!(vin("1G4AH59H45G118341").model_year(), Some(2005));
        assert_eq!(vin("1J9RP1A36A1644345").model_year(), Some(2010));
        for (seventh, tenth, year) in [
            ('1', 'A', Some(1980)),
            ('1', '9', Some(2009)),
            ('A', 'A', Some(2010)),
            ('A', '9', Some(2039)),
            ('1', 'Y', Some(2000)),
            ('1', '1', Some(2001)),
            ('A', '0', None),
            ('A', 'U', None),
            ('A', 'Z', None),
        ] {
            let text = format!("2ZZZZZ{seventh}ZZ{tenth}Z000001");
            assert_eq!(vin(&text).model_year(), year, "{text}");
            assert_eq!(vin(&text).warnings().contains(&VinWarning::ModelYear(tenth)), year.is_none(), "{text}");
        }
    }

    #[test]
    fn small_makers_have_a_nine_in_third_place() {
        assert!(vin("1J9RP1A36A1644345").is_of_small_maker());
        assert!(!vin("1G4AH59H45G118341").is_of_small_maker());
    }

    #[test]
    fn what_cannot_be_a_vin_is_refused() {
        let refused = |text: &str| Vin::new(text).unwrap_err();
        assert!(matches!(refused("11111111111111111"), VinError::Placeholder(_)));
        assert!(matches!(refused("00000000000000000"), VinError::Placeholder(_)));
        assert!(matches!(refused("1G4AH59H45G11834"), VinError::Length { have: 16, .. }));
        assert!(matches!(refused("1G4AH59H45G1183411"), VinError::Length { have: 18, .. }));
        for character in ['I', 'O', 'Q', '-', 'É', ' '] {
            let text = format!("1G4AH59H{character}5G118341");
            assert!(matches!(refused(&text), VinError::Character { character: c, .. } if c == character), "{text}");
        }
        assert_eq!(vin(" 1g4ah59h45g118341\n").as_str(), "1G4AH59H45G118341");
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in "\\PC{0,24}|[0-9A-Z]{17}") {
            if let Ok(vin) = Vin::new(&text) {
                let _ = (vin.check_digit(), vin.model_year(), vin.warnings());
            }
        }

        /// The rule exists to catch one wrong character: replacing one of different value by another changes the digit.
        #[test]
        fn one_wrong_digit_is_caught(digits in "[1-9]{16}", at in 0usize..16, further in 1u32..9) {
            let build = |digits: &str| vin(&format!("{}A{}", &digits[..8], &digits[8..]));
            let old = digits.chars().nth(at).unwrap().to_digit(10).unwrap();
            let other = (old - 1 + further) % 9 + 1;
            let mut changed = digits.clone();
            changed.replace_range(at..=at, &other.to_string());
            proptest::prop_assert_ne!(build(&digits).check_digit(), build(&changed).check_digit());
        }
    }
}
