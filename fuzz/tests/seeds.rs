//! Every target survives its seeds and damaged copies of them: what a fuzzer does, without its eyes, in a moment.

use std::path::Path;

use fuzz::{Seeds, TARGETS};

/// Damaged copies of each seed.
const N_COPIES: usize = 6;
/// Targets whose single input takes long, with the copies that they get.
const SLOW: &[&str] = &["ledger", "case_zip", "workbench", "parquet", "mdf", "odx"];

/// A small generator of chance (xorshift, Marsaglia 2003), so that every run is the same.
struct Chance(u64);

impl Chance {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % (n as u64).max(1)).unwrap_or(0)
    }

    fn damaged(&mut self, seed: &[u8]) -> Vec<u8> {
        let mut copy = seed.to_vec();
        for _ in 0..=self.below(4) {
            let at = self.below(copy.len());
            match self.below(4) {
                0 => copy.truncate(at),
                1 => copy.extend_from_within(at..),
                2 if !copy.is_empty() => drop(copy.remove(at)),
                _ if !copy.is_empty() => copy[at] ^= 1 << self.below(8),
                _ => copy.push(0xFF),
            }
        }
        copy
    }
}

#[test]
fn every_target_survives_its_seeds_and_damaged_copies() {
    let shared = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data");
    let mut chance = Chance(0x9E37_79B9_7F4A_7C15);
    for target in TARGETS {
        let mut seeds = Seeds::new(&shared);
        (target.seeds)(&mut seeds);
        let seeds = seeds.into_inner();
        assert!(!seeds.is_empty(), "`{}` has no seeds", target.name);
        let n_copies = if SLOW.contains(&target.name) { 1 } else { N_COPIES };
        (target.run)(&[]);
        for seed in &seeds {
            let seed = &seed[..seed.len().min(target.max_len)];
            (target.run)(seed);
            (0..n_copies).for_each(|_| (target.run)(&chance.damaged(seed)));
        }
    }
}

#[test]
fn names_are_those_of_one_target_each() {
    for target in TARGETS {
        assert_eq!(TARGETS.iter().filter(|other| other.name == target.name).count(), 1, "{}", target.name);
        assert_eq!(fuzz::target(target.name).map(|found| found.name), Some(target.name));
    }
}
