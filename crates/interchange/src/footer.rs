//! The metadata at the end of a Parquet file, looked at before a library reads it.
//!
//! The library calls itself once more for every group of a schema that lies within another one, and no thread contains an
//! overflow of its stack. So the elements of the schema are counted first.
//!
//! Source: the Parquet format (`parquet.thrift`, field 2 of `FileMetaData`) and Thrift's compact protocol, from memory.

use std::fs::File;
use std::io::{Read as _, Seek as _, SeekFrom};

/// Most elements of a schema: a drive has 14.
const MAX_ELEMENTS: u64 = 1000;
/// Field of the metadata that holds the elements of the schema.
const SCHEMA: u64 = 2;
/// Deepest nesting of what is passed over.
const MAX_DEPTH: u32 = 16;

// Types of values.
const TRUE: u8 = 1;
const FALSE: u8 = 2;
const LIST: u8 = 9;
const STRUCT: u8 = 12;

/// Refuses a file whose schema has more elements than any that is meant, or whose metadata cannot be passed over.
pub(crate) fn check(mut file: &File) -> Result<(), String> {
    let damaged = || "its metadata is damaged".to_owned();
    let metadata = |file: &mut &File| -> std::io::Result<Vec<u8>> {
        let end = file.seek(SeekFrom::End(-8))?;
        let mut length = [0; 4];
        file.read_exact(&mut length)?;
        file.seek(SeekFrom::Start(end.saturating_sub(u32::from_le_bytes(length).into())))?;
        let mut bytes = Vec::new();
        file.take(u32::from_le_bytes(length).into()).read_to_end(&mut bytes)?;
        Ok(bytes)
    };
    let bytes = metadata(&mut file).map_err(|_| damaged())?;
    file.rewind().map_err(|_| damaged())?;
    let n_elements = Compact(&bytes).n_elements().ok_or_else(damaged)?;
    if n_elements > MAX_ELEMENTS {
        return Err(format!("its schema has more than {MAX_ELEMENTS} elements"));
    }
    Ok(())
}

/// Values in Thrift's compact protocol, read one after the other; `None` where there is none.
struct Compact<'a>(&'a [u8]);

impl Compact<'_> {
    /// The most elements that any field for them has.
    fn n_elements(&mut self) -> Option<u64> {
        let (mut field, mut most) = (0, 0);
        while let Some(kind) = self.field(&mut field)? {
            if field == SCHEMA {
                let mut list = Compact(self.0);
                most = most.max(if kind == LIST { list.list()?.1 } else { return None });
            }
            self.pass(kind, MAX_DEPTH)?;
        }
        Some(most)
    }

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
        (self.byte()? <= 1).then_some(number | 1 << 63)
    }

    /// Type of the next field of a structure, whose number follows on the last one; the inner `None` at its end.
    fn field(&mut self, field: &mut u64) -> Option<Option<u8>> {
        let head = self.byte()?;
        if head == 0 {
            return Some(None);
        }
        *field = match head >> 4 {
            0 => {
                let number = self.number()?;
                if number % 2 == 0 { number / 2 } else { return None }
            }
            step => *field + u64::from(step),
        };
        (*field <= 0x7FFF && head & 0x0F != 0).then_some(Some(head & 0x0F))
    }

    /// Type and number of what follows in a list.
    fn list(&mut self) -> Option<(u8, u64)> {
        let head = self.byte()?;
        let n = if head >> 4 == 0x0F { self.number()? } else { (head >> 4).into() };
        Some((head & 0x0F, n))
    }

    fn pass(&mut self, kind: u8, depth: u32) -> Option<()> {
        let depth = depth.checked_sub(1)?;
        // Beside its type in a field, a truth has a byte of its own within lists.
        let pass_item = |own: &mut Self, kind| match kind {
            TRUE | FALSE => own.byte().map(drop),
            _ => own.pass(kind, depth),
        };
        match kind {
            TRUE | FALSE => {}
            3 => drop(self.byte()?),
            4..=6 => drop(self.number()?),
            7 => drop(self.take(8)?),
            8 => {
                let length = self.number()?;
                self.take(length)?;
            }
            LIST | 10 => {
                let (kind, n) = self.list()?;
                (0..n).try_for_each(|_| pass_item(self, kind))?;
            }
            11 => {
                let n = self.number()?;
                let kinds = if n > 0 { self.byte()? } else { 0 };
                (0..n).try_for_each(|_| {
                    pass_item(self, kinds >> 4)?;
                    pass_item(self, kinds & 0x0F)
                })?;
            }
            STRUCT => {
                let mut field = 0;
                while let Some(kind) = self.field(&mut field)? {
                    self.pass(kind, depth)?;
                }
            }
            _ => return None,
        }
        Some(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A structure of version 1 and a list of so many elements without a field, then what is given.
    fn metadata(n: u8, rest: &[u8]) -> Vec<u8> {
        [&[0x15, 2, 0x19, n << 4 | STRUCT][..], &vec![0; n.into()], rest].concat()
    }

    #[test]
    fn elements_are_counted_wherever_they_stand() {
        let count = |bytes: &[u8]| Compact(bytes).n_elements();
        assert_eq!(count(&metadata(3, &[0])), Some(3));
        // The field comes again: its number behind a head without a step. 200 elements: a number of two bytes.
        let again = [&[LIST, 4, 0xFC, 0xC8, 1][..], &[0; 201]].concat();
        assert_eq!(count(&metadata(3, &again)), Some(200));
        // Other fields are passed over: a text, a list of truths, a map, a structure, a double.
        let others = [0x18, 1, b'x', 0x19, 0x21, 1, 2, 0x1B, 1, 0x58, 2, 1, b'y', 0x1C, 0x15, 2, 0, 0x17];
        assert_eq!(count(&metadata(1, &[&others[..], &[0; 8], &[0]].concat())), Some(1));
        for wrong in [&[][..], &metadata(3, &[]), &metadata(3, &[LIST, 3, 0]), &[0x10], &[0x25, 0, 0x05, 4, 0, 0]] {
            assert_eq!(count(wrong), None, "{wrong:?}");
        }
        assert_eq!(count(&metadata(0, &[0x1C].repeat(40))), None, "deeper than any");
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_are_counted_or_not(bytes: Vec<u8>) {
            let _ = Compact(&bytes).n_elements();
        }
    }
}
