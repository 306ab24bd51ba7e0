//! A drive in open formats: back again without loss, and read by the general-purpose libraries pyarrow and asammdf, which
//! know nothing of this project.
//!
//! The interpreter is named by the environment variable `WITNESS_PYTHON`; without it those comparisons are skipped.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use drive::{Contents, DriveInfo, Exchange, FrameBatch, Overwrite, Reply};
use interchange::Format;
use signal::{Gap, Mark, Recording, Sample, Series, SignalId, Unit};

/// Everything that a drive can hold, with any doubles.
fn contents() -> Contents {
    let mut recording = Recording { start_unix_ns: Some(1_764_064_065_123_456_789), ..Recording::default() };
    let mut bits = 0x9e37_79b9_7f4a_7c15u64;
    for (k, (name, unit, n)) in [
        ("vehicle.speed", "km/h", 3000i64),
        ("custom.öl", "bar", 500),
        ("steering.angle", "deg", 700),
        ("yaw.rate", "deg/s", 0),
    ]
    .into_iter()
    .enumerate()
    {
        let mut series = Series::new(SignalId::new(name).unwrap(), Unit::named(unit));
        for idx in 0..n {
            bits = bits.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let any = f64::from_bits(bits);
            let value = if any.is_finite() { any } else { -0.0 };
            let t_ns = idx * 7_654_321 + k as i64 - 3_000_000;
            // The third one knows neither request times nor exchanges.
            let (asked_ns, exchange) = if k == 2 { (t_ns, 0) } else { (t_ns - 5_000_001, 1 + idx as u32) };
            series.push(Sample { t_ns, asked_ns, exchange, value });
        }
        recording.series.push(series);
    }
    recording.marks.push(Mark { t_ns: 5, text: "Bodenwelle – früh".into() });
    recording.gaps.push(Gap { from_ns: -1, to_ns: 5, reason: "adapter vanished".into() });
    let exchange = |number: u32| Exchange {
        number,
        asked_ns: i64::from(number) * 1000,
        over_ns: i64::from(number) * 1000 + 7,
        to: "7DF".into(),
        request: vec![1, number as u8],
        replies: (0..number % 3)
            .map(|k| Reply {
                from: format!("7E{k}"),
                arrived_ns: i64::from(number) * 1000 + 2,
                bytes: vec![0x41; k as usize * 9],
            })
            .collect(),
        problems: if number == 3 { vec!["?".into(), "DATA ERROR".into()] } else { Vec::new() },
    };
    let mut frames = FrameBatch::new("can0");
    for k in 0..100u32 {
        frames.push(i64::from(k) * 333, 0x100 + k, k % 7 == 0, &vec![k as u8; k as usize % 9]);
    }
    Contents {
        recording,
        info: DriveInfo {
            start_unix_ns: Some(1_764_064_065_123_456_789),
            software: Some("test 1".into()),
            vin: Some("WTN00000000000001".into()),
            extra: BTreeMap::from([("odometer".to_owned(), "12 km".to_owned())]),
            ..DriveInfo::default()
        },
        definitions: BTreeMap::from([(SignalId::new("vehicle.speed").unwrap(), "service 01".to_owned())]),
        exchanges: (1..=20).map(exchange).collect(),
        frames: vec![frames],
    }
}

fn exported(folder: &Path, name: &str) -> std::path::PathBuf {
    let (drive, out) = (folder.join("drive.mcap"), folder.join(name));
    contents().write(&drive, Overwrite::Never).unwrap();
    let exported = interchange::export(&drive, &out, Format::of_name(&out).unwrap(), Overwrite::Never).unwrap();
    assert_eq!((exported.n_samples, exported.problems.len()), (4200, 0));
    out
}

fn comes_back(name: &str) {
    let folder = tempfile::tempdir().unwrap();
    let out = exported(folder.path(), name);
    let again = folder.path().join("again.mcap");
    let start = std::fs::read(&out).unwrap();
    let format = Format::of_content(&start).unwrap();
    let imported = interchange::import(&out, &again, format, "x", Overwrite::Never).unwrap();
    assert_eq!((imported.n_samples, imported.notes), (4200, Vec::<String>::new()));
    let (mut back, problems) = Contents::read(&again).unwrap();
    assert_eq!(problems, []);
    let mut expected = contents();
    // Their order is no content.
    for contents in [&mut back, &mut expected] {
        contents.recording.series.sort_by(|a, b| a.id.cmp(&b.id));
    }
    let bits = |contents: &Contents| -> Vec<Vec<u64>> {
        contents
            .recording
            .series
            .iter()
            .map(|series| series.value.iter().map(|value| value.to_bits()).collect())
            .collect()
    };
    assert_eq!(bits(&back), bits(&expected), "to the last bit");
    assert_eq!(back, expected);
    assert!(
        interchange::import(&out, &again, format, "x", Overwrite::Never).is_err(),
        "nothing is overwritten unasked"
    );
}

#[test]
fn parquet_comes_back_as_it_was() {
    comes_back("drive.parquet");
}

#[test]
fn mdf_comes_back_as_it_was() {
    comes_back("drive.mf4");
}

const PYARROW: &str = r#"
import struct, sys
import pyarrow.parquet
table = pyarrow.parquet.read_table(sys.argv[1], filters=[("kind", "=", "sample")]).to_pydict()
for signal, unit, vss, t, asked, number, value in zip(*(table[name] for name in
        ("signal", "unit", "vss", "time_ns", "asked_ns", "exchange", "value"))):
    bits = struct.unpack("<Q", struct.pack("<d", value))[0]
    print(signal, unit, vss or "", t, t if asked is None else asked, number or 0, bits, sep="\t")
metadata = pyarrow.parquet.read_metadata(sys.argv[1]).metadata
assert metadata[b"witness.vin"] == b"WTN00000000000001" and metadata[b"witness.start_unix_ns"] == b"1764064065123456789"
frames = pyarrow.parquet.read_table(sys.argv[1], filters=[("kind", "=", "frame")]).to_pydict()
assert len(frames["data"]) == 100 and frames["data"][5] == bytes([5] * 5) and frames["address"][7] == "00000107"
"#;

const ASAMMDF: &str = r#"
import struct, sys
import asammdf
with asammdf.MDF(sys.argv[1]) as mdf:
    for index, group in enumerate(mdf.groups):
        name = group.channel_group.acq_name
        if name.startswith("witness "):
            continue
        times = mdf.get("time", group=index, raw=True).samples
        channel = mdf.get(name, group=index)
        comment = group.channel_group.comment
        vss = comment[4:] if comment.startswith("vss=") else ""
        asked = numbers = None
        names = [channel.name for channel in group.channels]
        if name + " requested" in names:
            asked = mdf.get(name + " requested", group=index, raw=True).samples
        if name + " exchange" in names:
            numbers = mdf.get(name + " exchange", group=index, raw=True).samples
        for k, (t, value) in enumerate(zip(times, channel.samples)):
            bits = struct.unpack("<Q", struct.pack("<d", value))[0]
            print(name, channel.unit, vss, t, t if asked is None else asked[k], 0 if numbers is None else numbers[k], bits, sep="\t")
        if len(times):
            shown = channel.timestamps[-1]
            assert abs(shown - times[-1] * 1e-9) < 1e-9, f"{name}: {times[-1]} ns shown as {shown} s"
"#;

/// What a script prints that is given an exported drive; `None` where there is nothing to run it with.
fn python(script: &str, file: &Path) -> Option<String> {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: WITNESS_PYTHON does not name a Python with `pyarrow` and `asammdf`");
        return None;
    };
    let output = Command::new(python).args(["-c", script]).arg(file).env("PYTHONIOENCODING", "utf-8").output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Some(String::from_utf8(output.stdout).unwrap())
}

fn another_reader(name: &str, script: &str) {
    let folder = tempfile::tempdir().unwrap();
    let Some(text) = python(script, &exported(folder.path(), name)) else { return };
    let mut lines: Vec<&str> = text.lines().collect();
    let mut expected = Vec::new();
    for series in &contents().recording.series {
        let known = signal::Catalogue::standard().get(&series.id);
        let vss = known.and_then(|known| known.vss.as_deref()).unwrap_or_default();
        for sample in series.iter() {
            let Sample { t_ns, asked_ns, exchange, value } = sample;
            let (id, unit, bits) = (&series.id, &series.unit, value.to_bits());
            expected.push(format!("{id}\t{unit}\t{vss}\t{t_ns}\t{asked_ns}\t{exchange}\t{bits}"));
        }
    }
    lines.sort_unstable();
    expected.sort_unstable();
    assert_eq!(lines.len(), expected.len());
    for (line, expected) in lines.iter().zip(&expected) {
        assert_eq!(line, expected);
    }
}

#[test]
fn pyarrow_sees_every_time_and_value_bit_by_bit() {
    another_reader("drive.parquet", PYARROW);
}

/// Written anew by pyarrow, with pages, encodings and statistics of its own.
const REWRITTEN: &str = r#"
import sys
import pyarrow.parquet as pq
table = pq.read_table(sys.argv[1])
common = dict(use_dictionary=False, write_statistics=True, write_page_index=True, write_page_checksum=True)
ways = {
    "plain": dict(compression="none"),
    "pages": dict(compression="snappy", data_page_version="2.0", data_page_size=64, row_group_size=3, **common),
    "delta": dict(compression="snappy", column_encoding={"time_ns": "DELTA_BINARY_PACKED", "kind": "DELTA_BYTE_ARRAY"}, **common),
}
for name, options in ways.items():
    pq.write_table(table, f"{sys.argv[1]}.{name}", **options)
"#;

#[test]
fn what_pyarrow_writes_anew_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    if python(REWRITTEN, &exported(folder.path(), "drive.parquet")).is_none() {
        return;
    }
    let again = |way: &str| {
        let (file, drive) =
            (folder.path().join(format!("drive.parquet{way}")), folder.path().join(format!("x{way}.mcap")));
        interchange::import(&file, &drive, Format::Parquet, "x", Overwrite::Never).unwrap();
        Contents::read(&drive).unwrap().0
    };
    let expected = again("");
    for way in [".plain", ".pages", ".delta"] {
        let contents = again(way);
        assert_eq!(contents.recording, expected.recording, "{way}");
        assert_eq!(contents.exchanges, expected.exchanges, "{way}");
    }
}

#[test]
fn asammdf_sees_every_time_and_value_bit_by_bit() {
    another_reader("drive.mf4", ASAMMDF);
}

#[test]
fn what_is_no_drive_is_refused_with_what_is_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    std::fs::write(path("a.parquet"), b"PAR1rubbish").unwrap();
    std::fs::write(path("a.mf4"), b"MDF     4.10    rubbish").unwrap();
    for (name, format) in [("a.parquet", Format::Parquet), ("a.mf4", Format::Mdf)] {
        let error = interchange::import(&path(name), &path("x.mcap"), format, "x", Overwrite::Never).unwrap_err();
        assert!(error.to_string().contains(name), "{error}");
        assert!(!path("x.mcap").exists());
    }
}

/// Found by fuzzing: a page that is shorter than its values, and a link to the last bytes: the libraries beneath panic there.
#[test]
fn files_that_contradict_themselves_are_told() {
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    let folder = tempfile::tempdir().unwrap();
    for (name, format) in [("contradicting.parquet", Format::Parquet), ("link-to-the-end.mf4", Format::Mdf)] {
        let drive = folder.path().join("x.mcap");
        let error = interchange::import(&data.join(name), &drive, format, "x", Overwrite::Never).unwrap_err();
        assert!(error.to_string().contains("damaged"), "{error}");
        assert!(!drive.exists());
    }
}

/// What is said of a Parquet file with this metadata and nothing else.
fn complaint(metadata: &[u8]) -> String {
    let length = u32::try_from(metadata.len()).unwrap().to_le_bytes();
    let folder = tempfile::tempdir().unwrap();
    let (file, drive) = (folder.path().join("a.parquet"), folder.path().join("a.mcap"));
    std::fs::write(&file, [&b"PAR1"[..], metadata, &length, b"PAR1"].concat()).unwrap();
    interchange::import(&file, &drive, Format::Parquet, "x", Overwrite::Never).unwrap_err().to_string()
}

/// Children and row groups: memory is set aside for as many as are announced, before they are looked for.
#[test]
fn what_is_announced_and_cannot_be_there_is_refused() {
    // Elements in Thrift's compact protocol: a name and 2^31 - 1 children; and one of no name, with as many row groups.
    let children = complaint(&[0x15, 2, 0x19, 0x1C, 0x48, 1, b'g', 0x15, 0xFE, 0xFF, 0xFF, 0xFF, 0x0F, 0, 0]);
    assert!(children.contains("more than 1000 elements"), "{children}");
    let groups =
        complaint(&[0x15, 2, 0x19, 0x1C, 0x48, 1, b'g', 0, 0x16, 0, 0x19, 0xFC, 0xFF, 0xFF, 0xFF, 0xFF, 0x07, 0]);
    assert!(groups.contains("its metadata is damaged"), "{groups}");
}

/// Found by fuzzing: a list of truths takes no bytes where the library passes over it, and lasts as long as it says.
#[test]
fn a_list_without_end_in_a_page_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let out = exported(folder.path(), "drive.parquet");
    let mut bytes = std::fs::read(&out).unwrap();
    // The header of the first page begins behind the mark of the format: a field that nobody knows, 2^31 - 1 truths.
    bytes[4..11].copy_from_slice(&[0x99, 0xF2, 0xFF, 0xFF, 0xFF, 0xFF, 0x07]);
    std::fs::write(&out, &bytes).unwrap();
    let drive = folder.path().join("x.mcap");
    let error = interchange::import(&out, &drive, Format::Parquet, "x", Overwrite::Never).unwrap_err();
    assert!(error.to_string().contains("its pages are damaged"), "{error}");
    assert!(!drive.exists());
}

/// A schema of groups within groups: the library goes one call deeper with each, and beyond its stack the program would end.
#[test]
fn a_schema_without_end_is_refused() {
    // Elements in Thrift's compact protocol: their name, and that one more is within.
    let groups = [0x48, 1, b'g', 0x15, 2, 0].repeat(100_000);
    let metadata = [&[0x15, 2, 0x19, 0xFC, 0xA0, 0x8D, 0x06][..], &groups, &[0x16, 0, 0x19, 0x0C, 0]].concat();
    let error = complaint(&metadata);
    assert!(error.contains("more than 1000 elements"), "{error}");
}

/// asammdf writes a start without a time zone with flag 1 of the header, one with a time zone with flag 2.
#[test]
fn a_start_in_local_time_is_no_moment() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, out) = (folder.path().join("drive.mcap"), folder.path().join("drive.mf4"));
    let mut contents = contents();
    (contents.recording.start_unix_ns, contents.info.start_unix_ns) = (None, None);
    contents.write(&drive, Overwrite::Never).unwrap();
    interchange::export(&drive, &out, Format::Mdf, Overwrite::Never).unwrap();
    let mut bytes = std::fs::read(&out).unwrap();
    // The header block begins at byte 64: the start, two offsets of the zone, and the flags.
    bytes[64 + 72..64 + 80].copy_from_slice(&1_717_243_200_000_000_000_u64.to_le_bytes());
    for (flags, start, n_notes) in
        [(0, Some(1_717_243_200_000_000_000), 0), (1, None, 1), (2, Some(1_717_243_200_000_000_000), 0)]
    {
        bytes[64 + 84] = flags;
        std::fs::write(&out, &bytes).unwrap();
        let again = folder.path().join(format!("{flags}.mcap"));
        let imported = interchange::import(&out, &again, Format::Mdf, "x", Overwrite::Never).unwrap();
        assert_eq!(imported.notes.len(), n_notes, "{:?}", imported.notes);
        assert_eq!(Contents::read(&again).unwrap().0.recording.start_unix_ns, start, "{flags}");
    }
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { cases: 48, ..Default::default() })]

    /// One byte of a file damaged: refused, or read, and never a panic.
    #[test]
    fn a_damaged_file_is_no_panic(at in proptest::num::usize::ANY, with: u8, is_parquet: bool) {
        let folder = tempfile::tempdir().unwrap();
        let name = if is_parquet { "drive.parquet" } else { "drive.mf4" };
        let out = exported(folder.path(), name);
        let mut bytes = std::fs::read(&out).unwrap();
        let at = at % bytes.len();
        bytes[at] = with;
        std::fs::write(&out, &bytes).unwrap();
        let format = if is_parquet { Format::Parquet } else { Format::Mdf };
        let _ = interchange::import(&out, &folder.path().join("x.mcap"), format, "x", Overwrite::Never);
    }
}
