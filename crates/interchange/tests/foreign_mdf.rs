//! MDF 4 files as other programs write them, put together block by block.
//!
//! Source of the blocks: ASAM MDF 4.1, from memory; files that asammdf 8.8.28 wrote with the same kinds of blocks were read
//! beside it.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::io::Write;

use drive::{Contents, Overwrite};
use flate2::Compression;
use flate2::write::ZlibEncoder;
use interchange::{Format, Imported};

/// A file that grows from its texts to its groups: every block knows the places of those that it links to.
struct File(Vec<u8>);

impl File {
    fn new() -> Self {
        let mut head = b"MDF     4.10    test    ".to_vec();
        head.resize(64, 0);
        head[28..30].copy_from_slice(&410u16.to_le_bytes());
        let mut file = Self(head);
        file.add(b"##HD", &[0; 6], &[0; 32]);
        file
    }

    /// Adds a block; its place.
    fn add(&mut self, kind: &[u8; 4], links: &[u64], data: &[u8]) -> u64 {
        self.0.resize(self.0.len().next_multiple_of(8), 0);
        let at = self.0.len() as u64;
        let length = 24 + 8 * links.len() as u64 + data.len() as u64;
        self.0.extend([&kind[..], &[0; 4], &length.to_le_bytes(), &(links.len() as u64).to_le_bytes()].concat());
        self.0.extend(links.iter().flat_map(|link| link.to_le_bytes()));
        self.0.extend(data);
        at
    }

    fn text(&mut self, text: &str) -> u64 {
        let kind = if text.starts_with('<') { b"##MD" } else { b"##TX" };
        self.add(kind, &[], format!("{text}\0").as_bytes())
    }

    /// A conversion of this type with these numbers and links; without a range of values.
    fn conversion(&mut self, kind: u8, unit: u64, links: &[u64], values: &[f64]) -> u64 {
        let n = |length: usize| u16::try_from(length).unwrap().to_le_bytes();
        let numbers = [&[kind, 0, 0, 0][..], &n(links.len()), &n(values.len())].concat();
        let values = values.iter().flat_map(|value| value.to_le_bytes());
        self.add(b"##CC", &[&[0, unit, 0, 0], links].concat(), &numbers.into_iter().chain(values).collect::<Vec<_>>())
    }

    /// A channel of whole numbers: type, synchronisation, first byte and bits in the record.
    fn channel(&mut self, next: u64, name: &str, unit: u64, conversion: u64, [kind, sync, byte, bits]: [u8; 4]) -> u64 {
        let name = self.text(name);
        let numbers = [&[kind, sync, 0, 0, byte, 0, 0, 0, bits][..], &[0; 63]].concat();
        self.add(b"##CN", &[next, 0, name, 0, conversion, 0, unit, 0], &numbers)
    }

    /// The file with one group of these channels, records of so many bytes, and data.
    fn finish(mut self, channels: u64, n_record: u32, n_records: u64, data: u64) -> Vec<u8> {
        let numbers = [&0u64.to_le_bytes()[..], &n_records.to_le_bytes(), &[0; 8], &n_record.to_le_bytes(), &[0; 4]];
        let group = self.add(b"##CG", &[0, channels, 0, 0, 0, 0], &numbers.concat());
        let group = self.add(b"##DG", &[0, group, data, 0], &[0; 8]);
        self.0[64 + 24..64 + 32].copy_from_slice(&group.to_le_bytes());
        self.0
    }
}

fn import(bytes: &[u8]) -> (Contents, Imported) {
    let folder = tempfile::tempdir().unwrap();
    let (file, drive) = (folder.path().join("a.mf4"), folder.path().join("a.mcap"));
    std::fs::write(&file, bytes).unwrap();
    let imported = interchange::import(&file, &drive, Format::Mdf, "x", Overwrite::Never).unwrap();
    let (contents, problems) = Contents::read(&drive).unwrap();
    assert_eq!(problems, []);
    (contents, imported)
}

const N: u64 = 200;

/// Records of 3 bytes: the time in steps of 0.1 s, and a number that counts.
fn records() -> Vec<u8> {
    (0..N as u16).flat_map(|k| [k.to_le_bytes()[0], k.to_le_bytes()[1], k as u8]).collect()
}

/// `data` puts the records into the file, and gives their place.
fn counted(data: impl FnOnce(&mut File, &[u8]) -> u64) -> Vec<u8> {
    let mut file = File::new();
    let tenths = file.conversion(1, 0, &[], &[0.0, 0.1]);
    let channels = file.channel(0, "count", 0, 0, [0, 0, 2, 8]);
    let channels = file.channel(channels, "t", 0, tenths, [2, 1, 0, 16]);
    let data = data(&mut file, &records());
    file.finish(channels, 3, N, data)
}

fn packed(file: &mut File, data: &[u8], n_columns: u32) -> u64 {
    let n_rows = data.len().checked_div(n_columns as usize).unwrap_or(0);
    let mut turned: Vec<u8> =
        (0..n_columns as usize).flat_map(|c| (0..n_rows).map(move |r| data[r * n_columns as usize + c])).collect();
    turned.extend(&data[turned.len()..]);
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(&turned).unwrap();
    let packed = encoder.finish().unwrap();
    let numbers = [
        &b"DT"[..],
        &[u8::from(n_columns > 0), 0],
        &n_columns.to_le_bytes(),
        &(data.len() as u64).to_le_bytes(),
        &(packed.len() as u64).to_le_bytes(),
        &packed,
    ];
    file.add(b"##DZ", &[], &numbers.concat())
}

/// A list of blocks that are equally long but for the last.
fn list(file: &mut File, next: u64, blocks: &[u64]) -> u64 {
    let numbers = [&[1, 0, 0, 0][..], &u32::try_from(blocks.len()).unwrap().to_le_bytes(), &100u64.to_le_bytes()];
    file.add(b"##DL", &[&[next], blocks].concat(), &numbers.concat())
}

/// 100 bytes are no whole number of records: some lie across two blocks.
#[test]
fn data_in_several_and_in_packed_blocks_is_read() {
    let lists = |n_columns: Option<u32>| {
        move |file: &mut File, data: &[u8]| {
            let blocks: Vec<u64> = data
                .chunks(100)
                .map(|part| match n_columns {
                    None => file.add(b"##DT", &[], part),
                    Some(n_columns) => packed(file, part, n_columns),
                })
                .collect();
            let rest = list(file, 0, &blocks[4..]);
            let first = list(file, rest, &blocks[..4]);
            file.add(b"##HL", &[first], &[0; 8])
        }
    };
    let files = [
        ("one block", counted(|file, data| file.add(b"##DT", &[], data))),
        ("one packed block", counted(|file, data| packed(file, data, 0))),
        ("one packed block, turned", counted(|file, data| packed(file, data, 3))),
        ("lists", counted(lists(None))),
        ("lists of packed blocks", counted(lists(Some(0)))),
        ("lists of packed blocks, turned", counted(lists(Some(3)))),
    ];
    for (what, bytes) in files {
        let (contents, imported) = import(&bytes);
        assert_eq!((imported.n_rows, imported.notes), (N, Vec::<String>::new()), "{what}");
        let series = contents.recording.series("custom.count").unwrap();
        let expected: Vec<(i64, f64)> = (0..N as i64).map(|k| (k * 100_000_000, k as f64)).collect();
        let found: Vec<(i64, f64)> = series.t_ns.iter().copied().zip(series.value.iter().copied()).collect();
        assert_eq!(found, expected, "{what}");
    }
}

/// A recorder writes as things come: samples, and texts whose length stands in front of them.
#[test]
fn texts_between_the_records_are_passed_over() {
    let mut file = File::new();
    let tenths = file.conversion(1, 0, &[], &[0.0, 0.1]);
    let channels = file.channel(0, "count", 0, 0, [0, 0, 2, 8]);
    let channels = file.channel(channels, "t", 0, tenths, [2, 1, 0, 16]);
    let mut data = Vec::new();
    for (k, record) in records().chunks(3).enumerate() {
        data.extend([&[7], record].concat());
        let text = vec![7; k % 5];
        data.extend([&[9][..], &(text.len() as u32).to_le_bytes(), &text].concat());
    }
    let kind = |id: u64, n: u64, flags: u8, n_record: u32| {
        let flags = [flags, 0, 0, 0, 0, 0, 0, 0];
        [&id.to_le_bytes()[..], &n.to_le_bytes(), &flags, &n_record.to_le_bytes(), &[0; 4]].concat()
    };
    let texts = file.add(b"##CG", &[0; 6], &kind(9, N, 1, 400));
    let group = file.add(b"##CG", &[texts, channels, 0, 0, 0, 0], &kind(7, N, 0, 3));
    let data = file.add(b"##DT", &[], &data);
    let group = file.add(b"##DG", &[0, group, data, 0], &[1, 0, 0, 0, 0, 0, 0, 0]);
    file.0[64 + 24..64 + 32].copy_from_slice(&group.to_le_bytes());
    let (contents, imported) = import(&file.0);
    assert_eq!((imported.n_samples, imported.notes), (N, Vec::<String>::new()));
    let series = &contents.recording.series[0];
    assert!(series.value.iter().enumerate().all(|(k, value)| *value == k as f64), "{:?}", series.value);
    assert_eq!(series.t_ns.last(), Some(&(100_000_000 * (N as i64 - 1))));
}

#[test]
fn times_that_are_numbers_of_records_or_whole_seconds_are_seconds() {
    let mut file = File::new();
    let channels = file.channel(0, "count", 0, 0, [0, 0, 2, 8]);
    let tenths = file.conversion(1, 0, &[], &[5.0, 0.1]);
    let channels = file.channel(channels, "t", 0, tenths, [3, 1, 0, 0]);
    let data = file.add(b"##DT", &[], &records());
    let (contents, imported) = import(&file.finish(channels, 3, N, data));
    assert_eq!((imported.n_samples, imported.notes), (N, Vec::<String>::new()));
    assert_eq!(contents.recording.series[0].t_ns[..3], [5_000_000_000, 5_100_000_000, 5_200_000_000]);

    let mut file = File::new();
    let channels = file.channel(0, "count", 0, 0, [0, 0, 2, 8]);
    let channels = file.channel(channels, "t", 0, 0, [2, 1, 0, 16]);
    let data = file.add(b"##DT", &[], &records());
    let (contents, _) = import(&file.finish(channels, 3, N, data));
    assert_eq!(contents.recording.series[0].t_ns[..3], [0, 1_000_000_000, 2_000_000_000]);
}

/// A clutch that is `off` and `on`, a formula, and units where the standard has them besides: in the conversion, and in XML.
#[test]
fn states_formulas_and_units_are_read_as_far_as_they_are_numbers() {
    let mut file = File::new();
    let states = [file.text("off"), file.text("on"), 0];
    let states = file.conversion(7, 0, &states, &[0.0, 1.0]);
    let [twice, root] = ["2*X+1", "sqrt(X)"].map(|formula| {
        let formula = file.text(formula);
        file.conversion(3, 0, &[formula], &[])
    });
    let mph = file.text("mph");
    let mph = file.conversion(1, mph, &[], &[0.0, 1.0]);
    let degrees = file.text("<CNunit><TX>deg C</TX></CNunit>");
    let channels = file.channel(0, "ac.clutch", 0, states, [0, 0, 0, 8]);
    let channels = file.channel(channels, "twice", 0, twice, [0, 0, 1, 8]);
    let channels = file.channel(channels, "root", 0, root, [0, 0, 1, 8]);
    let channels = file.channel(channels, "vehicle.speed", 0, mph, [0, 0, 1, 8]);
    let channels = file.channel(channels, "coolant.temperature", degrees, 0, [0, 0, 1, 8]);
    let channels = file.channel(channels, "t", 0, 0, [2, 1, 1, 8]);
    let data = file.add(b"##DT", &[], &[0, 10, 1, 20]);
    let (contents, imported) = import(&file.finish(channels, 2, 2, data));
    let value = |id: &str| contents.recording.series(id).unwrap_or_else(|| panic!("{id}")).value.clone();
    assert_eq!(value("ac.clutch"), [0.0, 1.0]);
    assert_eq!(value("custom.twice"), [21.0, 41.0]);
    assert_eq!(value("coolant.temperature"), [10.0, 20.0]);
    assert!((value("vehicle.speed")[0] - 16.09344).abs() < 1e-12);
    assert!(contents.recording.series("custom.root").is_none());
    let notes = imported.notes.join("\n");
    assert!(notes.contains("channel `root` is left out: its formula `sqrt(X)` is not computed"), "{notes}");
}

/// The head of asammdf's files of version 3.30, and that of a recorder that lost its supply (ASAM MDF 4.1, identification).
#[test]
fn what_is_no_finished_file_of_version_4_is_told() {
    for (head, said) in [
        (&b"MDF     3.30    "[..], "it is of version 3.30; convert it to version 4"),
        (b"UnFinMF 4.10    ", "did not finish it"),
    ] {
        let mut bytes = counted(|file, data| file.add(b"##DT", &[], data));
        bytes[..16].copy_from_slice(head);
        assert_eq!(Format::of_content(&bytes), Some(Format::Mdf));
        let folder = tempfile::tempdir().unwrap();
        let (path, drive) = (folder.path().join("a.mf4"), folder.path().join("a.mcap"));
        std::fs::write(&path, bytes).unwrap();
        let error = interchange::import(&path, &drive, Format::Mdf, "x", Overwrite::Never).unwrap_err();
        assert!(error.to_string().contains(said), "{error}");
    }
}

/// The library gives the first number of each array as the value.
#[test]
fn an_array_is_no_value() {
    let mut file = File::new();
    let array = file.add(b"##CA", &[0], &[0; 16]);
    let channels = file.channel(0, "count", 0, 0, [0, 0, 2, 8]);
    let place = usize::try_from(file.channel(channels, "array", 0, 0, [0, 0, 0, 8])).unwrap();
    file.0[place + 32..place + 40].copy_from_slice(&array.to_le_bytes());
    let channels = file.channel(place as u64, "t", 0, 0, [2, 1, 0, 16]);
    let data = file.add(b"##DT", &[], &records());
    let (contents, imported) = import(&file.finish(channels, 3, N, data));
    assert_eq!((contents.recording.series.len(), imported.notes.len()), (1, 1));
    assert!(imported.notes[0].contains("`array` is left out"), "{:?}", imported.notes);
}

/// The library goes one call deeper with every bracket of a formula and with every conversion that refers to another one;
/// beyond its stack the program would end.
#[test]
fn brackets_and_conversions_without_end_are_refused() {
    for (kind, said) in [(3, "a formula is longer than"), (7, "conversions refer to each other without end")] {
        let mut file = File::new();
        let formula = file.text(&"(".repeat(1 << 20));
        let itself = file.0.len().next_multiple_of(8) as u64;
        let conversion = file.conversion(kind, 0, &[if kind == 3 { formula } else { itself }], &[]);
        let channels = file.channel(0, "x", 0, conversion, [0, 0, 0, 8]);
        let channels = file.channel(channels, "t", 0, 0, [2, 1, 1, 8]);
        let data = file.add(b"##DT", &[], &[0, 10, 1, 20]);
        let folder = tempfile::tempdir().unwrap();
        let (path, drive) = (folder.path().join("a.mf4"), folder.path().join("a.mcap"));
        std::fs::write(&path, file.finish(channels, 2, 2, data)).unwrap();
        let error = interchange::import(&path, &drive, Format::Mdf, "x", Overwrite::Never).unwrap_err();
        assert!(error.to_string().contains(said), "{error}");
    }
}

/// 4 MB of zeros are 4000 bytes when they are packed, and a byte may be in any number of channels.
#[test]
fn a_small_file_of_values_without_end_is_refused() {
    let mut file = File::new();
    let channels = (0..20).fold(0, |next, k| file.channel(next, &format!("x{k}"), 0, 0, [0, 0, 0, 8]));
    let channels = file.channel(channels, "t", 0, 0, [3, 1, 0, 0]);
    let data = packed(&mut file, &vec![0; 4 << 20], 0);
    let folder = tempfile::tempdir().unwrap();
    let (path, drive) = (folder.path().join("a.mf4"), folder.path().join("a.mcap"));
    std::fs::write(&path, file.finish(channels, 1, 4 << 20, data)).unwrap();
    let error = interchange::import(&path, &drive, Format::Mdf, "x", Overwrite::Never).unwrap_err();
    assert!(error.to_string().contains("which no measurement of its size does"), "{error}");
}
