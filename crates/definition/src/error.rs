//! What can be wrong with a definition file.

/// A definition file that cannot be used, and where.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{file} line {line}: {problem}")]
pub struct DefinitionError {
    /// The file, as it was named by the caller.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// What is wrong there.
    pub problem: FileProblem,
}

/// What is wrong in a line of a definition file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FileProblem {
    /// Not TOML, or a key that the format does not have or misses.
    #[error("{0}")]
    Format(String),
    /// Not a module address.
    #[error(
        "`{0}` is no address: `request` and `reply` have 3 or 8 hex digits each (CAN), `node` 2 (K-line), `logical` 4 \
         (diagnostics over IP)"
    )]
    Address(String),
    /// Neither `request` and `reply` nor `node` or `logical` alone.
    #[error(
        "a module has `request` and `reply` (CAN), perhaps with `request_byte` and `reply_byte`; or `node` alone \
         (K-line); or `logical` alone (diagnostics over IP)"
    )]
    AddressKeys,
    /// Not an identifier.
    #[error("a data identifier has 4 hex digits: `{0}`")]
    Identifier(String),
    /// Not a local identifier or test id.
    #[error("a local identifier or test id has 2 hex digits: `{0}`")]
    LocalIdentifier(String),
    /// Not exactly one way to drive an output.
    #[error("an output has one of `did` (service 2F), `local` (30), `test` (08) and `routine` (31)")]
    DriveKeys,
    /// Not exactly one way to call a routine.
    #[error("a routine has either `routine` (service 31) or `local` (ISO 14230)")]
    CallKeys,
    /// A level that the output's own bytes cannot hold.
    #[error("a level within the limits does not fit the bits: {0}")]
    Level(String),
    /// Not the name of a condition.
    #[error(
        "`{0}` is no condition: \"standing\", \"engine off\", \"engine running\", \"ignition on\", or a signal with limits"
    )]
    Condition(String),
    /// Not a length of time.
    #[error("a time in seconds must be above 0, not {0}")]
    Duration(f64),
    /// A name that neither the catalogue knows nor stands under `custom.`.
    #[error("the catalogue has no signal `{0}`: use one of its names, or `custom.` and your own")]
    UnknownSignal(String),
    /// Not a signal name at all.
    #[error(transparent)]
    SignalName(#[from] signal::IdError),
    /// A unit that does not convert to the one the catalogue fixes.
    #[error("`{id}` is in `{want}`, which `{have}` does not convert to")]
    Unit {
        /// The signal.
        id: String,
        /// The file's unit.
        have: String,
        /// The catalogue's unit.
        want: String,
    },
    /// The value does not lie within the data.
    #[error("byte {byte}, bit {bit}, {bits} bits do not fit the {length} bytes of the identifier")]
    OutsideData {
        /// First byte.
        byte: usize,
        /// Lowest bit.
        bit: u32,
        /// Number of bits.
        bits: u32,
        /// Bytes that there are.
        length: usize,
    },
    /// Bits outside 1 to 64, or a lowest bit outside 0 to 7.
    #[error("a value has 1 to 64 bits, and its lowest bit is 0 to 7: {bits} bits from bit {bit}")]
    Bits {
        /// Lowest bit.
        bit: u32,
        /// Number of bits.
        bits: u32,
    },
    /// A raw value that the bits cannot hold.
    #[error("raw value {raw} does not fit into {bits} bits")]
    Raw {
        /// The raw value.
        raw: i64,
        /// Number of bits.
        bits: u32,
    },
    /// A scaling that maps everything to one value, or to none.
    #[error("{0}")]
    Scaling(&'static str),
    /// Several conversions for one value.
    #[error(
        "a value has one conversion: `multiply`, `divide` and `offset`; `rational`; `ranges`, each of them linear or \
         rational; or `table`"
    )]
    ConversionKeys,
    /// A width that the encoding does not have, or two encodings.
    #[error(
        "`encoding` stands without `signed`; \"float\" has 32 or 64 bits, \"bcd\" a multiple of 4, \"unpacked-bcd\" of 8"
    )]
    Encoding,
    /// Not a CAN identifier.
    #[error("a CAN identifier has 3 hex digits (up to 7FF) or 8 (up to 1FFFFFFF): `{0}`")]
    FrameId(String),
    /// A signal depends on one that its message does not have.
    #[error("the message has no other signal `{0}` to depend on")]
    UnknownSelector(String),
    /// Not a trouble code.
    #[error("`{0}` is no trouble code such as P1234 or C1234-56")]
    Code(String),
    /// Nothing in it.
    #[error("a file describes at least one module or message")]
    Nothing,
    /// Part of a file that is left out; the rest is used.
    #[error("left out: {0}")]
    LeftOut(String),
    /// Part of a file that is used although something is odd about it.
    #[error("kept, but odd: {0}")]
    Odd(String),
    /// Limits that enclose nothing.
    #[error("the limits {0} enclose nothing")]
    Limits(String),
    /// The same signal, module or identifier twice.
    #[error("{0} is defined twice")]
    Twice(String),
    /// A VIN prefix that no VIN can begin with.
    #[error("`{0}` cannot begin a VIN")]
    VinPrefix(String),
    /// A PID or a value of it that the table of the standard does not have.
    #[error("the PID table has no value `{value}` in PID {pid:02X} that could be recorded")]
    NoSuchValue {
        /// The PID.
        pid: u8,
        /// The value.
        value: String,
    },
    /// Text without a letter or digit.
    #[error("`{0}` must not be empty")]
    Empty(&'static str),
}

/// Line of a byte of a text, from 1.
pub(crate) fn line_of(text: &str, byte: usize) -> usize {
    1 + text.bytes().take(byte).filter(|byte| *byte == b'\n').count()
}

/// Names the file and the line of a problem found in `text`.
pub(crate) struct Place<'t> {
    pub(crate) text: &'t str,
    pub(crate) file: &'t str,
}

impl Place<'_> {
    pub(crate) fn error(&self, at: std::ops::Range<usize>, problem: FileProblem) -> DefinitionError {
        DefinitionError { file: self.file.to_owned(), line: line_of(self.text, at.start), problem }
    }

    pub(crate) fn parse<T: serde::de::DeserializeOwned>(&self) -> Result<T, DefinitionError> {
        toml::from_str(self.text).map_err(|error| {
            let at = error.span().unwrap_or(0..0);
            self.error(at, FileProblem::Format(error.message().trim().to_owned()))
        })
    }
}
