//! A drive read by somebody else's program: the general-purpose Python packages `mcap` and `mcap-protobuf-support`, which
//! know nothing of this project but what the file says of itself.
//!
//! The interpreter is named by the environment variable `WITNESS_PYTHON`; without it the test is skipped.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may stop it")]

use std::collections::BTreeMap;
use std::process::Command;

use drive::{DriveInfo, Exchange, Overwrite, Recorder, Reply};
use signal::{Gap, Mark, Sample, SignalId, Unit};

/// Follows `docs/drive-format.md`: times and exchange numbers are running sums. Prints integers and bits of doubles.
const READER: &str = r#"
import struct, sys
from itertools import accumulate
from mcap.reader import make_reader
from mcap_protobuf.decoder import DecoderFactory

with open(sys.argv[1], "rb") as file:
    reader = make_reader(file, decoder_factories=[DecoderFactory()])
    for record in reader.iter_metadata():
        for key, value in record.metadata.items():
            print("info", record.name, key, value, sep="\t")
    for schema, channel, message, decoded in reader.iter_decoded_messages():
        if schema.name == "witness.Samples":
            times = list(accumulate(decoded.t_step_ns))
            latencies = decoded.latency_ns or [0] * len(times)
            numbers = list(accumulate(decoded.exchange_step)) or [0] * len(times)
            assert channel.topic == "signal/" + channel.metadata["id"]
            assert message.log_time == max(0, times[-1])
            for t, latency, number, value in zip(times, latencies, numbers, decoded.value, strict=True):
                bits = struct.unpack("<Q", struct.pack("<d", value))[0]
                print("sample", channel.metadata["id"], channel.metadata["unit"], t, t - latency, number, bits, sep="\t")
        elif schema.name == "witness.Exchange":
            replies = ";".join(f"{r.__getattribute__('from')} {r.arrived_ns} {r.bytes.hex()}" for r in decoded.replies)
            print("exchange", decoded.number, decoded.asked_ns, decoded.over_ns, decoded.to, decoded.request.hex(),
                  replies, "|".join(decoded.problems), sep="\t")
        elif schema.name == "witness.Mark":
            print("mark", decoded.t_ns, decoded.text, sep="\t")
        elif schema.name == "witness.Gap":
            print("gap", decoded.from_ns, decoded.to_ns, decoded.reason, sep="\t")
"#;

#[test]
fn another_reader_sees_every_time_and_value_bit_by_bit() {
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        eprintln!("skipped: WITNESS_PYTHON does not name a Python with `mcap` and `mcap-protobuf-support`");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.mcap");
    let info = DriveInfo {
        start_unix_ns: Some(1_764_064_065_123_456_789),
        vin: Some("WTN00000000000001".into()),
        extra: BTreeMap::from([("odometer".to_owned(), "12 km".to_owned())]),
        ..DriveInfo::default()
    };
    let mut recorder = Recorder::create(&path, &info, Overwrite::Never).unwrap();
    let add = |recorder: &mut Recorder, id, unit| {
        recorder.add_signal(&SignalId::new(id).unwrap(), &Unit::named(unit), "").unwrap()
    };
    let handles = [
        add(&mut recorder, "engine.speed", "rpm"),
        add(&mut recorder, "custom.öl", "bar"),
        add(&mut recorder, "steering.angle", "deg"),
    ];
    let ids = [("engine.speed", "rpm"), ("custom.öl", "bar"), ("steering.angle", "deg")];
    let mut expected = Vec::new();
    let mut bits = 0x9e37_79b9_7f4a_7c15u64;
    for k in 0i64..2000 {
        for (idx, handle) in handles.iter().enumerate() {
            bits = bits.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let any = f64::from_bits(bits);
            // Zero is left out of protobuf messages unless it stands in a list; the signs of zeros must survive too.
            let value = if k % 50 == 0 {
                -0.0
            } else if k % 51 == 0 || !any.is_finite() {
                0.0
            } else {
                any
            };
            let t_ns = k * 7_654_321 + idx as i64 - 3_000_000;
            // The third signal knows neither request times nor exchanges.
            let (asked_ns, exchange) = if idx == 2 { (t_ns, 0) } else { (t_ns - 5_000_001, 1 + k as u32) };
            recorder.push(*handle, Sample { t_ns, asked_ns, exchange, value }).unwrap();
            let (id, unit) = ids[idx];
            expected.push(format!("sample\t{id}\t{unit}\t{t_ns}\t{asked_ns}\t{exchange}\t{}", value.to_bits()));
        }
        let (asked_ns, over_ns) = (k * 7_654_321, k * 7_654_321 + 3);
        recorder.push_exchange(Exchange {
            number: 1 + k as u32,
            asked_ns,
            over_ns,
            to: "7DF".into(),
            request: vec![1, 0],
            replies: vec![
                Reply { from: "7E8".into(), arrived_ns: asked_ns + 1, bytes: vec![0x41, 0, k as u8] },
                Reply { from: "7E9".into(), arrived_ns: asked_ns + 2, bytes: vec![] },
            ],
            problems: if k == 3 { vec!["?".into(), "DATA ERROR".into()] } else { vec![] },
        });
        expected.push(format!(
            "exchange\t{}\t{asked_ns}\t{over_ns}\t7DF\t0100\t7E8 {} 4100{:02x};7E9 {} \t{}",
            k + 1,
            asked_ns + 1,
            k as u8,
            asked_ns + 2,
            if k == 3 { "?|DATA ERROR" } else { "" }
        ));
    }
    recorder.mark(Mark { t_ns: 0, text: "Bodenwelle – früh".into() });
    recorder.gap(Gap { from_ns: -1, to_ns: 5, reason: "adapter vanished".into() });
    expected.push("mark\t0\tBodenwelle – früh".into());
    expected.push("gap\t-1\t5\tadapter vanished".into());
    recorder.finish().unwrap();

    let output =
        Command::new(python).args(["-c", READER]).arg(&path).env("PYTHONIOENCODING", "utf-8").output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let (info_lines, mut lines): (Vec<&str>, Vec<&str>) = text.lines().partition(|line| line.starts_with("info\t"));
    for line in [
        "info\twitness-drive\tformat\t1",
        "info\twitness-drive\tstart_unix_ns\t1764064065123456789",
        "info\twitness-drive\tvin\tWTN00000000000001",
        "info\twitness-drive\textra.odometer\t12 km",
    ] {
        assert!(info_lines.contains(&line), "{line} not in {info_lines:?}");
    }
    lines.sort_unstable();
    expected.sort_unstable();
    assert_eq!(lines.len(), expected.len());
    for (line, expected) in lines.iter().zip(&expected) {
        assert_eq!(line, expected);
    }
}
