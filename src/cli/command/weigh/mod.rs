//! Owns `weigh`: the questions, what a card can record in words, and what was assumed.

pub(crate) mod result;
pub(crate) mod saving;
mod upgrade;

use crate::cli::args::Common;
use crate::cli::args::weigh::{BurstArgs, FootageArgs, WeighCommand};
use crate::cli::command::weigh::result::{WeighResult, rounded};
use crate::cli::command::weigh::upgrade::{Refused, upgrade};
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use crate::cli::view::text::wrap;
use camino::Utf8PathBuf;
use serde_json::{Value, json};
use std::io;
use std::sync::Arc;
use unlade::run::Tools;
use unlade::speed::classes::WriteClass;
use unlade::speed::weigh::{Burst, Series, Stall, Sustain, footage_s};
use unlade::units::{counted, float, size, speed, time, whole};

/// Weighs what is asked and tells it.
pub(crate) fn weigh(command: &WeighCommand, common: &Common, out: Out, tools: &Tools) -> Exit {
    let result = match command {
        WeighCommand::Footage(args) => {
            footage(args, tools).map_err(|why| (vec![why.to_string()], Exit::Refused))
        }
        WeighCommand::Burst(args) => Ok(burst(args)),
        WeighCommand::Upgrade(args) => {
            let book = Book::new(common, out, Arc::clone(&tools.clock));
            upgrade(args, common, &book).map_err(|refused| match refused {
                Refused::Usage(why) => (vec![format!("{why}.")], Exit::Usage),
                Refused::Kit(error) => (error.lines(), error.exit()),
            })
        }
    };
    match result {
        Ok(result) => {
            tell(result, out, tools);
            Exit::Done
        }
        Err((lines, exit)) => refuse(&lines, exit, "weigh", out, tools),
    }
}

fn tell(result: WeighResult, out: Out, tools: &Tools) {
    if out.json {
        let mut body = result.json;
        if let Value::Object(fields) = &mut body {
            fields.insert("assumed".to_owned(), json!(result.assumed));
        }
        Json::new(out, Arc::clone(&tools.clock)).send("weighed", body);
        return;
    }
    for (label, text) in result.lines {
        for line in wrap(&text, out.width, &format!("{label:<9}"), "         ") {
            out.line(&line);
        }
    }
    let mut label = "Assumed";
    for text in result.assumed {
        for line in wrap(text, out.width, &format!("{label:<9}"), "         ") {
            out.line(&line);
        }
        label = "";
    }
}

/// A rate in words, with figures left also where it is far below 1 MB/s.
fn pace(bytes_per_s: f64) -> String {
    if bytes_per_s < 1e5 {
        format!("{}/s", size(whole(bytes_per_s)))
    } else {
        speed(bytes_per_s)
    }
}

/// Megabits per second in words.
pub(crate) fn mbits(bytes_per_s: f64) -> String {
    let mb = bytes_per_s * 8.0 / 1e6;
    if mb < 0.995 {
        format!("{:.0} kb/s", mb * 1e3)
    } else if mb < 10.0 {
        format!("{mb:.2} Mb/s")
    } else if (mb - mb.round()).abs() < 0.05 {
        format!("{mb:.0} Mb/s")
    } else {
        format!("{mb:.1} Mb/s")
    }
}

/// The card whose capacity counts could not be looked at.
#[derive(Debug, thiserror::Error)]
#[error("`{0}` could not be looked at: {1}")]
pub(crate) struct NoCapacity(Utf8PathBuf, #[source] io::Error);

/// Reckons how long a card records.
///
/// # Errors
/// The card whose capacity counts can't be looked at.
pub(crate) fn footage(args: &FootageArgs, tools: &Tools) -> Result<WeighResult, NoCapacity> {
    let measured = match &args.card {
        Some(card) => Some(
            tools
                .disk
                .facts(card)
                .map_err(|cause| NoCapacity(card.clone(), cause))?
                .total_bytes,
        ),
        None => None,
    };
    let capacity = measured.or_else(|| args.room.iter().min().copied());
    let mut assumed = vec!["the bit rate is all that the camera writes, with sound."];
    let mut lines = vec![(
        "Camera",
        format!(
            "{} = {}, {} an hour",
            mbits(args.at),
            pace(args.at),
            size(whole(args.at * 3_600.0))
        ),
    )];
    if let Some(bytes) = capacity {
        let seconds = footage_s(bytes, args.at);
        lines.push(("Holds", holds(bytes, seconds, args.room.len() > 1)));
        assumed.push("what a card holds goes by the average bit rate.");
        assumed.push(if measured.is_some() {
            "the card is empty, and as large as its file system says."
        } else {
            "the size on the label is all free; formatted, a card holds a bit less."
        });
    }
    let worst = args
        .class
        .iter()
        .map(|class| Sustain::of(*class, args.at))
        .min_by(|a, b| a.times.total_cmp(&b.times));
    if let Some(sustain) = worst {
        lines.push(("Class", sustained(sustain, args.class.len() > 1)));
        // Common practice, no source: what a camera states is often the average of a varying bit
        // rate.
        assumed.push("the class goes by the peak bit rate; cameras often state the average.");
        assumed.push("the class is true, of a card that was just formatted in the camera.");
    }
    let json = json!({
        "question": "footage", "bytes_per_s": rounded(args.at),
        "bits_per_s": rounded(args.at * 8.0), "capacity_bytes": capacity,
        "minutes": capacity.map(|c| rounded(footage_s(c, args.at) / 60.0)),
        "class": worst.map(|s| s.class.to_string()),
        "guaranteed_bytes_per_s": worst.map(|s| guaranteed(s.class)),
        "source": worst.map(|s| s.class.source()),
        "sustained": worst.map(Sustain::is_sustained),
        "times": worst.map(|s| rounded(s.times)),
        "small_margin": worst.map(Sustain::is_narrow),
        "enough": worst.and_then(|s| s.enough).map(|c| c.to_string()),
    });
    Ok(WeighResult {
        lines,
        assumed,
        json,
    })
}

fn holds(bytes: u64, seconds: f64, both: bool) -> String {
    let which = if both {
        "the smaller card ends the recording: "
    } else {
        ""
    };
    format!(
        "{which}{} {} {:.1} min of it ({})",
        size(bytes),
        if bytes == 1 { "holds" } else { "hold" },
        seconds / 60.0,
        // 1 PB at 1 kB/s is the longest that can be asked for.
        time(unlade::units::seconds(seconds))
    )
}

fn sustained(sustain: Sustain, both: bool) -> String {
    let which = if both {
        "both cards get the same, so the slower one counts: "
    } else {
        ""
    };
    let Sustain {
        class,
        needs,
        times,
        enough,
    } = sustain;
    let guarantee = format!(
        "{which}{class} guarantees {} MB/s of writing, {} are needed",
        guaranteed(class) / 1e6,
        pace(needs)
    );
    if sustain.is_sustained() {
        let little = if sustain.is_narrow() {
            " That is a small margin: if the bit rate is an average, as a camera's often is, its \
            peaks may need more."
        } else {
            ""
        };
        return format!(
            "{guarantee}: sustained, {} times over.{little}",
            factor(times)
        );
    }
    let next = enough.map_or_else(
        || "No class of its kind guarantees it.".to_owned(),
        |class| format!("{class} would."),
    );
    format!("{guarantee}: NOT sustained by guarantee; the card may stop the recording. {next}")
}

/// How many times over, with more digits where it is close, and never rounded up to more than there
/// is.
fn factor(times: f64) -> String {
    let cut = |tens: f64| (times * tens + 1e-9).floor() / tens;
    if times < 2.0 {
        format!("{:.2}", cut(100.0))
    } else {
        format!("{:.1}", cut(10.0))
    }
}

/// Guaranteed writing in bytes per second.
fn guaranteed(class: WriteClass) -> f64 {
    class.floor().written_at_least().bytes_per_s()
}

/// Reckons how long a burst is.
pub(crate) fn burst(args: &BurstArgs) -> WeighResult {
    let writes = args.writes.iter().copied().fold(f64::INFINITY, f64::min);
    let burst = Burst {
        frames_per_s: args.fps,
        frame_bytes: args.frame,
        buffer_bytes: args.buffer,
        writes,
    };
    let stall = burst.stall();
    let series = args.frames.map(|frames| burst.series(frames));
    let mut lines = vec![(
        "Shoots",
        format!(
            "{} {} a second of {} = {}; the card takes {}{}",
            args.fps,
            // A whole number stands there without decimals.
            if format!("{}", args.fps) == "1" {
                "frame"
            } else {
                "frames"
            },
            size(args.frame),
            pace(args.fps * float(args.frame)),
            pace(writes),
            if args.writes.len() > 1 {
                " (both cards get every frame, so the slower one counts)"
            } else {
                ""
            }
        ),
    )];
    lines.push(("Stalls", stall_words(burst, stall)));
    if let Some(stall) = stall {
        lines.push((
            "Clears",
            format!(
                "{:.1} s after the last frame, from a full buffer",
                stall.clears_s
            ),
        ));
    }
    if let Some(series) = series {
        lines.push(("Series", series_words(series)));
    }
    let mut assumed =
        vec!["a steady rate, frames of one size, and a buffer that is empty at first."];
    if args.buffer.is_none() {
        assumed.push("the buffer holds the whole series; give --buffer to have it counted.");
    }
    let json = json!({
        "question": "burst", "frames_per_s": args.fps, "frame_bytes": args.frame,
        "buffer_bytes": args.buffer, "writes_bytes_per_s": rounded(writes),
        "keeps_pace": burst.keeps_pace(),
        "stall": stall.map(|s| json!({
            "frames": rounded(s.frames), "seconds": rounded(s.seconds),
            "frames_per_s_after": rounded(s.frames_per_s_after), "clears_s": rounded(s.clears_s),
        })),
        "series": series.map(|s| json!({
            "frames": s.frames, "shooting_s": rounded(s.shooting_s), "stalls": s.stalls,
            "clears_s": rounded(s.clears_s),
        })),
    });
    WeighResult {
        lines,
        assumed,
        json,
    }
}

fn stall_words(burst: Burst, stall: Option<Stall>) -> String {
    match stall {
        Some(stall) => format!(
            "after {} ({:.1} s); then {:.1} frames a second",
            counted(whole(stall.frames.floor()), "frame"),
            stall.seconds,
            stall.frames_per_s_after
        ),
        None if burst.keeps_pace() => {
            "never: the card takes the frames as fast as they are shot".to_owned()
        }
        None => "not known without the size of the buffer".to_owned(),
    }
}

fn series_words(series: Series) -> String {
    let (take, all, last) = if series.frames == 1 {
        ("takes", "it is", "that")
    } else {
        ("take", "all are", "the last")
    };
    format!(
        "{} {take} {:.1} s{}; {all} on the card {:.1} s after {last}",
        counted(series.frames, "frame"),
        series.shooting_s,
        if series.stalls { " with the stall" } else { "" },
        series.clears_s
    )
}
