//! Puts the built pages of `web/dist` into the program, compressed; without them a page that names the command.
//!
//! It never builds them itself: `cargo build` must work where no Node is.

use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// Kinds of files that are pages of text and shrink.
const SHRINKS: [&str; 7] = ["html", "js", "css", "svg", "webmanifest", "json", "txt"];

const MISSING: &str = "<!doctype html><html lang=en><meta charset=utf-8><title>Witnessmark</title>\
<p>This program was built without its pages.<p>Run <code>cargo xtask build</code> in the source folder, \
and start the program that it leaves there.";

fn main() {
    let manifest = PathBuf::from(std::env::var_os("CARGO_MANIFEST_DIR").expect("cargo sets the manifest's folder"));
    let out = PathBuf::from(std::env::var_os("OUT_DIR").expect("cargo sets the output folder"));
    let dist = manifest.join("../../web/dist");
    println!("cargo::rerun-if-changed={}", dist.display());
    let mut files = Vec::new();
    list(&dist, &mut files);
    files.sort();
    let mut table = String::from("&[\n");
    if !files.iter().any(|file| file.ends_with("index.html")) {
        println!("cargo::warning=the pages are not built: run `cargo xtask build`");
        files.clear();
        fs::write(out.join("missing.html"), MISSING).expect("the output folder takes a page");
        table += "Asset { path: \"/index.html\", is_gzip: false, bytes: include_bytes!(\"missing.html\") },\n";
    }
    for (idx, file) in files.iter().enumerate() {
        let path = file.strip_prefix(&dist).expect("listed under the folder").to_string_lossy().replace('\\', "/");
        let bytes = fs::read(file).expect("a listed file can be read");
        let is_gzip = file.extension().is_some_and(|ending| SHRINKS.iter().any(|known| ending == *known));
        // Named beside the table, not by its whole path: the table is the same wherever it is built.
        let kept = format!("asset-{idx}");
        fs::write(out.join(&kept), if is_gzip { gzip(&bytes) } else { bytes }).expect("the output folder takes a file");
        writeln!(
            table,
            "Asset {{ path: {:?}, is_gzip: {is_gzip}, bytes: include_bytes!({kept:?}) }},",
            format!("/{path}")
        )
        .expect("a string takes text");
    }
    table.push(']');
    fs::write(out.join("assets.rs"), table).expect("the output folder takes the table");
}

fn list(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() { list(&path, files) } else { files.push(path) }
    }
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    encoder.write_all(bytes).expect("memory takes bytes");
    encoder.finish().expect("memory takes bytes")
}
