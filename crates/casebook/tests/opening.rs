//! A new casebook that several open at the same moment, as the pages of a workbench do at its first start.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::sync::Barrier;

use casebook::Casebook;

#[test]
fn several_that_open_a_new_casebook_at_once_all_get_it() {
    const N_AT_ONCE: usize = 8;
    for _ in 0..40 {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("casebook.sqlite");
        let start = Barrier::new(N_AT_ONCE);
        std::thread::scope(|scope| {
            for _ in 0..N_AT_ONCE {
                scope.spawn(|| {
                    start.wait();
                    Casebook::open_file(&path).unwrap().list(1).unwrap();
                });
            }
        });
    }
}
