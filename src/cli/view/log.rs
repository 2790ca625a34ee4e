//! Owns the debug log: what the library says of what it decides, a line each, on standard error.
//! Off unless `--verbose` or `UNLADE_LOG` asks for it.

use crate::cli::view::out::Out;
use std::io::{self, Write};
use tracing_subscriber::filter::{LevelFilter, ParseError, Targets};
use tracing_subscriber::fmt::format::FmtSpan;
use tracing_subscriber::fmt::time::uptime;
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

/// The environment variable that turns the log on: a level, or a level for a module
/// (`unlade::offload=trace,info`), as the crate `tracing-subscriber` reads them.
pub(crate) const UNLADE_LOG: &str = "UNLADE_LOG";

/// Starts the log where it is asked for.
///
/// # Errors
/// When `UNLADE_LOG` is no filter.
pub(crate) fn start(verbose: bool, out: Out) -> Result<(), ParseError> {
    let asked = std::env::var(UNLADE_LOG).ok().filter(|f| !f.is_empty());
    let filter = match asked {
        Some(filter) => filter.parse()?,
        None if verbose => Targets::new().with_default(LevelFilter::DEBUG),
        None => return Ok(()),
    };
    let lines = tracing_subscriber::fmt::layer()
        .with_timer(uptime())
        // The end of a span tells how long it took.
        .with_span_events(FmtSpan::CLOSE)
        .with_writer(move || LogLine {
            out,
            text: Vec::new(),
        });
    let log = tracing_subscriber::registry().with(filter).with(lines);
    // Only a second one is refused, and this is the first.
    drop(log.try_init());
    Ok(())
}

/// One line of the log, which is printed when it is whole.
struct LogLine {
    out: Out,
    text: Vec<u8>,
}

impl Write for LogLine {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.text.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Drop for LogLine {
    fn drop(&mut self) {
        let text = String::from_utf8_lossy(&self.text);
        self.out.log(text.trim_end());
    }
}
