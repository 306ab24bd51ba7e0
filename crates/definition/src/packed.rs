//! Zips from elsewhere, opened without believing what they say of themselves.
//!
//! The list of members stands at the end of a zip (APPNOTE.TXT, 4.3.12) and is read whole when it is opened: 46 bytes of
//! it become some hundred in memory, for as many members as somebody cares to make up.

use std::cell::Cell;
use std::io::{Error, ErrorKind, Read, Result, Seek, SeekFrom};
use std::rc::Rc;

use zip::ZipArchive;
use zip::result::ZipResult;

/// Most members of a zip.
pub const MAX_MEMBERS: usize = 10_000;
/// Most bytes that are read to learn what is in a zip: 400 for each of the members, of which a name takes the most.
const MAX_LIST: u64 = 4 << 20;

/// What is read of a zip; limited while its list of members is read.
#[derive(Debug)]
pub struct Metered<R> {
    reader: R,
    /// How much may still be read; `None`: without limit.
    left: Rc<Cell<Option<u64>>>,
}

impl<R: Read> Read for Metered<R> {
    fn read(&mut self, to: &mut [u8]) -> Result<usize> {
        let n_read = self.reader.read(to)?;
        if let Some(left) = self.left.get() {
            let left = left.checked_sub(n_read as u64).ok_or_else(|| {
                Error::new(ErrorKind::QuotaExceeded, format!("its list of members is longer than {MAX_LIST} bytes"))
            })?;
            self.left.set(Some(left));
        }
        Ok(n_read)
    }
}

impl<R: Seek> Seek for Metered<R> {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        self.reader.seek(to)
    }
}

/// Opens a zip.
///
/// # Errors
/// It is damaged, or its list of members is longer than any that is meant.
pub fn open<R: Read + Seek>(reader: R) -> ZipResult<ZipArchive<Metered<R>>> {
    let left = Rc::new(Cell::new(Some(MAX_LIST)));
    let archive = ZipArchive::new(Metered { reader, left: Rc::clone(&left) })?;
    left.set(None);
    Ok(archive)
}

#[cfg(test)]
mod tests {
    use std::io::{Cursor, Write as _};

    use super::*;

    fn zip_of(n_members: usize) -> Vec<u8> {
        let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
        let stored = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
        for number in 0..n_members {
            zip.start_file(format!("files/{number:064}"), stored).unwrap();
        }
        zip.write_all(&[7; 9 << 20]).unwrap();
        zip.finish().unwrap().into_inner()
    }

    #[test]
    fn a_list_of_members_is_read_as_far_as_one_can_be_meant() {
        let mut archive = open(Cursor::new(zip_of(MAX_MEMBERS))).unwrap();
        assert_eq!(archive.len(), MAX_MEMBERS);
        let mut content = Vec::new();
        archive.by_index(MAX_MEMBERS - 1).unwrap().read_to_end(&mut content).unwrap();
        assert_eq!(content.len(), 9 << 20, "what is in it is read without this limit");
        let refused = open(Cursor::new(zip_of(4 * MAX_MEMBERS))).err().unwrap().to_string();
        assert!(refused.contains("list of members"), "{refused}");
    }
}
