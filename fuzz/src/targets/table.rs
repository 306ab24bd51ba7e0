//! Tables (CSV), plain and gzipped.

use drive::{Layout, MapEntry, export_table, read_table};

use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "table",
    max_len: 4096,
    words: &[
        "time_s",
        "time_s,signal,value,unit\n",
        "vehicle.speed [km/h]",
        "engine.speed [1/min]",
        "custom.x",
        "\"\"",
        "\r\n",
        ";",
        "\t",
        "1e308",
        "nan",
        "-0",
        "0x1",
        "1,5",
        "[",
        "]",
        "2024-01-01T00:00:00Z",
        "\u{FEFF}",
        "12:00:01.5",
    ],
    seeds,
    run,
};

/// Numbers are finite and times in order, and a table that is written reads back to the last bit.
fn run(input: &[u8]) {
    let map: MapEntry = "a=vehicle.speed [mph]".parse().expect("a map");
    for map in [&[][..], &[map]] {
        let Ok((recording, imported)) = read_table(input, "fuzz.csv", map) else { continue };
        let n_samples: usize = recording.series.iter().map(signal::Series::len).sum();
        assert_eq!(imported.n_samples, n_samples as u64);
        // A plain table needs a byte for each value.
        assert!(n_samples <= input.len() || input.starts_with(&[0x1F, 0x8B]));
        for series in &recording.series {
            assert!(series.value.iter().all(|value| value.is_finite()) && series.t_ns.is_sorted(), "{}", series.id);
        }
        for layout in [Layout::Wide, Layout::Long] {
            let mut text = Vec::new();
            if export_table(&recording, &mut text, layout).is_err() {
                continue;
            }
            let Ok((mut again, _)) = read_table(text.as_slice(), "again.csv", &[]) else {
                assert!(n_samples == 0, "{}", String::from_utf8_lossy(&text));
                continue;
            };
            let mut expected = recording.clone();
            // A long table names a signal where its first sample stands.
            for recording in [&mut again, &mut expected] {
                recording.series.retain(|series| !series.is_empty());
                recording.series.sort_by(|a, b| a.id.cmp(&b.id));
            }
            assert_eq!(again.series, expected.series, "{}", String::from_utf8_lossy(&text));
        }
    }
}

fn seeds(seeds: &mut Seeds) {
    seeds.add("time_s,vehicle.speed [km/h],engine.speed [1/min]\n0,0,800\n0.1,,810.5\n0.2,1e1,\n");
    seeds.add("time_s,signal,value,unit\n0,vehicle.speed,0,km/h\n0.1,custom.x,-1.5,\"a,b\"\n");
    seeds.add("\u{FEFF}time_s;\"a\";b [°C]\r\n0;1,5;20\r\n0,1;2;21\r\n");
    for folder in ["kit_obd", "obd_async_diesel", "speed_reference", "comma2k19", "ev_battery_uds"] {
        seeds.add_heads(folder, ".csv", 1024);
        seeds.add_heads(folder, ".csv.gz", 1024);
    }
}
