//! Change points of 1000 values with a change every hundred or so, beside ruptures' PELT on the same values.
//!
//! `WITNESS_PYTHON=… cargo bench -p evidence --bench change_points` prints both times and the ratio; without the
//! interpreter only our own. One thread each.
#![allow(clippy::unwrap_used)]

use std::hint::black_box;
use std::io::Write;
use std::process::{Command, Stdio};
use std::time::Instant;

use evidence::change::pelt;

const VALUES: usize = 1000;

/// Uniform in 0..1 (splitmix64).
fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
}

fn main() {
    let (mut state, mut level) = (1, 0.0);
    let values: Vec<f64> = (0..VALUES)
        .map(|_| {
            if uniform(&mut state) < 0.01 {
                level += 4.0 * uniform(&mut state) - 2.0;
            }
            level + uniform(&mut state)
        })
        .collect();
    let penalty = 2.0 / 12.0 * (VALUES as f64).ln();
    let ours_s = (0..15).fold(f64::INFINITY, |best, _| {
        let began = Instant::now();
        black_box(pelt(black_box(&values), penalty, 1));
        best.min(began.elapsed().as_secs_f64())
    });
    let ours = pelt(&values, penalty, 1);
    println!("values {VALUES}, changes {}", ours.len());
    println!("ours            {:10.3} ms", 1e3 * ours_s);
    let Some(python) = std::env::var_os("WITNESS_PYTHON") else {
        println!("set WITNESS_PYTHON to a Python interpreter that has ruptures to compare");
        return;
    };
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/change_points.py");
    let mut command = Command::new(python);
    for name in ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"] {
        command.env(name, "1");
    }
    let mut child = command.arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let bytes: Vec<u8> = std::iter::once(&penalty).chain(&values).flat_map(|value| value.to_le_bytes()).collect();
    child.stdin.take().unwrap().write_all(&bytes).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "the reference failed");
    let text = String::from_utf8(output.stdout).unwrap();
    let (seconds, changes) = text.split_once('\n').unwrap();
    let theirs_s: f64 = seconds.parse().unwrap();
    let theirs: Vec<usize> = changes.split_whitespace().map(|word| word.parse().unwrap()).collect();
    println!(
        "ruptures        {:10.3} ms, {}",
        1e3 * theirs_s,
        if theirs == ours { "the same changes" } else { "OTHER CHANGES" }
    );
    println!("ratio           {:10.1} times as fast", theirs_s / ours_s);
}
