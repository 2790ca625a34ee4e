//! Owns the decoding of clips and sound by `ffmpeg`, where that is installed. It gets a file's name
//! and gives back nothing but words: no shell, no network, no file that another file names, no
//! input from the terminal. It is ended when the person stops, and when it stands still.

use crate::clock::Clock;
use crate::inspect::deep::decoding::{Decoding, NotDecoded};
use crate::inspect::hint::Clue;
use camino::Utf8Path;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::thread::Builder;
use std::time::Duration;

/// How often whoever waits looks whether to stop.
const TURN: Duration = Duration::from_millis(100);
/// Without a step forward for so long it stands still.
const STILL: Duration = Duration::from_secs(60);
/// How long an end is waited for.
const END: Duration = Duration::from_secs(5);
/// Bytes of its words that are kept.
const WORDS_MAX: u64 = 4_096;
/// Bytes that it may say of its progress: a day and more.
const PROGRESS_MAX: u64 = 1 << 30;
/// Characters of its words that are told.
const TOLD_MAX: usize = 200;

/// What it says where it has no decoder, or finds neither picture nor sound (`ffmpeg` 5 to 8).
const NO_DECODER: [&str; 4] = [
    "no decoder found",
    "Decoder not found",
    "does not contain any stream",
    "Could not find codec parameters",
];

/// Returns whether it can be run.
pub(super) fn is_there() -> bool {
    let mut command = Command::new("ffmpeg");
    command.arg("-version").stdin(Stdio::null());
    command.stdout(Stdio::null()).stderr(Stdio::null());
    command.status().is_ok_and(|status| status.success())
}

/// Decodes all of a file whose form has this name; `None` where the person stopped it. `step` hears
/// how much is decoded, as it goes on.
pub(super) fn decode(
    at: &Utf8Path,
    form: &str,
    clock: &dyn Clock,
    step: &mut dyn FnMut(Duration) -> bool,
) -> Option<Decoding> {
    let mut command = Command::new("ffmpeg");
    // The form is given, so that what the bytes say can't make it open other files.
    command.args(["-nostdin", "-hide_banner", "-v", "error", "-xerror"]);
    command.args(["-err_detect", "crccheck", "-protocol_whitelist", "file"]);
    command.args(["-f", form, "-i", &format!("file:{at}")]);
    command.args(["-map", "0:v?", "-map", "0:a?"]);
    command.args(["-nostats", "-progress", "pipe:1", "-f", "null", "-"]);
    run(command, clock, STILL, step)
}

fn run(
    mut command: Command,
    clock: &dyn Clock,
    patience: Duration,
    step: &mut dyn FnMut(Duration) -> bool,
) -> Option<Decoding> {
    let not = |why| Some(Decoding::Not(why));
    command.stdin(Stdio::null()).stdout(Stdio::piped());
    let Ok(mut child) = command.stderr(Stdio::piped()).spawn() else {
        return not(NotDecoded::NoFfmpeg);
    };
    let (steps, progress) = bounded(1);
    let (said, words) = bounded(1);
    if !listen(&mut child, steps, said) {
        end(&mut child, clock);
        return not(NotDecoded::NoFfmpeg);
    }
    let Some(status) = wait(&mut child, &progress, clock, patience, step)? else {
        return not(NotDecoded::StoodStill);
    };
    let words = words.recv_timeout(END).unwrap_or_default();
    Some(judge(status, &words))
}

/// Takes what it says, each way in a thread of its own; whether these could be started.
fn listen(child: &mut Child, steps: Sender<Duration>, said: Sender<String>) -> bool {
    let (Some(progress), Some(mut words)) = (child.stdout.take(), child.stderr.take()) else {
        return false;
    };
    let follow = move || {
        let mut last = Duration::ZERO;
        for line in BufReader::new(progress.take(PROGRESS_MAX)).split(b'\n') {
            let Ok(line) = line else { return };
            let decoded = line.strip_prefix(b"out_time_us=".as_slice());
            let decoded = decoded.and_then(|us| std::str::from_utf8(us).ok()?.trim().parse().ok());
            if let Some(now) = decoded.map(Duration::from_micros)
                && now > last
            {
                last = now;
                // One that nobody took yet is as good.
                if steps.try_send(now).is_err() {}
            }
        }
    };
    let hear = move || {
        let mut kept = Vec::new();
        if words
            .by_ref()
            .take(WORDS_MAX)
            .read_to_end(&mut kept)
            .is_ok()
        {
            // It must not wait for somebody to take the rest.
            drop(std::io::copy(&mut words, &mut std::io::sink()));
        }
        drop(said.send(String::from_utf8_lossy(&kept).into_owned()));
    };
    let named = |name: &str| Builder::new().name(name.into());
    named("progress").spawn(follow).is_ok() && named("words").spawn(hear).is_ok()
}

/// Waits for its end: `None` where the person stopped, `Some(None)` where it stood still.
#[expect(clippy::option_option, reason = "the two are different ends")]
fn wait(
    child: &mut Child,
    progress: &Receiver<Duration>,
    clock: &dyn Clock,
    patience: Duration,
    step: &mut dyn FnMut(Duration) -> bool,
) -> Option<Option<ExitStatus>> {
    let (mut decoded, mut since) = (Duration::ZERO, clock.elapsed());
    loop {
        match progress.recv_timeout(TURN) {
            Ok(now) => (decoded, since) = (now, clock.elapsed()),
            Err(RecvTimeoutError::Timeout) => {}
            // It ends now, or closed its output.
            Err(RecvTimeoutError::Disconnected) => clock.sleep(TURN / 10),
        }
        if !step(decoded) {
            end(child, clock);
            return None;
        }
        match child.try_wait() {
            Ok(Some(status)) => return Some(Some(status)),
            Ok(None) if clock.elapsed().saturating_sub(since) < patience => {}
            Ok(None) | Err(_) => {
                end(child, clock);
                return Some(None);
            }
        }
    }
}

/// Ends it. What hangs in the system can't be ended, and is left.
fn end(child: &mut Child, clock: &dyn Clock) {
    // Where that fails it has ended.
    drop(child.kill());
    let mut tries = 0_u32;
    while matches!(child.try_wait(), Ok(None)) && tries < 20 {
        tries += 1;
        clock.sleep(TURN);
    }
}

/// Tells what its end and its words mean.
fn judge(status: ExitStatus, words: &str) -> Decoding {
    let mut lines = words.lines().filter(|line| !line.trim().is_empty());
    let first = lines.next();
    if NO_DECODER.iter().any(|known| words.contains(known)) {
        return Decoding::Not(NotDecoded::NoDecoder);
    }
    let said = match (status.success(), first) {
        (true, None) => return Decoding::Whole,
        (_, Some(line)) => format!("ffmpeg says: {}", tidy(line)),
        (false, None) => format!("ffmpeg ended with {status}"),
    };
    Decoding::Broken(Clue::Undecodable {
        at: None,
        why: said,
    })
}

/// `[h264 @ 0x55d0] error` becomes `h264: error`: the number is another each time.
fn tidy(line: &str) -> String {
    let named = line.strip_prefix('[').and_then(|rest| {
        let (name, words) = rest.split_once("] ")?;
        Some((name.split(" @ ").next().unwrap_or(name), words))
    });
    let text = match named {
        Some((name, words)) => format!("{name}: {words}"),
        None => line.to_owned(),
    };
    let text = text.trim().trim_end_matches('.');
    text.chars().take(TOLD_MAX).collect()
}

#[cfg(unix)]
#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::SystemClock;

    fn run_script(script: &str, patience_ms: u64) -> Option<Decoding> {
        let mut command = Command::new("sh");
        command.args(["-c", script]);
        let (clock, patience) = (SystemClock::start(), Duration::from_millis(patience_ms));
        let mut step = |_| clock.elapsed() < Duration::from_secs(60);
        run(command, &clock, patience, &mut step)
    }

    fn why(decoding: Option<Decoding>) -> String {
        match decoding {
            Some(Decoding::Broken(Clue::Undecodable { why, .. })) => why,
            other => format!("{other:?}"),
        }
    }

    #[test]
    fn what_stands_still_is_ended_and_what_goes_on_is_not() {
        let still = run_script("echo out_time_us=1; exec sleep 300", 300);
        assert_eq!(still, Some(Decoding::Not(NotDecoded::StoodStill)));
        let slow = "for n in 1 2 3 4 5 6; do echo out_time_us=$n; sleep 0.4; done";
        assert_eq!(run_script(slow, 1_500), Some(Decoding::Whole));
    }

    #[test]
    fn words_without_end_neither_stop_it_nor_fill_memory() {
        let long = "dd if=/dev/zero bs=1000 count=3000 2>/dev/null | tr '\\0' x >&2; exit 0";
        let words = why(run_script(long, 20_000));
        assert_eq!(words.len(), "ffmpeg says: ".len() + TOLD_MAX, "{words}");
    }

    #[test]
    fn an_end_without_success_or_with_words_is_told() {
        let said = "echo '[h264 @ 0x55d0] error while decoding MB 7 5.' >&2";
        let told = "ffmpeg says: h264: error while decoding MB 7 5";
        assert_eq!(why(run_script(said, 20_000)), told);
        assert_eq!(
            why(run_script("exit 3", 20_000)),
            "ffmpeg ended with exit status: 3"
        );
        let unknown = "echo 'Decoding requested, but no decoder found for: none' >&2; exit 1";
        let not = Some(Decoding::Not(NotDecoded::NoDecoder));
        assert_eq!(run_script(unknown, 20_000), not);
    }
}
