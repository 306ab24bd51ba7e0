//! From bytes to values and back, by a diagnostic description.

mod data_object;
mod reading;
mod writing;

use super::types::{Internal, Structure, Value};

/// Most values that one message may hold: hostile descriptions could hold them without end.
const MAX_VALUES: usize = 100_000;
/// Longest message, bytes (ISO 13400 can carry more; no diagnostic answer does).
const MAX_MESSAGE: usize = 1 << 20;

/// Why bytes are not the message, or values cannot make one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("parameter `{parameter}`: {what}")]
pub struct CodeError {
    /// Where, by names from the outside in, joined by dots.
    pub parameter: String,
    /// What is wrong.
    pub what: String,
}

fn fault(what: impl Into<String>) -> CodeError {
    CodeError { parameter: String::new(), what: what.into() }
}

impl CodeError {
    fn within(mut self, name: &str) -> Self {
        self.parameter = if self.parameter.is_empty() { name.to_owned() } else { format!("{name}.{}", self.parameter) };
        self
    }
}

type Coded<T> = Result<T, CodeError>;

/// A constant as it is.
fn plain(value: Internal) -> Value {
    match value {
        Internal::Whole(number) => Value::Number(number as f64),
        Internal::Real(number) => Value::Number(number),
        Internal::Text(text) => Value::Text(text),
        Internal::Bytes(bytes) => Value::Bytes(bytes),
    }
}

/// A message that is being read.
struct Reading<'d> {
    data: &'d [u8],
    request: &'d [u8],
    at: usize,
    /// Bits that length keys have said, by the key's ID.
    lengths: Vec<(String, u64)>,
    n_values: usize,
}

/// A message that is being made.
struct Writing<'d> {
    bytes: Vec<u8>,
    request: &'d [u8],
    at: usize,
    /// Bits that values of a length of their own have taken, by the ID of the parameter that says so.
    lengths: Vec<(String, u64)>,
    /// Whether nothing can follow what is being written.
    is_last: bool,
    n_values: usize,
}

/// The values in a message. `request` is what it answers; empty if that is not known.
pub(super) fn decode(structure: &Structure, data: &[u8], request: &[u8]) -> Coded<Value> {
    let mut reading = Reading { data, request, at: 0, lengths: Vec::new(), n_values: 0 };
    reading.structure(structure)
}

/// The bytes of a message with these values; `request` is what it answers.
pub(super) fn encode(structure: &Structure, values: &Value, request: &[u8]) -> Coded<Vec<u8>> {
    let mut writing = Writing { bytes: Vec::new(), request, at: 0, lengths: Vec::new(), is_last: true, n_values: 0 };
    writing.structure(structure, values)?;
    Ok(writing.bytes)
}
