//! Whether the blocks of an MDF file hold together, before a library follows their links.
//!
//! Every block of ASAM MDF 4 begins alike: four letters, four bytes, its length, the number of its links, and the links
//! (byte positions of other blocks, 0 for none). The library that reads them believes these numbers: a link behind the end
//! of the file ends the program, and so does a number of links that no memory holds. So all are looked at first.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read as _;

use flate2::read::ZlibDecoder;

/// Where the header block stands: behind the identification.
const HEADER_AT: u64 = 64;
/// Letters, reserved bytes, length, number of links.
const HEAD: u64 = 24;
/// Longest block when unpacked, and all of them together: more than a recording could hold.
const MAX_UNPACKED: u64 = 64 << 20;
const MAX_ALL_UNPACKED: u64 = 2 << 30;
/// Most times its size that a file unpacks to once that is much: measurements shrink ten- to fiftyfold, and one that is made
/// to fill the memory a thousandfold.
pub(super) const MAX_RATIO: u64 = 300;
const RATIO_FROM: u64 = 256 << 20;
/// Longest formula, bytes, and longest chain of conversions that refer to each other: the library goes a call deeper with
/// every bracket of the one and with every link of the other.
const MAX_FORMULA: usize = 512;
const MAX_CHAIN: usize = 8;

/// Kinds of blocks that are followed, with the links and the bytes behind them that each has at least.
///
/// Source: the block structures of ASAM MDF 4.1, as the general-purpose library `mdf4-rs` reads them.
const KINDS: [(&[u8; 4], u64, u64); 15] = [
    (b"##HD", 6, 32),
    (b"##DG", 4, 8),
    (b"##CG", 6, 32),
    (b"##CN", 8, 72),
    (b"##CC", 4, 8),
    (b"##SI", 3, 8),
    (b"##TX", 0, 0),
    (b"##MD", 0, 0),
    (b"##HL", 1, 0),
    (b"##DL", 1, 8),
    (b"##DT", 0, 0),
    (b"##DV", 0, 0),
    (b"##SD", 0, 0),
    (b"##DZ", 0, 24),
    (b"##RD", 0, 0),
];

/// Types of channels that are not in the records.
pub(super) const VIRTUAL_MASTER: u8 = 3;
pub(super) const VIRTUAL_DATA: u8 = 6;

/// Flag of a kind of records whose length stands in front of each.
const VARIABLE: u8 = 1;
/// Type of a conversion by a formula.
const FORMULA: u8 = 3;

/// A block whose numbers fit its file.
struct Block<'a> {
    kind: &'a [u8; 4],
    links: Vec<u64>,
    /// What stands behind the links.
    data: &'a [u8],
}

impl<'a> Block<'a> {
    /// The block at a byte position; `None` for a kind that is not followed.
    fn at(bytes: &'a [u8], at: u64) -> Result<Option<Self>, String> {
        let damaged = |what: &str| format!("it is damaged or cut off: {what} (at byte {at})");
        let rest = usize::try_from(at).ok().and_then(|at| bytes.get(at..)).unwrap_or_default();
        let kind: &[u8; 4] = rest.first_chunk().ok_or_else(|| damaged("a link leads behind its end"))?;
        let Some((_, n_least, n_data)) = KINDS.iter().find(|(known, _, _)| *known == kind) else { return Ok(None) };
        let (Some(length), Some(n_links)) = (word(rest, 8), word(rest, 16)) else {
            return Err(damaged("a block is cut off"));
        };
        let n_head = n_links.checked_mul(8).and_then(|n_bytes| n_bytes.checked_add(HEAD));
        let fits = n_head.is_some_and(|n_head| n_head.checked_add(*n_data).is_some_and(|least| least <= length));
        if !fits || n_links < *n_least || length > rest.len() as u64 {
            return Err(damaged("a block is shorter than it says"));
        }
        let links = (0..n_links as usize).filter_map(|idx| word(rest, HEAD as usize + 8 * idx)).collect();
        let data = rest.get(HEAD as usize + 8 * n_links as usize..length as usize).unwrap_or_default();
        Ok(Some(Self { kind, links, data }))
    }

    /// Whether what is in it is measured data, which only one link leads to.
    fn is_data(&self) -> bool {
        matches!(self.kind, b"##HL" | b"##DL" | b"##DT" | b"##DV" | b"##SD" | b"##DZ")
    }

    /// What is wrong with the numbers in it.
    fn problem(&self) -> Option<&'static str> {
        let byte = |at: usize| self.data.get(at).copied().unwrap_or(0);
        match self.kind {
            // Bytes of a record, and of its invalidation bits.
            b"##CG" if self.links.get(1) != Some(&0) && self.data.get(24..32).is_none_or(|size| size == [0; 8]) => {
                Some("its records have no bytes")
            }
            // Type, synchronisation, data type, first bit, first byte, number of bits.
            b"##CN" if byte(3) > 7 => Some("a channel begins at a bit that no byte has"),
            // A virtual channel has no bits: its values are the numbers of the records.
            b"##CN" if matches!(byte(0), VIRTUAL_MASTER | VIRTUAL_DATA) => None,
            b"##CN" if byte(2) <= 5 && half(self.data, 8).is_none_or(|n_bits| n_bits == 0 || n_bits > 64) => {
                Some("a number has no bits, or more than 64")
            }
            _ => None,
        }
    }

    /// How long it gets when it is unpacked: type (2), packing (1), reserved (1), parameter (4), length, packed length.
    fn unpacked(&self) -> u64 {
        if self.kind == b"##DZ" { word(self.data, 8).unwrap_or(u64::MAX) } else { 0 }
    }

    /// What is in a packed block.
    fn unpack(&self) -> Option<Vec<u8>> {
        let (length, n_packed) = (word(self.data, 8)?, usize::try_from(word(self.data, 16)?).ok()?);
        let packed = self.data.get(24..)?.get(..n_packed)?;
        let mut bytes = Vec::new();
        ZlibDecoder::new(packed).take(length.checked_add(1)?).read_to_end(&mut bytes).ok()?;
        if bytes.len() as u64 != length {
            return None;
        }
        match self.data.get(2)? {
            0 => Some(bytes),
            1 => {
                // The first bytes of all rows stand together, then the second ones; what is no whole row stays behind.
                let n_columns = half(self.data, 4)? as usize;
                let n_rows = bytes.len().checked_div(n_columns)?;
                let mut rows = bytes.clone();
                for (at, byte) in bytes.iter().take(n_rows * n_columns).enumerate() {
                    *rows.get_mut(at % n_rows * n_columns + at / n_rows)? = *byte;
                }
                Some(rows)
            }
            _ => None,
        }
    }
}

fn word(bytes: &[u8], at: usize) -> Option<u64> {
    bytes.get(at..at + 8)?.try_into().ok().map(u64::from_le_bytes)
}

fn half(bytes: &[u8], at: usize) -> Option<u32> {
    bytes.get(at..at + 4)?.try_into().ok().map(u32::from_le_bytes)
}

/// Follows every link of a file once. The error says what does not fit.
pub(super) fn check(bytes: &[u8]) -> Result<(), String> {
    let (mut open, mut seen, mut n_unpacked) = (vec![HEADER_AT], BTreeSet::new(), 0_u64);
    let mut conversions: BTreeMap<u64, Vec<u64>> = BTreeMap::new();
    while let Some(at) = open.pop() {
        let Some(block) = Block::at(bytes, at)? else { continue };
        if !seen.insert(at) {
            if block.is_data() {
                return Err(format!("the same data is in it twice (at byte {at})"));
            }
            continue;
        }
        if let Some(problem) = block.problem() {
            return Err(format!("{problem} (at byte {at})"));
        }
        n_unpacked = n_unpacked.saturating_add(block.unpacked());
        if block.unpacked() > MAX_UNPACKED || n_unpacked > MAX_ALL_UNPACKED {
            return Err(format!("a packed block unpacks to more than {} MB", MAX_UNPACKED >> 20));
        }
        if n_unpacked > RATIO_FROM && n_unpacked / MAX_RATIO > bytes.len() as u64 {
            return Err(format!("it unpacks to more than {MAX_RATIO} times its size"));
        }
        if block.kind == b"##CC" {
            let others: Vec<u64> = block.links.iter().skip(4).copied().filter(|link| *link != 0).collect();
            if block.data.first() == Some(&FORMULA)
                && let Some(text) = others.first()
                && Block::at(bytes, *text)?.is_some_and(|text| text.data.len() > MAX_FORMULA)
            {
                return Err(format!("a formula is longer than {MAX_FORMULA} bytes (at byte {at})"));
            }
            conversions.insert(at, others);
        }
        open.extend(block.links.into_iter().filter(|link| *link != 0));
        if block.kind == b"##HL" {
            // Some programs put the link to the list behind the links.
            open.extend(word(block.data, 0).filter(|link| *link != 0 && *link < bytes.len() as u64));
        }
    }
    let mut level: BTreeSet<u64> = conversions.keys().copied().collect();
    for _ in 0..MAX_CHAIN {
        level = level.iter().filter_map(|at| conversions.get(at)).flatten().copied().collect();
        level.retain(|at| conversions.contains_key(at));
    }
    if let Some(at) = level.first() {
        return Err(format!("its conversions refer to each other without end (at byte {at})"));
    }
    Ok(())
}

/// Puts the data of each group that is packed or in several blocks, or has records of different lengths, into one block at
/// the end of the file, as it could have been written: the library reads no packed blocks, and takes a record that lies
/// across two for damage in both. The places of the new blocks, group by group; `None` for a group whose data is as it
/// should be.
///
/// The file has been checked.
pub(super) fn join(bytes: &mut Vec<u8>) -> Result<Vec<Option<u64>>, String> {
    let (mut at, mut seen) = (word(bytes, (HEADER_AT + HEAD) as usize).unwrap_or(0), BTreeSet::new());
    let mut places = Vec::new();
    while at != 0 && seen.insert(at) {
        let Some(group) = Block::at(bytes, at)? else { break };
        let (Some(&next), Some(&data)) = (group.links.first(), group.links.get(2)) else { break };
        let mut joined = joined(bytes, data)?;
        let sizes = record_sizes(bytes, &group)?;
        if sizes.values().any(Option::is_none) {
            let stored = Block::at(bytes, data)?.map(|block| block.data).unwrap_or_default();
            let n_id = group.data.first().copied().unwrap_or(0).into();
            joined = Some(equally_long(joined.as_deref().unwrap_or(stored), n_id, &sizes));
        }
        places.push(joined.map(|joined| {
            bytes.resize(bytes.len().next_multiple_of(8), 0);
            let place = bytes.len() as u64;
            bytes.extend_from_slice(b"##DT\0\0\0\0");
            bytes.extend_from_slice(&(HEAD + joined.len() as u64).to_le_bytes());
            bytes.extend_from_slice(&[0; 8]);
            bytes.extend(joined);
            place
        }));
        at = next;
    }
    Ok(places)
}

/// Bytes of the records of a group's kinds, by the numbers that they begin with; `None` for those that tell it themselves.
fn record_sizes(bytes: &[u8], group: &Block<'_>) -> Result<BTreeMap<u64, Option<usize>>, String> {
    let mut sizes = BTreeMap::new();
    let mut at = group.links.get(1).copied().unwrap_or(0);
    let mut seen = BTreeSet::new();
    while at != 0 && seen.insert(at) {
        let Some(kind) = Block::at(bytes, at)?.filter(|block| block.kind == b"##CG") else { break };
        let is_own_length = kind.data.get(16).is_some_and(|flags| flags & VARIABLE != 0);
        // Bytes of a record, and of its invalidation bits.
        let n_bytes = |at| half(kind.data, at).unwrap_or(0) as usize;
        let size = (!is_own_length).then(|| n_bytes(24).saturating_add(n_bytes(28)));
        sizes.insert(word(kind.data, 0).unwrap_or(0), size);
        at = kind.links.first().copied().unwrap_or(0);
    }
    Ok(sizes)
}

/// The records without those that tell their length themselves, which hold texts and bytes: the library takes them to be
/// as long as all of them together, and what follows for something else.
fn equally_long(mut data: &[u8], n_id: usize, sizes: &BTreeMap<u64, Option<usize>>) -> Vec<u8> {
    let mut kept = Vec::new();
    while let Some(id) = data.get(..n_id).filter(|id| !id.is_empty()) {
        let id = id.iter().rev().fold(0, |number, byte| number << 8 | u64::from(*byte));
        let n_record = match sizes.get(&id) {
            Some(Some(size)) => n_id.saturating_add(*size),
            Some(None) => n_id.saturating_add(half(data, n_id).map_or(usize::MAX, |length| length as usize + 4)),
            None => break,
        };
        let Some((record, rest)) = data.split_at_checked(n_record) else { break };
        if sizes.get(&id).is_some_and(Option::is_some) {
            kept.extend_from_slice(record);
        }
        data = rest;
    }
    kept
}

/// All data behind a link, one block after the other; `None` if it is in one block already, or in a kind that is not known.
fn joined(bytes: &[u8], at: u64) -> Result<Option<Vec<u8>>, String> {
    if at == 0 || Block::at(bytes, at)?.is_none_or(|block| matches!(block.kind, b"##DT" | b"##DV")) {
        return Ok(None);
    }
    let (mut open, mut all) = (vec![at], Vec::new());
    while let Some(at) = open.pop() {
        let Some(block) = Block::at(bytes, at)? else { return Ok(None) };
        match block.kind {
            b"##DT" | b"##DV" => all.extend_from_slice(block.data),
            b"##DZ" => {
                let unpacked = block.unpack();
                all.extend(unpacked.ok_or_else(|| format!("a packed block does not unpack (at byte {at})"))?);
            }
            // The last one that is put there comes first: the blocks of a list, and then the list that follows it.
            b"##DL" => {
                let (next, blocks) = block.links.split_at_checked(1).unwrap_or_default();
                open.extend(next.iter().chain(blocks.iter().rev()).filter(|link| **link != 0));
            }
            b"##HL" => {
                let list = block.links.iter().copied().find(|link| *link != 0);
                open.extend(list.or_else(|| word(block.data, 0)));
            }
            _ => return Ok(None),
        }
    }
    Ok(Some(all))
}

/// Whether what a channel is made of is an array.
pub(super) fn is_array(bytes: &[u8], at: u64) -> bool {
    let rest = usize::try_from(at).ok().filter(|at| *at != 0).and_then(|at| bytes.get(at..));
    rest.is_some_and(|rest| rest.starts_with(b"##CA"))
}

/// The text behind a link; empty if there is none.
pub(super) fn text(bytes: &[u8], at: u64) -> String {
    let block = if at == 0 { None } else { Block::at(bytes, at).ok().flatten() };
    let block = block.filter(|block| matches!(block.kind, b"##TX" | b"##MD"));
    block.map_or(String::new(), |block| String::from_utf8_lossy(block.data).into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A block of these links and data.
    fn block(kind: &[u8; 4], links: &[u64], data: &[u8]) -> Vec<u8> {
        let length = 24 + 8 * links.len() + data.len();
        let mut bytes =
            [&kind[..], &[0; 4], &(length as u64).to_le_bytes(), &(links.len() as u64).to_le_bytes()].concat();
        bytes.extend(links.iter().flat_map(|link| link.to_le_bytes()));
        bytes.extend(data);
        bytes
    }

    /// Identification and header with a link to what follows, then that.
    fn file(rest: &[u8]) -> Vec<u8> {
        [vec![0; 64], block(b"##HD", &[168, 0, 0, 0, 0, 0], &[0; 32]), rest.to_vec()].concat()
    }

    #[test]
    fn links_and_numbers_that_no_file_holds_are_told() {
        let group = |data: u64| block(b"##DG", &[0, 0, data, 0], &[0; 8]);
        assert_eq!(check(&file(&group(0))), Ok(()));
        for wrong in [
            group(u64::MAX),
            group(9_999),
            group(0)[..40].to_vec(),
            // More links than memory holds, and a length to go with them.
            [&group(0)[..16], &(u64::MAX / 8).to_le_bytes(), &group(0)[24..]].concat(),
            [&group(0)[..8], &[0xFF; 8], &group(0)[16..]].concat(),
            // 168 + 64: a list that leads to the same data twice; data that unpacks to 1 GB.
            [group(232), block(b"##DL", &[0, 288, 288], &[0; 8]), block(b"##DT", &[], &[])].concat(),
            [group(232), block(b"##DZ", &[], &[&[0; 8][..], &(1_u64 << 30).to_le_bytes(), &[0; 8]].concat())].concat(),
        ] {
            assert!(check(&file(&wrong)).is_err(), "{wrong:?}");
        }
        assert!(check(b"").is_err() && check(&[0; 64]).is_err());
        // Five blocks that say they unpack to 60 MB each.
        let packed = block(b"##DZ", &[], &[&[0; 8][..], &(60_u64 << 20).to_le_bytes(), &[0; 8]].concat());
        let list = block(b"##DL", &[0, 312, 360, 408, 456, 504], &[0; 8]);
        let bomb = check(&file(&[group(232), list, packed.repeat(5)].concat()));
        assert!(bomb.is_err_and(|what| what.contains("300 times its size")));
    }

    #[test]
    fn records_without_bytes_and_numbers_without_bits_are_told() {
        let channel = |bit: u8, n_bits: u8| {
            block(b"##CN", &[0; 8], &[&[0, 0, 0, bit, 0, 0, 0, 0, n_bits][..], &[0; 63]].concat())
        };
        let group = |n_bytes: u8| {
            let data = [&[0; 24][..], &[n_bytes, 0, 0, 0, 0, 0, 0, 0]].concat();
            [block(b"##DG", &[0, 232, 0, 0], &[0; 8]), block(b"##CG", &[0, 336, 0, 0, 0, 0], &data)].concat()
        };
        let check_of = |n_bytes, bit, n_bits| check(&file(&[group(n_bytes), channel(bit, n_bits)].concat()));
        assert_eq!(check_of(8, 7, 57), Ok(()));
        assert!(check_of(0, 0, 8).is_err() && check_of(8, 8, 8).is_err() && check_of(8, 0, 65).is_err());
        assert!(check_of(8, 0, 0).is_err());
    }
}
