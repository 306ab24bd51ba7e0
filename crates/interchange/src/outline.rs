//! What a Parquet file says of itself, looked at before a library reads it: the metadata at its end, and the header of
//! every page.
//!
//! The library takes a field for what the format gives it, whatever type the file declares, and passes over what it does
//! not know; it calls itself once more for every group of a schema that lies within another one, and sets memory aside for
//! as many children and row groups as are announced. No thread contains an overflow of its stack or a lack of memory, and a
//! list of truths, which take no bytes where it passes over them, keeps it busy for as long as its length says. So
//! everything is of the type that the format gives it here, in ascending order, and the announced sizes are such as a file
//! of this length can have.
//!
//! Source: the Parquet format (`parquet.thrift`), Thrift's compact protocol and Snappy's format, from memory.

use std::fs::File;
use std::io::{Read as _, Seek as _, SeekFrom};

/// Most elements of a schema, and most children of one: a drive has 14.
const MAX_ELEMENTS: u64 = 1000;
/// Longest metadata: a drive of the most rows that are read has some 2 MB of them.
const MAX_METADATA: u32 = 64 << 20;
/// Where the header of a page usually ends, and at the latest (no source; statistics in it hold a least and a greatest text).
const PAGE_HEADERS: [u64; 2] = [1 << 10, 64 << 10];
/// Most that Snappy makes of a byte: copies of three bytes stand for up to 64.
const MAX_EXPANSION: u64 = 22;
/// Deepest nesting of what is passed over.
const MAX_DEPTH: u32 = 16;

/// What a field must be.
enum Type {
    Truth,
    Byte,
    /// An integer of 16, 32 or 64 bits.
    Number(Meaning),
    Double,
    /// Text or binary.
    Bytes,
    /// A list of so many, which may mean something, of one type.
    List(Meaning, &'static Type),
    Struct(Fields),
}

/// Numbers of fields in ascending order, and what they must be; others are passed over.
type Fields = &'static [(u16, Type)];

/// What is to be known of a number.
#[derive(Clone, Copy)]
enum Meaning {
    Other,
    Elements,
    Children,
    ChunkSize,
    DataPages,
    Dictionary,
    RawSize,
    PackedSize,
}

const NUMBER: Type = Type::Number(Meaning::Other);
const NUMBERS: Type = Type::List(Meaning::Other, &NUMBER);
const EMPTY: Type = Type::Struct(&[]);
const KEY_VALUES: Type = Type::List(Meaning::Other, &Type::Struct(&[(1, Type::Bytes), (2, Type::Bytes)]));
const TIME: Type = Type::Struct(&[(1, Type::Truth), (2, Type::Struct(&[(1, EMPTY), (2, EMPTY), (3, EMPTY)]))]);

const LOGICAL_TYPE: Type = Type::Struct(&[
    (1, EMPTY),
    (2, EMPTY),
    (3, EMPTY),
    (4, EMPTY),
    (5, Type::Struct(&[(1, NUMBER), (2, NUMBER)])),
    (6, EMPTY),
    (7, TIME),
    (8, TIME),
    (10, Type::Struct(&[(1, Type::Byte), (2, Type::Truth)])),
    (11, EMPTY),
    (12, EMPTY),
    (13, EMPTY),
    (14, EMPTY),
    (15, EMPTY),
    (16, Type::Struct(&[(1, Type::Byte)])),
    (17, Type::Struct(&[(1, Type::Bytes)])),
    (18, Type::Struct(&[(1, Type::Bytes), (2, NUMBER)])),
]);

const SCHEMA_ELEMENT: Type = Type::Struct(&[
    (1, NUMBER),
    (2, NUMBER),
    (3, NUMBER),
    (4, Type::Bytes),
    (5, Type::Number(Meaning::Children)),
    (6, NUMBER),
    (7, NUMBER),
    (8, NUMBER),
    (9, NUMBER),
    (10, LOGICAL_TYPE),
]);

const STATISTICS: Type = Type::Struct(&[
    (1, Type::Bytes),
    (2, Type::Bytes),
    (3, NUMBER),
    (4, NUMBER),
    (5, Type::Bytes),
    (6, Type::Bytes),
    (7, Type::Truth),
    (8, Type::Truth),
]);

const BOX: Type = Type::Struct(&[
    (1, Type::Double),
    (2, Type::Double),
    (3, Type::Double),
    (4, Type::Double),
    (5, Type::Double),
    (6, Type::Double),
    (7, Type::Double),
    (8, Type::Double),
]);

const COLUMN_METADATA: Type = Type::Struct(&[
    (1, NUMBER),
    (2, NUMBERS),
    (3, Type::List(Meaning::Other, &Type::Bytes)),
    (4, NUMBER),
    (5, NUMBER),
    (6, NUMBER),
    (7, Type::Number(Meaning::ChunkSize)),
    (8, KEY_VALUES),
    (9, Type::Number(Meaning::DataPages)),
    (10, NUMBER),
    (11, Type::Number(Meaning::Dictionary)),
    (12, STATISTICS),
    (13, Type::List(Meaning::Other, &Type::Struct(&[(1, NUMBER), (2, NUMBER), (3, NUMBER)]))),
    (14, NUMBER),
    (15, NUMBER),
    (16, Type::Struct(&[(1, NUMBER), (2, NUMBERS), (3, NUMBERS)])),
    (17, Type::Struct(&[(1, BOX), (2, NUMBERS)])),
]);

const COLUMN_CHUNK: Type = Type::Struct(&[
    (1, Type::Bytes),
    (2, NUMBER),
    (3, COLUMN_METADATA),
    (4, NUMBER),
    (5, NUMBER),
    (6, NUMBER),
    (7, NUMBER),
]);

const ROW_GROUP: Type = Type::Struct(&[
    (1, Type::List(Meaning::Other, &COLUMN_CHUNK)),
    (2, NUMBER),
    (3, NUMBER),
    (4, Type::List(Meaning::Other, &Type::Struct(&[(1, NUMBER), (2, Type::Truth), (3, Type::Truth)]))),
    (5, NUMBER),
    (6, NUMBER),
    (7, NUMBER),
]);

const FILE_METADATA: Fields = &[
    (1, NUMBER),
    (2, Type::List(Meaning::Elements, &SCHEMA_ELEMENT)),
    (3, NUMBER),
    (4, Type::List(Meaning::Other, &ROW_GROUP)),
    (5, KEY_VALUES),
    (6, Type::Bytes),
    (7, Type::List(Meaning::Other, &Type::Struct(&[(1, EMPTY)]))),
];

const PAGE_HEADER: Fields = &[
    (1, NUMBER),
    (2, Type::Number(Meaning::RawSize)),
    (3, Type::Number(Meaning::PackedSize)),
    (4, NUMBER),
    (5, Type::Struct(&[(1, NUMBER), (2, NUMBER), (3, NUMBER), (4, NUMBER), (5, STATISTICS)])),
    (6, EMPTY),
    (7, Type::Struct(&[(1, NUMBER), (2, NUMBER), (3, Type::Truth)])),
    (
        8,
        Type::Struct(&[
            (1, NUMBER),
            (2, NUMBER),
            (3, NUMBER),
            (4, NUMBER),
            (5, NUMBER),
            (6, NUMBER),
            (7, Type::Truth),
            (8, STATISTICS),
        ]),
    ),
];

// Kinds of values in the compact protocol.
const TRUE: u8 = 1;
const FALSE: u8 = 2;
const BYTE: u8 = 3;
const DOUBLE: u8 = 7;
const BYTES: u8 = 8;
const LIST: u8 = 9;
const STRUCT: u8 = 12;

/// Refuses a file that a library cannot be trusted with; the length of any other, bytes.
pub(crate) fn check(mut file: &File) -> Result<u64, String> {
    let damaged = || "its metadata is damaged".to_owned();
    let length = file.seek(SeekFrom::End(0)).map_err(|error| error.to_string())?;
    let metadata = metadata(file, length).ok_or_else(damaged)?;
    let mut found = Found::default();
    Compact(&metadata).fields(FILE_METADATA, MAX_DEPTH, &mut found).ok_or_else(damaged)?;
    if found.n_elements > MAX_ELEMENTS || found.most_children > MAX_ELEMENTS {
        return Err(format!("its schema has more than {MAX_ELEMENTS} elements"));
    }
    // Columns do not lie within each other.
    let size = found.chunks.iter().try_fold(0_u64, |sum, chunk| sum.checked_add(chunk.size));
    if size.is_none_or(|size| size > length) {
        return Err(damaged());
    }
    if found.chunks.iter().try_for_each(|chunk| pages(file, chunk)).is_none() {
        return Err("its pages are damaged, or packed by something else than Snappy".into());
    }
    file.rewind().map_err(|error| error.to_string())?;
    Ok(length)
}

/// The metadata of a file: its last eight bytes are their length and the mark of the format.
fn metadata(file: &File, file_length: u64) -> Option<Vec<u8>> {
    let end = file_length.checked_sub(8)?;
    let length = u32::from_le_bytes(read_at(file, end, 4)?.try_into().ok()?);
    if length > MAX_METADATA {
        return None;
    }
    read_at(file, end.checked_sub(length.into())?, length.into())
}

/// Up to so many bytes from there on.
fn read_at(mut file: &File, offset: u64, n_bytes: u64) -> Option<Vec<u8>> {
    file.seek(SeekFrom::Start(offset)).ok()?;
    let mut bytes = Vec::new();
    file.take(n_bytes).read_to_end(&mut bytes).ok()?;
    Some(bytes)
}

/// Goes from page to page of a column.
fn pages(file: &File, chunk: &Chunk) -> Option<()> {
    let (mut offset, mut left) = (chunk.start, chunk.size);
    while left > 0 {
        let (length, found) = PAGE_HEADERS.iter().find_map(|most| {
            let bytes = read_at(file, offset, left.min(*most))?;
            let (mut header, mut found) = (Compact(&bytes), Found::default());
            header.fields(PAGE_HEADER, MAX_DEPTH, &mut found)?;
            Some(((bytes.len() - header.0.len()) as u64, found))
        })?;
        if found.raw_size > found.packed_size * MAX_EXPANSION + 64 {
            return None;
        }
        let whole = length + found.packed_size;
        (offset, left) = (offset.checked_add(whole)?, left.checked_sub(whole)?);
    }
    Some(())
}

/// Where the pages of a column lie, in bytes.
#[derive(Default)]
struct Chunk {
    start: u64,
    size: u64,
}

/// What was said on the way.
#[derive(Default)]
struct Found {
    n_elements: u64,
    most_children: u64,
    chunks: Vec<Chunk>,
    raw_size: u64,
    packed_size: u64,
}

impl Found {
    /// `None` for a number that is none of what it means.
    fn take(&mut self, meaning: Meaning, number: i64) -> Option<()> {
        let positive = || u64::try_from(number).ok();
        // No page is longer than a number of 32 bits can say; the library takes the lower ones of a longer number.
        let size = || i32::try_from(number).ok().and_then(|size| u64::try_from(size).ok());
        match meaning {
            Meaning::Other => {}
            Meaning::Elements => self.n_elements = positive()?,
            Meaning::Children => self.most_children = self.most_children.max(size()?),
            // A column says its size, where its data start, and where its dictionary does, in this order.
            Meaning::ChunkSize => self.chunks.push(Chunk { start: 0, size: positive()? }),
            Meaning::DataPages | Meaning::Dictionary => self.chunks.last_mut()?.start = positive()?,
            Meaning::RawSize => self.raw_size = size()?,
            Meaning::PackedSize => self.packed_size = size()?,
        }
        Some(())
    }
}

/// Values in Thrift's compact protocol, read one after the other; `None` where there is none, or another than there must
/// be.
struct Compact<'a>(&'a [u8]);

impl Compact<'_> {
    fn take(&mut self, n_bytes: u64) -> Option<&[u8]> {
        let (head, rest) = self.0.split_at_checked(usize::try_from(n_bytes).ok()?)?;
        self.0 = rest;
        Some(head)
    }

    fn byte(&mut self) -> Option<u8> {
        self.take(1)?.first().copied()
    }

    fn number(&mut self) -> Option<u64> {
        let mut number = 0;
        for shift in (0..63).step_by(7) {
            let byte = self.byte()?;
            number |= u64::from(byte & 0x7F) << shift;
            if byte < 0x80 {
                return Some(number);
            }
        }
        // The tenth byte of a number of 64 bits.
        let byte = self.byte()?;
        (byte <= 1).then_some(number | u64::from(byte) << 63)
    }

    /// A number whose lowest bit is its sign.
    fn signed(&mut self) -> Option<i64> {
        let number = self.number()?;
        Some((number >> 1).cast_signed() ^ -(number & 1).cast_signed())
    }

    /// The fields of a structure up to its end.
    fn fields(&mut self, fields: Fields, depth: u32, found: &mut Found) -> Option<()> {
        let depth = depth.checked_sub(1)?;
        let mut number = 0_u16;
        loop {
            let head = self.byte()?;
            if head == 0 {
                return Some(());
            }
            // A field that does not say how far it is from the one before it could come before that.
            let step = u16::from(head >> 4);
            number = if step > 0 { number.checked_add(step)? } else { return None };
            match fields.iter().find(|(known, _)| *known == number) {
                Some((_, wanted)) => self.value(wanted, head & 0x0F, depth, found)?,
                None => self.pass(head & 0x0F, depth)?,
            }
        }
    }

    /// A value that must be of this type and is of that kind.
    fn value(&mut self, wanted: &Type, kind: u8, depth: u32, found: &mut Found) -> Option<()> {
        match (wanted, kind) {
            (Type::Number(meaning), 4..=6) => found.take(*meaning, self.signed()?),
            (Type::Struct(fields), STRUCT) => self.fields(fields, depth, found),
            (Type::List(meaning, item), LIST) => {
                let (kind, n) = self.list()?;
                found.take(*meaning, i64::try_from(n).ok()?)?;
                (0..n).try_for_each(|_| self.value(item, kind, depth, found))
            }
            (Type::Truth, TRUE | FALSE) | (Type::Byte, BYTE) | (Type::Double, DOUBLE) | (Type::Bytes, BYTES) => {
                self.pass(kind, depth)
            }
            _ => None,
        }
    }

    /// Type and number of what follows in a list.
    fn list(&mut self) -> Option<(u8, u64)> {
        let head = self.byte()?;
        let n = if head >> 4 == 0x0F { self.number()? } else { (head >> 4).into() };
        Some((head & 0x0F, n))
    }

    /// Passes over a value of that kind.
    fn pass(&mut self, kind: u8, depth: u32) -> Option<()> {
        let depth = depth.checked_sub(1)?;
        match kind {
            // In a field, its kind says it all.
            TRUE | FALSE => {}
            BYTE => drop(self.byte()?),
            4..=6 => drop(self.number()?),
            DOUBLE => drop(self.take(8)?),
            BYTES => {
                let length = self.number()?;
                self.take(length)?;
            }
            LIST | 10 => {
                let (kind, n) = self.list()?;
                (0..n).try_for_each(|_| self.pass_item(kind, depth))?;
            }
            11 => {
                let n = self.number()?;
                let kinds = if n > 0 { self.byte()? } else { 0 };
                (0..n).try_for_each(|_| {
                    self.pass_item(kinds >> 4, depth)?;
                    self.pass_item(kinds & 0x0F, depth)
                })?;
            }
            STRUCT => self.fields(&[], depth, &mut Found::default())?,
            _ => return None,
        }
        Some(())
    }

    /// Passes over one of several. Whether a truth takes a byte there is told differently by those who read it; nothing in
    /// this format has lists of them where they are looked for here.
    fn pass_item(&mut self, kind: u8, depth: u32) -> Option<()> {
        if matches!(kind, TRUE | FALSE) { None } else { self.pass(kind, depth) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(fields: Fields, bytes: &[u8]) -> Option<Found> {
        let (mut compact, mut found) = (Compact(bytes), Found::default());
        compact.fields(fields, MAX_DEPTH, &mut found)?;
        compact.0.is_empty().then_some(found)
    }

    /// Metadata of version 1 with a list of so many elements without a field, then what is given.
    fn metadata(n: u8, rest: &[u8]) -> Vec<u8> {
        [&[0x15, 2, 0x19, n << 4 | STRUCT][..], &vec![0; n.into()], rest].concat()
    }

    #[test]
    fn elements_and_what_lies_within_them_are_counted() {
        let count = |bytes: &[u8]| found(FILE_METADATA, bytes).map(|found| (found.n_elements, found.most_children));
        assert_eq!(count(&metadata(3, &[0])), Some((3, 0)));
        // 200 elements: a number of two bytes.
        assert_eq!(count(&[&[0x29, 0xFC, 0xC8, 1][..], &[0; 201]].concat()), Some((200, 0)));
        // A root of 14 children.
        assert_eq!(count(&[0x29, 0x1C, 0x55, 28, 0, 0]), Some((1, 14)));
        // Others are passed over: a list of bytes, a map, a structure, a double.
        let others = [0xD9, 0x23, 1, 2, 0x1B, 1, 0x58, 2, 1, b'y', 0x1C, 0x15, 2, 0, 0x17];
        assert_eq!(count(&metadata(1, &[&others[..], &[0; 8], &[0]].concat())), Some((1, 0)));
    }

    #[test]
    fn what_a_library_could_take_for_something_else_is_refused() {
        let damaged = [
            &[][..],
            &metadata(3, &[]),
            // The elements are a number.
            &[0x25, 0, 0],
            // The version is a structure, and the list of elements one of bytes.
            &[0x1C, 0, 0],
            &[0x29, 0x13, 1, 0],
            // A field comes again, or says its number by itself.
            &metadata(1, &[0x09, 4, 0x1C, 0, 0]),
            // A list of truths, and a map of them.
            &metadata(1, &[0xD9, 0x22, 1, 1, 0]),
            &metadata(1, &[0xDB, 1, 0x11, 1, 1, 0]),
            // Children less than none, and a number longer than 64 bits.
            &[0x29, 0x1C, 0x55, 27, 0, 0],
            &[&[0x15][..], &[0xFF; 9], &[0x7F, 0]].concat(),
        ];
        for bytes in damaged {
            assert!(found(FILE_METADATA, bytes).is_none(), "{bytes:x?}");
        }
        assert!(found(FILE_METADATA, &metadata(0, &[0xDC].repeat(40))).is_none(), "deeper than any");
    }

    #[test]
    fn a_column_starts_with_its_dictionary_where_it_has_one() {
        // Size 100, data at 40, dictionary at 4.
        let chunk = |rest: &[u8]| {
            let Type::Struct(fields) = COLUMN_METADATA else { return None };
            found(fields, &[&[0x76, 0xC8, 1, 0x26, 80][..], rest].concat())
        };
        let places = |found: Found| found.chunks.iter().map(|chunk| (chunk.start, chunk.size)).collect::<Vec<_>>();
        assert_eq!(chunk(&[0]).map(places), Some(vec![(40, 100)]));
        assert_eq!(chunk(&[0x26, 8, 0]).map(places), Some(vec![(4, 100)]));
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_counted_or_not(bytes: Vec<u8>) {
            let _ = found(FILE_METADATA, &bytes);
            let _ = found(PAGE_HEADER, &bytes);
        }
    }
}
