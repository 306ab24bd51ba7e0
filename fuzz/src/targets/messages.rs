//! Several messages in one input: each has its length in front, and the last takes what is left.

/// The messages in an input.
pub(super) fn split(mut input: &[u8]) -> Vec<&[u8]> {
    let mut all = Vec::new();
    while let Some((length, rest)) = input.split_first() {
        let (message, behind) = rest.split_at(usize::from(*length).min(rest.len()));
        all.push(message);
        input = behind;
    }
    all
}

/// An input of these messages; each at most 255 bytes.
pub(super) fn join(messages: &[&[u8]]) -> Vec<u8> {
    let one = |message: &&[u8]| [&[u8::try_from(message.len()).unwrap()], *message].concat();
    messages.iter().flat_map(one).collect()
}
