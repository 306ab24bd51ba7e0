//! Files by their checksums.

use std::io::Read;
use std::path::Path;

use sha2::{Digest, Sha256};
use wire::FileRef;

use crate::chain::hex;

/// SHA-256 of bytes, in hex.
#[must_use]
pub fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// A file by its checksum and size; `path` is how the ledger will name it.
///
/// # Errors
/// The file cannot be read.
pub fn sha256_of_file(file: &Path, path: &str) -> std::io::Result<FileRef> {
    let mut reader = std::fs::File::open(file)?;
    let mut digest = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    let mut bytes = 0;
    loop {
        match reader.read(&mut buffer)? {
            0 => break,
            n => {
                digest.update(buffer.get(..n).unwrap_or_default());
                bytes += n as u64;
            }
        }
    }
    Ok(FileRef { path: path.to_owned(), sha256: hex(&digest.finalize()), bytes })
}
