//! The fuzzing program: libFuzzer over one target, which the environment names.
//!
//! `WITNESS_FUZZ_TARGET` names the target. With `WITNESS_FUZZ_SEEDS` it writes the target's seeds into that folder and its
//! words as a dictionary beside it, and ends; `WITNESS_FUZZ_SHARED` is where the open recordings are. Everything else is
//! libFuzzer's own.

#![no_main]

mod memory;
mod stack;

use std::path::{Path, PathBuf};
use std::process::exit;

use fuzz::{Seeds, TARGETS, Target};

static TARGET: std::sync::OnceLock<Target> = std::sync::OnceLock::new();

libfuzzer_sys::fuzz_target!(init: begin(), |input: &[u8]| {
    if let Some(target) = TARGET.get() {
        (target.run)(input);
    }
});

fn begin() {
    let name = std::env::var("WITNESS_FUZZ_TARGET").unwrap_or_default();
    if name == "?" {
        TARGETS.iter().for_each(|target| println!("{} {}", target.name, target.max_len));
        exit(0);
    }
    let Some(target) = fuzz::target(&name) else {
        eprintln!("WITNESS_FUZZ_TARGET does not name a target: `{name}`");
        exit(2);
    };
    if let Some(folder) = std::env::var_os("WITNESS_FUZZ_SEEDS").map(PathBuf::from) {
        let shared = std::env::var_os("WITNESS_FUZZ_SHARED").map(PathBuf::from).unwrap_or_default();
        if let Err(error) = write_seeds(target, &shared, &folder) {
            eprintln!("cannot write seeds to {}: {error}", folder.display());
            exit(2);
        }
        exit(0);
    }
    stack::guard();
    let report = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        // What a library does there is contained, and comes out as an error.
        if std::thread::current().name() != Some(interchange::READING) {
            report(panic);
        }
    }));
    let _ = TARGET.set(*target);
}

fn write_seeds(target: &Target, shared: &Path, folder: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    let mut seeds = Seeds::new(shared);
    (target.seeds)(&mut seeds);
    for (idx, seed) in seeds.into_inner().iter().enumerate() {
        std::fs::write(folder.join(format!("seed-{idx:03}")), &seed[..seed.len().min(target.max_len)])?;
    }
    let escaped = |word: &str| word.bytes().map(|byte| format!("\\x{byte:02X}")).collect::<String>();
    let words: String = target.words.iter().map(|word| format!("\"{}\"\n", escaped(word))).collect();
    std::fs::write(folder.with_extension("dict"), words)
}
