//! The machine under the program, made worse: a wall clock that jumps, a disk that is full, read-only or slow.
//!
//! The entry points of the C library that the standard library and SQLite go through stand here, so that whatever is linked
//! into this program meets them in place of the library's own, and no part of it has to be built in another way. That is so on
//! Linux; elsewhere clock and disk stay well.

#[cfg(target_os = "linux")]
mod linux;

use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering::Relaxed};
use std::time::Duration;

static WALL_STEP_S: AtomicI64 = AtomicI64::new(0);
static DISK_LEFT: AtomicI64 = AtomicI64::new(i64::MAX);
static IS_READ_ONLY: AtomicBool = AtomicBool::new(false);
static SYNC_MS: AtomicU64 = AtomicU64::new(0);
static TELLS_SYNCS: AtomicBool = AtomicBool::new(false);

/// All is well again.
pub(crate) fn mend() {
    WALL_STEP_S.store(0, Relaxed);
    DISK_LEFT.store(i64::MAX, Relaxed);
    IS_READ_ONLY.store(false, Relaxed);
    SYNC_MS.store(0, Relaxed);
}

/// The wall clock jumps; the monotonic one does not.
pub(crate) fn step_wall_clock(seconds: i64) {
    WALL_STEP_S.fetch_add(seconds, Relaxed);
}

/// So many bytes go onto the disk before it is full.
pub(crate) fn leave_on_disk(bytes: i64) {
    DISK_LEFT.store(bytes, Relaxed);
}

/// Nothing can be written any more, as when a file system has been remounted after an error.
pub(crate) fn make_read_only() {
    IS_READ_ONLY.store(true, Relaxed);
}

/// Every sync takes so long.
pub(crate) fn slow_down(sync: Duration) {
    SYNC_MS.store(sync.as_millis() as u64, Relaxed);
}

/// From now on every sync is told on standard output, once it is done: `synced BYTES PATH`.
pub(crate) fn tell_syncs() {
    TELLS_SYNCS.store(true, Relaxed);
}
