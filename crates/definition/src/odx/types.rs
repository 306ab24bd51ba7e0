//! What a diagnostic description is made of, in the terms of ISO 22901-1, and with all references resolved.

use std::sync::Arc;

use crate::bits::Encoding;
use crate::conversion::{Conversion, Interval};

/// A value as it is sent, before any conversion.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Internal {
    Whole(i128),
    Real(f64),
    Text(String),
    Bytes(Vec<u8>),
}

impl Internal {
    pub(crate) fn number(&self) -> Option<f64> {
        match self {
            Self::Whole(number) => Some(*number as f64),
            Self::Real(number) => Some(*number),
            Self::Text(_) | Self::Bytes(_) => None,
        }
    }
}

/// A value as people read it.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A number in the unit of its data object.
    Number(f64),
    /// A text, such as that of a state.
    Text(String),
    /// Bytes as they are.
    Bytes(Vec<u8>),
    /// The parameters of a structure by their names, in their order.
    Structure(Vec<(String, Value)>),
    /// The items of a field.
    List(Vec<Value>),
    /// The case of a multiplexer or the row of a table, and what is in it.
    Case(String, Box<Value>),
    /// A trouble code by its number.
    Code(u64),
}

impl Value {
    /// A parameter of a structure by its name.
    #[must_use]
    pub fn get(&self, name: &str) -> Option<&Value> {
        match self {
            Self::Structure(parameters) => parameters.iter().find(|(own, _)| own == name).map(|(_, value)| value),
            _ => None,
        }
    }
}

/// Base data type.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Base {
    Int,
    Uint,
    Float32,
    Float64,
    Ascii,
    Utf8,
    Unicode2,
    Bytes,
}

impl Base {
    pub(crate) fn of(text: &str) -> Option<Self> {
        Some(match text {
            "A_INT32" => Self::Int,
            "A_UINT32" => Self::Uint,
            "A_FLOAT32" => Self::Float32,
            "A_FLOAT64" => Self::Float64,
            "A_ASCIISTRING" => Self::Ascii,
            "A_UTF8STRING" => Self::Utf8,
            "A_UNICODE2STRING" => Self::Unicode2,
            "A_BYTEFIELD" => Self::Bytes,
            _ => return None,
        })
    }

    pub(crate) fn is_whole(self) -> bool {
        matches!(self, Self::Int | Self::Uint)
    }

    pub(crate) fn is_number(self) -> bool {
        matches!(self, Self::Int | Self::Uint | Self::Float32 | Self::Float64)
    }
}

/// How many bits a coded value takes.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Length {
    /// Always so many.
    Standard { bits: u32, mask: Option<u64> },
    /// A number of so many bits in front says how many bytes follow.
    Leading { bits: u32 },
    /// Another parameter, by its ID, says how many bits.
    Parameter { key: String },
    /// Until something ends it.
    MinMax { min: usize, max: Option<usize>, end: End },
}

/// What ends a value of variable length.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum End {
    Zero,
    Ff,
    Pdu,
}

/// How a value is coded.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CodedType {
    pub(crate) base: Base,
    pub(crate) encoding: Encoding,
    /// Text in ISO 8859-1 (or -2, of which the upper half is lost) rather than ASCII or UTF-8.
    pub(crate) high_low: bool,
    pub(crate) length: Length,
}

/// One row of a text table.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TextRow {
    pub(crate) raw: Interval,
    pub(crate) text: String,
    /// What is sent for the text.
    pub(crate) inverse: f64,
}

/// Computational method.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Compu {
    Identical,
    Number {
        /// From internal to physical; `None` if only the other way is given.
        forward: Option<Conversion>,
        /// From physical to internal, where it is given apart.
        backward: Option<Conversion>,
        /// The internal values that it is for.
        limits: Interval,
    },
    Texts {
        rows: Vec<TextRow>,
        default: Option<(String, Option<f64>)>,
    },
}

/// A data object property: coding, computation, unit.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DataObject {
    pub(crate) name: String,
    pub(crate) coded: CodedType,
    pub(crate) physical: Base,
    pub(crate) compu: Compu,
    pub(crate) unit: Option<String>,
}

/// A trouble code of a DTC-DOP.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dtc {
    /// Its name.
    pub name: String,
    /// Its number as the module sends it.
    pub number: u64,
    /// How many bits its number has in a message; `None` where that differs from message to message.
    pub n_bits: Option<u32>,
    /// As it is displayed, such as `P0123`, where the file says.
    pub display: Option<String>,
    /// What it means.
    pub text: String,
}

/// Anything that can be at the place of a parameter.
#[derive(Debug, Clone)]
pub(crate) enum Dop {
    Simple(DataObject),
    Codes {
        coded: CodedType,
        compu: Compu,
        codes: Vec<Dtc>,
    },
    Structure(Arc<Structure>),
    /// So many items, each so many bytes apart.
    Static {
        item: Arc<Structure>,
        count: usize,
        item_bytes: usize,
    },
    /// Items to the end of the message.
    EndOfPdu {
        item: Arc<Structure>,
        max: Option<usize>,
    },
    /// As many items as a number says.
    Counted {
        item: Arc<Structure>,
        offset: usize,
        byte: usize,
        bit: u32,
        count: DataObject,
    },
    /// Items until one begins with a certain value.
    Marked {
        item: Arc<Structure>,
        marker: DataObject,
        value: Value,
    },
    Mux(Mux),
}

#[derive(Debug, Clone)]
pub(crate) struct Mux {
    /// Where the cases begin.
    pub(crate) byte: usize,
    pub(crate) key_byte: usize,
    pub(crate) key_bit: u32,
    pub(crate) key: DataObject,
    pub(crate) cases: Vec<Case>,
    pub(crate) default: Option<Case>,
}

#[derive(Debug, Clone)]
pub(crate) struct Case {
    pub(crate) name: String,
    /// Values of the key.
    pub(crate) low: Value,
    pub(crate) high: Value,
    pub(crate) content: Option<Arc<Structure>>,
}

/// A structure, a request or a response.
#[derive(Debug, Clone, Default)]
pub(crate) struct Structure {
    pub(crate) name: String,
    pub(crate) parameters: Vec<Parameter>,
    pub(crate) n_bytes: Option<usize>,
}

#[derive(Debug, Clone)]
pub(crate) struct Parameter {
    pub(crate) name: String,
    pub(crate) title: Option<String>,
    /// From the start of its structure; `None`: behind the one before.
    pub(crate) byte: Option<usize>,
    pub(crate) bit: u32,
    pub(crate) kind: Kind,
}

#[derive(Debug, Clone)]
pub(crate) enum Kind {
    CodedConst {
        coded: CodedType,
        value: Internal,
    },
    PhysConst {
        dop: Arc<Dop>,
        value: Value,
    },
    Value {
        dop: Arc<Dop>,
        default: Option<Value>,
    },
    Reserved {
        bits: u32,
    },
    MatchingRequest {
        byte: usize,
        n_bytes: usize,
    },
    NrcConst {
        coded: CodedType,
        values: Vec<Internal>,
    },
    /// Says how many bits another one takes.
    LengthKey {
        id: String,
        dop: Arc<Dop>,
    },
    TableKey {
        id: String,
        table: Arc<Table>,
    },
    TableStruct {
        key_name: String,
        table: Arc<Table>,
    },
}

#[derive(Debug, Clone)]
pub(crate) struct Table {
    pub(crate) key: DataObject,
    pub(crate) rows: Vec<Row>,
}

#[derive(Debug, Clone)]
pub(crate) struct Row {
    pub(crate) name: String,
    pub(crate) key: Value,
    pub(crate) content: Option<Arc<Dop>>,
}
