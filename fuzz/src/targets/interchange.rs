//! Drives as Parquet and as MDF 4.

use drive::{Contents, DriveInfo, Overwrite};
use interchange::{Format, export, import};

use crate::scratch;
use crate::{Seeds, Target};

pub(super) const PARQUET: Target = Target {
    name: "parquet",
    max_len: 16 << 10,
    words: &["PAR1", "signal", "t_ns", "value"],
    seeds: parquet_seeds,
    run: run_parquet,
};

pub(super) const MDF: Target = Target {
    name: "mdf",
    max_len: 16 << 10,
    words: &["MDF     4.10    ", "##HD", "##DG", "##CG", "##CN", "##TX", "##MD", "##DT", "##DZ", "##DL", "##CC"],
    seeds: mdf_seeds,
    run: run_mdf,
};

fn run_parquet(input: &[u8]) {
    run(input, Format::Parquet);
}

fn run_mdf(input: &[u8]) {
    run(input, Format::Mdf);
}

/// What is taken in becomes a sound drive, and that goes out and comes in again as it is.
fn run(input: &[u8], format: Format) {
    let from = scratch::file("from", input);
    let drive = from.with_file_name("drive.mcap");
    let Ok(imported) = import(&from, &drive, format, "fuzz", Overwrite::Never) else {
        assert!(!drive.exists(), "a drive is left behind after an error");
        return;
    };
    let (contents, problems) = Contents::read(&drive).expect("a drive that was just written");
    assert!(problems.is_empty(), "{problems:?}");
    let n_samples: usize = contents.recording.series.iter().map(signal::Series::len).sum();
    assert_eq!(imported.n_samples, n_samples as u64);
    let (out, again) = (from.with_file_name("out"), from.with_file_name("again.mcap"));
    if export(&drive, &out, format, Overwrite::Never).is_ok() {
        import(&out, &again, format, "fuzz", Overwrite::Never).expect("what was written can be read");
        let (copy, _) = Contents::read(&again).expect("a drive that was just written");
        assert_eq!(copy.recording.series, contents.recording.series);
    }
}

fn parquet_seeds(seeds: &mut Seeds) {
    some(seeds, Format::Parquet);
}

fn mdf_seeds(seeds: &mut Seeds) {
    some(seeds, Format::Mdf);
}

fn some(seeds: &mut Seeds, format: Format) {
    let table = "time_s,vehicle.speed [km/h],engine.speed [1/min]\n0,0,800\n0.1,,810.5\n0.2,1e1,\n";
    let (mut recording, _) = drive::read_table(table.as_bytes(), "seed.csv", &[]).unwrap();
    recording.marks.push(signal::Mark { t_ns: 1, text: "here".into() });
    let contents = Contents {
        recording,
        info: DriveInfo { software: Some("fuzz".into()), vin: Some("X".into()), ..DriveInfo::default() },
        ..Contents::default()
    };
    let path = scratch::folder().join("seed.mcap");
    contents.write(&path, Overwrite::Never).unwrap();
    let out = path.with_file_name("seed");
    export(&path, &out, format, Overwrite::Never).unwrap();
    seeds.add(std::fs::read(out).unwrap());
}
