//! Periodogram of 100 000 irregular samples over 10 000 frequencies, beside astropy's fast method on the same samples.
//!
//! `WITNESS_PYTHON=… cargo bench -p evidence --bench periodogram` prints both times, both errors against the definition,
//! and the ratio; without the interpreter only our own. One thread each.
#![allow(clippy::unwrap_used)]

use std::f64::consts::TAU;
use std::hint::black_box;
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Instant;

use evidence::periodogram::{Grid, Periodogram, Samples, wave};

const SAMPLES: usize = 100_000;
const GRID: Grid = Grid { from: 0.01, step: 0.000_5, n: 10_000 };

/// Uniform in 0..1 (splitmix64).
fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

fn main() {
    let mut state = 1;
    let mut at = 0.0;
    let (mut x, mut y, mut weight) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..SAMPLES {
        at += 0.02 * uniform(&mut state);
        x.push(at);
        y.push(0.3 * (TAU * 2.345 * at).sin() + uniform(&mut state));
        weight.push(0.5 + uniform(&mut state));
    }
    let samples = Samples { x: &x, y: &y, weight: &weight };
    let best = |run: &dyn Fn() -> Vec<f64>| {
        let times = (0..15).map(|_| {
            let began = Instant::now();
            black_box(run());
            began.elapsed().as_secs_f64()
        });
        times.fold(f64::INFINITY, f64::min)
    };
    // The plan is made anew each time, as the other side does.
    let ours_s = best(&|| Periodogram::new(GRID).power(black_box(&samples)));
    let ours = Periodogram::new(GRID).power(&samples);
    println!("samples {SAMPLES}, frequencies {}", GRID.n);
    println!("ours            {:8.2} ms, greatest error {:.1e} of the peak", 1e3 * ours_s, error(&ours, &samples));
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        println!("set WITNESS_PYTHON to a Python interpreter that has astropy to compare");
        return;
    };
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/periodogram.py");
    let mut command = Command::new(python);
    for name in ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"] {
        command.env(name, "1");
    }
    let mut child = command.arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let head = [SAMPLES as f64, GRID.n as f64, GRID.from, GRID.step];
    let bytes: Vec<u8> = head.iter().chain(&x).chain(&y).chain(&weight).flat_map(|value| value.to_le_bytes()).collect();
    child.stdin.take().unwrap().write_all(&bytes).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "the reference failed");
    let text = String::from_utf8(output.stdout).unwrap();
    let (seconds, powers) = text.split_once('\n').unwrap();
    let theirs_s: f64 = seconds.parse().unwrap();
    let theirs: Vec<f64> = powers.split_whitespace().map(|word| word.parse().unwrap()).collect();
    println!("astropy fast    {:8.2} ms, greatest error {:.1e} of the peak", 1e3 * theirs_s, error(&theirs, &samples));
    println!("ratio           {:8.1} times as fast", theirs_s / ours_s);
}

/// Greatest difference from the definition at every 50th frequency and at the peak, over the greatest power.
fn error(power: &[f64], samples: &Samples<'_>) -> f64 {
    let peak = (0..power.len()).max_by(|&i, &j| power[i].total_cmp(&power[j])).unwrap();
    let looked = (0..power.len()).step_by(50).chain([peak]);
    looked.map(|k| (power[k] - wave(samples, GRID.at(k)).unwrap().power).abs()).fold(0.0, f64::max) / power[peak]
}
