//! Entry points of the C library that meet [`super`]'s clock and disk.

#![allow(
    unsafe_code,
    reason = "entry points of the C library can only be replaced by functions of the same C interface"
)]

use std::ffi::CStr;
use std::sync::atomic::Ordering::Relaxed;
use std::time::Duration;

use libc::{c_char, c_int, c_void, clockid_t, mode_t, off_t, size_t, ssize_t, timespec};

use super::{DISK_LEFT, IS_READ_ONLY, SYNC_MS, TELLS_SYNCS, WALL_STEP_S};

fn fail(code: c_int) -> ssize_t {
    // SAFETY: the address of this thread's own error number is always valid.
    unsafe { *libc::__errno_location() = code };
    -1
}

fn is_regular(fd: c_int) -> bool {
    let mut about = std::mem::MaybeUninit::<libc::stat>::uninit();
    // SAFETY: `about` is large enough, and is read only when the call says that it has been filled.
    fd > 2
        && unsafe {
            libc::fstat(fd, about.as_mut_ptr()) == 0 && about.assume_init().st_mode & libc::S_IFMT == libc::S_IFREG
        }
}

/// Replaces the C library's.
///
/// # Safety
/// As that of the C library.
#[unsafe(no_mangle)]
pub(crate) unsafe extern "C" fn clock_gettime(clock: clockid_t, time: *mut timespec) -> c_int {
    // SAFETY: the caller's pointer is passed on as it is, and used only when the kernel has accepted it.
    unsafe {
        let outcome = libc::syscall(libc::SYS_clock_gettime, clock, time) as c_int;
        if outcome == 0 && clock == libc::CLOCK_REALTIME {
            (*time).tv_sec += WALL_STEP_S.load(Relaxed);
        }
        outcome
    }
}

/// Replaces the C library's.
///
/// # Safety
/// As that of the C library.
#[unsafe(no_mangle)]
pub(crate) unsafe extern "C" fn write(fd: c_int, bytes: *const c_void, n: size_t) -> ssize_t {
    let mut n = n;
    let is_well = DISK_LEFT.load(Relaxed) == i64::MAX && !IS_READ_ONLY.load(Relaxed);
    if !is_well && is_regular(fd) {
        if IS_READ_ONLY.load(Relaxed) {
            return fail(libc::EROFS);
        }
        let left = usize::try_from(DISK_LEFT.load(Relaxed)).unwrap_or(0);
        if left == 0 && n > 0 {
            return fail(libc::ENOSPC);
        }
        n = n.min(left);
        DISK_LEFT.fetch_sub(n as i64, Relaxed);
    }
    // SAFETY: not more bytes than the caller says that there are.
    unsafe { libc::syscall(libc::SYS_write, fd, bytes, n) as ssize_t }
}

fn synced(fd: c_int, call: libc::c_long) -> c_int {
    let wait_ms = SYNC_MS.load(Relaxed);
    if wait_ms > 0 {
        std::thread::sleep(Duration::from_millis(wait_ms));
    }
    // SAFETY: takes a number and touches no memory.
    let outcome = unsafe { libc::syscall(call, fd) } as c_int;
    if outcome == 0 && TELLS_SYNCS.load(Relaxed) {
        let path = std::fs::read_link(format!("/proc/self/fd/{fd}")).unwrap_or_default();
        let bytes = path.metadata().map_or(0, |about| about.len());
        println!("synced {bytes} {}", path.display());
    }
    outcome
}

/// Replaces the C library's.
#[unsafe(no_mangle)]
pub(crate) extern "C" fn fdatasync(fd: c_int) -> c_int {
    synced(fd, libc::SYS_fdatasync)
}

/// Replaces the C library's.
#[unsafe(no_mangle)]
pub(crate) extern "C" fn fsync(fd: c_int) -> c_int {
    synced(fd, libc::SYS_fsync)
}

/// Replaces the C library's; the mode counts only where the flags ask for one, as there.
///
/// # Safety
/// As that of the C library.
#[unsafe(no_mangle)]
pub(crate) unsafe extern "C" fn open64(path: *const c_char, flags: c_int, mode: mode_t) -> c_int {
    let writes = flags & (libc::O_WRONLY | libc::O_RDWR | libc::O_CREAT) != 0;
    // SAFETY: the caller gives a string that ends with a zero; it is passed on as it is.
    unsafe {
        if writes && IS_READ_ONLY.load(Relaxed) && !CStr::from_ptr(path).to_bytes().starts_with(b"/dev/") {
            return fail(libc::EROFS) as c_int;
        }
        libc::syscall(libc::SYS_openat, libc::AT_FDCWD, path, flags, mode) as c_int
    }
}

/// Replaces the C library's; the same as `open64` where files are large anyway.
///
/// # Safety
/// As that of the C library.
#[unsafe(no_mangle)]
pub(crate) unsafe extern "C" fn open(path: *const c_char, flags: c_int, mode: mode_t) -> c_int {
    // SAFETY: as of the caller.
    unsafe { open64(path, flags, mode) }
}

/// Replaces the C library's.
///
/// # Safety
/// As that of the C library.
#[unsafe(no_mangle)]
pub(crate) unsafe extern "C" fn pwrite64(fd: c_int, bytes: *const c_void, n: size_t, at: off_t) -> ssize_t {
    if IS_READ_ONLY.load(Relaxed) && is_regular(fd) {
        return fail(libc::EROFS);
    }
    if DISK_LEFT.load(Relaxed) < n as i64 && is_regular(fd) {
        return fail(libc::ENOSPC);
    }
    if DISK_LEFT.load(Relaxed) != i64::MAX {
        DISK_LEFT.fetch_sub(n as i64, Relaxed);
    }
    // SAFETY: as of the caller.
    unsafe { libc::syscall(libc::SYS_pwrite64, fd, bytes, n, at) as ssize_t }
}
