//! Asks scapy, a general-purpose packet library, to read messages, and hands out what it made of them.

use std::io::Write;
use std::process::{Command, Stdio};
use std::sync::OnceLock;

/// One field that the library read.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Item {
    /// What kind of field, see the script.
    pub(crate) kind: char,
    /// The library's name of it.
    pub(crate) name: String,
    /// Its value as text.
    pub(crate) value: String,
}

/// The library's reading of each message, or `None` without the library.
pub(crate) fn decode(script: &str, messages: &[Vec<u8>]) -> Option<Vec<Vec<Item>>> {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: set WITNESS_PYTHON to a Python interpreter that has scapy 2.8.0");
        return None;
    };
    static HAS_SCAPY: OnceLock<bool> = OnceLock::new();
    let has_scapy = HAS_SCAPY.get_or_init(|| {
        let status = Command::new(&python).args(["-c", "import scapy"]).stderr(Stdio::null()).status();
        status.is_ok_and(|status| status.success())
    });
    if !has_scapy {
        eprintln!("skipped: {} has no scapy", python.to_string_lossy());
        return None;
    }
    let script = format!("{}/tests/oracle/{script}", env!("CARGO_MANIFEST_DIR"));
    let mut child = Command::new(&python).arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let text: String = messages.iter().map(|message| hex(message) + "\n").collect();
    let writer = std::thread::spawn(move || stdin.write_all(text.as_bytes()));
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap().unwrap();
    assert!(output.status.success(), "the script failed");
    let text = String::from_utf8(output.stdout).unwrap();
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("2.8.0"), "the lists of differences are those of this version");
    let read: Vec<Vec<Item>> = lines.map(|line| line.split('\t').filter_map(item).collect()).collect();
    assert_eq!(read.len(), messages.len());
    Some(read)
}

fn item(text: &str) -> Option<Item> {
    let (kind, rest) = text.split_once(':')?;
    let (name, value) = rest.split_once('=')?;
    Some(Item { kind: kind.chars().next()?, name: name.into(), value: value.into() })
}

/// Bytes in hex, without blanks.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The fields of one kind; the service is in every message and no news.
pub(crate) fn of_kind(items: &[Item], kind: char) -> impl Iterator<Item = &Item> {
    items.iter().filter(move |item| item.kind == kind && item.name != "service")
}

/// Edge and random payloads of `n` bytes; a fixed seed, so that a failure can be repeated.
pub(crate) fn payloads(n: usize, seed: u64) -> Vec<Vec<u8>> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut random = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 32) as u8
    };
    let mut payloads: Vec<Vec<u8>> = [0x00, 0xFF, 0x80, 0x7F, 0x01].map(|byte| vec![byte; n]).to_vec();
    // All values supported, and the edges behind.
    payloads
        .extend([0x00, 0x80, 0x7F].map(|byte| std::iter::once(0xFF).chain(std::iter::repeat_n(byte, n - 1)).collect()));
    payloads.extend((0..24).map(|_| (0..n).map(|_| random()).collect()));
    payloads
}
