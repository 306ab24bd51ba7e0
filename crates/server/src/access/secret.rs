//! Random codes and tokens.

/// Letters and digits that nobody mistakes for one another: no 0, I, L, O or U.
const ALPHABET: &[u8; 31] = b"123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// Characters of a pairing code.
const CODE_LENGTH: usize = 8;

/// What a client shows with every request; 32 random bytes as hex.
#[derive(Clone)]
pub(crate) struct Token(String);

impl Token {
    pub(crate) fn new() -> Self {
        Self(random::<32>().iter().map(|byte| format!("{byte:02x}")).collect())
    }

    /// What a cookie says; whether it is anyone's token is another question.
    pub(crate) fn given(text: &str) -> Self {
        Self(text.to_owned())
    }

    pub(crate) fn as_str(&self) -> &str {
        &self.0
    }

    pub(crate) fn is(&self, other: &Self) -> bool {
        same(&self.0, &other.0)
    }
}

/// A token never stands in a log.
impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token(..)")
    }
}

/// A new pairing code.
pub(crate) fn pairing_code() -> String {
    let mut code = String::new();
    while code.len() < CODE_LENGTH {
        // Bytes from 248 on are drawn again, so that each of the 31 characters is as likely as the others.
        let fair = random::<16>().into_iter().filter(|byte| *byte < 248);
        code.extend(fair.take(CODE_LENGTH - code.len()).map(|byte| char::from(ALPHABET[usize::from(byte) % 31])));
    }
    code
}

/// Compares without telling by the time it takes how much of it was right.
pub(crate) fn same(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |differing, (a, b)| differing | (a ^ b)) == 0
}

/// Random bytes of the operating system.
///
/// A system without a source of randomness cannot keep anyone out: the program ends rather than go on.
fn random<const N: usize>() -> [u8; N] {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).expect("the operating system gives random bytes");
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_short_distinct_and_readable() {
        let codes: std::collections::BTreeSet<String> = (0..200).map(|_| pairing_code()).collect();
        assert_eq!(codes.len(), 200);
        assert!(codes.iter().all(|code| code.len() == CODE_LENGTH && !code.contains(['0', 'O', 'I', 'L', 'U'])));
    }

    #[test]
    fn tokens_compare_by_their_text_and_hide_it() {
        let token = Token::new();
        assert!(token.is(&Token::given(token.as_str())));
        assert!(!token.is(&Token::new()) && !token.is(&Token::given("")));
        assert_eq!(format!("{token:?}"), "Token(..)");
    }
}
