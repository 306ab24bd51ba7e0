//! A process that is killed at any write call leaves a casebook that opens, and a ledger without a hole that holds every
//! entry that was acknowledged.
//!
//! A small library in C stands before the C library's calls that change files: it counts them, and at the one that it was
//! told it writes half of what it was given and kills the process. The process is this test program once more. Each
//! process goes on with what the one before left behind, so that recovery is killed too.

#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use std::path::Path;
use std::process::{Command, Stdio};

use casebook::{Author, Casebook, NewCase};
use wire::Content;

/// Processes that are killed.
const KILLS: u32 = 600;
/// The call at which each is killed goes from 1 to this and begins anew: further than a whole life of a connection.
const DEEPEST: u32 = 75;

const LIBRARY: &str = r#"
#define _GNU_SOURCE
#include <dlfcn.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/types.h>
#include <unistd.h>

static long left = -1;

/* Whether this is the call to die at. Standard streams are not files of the casebook. */
static int is_last(int fd) {
    if (fd >= 0 && fd <= 2) return 0;
    if (left < 0) {
        const char *text = getenv("KILL_AT_WRITE");
        left = text ? atol(text) : 0;
    }
    return left > 0 && --left == 0;
}

static void die(void) { kill(getpid(), SIGKILL); for (;;) pause(); }

#define REAL(name, type) ((type)dlsym(RTLD_NEXT, #name))

ssize_t write(int fd, const void *bytes, size_t n) {
    ssize_t (*real)(int, const void *, size_t) = REAL(write, ssize_t (*)(int, const void *, size_t));
    if (is_last(fd)) { real(fd, bytes, n / 2); die(); }
    return real(fd, bytes, n);
}
ssize_t pwrite(int fd, const void *bytes, size_t n, off_t at) {
    ssize_t (*real)(int, const void *, size_t, off_t) = REAL(pwrite, ssize_t (*)(int, const void *, size_t, off_t));
    if (is_last(fd)) { real(fd, bytes, n / 2, at); die(); }
    return real(fd, bytes, n, at);
}
ssize_t pwrite64(int fd, const void *bytes, size_t n, off64_t at) {
    ssize_t (*real)(int, const void *, size_t, off64_t) =
        REAL(pwrite64, ssize_t (*)(int, const void *, size_t, off64_t));
    if (is_last(fd)) { real(fd, bytes, n / 2, at); die(); }
    return real(fd, bytes, n, at);
}
int ftruncate(int fd, off_t n) {
    if (is_last(fd)) die();
    return REAL(ftruncate, int (*)(int, off_t))(fd, n);
}
int ftruncate64(int fd, off64_t n) {
    if (is_last(fd)) die();
    return REAL(ftruncate64, int (*)(int, off64_t))(fd, n);
}
int fsync(int fd) {
    if (is_last(fd)) die();
    return REAL(fsync, int (*)(int))(fd);
}
int fdatasync(int fd) {
    if (is_last(fd)) die();
    return REAL(fdatasync, int (*)(int))(fd);
}
int unlink(const char *path) {
    if (is_last(-1)) die();
    return REAL(unlink, int (*)(const char *))(path);
}
"#;

fn author() -> Author {
    Author { who: "bench".into(), software: "test 1".into() }
}

/// What the killed process does: opens the casebook, writes some entries, closes it, and begins anew. It says each entry
/// once it is acknowledged.
fn live(path: &Path) -> ! {
    loop {
        let mut casebook = Casebook::open_file(path).unwrap();
        let case = match casebook.list(1).unwrap().first() {
            Some(case) => case.number,
            None => casebook.open_case(&author(), &NewCase::default()).unwrap().number,
        };
        for _ in 0..3 {
            let text = "something that fills more than a page ".repeat(120);
            let entry = casebook.append(&author(), case, &Content::Note { text }).unwrap();
            println!("kept {}", entry.number);
        }
    }
}

#[test]
fn killed_at_any_write_it_opens_and_the_ledger_has_no_hole() {
    if let Some(path) = std::env::var_os("KILLED_CASEBOOK") {
        live(Path::new(&path));
    }
    // In memory where there is such a file system: what counts here is which calls were made, not what a disk does.
    let memory = Path::new("/dev/shm");
    let folder = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.unwrap();
    let [source, library, path] = ["kill.c", "kill.so", "casebook.sqlite"].map(|name| folder.path().join(name));
    std::fs::write(&source, LIBRARY).unwrap();
    let compiler = std::env::var("CC").unwrap_or_else(|_| "cc".into());
    let mut compile = Command::new(compiler);
    compile.args(["-shared", "-fPIC", "-O1", "-o"]).arg(&library).arg(&source).arg("-ldl");
    assert!(compile.status().unwrap().success());
    let (mut acknowledged, mut reached) = (0u64, 0u32);
    for kill in 0..KILLS {
        let at = kill % DEEPEST + 1;
        let mut child = Command::new(std::env::current_exe().unwrap());
        child.args(["--exact", "killed_at_any_write_it_opens_and_the_ledger_has_no_hole", "--nocapture"]);
        child.env("KILLED_CASEBOOK", &path).env("KILL_AT_WRITE", at.to_string()).env("LD_PRELOAD", &library);
        let output = child.stdin(Stdio::null()).stderr(Stdio::null()).output().unwrap();
        assert!(!output.status.success(), "it lives until it is killed");
        let said = String::from_utf8_lossy(&output.stdout);
        for line in said.lines().filter_map(|line| line.trim().strip_prefix("kept ")) {
            acknowledged = acknowledged.max(line.parse().unwrap());
        }
        let mut casebook = Casebook::open_file(&path).unwrap_or_else(|error| panic!("kill {kill} at {at}: {error}"));
        let Some(case) = casebook.list(1).unwrap().into_iter().next() else {
            assert_eq!(acknowledged, 0, "kill {kill} at {at}: the case is gone");
            continue;
        };
        assert!(case.n_entries >= acknowledged, "kill {kill} at {at}: an acknowledged entry is gone");
        assert_eq!(casebook.verify(case.number).unwrap(), [] as [String; 0], "kill {kill} at {at}");
        reached += 1;
    }
    println!("{reached} kill points behind the first entry, {acknowledged} entries acknowledged");
    assert!(acknowledged > 500 && reached >= 500);
}
