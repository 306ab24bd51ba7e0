//! Damaged and cut drives: everything that is sound comes back, nothing comes back changed.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may stop it")]

use std::io::Write;
use std::path::Path;
use std::sync::LazyLock;

use drive::{DriveError, DriveInfo, Exchange, Opened, Overwrite, ProblemKind, Recorder, Reply};
use proptest::prelude::*;
use signal::{Gap, Mark, Sample, SignalId, Unit};

const SECOND_NS: i64 = 1_000_000_000;

fn info() -> DriveInfo {
    DriveInfo {
        start_unix_ns: Some(1_764_064_065_123_456_789),
        software: Some("witness test".into()),
        adapter: Some("AT adapter".into()),
        protocol: Some("ISO 15765-4".into()),
        vin: Some("WTN00000000000001".into()),
        extra: [("odometer".to_owned(), "12".to_owned())].into(),
    }
}

fn exchange(number: u32) -> Exchange {
    let asked_ns = i64::from(number) * SECOND_NS / 20;
    let reply = Reply { from: "7E8".into(), arrived_ns: asked_ns + 8_000_000, bytes: vec![0x41, 0x0c, number as u8] };
    Exchange {
        number,
        asked_ns,
        over_ns: asked_ns + 9_000_000,
        to: "7E0".into(),
        request: vec![1, 0x0c],
        replies: vec![reply],
        problems: vec!["<RX ERROR".into()],
    }
}

/// A drive of two signals at 20 Hz, one of which appears half way, saved every 200 ms as a real one is.
fn record(path: &Path, seconds: i64) {
    let id = |text| SignalId::new(text).unwrap();
    let mut recorder = Recorder::create(path, &info(), Overwrite::Never).unwrap();
    let speed = recorder.add_signal(&id("engine.speed"), &Unit::named("rpm"), "service 01, parameter 0C").unwrap();
    let mut late = None;
    for k in 1..seconds * 20 {
        let exchange = exchange(u32::try_from(k).unwrap());
        let t_ns = exchange.replies[0].arrived_ns;
        let sample = |value| Sample { t_ns, asked_ns: exchange.asked_ns, exchange: exchange.number, value };
        recorder.push(speed, sample(800.0 + k as f64 * 0.25)).unwrap();
        if k > seconds * 10 {
            let handle = *late.get_or_insert_with(|| {
                recorder.add_signal(&id("custom.oil pressure"), &Unit::named("bar"), "").unwrap()
            });
            recorder.push(handle, sample(k as f64 / 7.0)).unwrap();
        }
        recorder.push_exchange(exchange.clone());
        if k == 7 {
            recorder.mark(Mark { t_ns, text: "it jerked".into() });
            recorder.gap(Gap { from_ns: t_ns - 5, to_ns: t_ns, reason: "adapter vanished".into() });
        }
        if k % 4 == 0 {
            recorder.save().unwrap();
        }
    }
    recorder.finish().unwrap();
}

/// A finished drive of three seconds as bytes, and what it holds.
static SOUND: LazyLock<(Vec<u8>, Opened, Vec<Exchange>)> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("sound.mcap");
    record(&path, 3);
    let opened = drive::read(&path).unwrap();
    let exchanges = exchanges_of(&path);
    (std::fs::read(&path).unwrap(), opened, exchanges)
});

fn exchanges_of(path: &Path) -> Vec<Exchange> {
    let mut exchanges = Vec::new();
    drive::read_exchanges(path, |exchange| exchanges.push(exchange)).unwrap();
    exchanges
}

fn read_bytes(bytes: &[u8]) -> Result<(Opened, Vec<Exchange>), DriveError> {
    let mut file = tempfile::NamedTempFile::new().unwrap();
    file.write_all(bytes).unwrap();
    let opened = drive::read(file.path())?;
    let exchanges = exchanges_of(file.path());
    Ok((opened, exchanges))
}

/// Everything in `opened` is in the sound drive, as it was. Returns how many samples there are.
fn assert_part_of_the_sound_drive((opened, exchanges): &(Opened, Vec<Exchange>)) -> usize {
    let (_, sound, sound_exchanges) = &*SOUND;
    let mut n_samples = 0;
    for series in &opened.recording.series {
        let whole = sound.recording.series(series.id.as_str()).expect("no invented signal");
        assert_eq!(series.unit, whole.unit);
        for sample in series.iter() {
            assert!(whole.iter().any(|other| other == sample), "{sample:?} of {} was never recorded", series.id);
        }
        n_samples += series.len();
    }
    assert!(opened.recording.marks.iter().all(|mark| sound.recording.marks.contains(mark)));
    assert!(opened.recording.gaps.iter().all(|gap| sound.recording.gaps.contains(gap)));
    assert!(exchanges.iter().all(|exchange| sound_exchanges.contains(exchange)));
    let info_is_lost = opened.problems.iter().any(|problem| problem.kind == ProblemKind::Info);
    assert!(opened.info == sound.info || info_is_lost, "{:?}", opened.info);
    n_samples
}

#[test]
fn a_drive_comes_back_as_it_was_recorded() {
    let (_, opened, exchanges) = &*SOUND;
    assert_eq!((opened.problems.as_slice(), opened.is_finished, &opened.info), ([].as_slice(), true, &info()));
    assert_eq!(opened.recording.start_unix_ns, info().start_unix_ns);
    let speed = opened.recording.series("engine.speed").unwrap();
    assert_eq!(speed.len(), 59);
    let expected = Sample { t_ns: 158_000_000, asked_ns: 150_000_000, exchange: 3, value: 800.75 };
    assert_eq!(speed.get(2), Some(expected));
    let late = opened.recording.series("custom.oil pressure").unwrap();
    assert_eq!((late.len(), late.value[0].to_bits(), late.exchange[0]), (29, (31.0f64 / 7.0).to_bits(), 31));
    assert_eq!(opened.definitions[&speed.id], "service 01, parameter 0C");
    let (mark, gap) = (&opened.recording.marks[0], &opened.recording.gaps[0]);
    assert_eq!((mark.t_ns, mark.text.as_str()), (358_000_000, "it jerked"));
    assert_eq!((gap.from_ns, gap.to_ns, gap.reason.as_str()), (357_999_995, 358_000_000, "adapter vanished"));
    assert_eq!(opened.n_exchanges, 59);
    assert_eq!(*exchanges, (1..60).map(exchange).collect::<Vec<_>>());
}

#[test]
fn a_drive_cut_at_any_byte_gives_all_whole_chunks_before_the_cut() {
    let bytes = &SOUND.0;
    let mut n_before = 0;
    for cut in 0..bytes.len() {
        match read_bytes(&bytes[..cut]) {
            Ok(read) => {
                let n_samples = assert_part_of_the_sound_drive(&read);
                assert!(n_samples >= n_before, "at byte {cut}: {n_samples} samples, {n_before} before");
                n_before = n_samples;
                let problems = &read.0.problems;
                assert_eq!(!read.0.is_finished, problems.iter().any(|p| p.kind == ProblemKind::Unfinished), "{cut}");
                assert!(read.0.is_finished || !problems.is_empty());
            }
            Err(DriveError::NotADrive { .. }) => assert!(cut < 60, "not recognised when cut at {cut}"),
            Err(error) => panic!("cut at {cut}: {error}"),
        }
    }
    assert_eq!(n_before, 59 + 29);
}

#[test]
fn behind_a_bad_chunk_reading_goes_on() {
    let (bytes, sound, _) = &*SOUND;
    // The chunks lie one behind the other; hit each of them once in the middle.
    let chunks = chunks_of(bytes);
    assert!(chunks.len() > 12, "{}", chunks.len());
    for (idx, (offset, length)) in chunks.iter().enumerate() {
        let mut hit = bytes.clone();
        hit[offset + length / 2] ^= 0x10;
        let read = read_bytes(&hit).unwrap();
        let n_samples = assert_part_of_the_sound_drive(&read);
        let [problem] = read.0.problems.as_slice() else { panic!("{:?}", read.0.problems) };
        assert_eq!((problem.offset, problem.length), (*offset as u64, *length as u64));
        assert!(matches!(problem.kind, ProblemKind::Checksum | ProblemKind::Unpack(_)), "{problem}");
        // A save holds at most four rounds; the first chunk holds no samples.
        assert!(n_samples + 10 >= 59 + 29, "chunk {idx}: {n_samples}");
        if idx > 2 && idx + 1 < chunks.len() {
            let (after, before) = (problem.after_ns.unwrap(), problem.before_ns.unwrap());
            let speed = sound.recording.series("engine.speed").unwrap();
            let n_lost = speed.t_ns.iter().filter(|t| **t > after && **t < before).count();
            assert_eq!(n_lost, 59 - read.0.recording.series("engine.speed").unwrap().len(), "{problem}");
        }
    }
}

/// Offset and length of every chunk record.
fn chunks_of(bytes: &[u8]) -> Vec<(usize, usize)> {
    let (mut offset, mut chunks) = (8, Vec::new());
    while bytes[offset] != 0x0f {
        let length =
            9 + usize::try_from(u64::from_le_bytes(bytes[offset + 1..offset + 9].try_into().unwrap())).unwrap();
        if bytes[offset] == 0x06 {
            chunks.push((offset, length));
        }
        offset += length;
    }
    chunks
}

#[test]
fn a_drive_whose_first_chunks_are_gone_still_knows_its_signals() {
    // The channel records are in the first chunks; an unfinished drive has no summary that repeats them.
    let bytes = &SOUND.0;
    let chunks = chunks_of(bytes);
    let mut hit = bytes[..chunks.last().unwrap().0].to_vec();
    hit[chunks[0].0 + chunks[0].1 / 2] ^= 1;
    let read = read_bytes(&hit).unwrap();
    assert_part_of_the_sound_drive(&read);
    assert!(read.0.recording.series("engine.speed").unwrap().len() > 40);
    assert_eq!(read.0.problems.len(), 2, "{:?}", read.0.problems);
}

#[test]
fn a_drive_is_known_by_its_header_or_its_description() {
    let bytes = &SOUND.0;
    let find = |text: &[u8]| (0..bytes.len()).find(|at| bytes[*at..].starts_with(text)).unwrap();
    let mut header = bytes.clone();
    header[find(b"witness-drive")] ^= 1;
    let read = read_bytes(&header).unwrap();
    assert_eq!((assert_part_of_the_sound_drive(&read), read.0.problems.len()), (59 + 29, 0));
    // The vehicle's number is changed: nothing of the description is believed any more, but every sample is read.
    let mut description = bytes.clone();
    description[find(b"WTN0")] ^= 1;
    let read = read_bytes(&description).unwrap();
    assert_eq!((assert_part_of_the_sound_drive(&read), read.0.info.vin.as_deref()), (59 + 29, None));
    let [problem] = read.0.problems.as_slice() else { panic!("{:?}", read.0.problems) };
    assert_eq!(problem.kind, ProblemKind::Info);
    // A description that claims to reach over the chunks behind it costs none of them.
    let mut long = bytes.clone();
    long[find(b"\x0c") + 2] ^= 4;
    let read = read_bytes(&long).unwrap();
    assert_eq!((assert_part_of_the_sound_drive(&read), read.0.info.vin.as_deref()), (59 + 29, None));
}

/// `WITNESS_BLESS=1` writes the file anew; that is right only before a format is published.
#[test]
fn a_drive_of_format_1_is_read_for_ever() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/format_1.mcap");
    if std::env::var_os("WITNESS_BLESS").is_some() {
        std::fs::write(&path, &SOUND.0).unwrap();
    }
    let opened = drive::read(&path).unwrap();
    assert_eq!((&opened, &exchanges_of(&path)), (&SOUND.1, &SOUND.2));
}

#[test]
fn repair_makes_a_finished_copy_and_leaves_the_original() {
    let bytes = &SOUND.0;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("cut.mcap");
    let cut = &bytes[..bytes.len() * 2 / 3];
    std::fs::write(&path, cut).unwrap();
    let before = drive::read(&path).unwrap();
    let repaired = drive::repair(&path).unwrap();
    assert_eq!(repaired.path, folder.path().join("cut.repaired.mcap"));
    assert_eq!(repaired.problems, before.problems);
    assert_eq!(std::fs::read(&path).unwrap(), cut);
    let after = drive::read(&repaired.path).unwrap();
    assert_eq!((after.is_finished, after.problems.as_slice()), (true, [].as_slice()));
    assert_eq!(
        (&after.recording, &after.info, &after.definitions),
        (&before.recording, &before.info, &before.definitions)
    );
    assert_eq!(exchanges_of(&repaired.path), exchanges_of(&path));
    assert!(matches!(drive::repair(&path), Err(DriveError::Exists(_))));
}

#[test]
fn what_is_no_drive_is_named_so() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.mcap");
    let message = |bytes: &[u8]| {
        std::fs::write(&path, bytes).unwrap();
        drive::read(&path).unwrap_err().to_string()
    };
    assert!(message(b"").contains("does not start as an MCAP file does"));
    assert!(message(b"time_s,a\n0,1\n").contains("made into a drive by importing it"));
    let mut foreign = mcap::Writer::new(std::io::Cursor::new(Vec::new())).unwrap();
    let channel = foreign.add_channel(0, "/chatter", "json", &Default::default()).unwrap();
    let header = mcap::records::MessageHeader { channel_id: channel, sequence: 0, log_time: 1, publish_time: 1 };
    foreign.write_to_known_channel(&header, b"{}").unwrap();
    foreign.finish().unwrap();
    let foreign = foreign.into_inner().into_inner();
    assert!(message(&foreign).contains("no metadata record `witness-drive`"));
    assert!(drive::read(&folder.path().join("none.mcap")).unwrap_err().to_string().contains("none.mcap"));
}

#[test]
fn a_chunk_that_claims_gigabytes_takes_no_memory() {
    let bytes = &SOUND.0;
    let (offset, _) = chunks_of(bytes)[3];
    // The unpacked size stands behind opcode, length and two times.
    for size in [u64::MAX, 1 << 40, 33 << 20, 32 << 20, 0] {
        let mut hit = bytes.clone();
        hit[offset + 25..offset + 33].copy_from_slice(&size.to_le_bytes());
        let read = read_bytes(&hit).unwrap();
        assert_part_of_the_sound_drive(&read);
        assert_eq!(read.0.problems.len(), 1, "{:?}", read.0.problems);
    }
    // The length of the record itself.
    for length in [u64::MAX, 1 << 40, 1 << 20, 0] {
        let mut hit = bytes.clone();
        hit[offset + 1..offset + 9].copy_from_slice(&length.to_le_bytes());
        let read = read_bytes(&hit).unwrap();
        assert!(assert_part_of_the_sound_drive(&read) + 10 >= 59 + 29);
        assert_eq!(read.0.problems.len(), 1, "{:?}", read.0.problems);
    }
}

#[test]
fn a_file_full_of_holes_is_read_in_one_go() {
    // Behind a sound start four megabytes of the smallest record, each followed by one byte that is none. Read again from
    // the disk at every hole, this would take hours.
    let bytes = &SOUND.0;
    let mut holes = bytes[..chunks_of(bytes)[4].0].to_vec();
    let mut record = vec![0x0c];
    record.extend(9u64.to_le_bytes());
    record.extend([1, 0, 0, 0, b'x', 0, 0, 0, 0, 0xff]);
    holes.extend(record.repeat(200_000));
    let read = read_bytes(&holes).unwrap();
    assert!(assert_part_of_the_sound_drive(&read) > 0);
    assert_eq!(read.0.problems.len(), 200_001);
}

/// Found by fuzzing: a packed length that, with the lengths before it, reaches around the end of all numbers.
#[test]
fn a_length_beyond_all_numbers_is_damage() {
    let mut bytes = SOUND.0.clone();
    let mut at = 8;
    while bytes[at] != 6 {
        at += 9 + u64::from_le_bytes(bytes[at + 1..at + 9].try_into().unwrap()) as usize;
    }
    // Opcode and length, two times, unpacked size, checksum, name of the packing with its length, packed length.
    let n_name = bytes[at + 9 + 28] as usize;
    bytes[at + 9 + 32 + n_name..][..8].copy_from_slice(&u64::MAX.to_le_bytes());
    let read = read_bytes(&bytes).unwrap();
    assert!(!read.0.problems.is_empty());
    assert_part_of_the_sound_drive(&read);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, ..ProptestConfig::default() })]

    #[test]
    fn flipped_bits_never_change_a_value_and_never_pass_unnoticed(
        flips in prop::collection::vec((any::<prop::sample::Index>(), 0u8..8), 1..4),
        cut in prop::option::weighted(0.2, any::<prop::sample::Index>()),
    ) {
        let mut bytes = SOUND.0.clone();
        for (at, bit) in flips {
            let at = at.index(bytes.len());
            bytes[at] ^= 1 << bit;
        }
        if let Some(cut) = cut {
            bytes.truncate(cut.index(bytes.len()));
        }
        match read_bytes(&bytes) {
            Ok(read) => {
                let n_samples = assert_part_of_the_sound_drive(&read);
                let is_whole = n_samples == 59 + 29 && read.1.len() == 59 && read.0.recording.marks.len() == 1;
                prop_assert!(is_whole || !read.0.problems.is_empty(), "something is missing and nobody says so");
            }
            Err(DriveError::NotADrive { .. }) => {}
            Err(error) => prop_assert!(false, "{}", error),
        }
    }

    #[test]
    fn rubbish_behind_a_sound_start_never_panics(rubbish in prop::collection::vec(any::<u8>(), 0..300), at: prop::sample::Index) {
        let mut bytes = SOUND.0.clone();
        let at = at.index(bytes.len());
        let to = bytes.len().min(at + rubbish.len());
        bytes[at..to].copy_from_slice(&rubbish[..to - at]);
        if let Ok(read) = read_bytes(&bytes) {
            assert_part_of_the_sound_drive(&read);
        }
    }
}
