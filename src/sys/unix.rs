//! Owns what Linux and macOS have no safe form for: leaving a signal unheard.
#![expect(unsafe_code, reason = "signal(2) has no safe form")]

/// Lets a write beyond the limit on file sizes fail with EFBIG (setrlimit(2), `RLIMIT_FSIZE`),
/// which is told as any failed write is, instead of ending the program by SIGXFSZ.
pub fn survive_file_size_limit() {
    // SAFETY: SIG_IGN is no function of this program; nothing else sets what becomes of this
    // signal. The answer is SIG_ERR for unknown signals only.
    unsafe {
        libc::signal(libc::SIGXFSZ, libc::SIG_IGN);
    }
}
