//! An allocator that counts: libFuzzer alone sees a memory bomb only when its pages are touched.

use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::atomic::{AtomicUsize, Ordering};

/// Most bytes that may be in use at once. Inputs are shorter than a megabyte, and readers keep to a multiple of that.
const MOST: usize = 512 << 20;

static IN_USE: AtomicUsize = AtomicUsize::new(0);

struct Counting;

#[global_allocator]
static COUNTING: Counting = Counting;

fn took(n_bytes: usize) {
    let before = IN_USE.fetch_add(n_bytes, Ordering::Relaxed);
    if before.saturating_add(n_bytes) > MOST {
        // Room for the panic's own message.
        IN_USE.store(0, Ordering::Relaxed);
        panic!("{n_bytes} bytes more are asked for than the {MOST} that may be in use");
    }
}

// SAFETY: hands every call on to the system's allocator as it is, and only counts. A panic in here ends the process
// before the caller goes on: the hook that libFuzzer's crate installs aborts.
#[allow(unsafe_code, reason = "an allocator is unsafe to write; this one counts and hands on")]
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        took(layout.size());
        unsafe { System.alloc(layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        took(layout.size());
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, new_size: usize) -> *mut u8 {
        IN_USE.fetch_sub(layout.size().min(IN_USE.load(Ordering::Relaxed)), Ordering::Relaxed);
        took(new_size);
        unsafe { System.realloc(pointer, layout, new_size) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        IN_USE.fetch_sub(layout.size().min(IN_USE.load(Ordering::Relaxed)), Ordering::Relaxed);
        unsafe { System.dealloc(pointer, layout) }
    }
}
