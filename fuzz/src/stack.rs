//! A stack as small as that of the program's own threads, whose end is a finding with its input.

/// What the program's own threads have, bytes.
const STACK: libc::rlim_t = 2 << 20;
/// Room for the handler of the signal, which prints and writes the input.
const OTHER_STACK: usize = 256 << 10;

/// Lets the main thread grow to [`STACK`] only, and lets libFuzzer handle the end of it on a stack of its own.
///
/// libFuzzer keeps `SA_ONSTACK` where it is set before it installs its handlers.
#[allow(unsafe_code, reason = "no safe interface sets the limit of the stack or the stack of a signal's handler")]
pub(crate) fn guard() {
    let memory: &'static mut [u8] = Box::leak(vec![0; OTHER_STACK].into_boxed_slice());
    let other = libc::stack_t { ss_sp: memory.as_mut_ptr().cast(), ss_flags: 0, ss_size: OTHER_STACK };
    // SAFETY: the memory is never given back; the structures are complete and live through the calls; the limit changes
    // nothing that is in use, as the stack is still short here.
    unsafe {
        let mut limit = libc::rlimit { rlim_cur: 0, rlim_max: 0 };
        libc::getrlimit(libc::RLIMIT_STACK, &raw mut limit);
        limit.rlim_cur = STACK;
        libc::setrlimit(libc::RLIMIT_STACK, &raw const limit);
        libc::sigaltstack(&raw const other, std::ptr::null_mut());
        let mut action: libc::sigaction = std::mem::zeroed();
        action.sa_flags = libc::SA_ONSTACK;
        libc::sigaction(libc::SIGSEGV, &raw const action, std::ptr::null_mut());
    }
}
