//! Owns how many frames a burst has, over what the card takes in the camera.

use super::inputs::{Inputs, assumed, read, result};
use crate::cli::args::weigh::BurstArgs;
use crate::cli::command::weigh::burst;
use crate::cli::desk::pages::chart::{Chart, Curve, numbers};
use maud::{Markup, html};
use unlade::speed::classes::WriteClass;
use unlade::speed::quantity::{self, Bare};
use unlade::speed::weigh::Burst;
use unlade::units::{count, float, speed, whole};

/// Points of a curve.
const STEPS: u64 = 60;
/// How near to keeping pace the curve is drawn: beyond, it goes to infinity.
const NEAR: f64 = 0.9;
/// Most frames per second.
const FPS_MAX: f64 = 10_000.0;

pub(super) fn section(inputs: &Inputs) -> Markup {
    let fps = read(
        inputs,
        ("fps", "Frames a second", "As the camera states.", "20"),
        |text| {
            let fps = text
                .parse::<f64>()
                .ok()
                .filter(|fps| *fps > 0.0 && *fps <= FPS_MAX);
            fps.ok_or("a number above zero is wanted, as 20")
        },
    );
    let frame = (
        "frame",
        "Size of a frame",
        "Raw and JPEG together: 50MB.",
        "50MB",
    );
    let frame = read(inputs, frame, quantity::size);
    let buffer = ("buffer", "The camera's buffer", "2GB.", "2GB");
    let buffer = read(inputs, buffer, quantity::size);
    let help = "In that camera, in MB/s: not the figure on its label.";
    let writes = ("writes", "What the card takes", help, "250");
    let writes = read(inputs, writes, |text| quantity::rate(text, Bare::MegaBytes));
    let values = (fps.value, frame.value, buffer.value, writes.value);
    html! {
        section.card {
            h2 { "How long is a burst?" }
            div.inputs { (fps.html) (frame.html) (buffer.html) (writes.html) }
            p { button type="submit" { "Reckon" } }
            @if let (Some(fps), Some(frame), Some(buffer), Some(writes)) = values {
                (answer(fps, frame, buffer, writes))
            }
        }
    }
}

fn answer(fps: f64, frame: u64, buffer: u64, writes: f64) -> Markup {
    let args = BurstArgs {
        fps,
        frame,
        writes: vec![writes],
        buffer: Some(buffer),
        frames: None,
    };
    let weighed = burst(&args);
    let with = |writes: f64| Burst {
        frames_per_s: fps,
        frame_bytes: frame,
        buffer_bytes: Some(buffer),
        writes,
    };
    let shot = fps * float(frame);
    let points = (0..=STEPS).filter_map(|step| {
        let writes = shot * (0.05 + (NEAR - 0.05) * float(step) / float(STEPS));
        Some((writes / 1e6, with(writes).stall()?.frames))
    });
    let floors = [30, 60, 90].map(WriteClass::Video);
    let floor = |class: WriteClass| class.floor().written_at_least();
    let mut marks: Vec<(f64, String)> = floors.map(|c| (floor(c).0, c.to_string())).into();
    marks.push((writes / 1e6, "yours".to_owned()));
    let chart = Chart {
        id: "burst",
        title: "Frames until the buffer is full, over what the card takes",
        x: "written, MB/s",
        y: "frames",
        curves: vec![Curve {
            name: format!("{fps} frames a second"),
            said: format!("never full from {} on.", speed(shot)),
            points: points.collect(),
        }],
        marks,
    };
    let own = ("what you gave".to_owned(), writes);
    let rows = floors.map(|class| (class.to_string(), floor(class).bytes_per_s()));
    let rows = rows
        .into_iter()
        .chain([own, ("keeps pace".to_owned(), shot)]);
    let rows: Vec<Vec<String>> = rows
        .map(|(name, writes)| {
            let stall = with(writes).stall();
            let never = || "never full".to_owned();
            let frames = stall.map_or_else(never, |s| count(whole(s.frames.floor())));
            let clears = stall.map_or_else(|| "-".to_owned(), |s| format!("{:.1} s", s.clears_s));
            vec![name, speed(writes), frames, clears]
        })
        .collect();
    let heads = ["Card", "Takes", "Frames until full", "Clears in"].map(str::to_owned);
    html! {
        (result(&weighed))
        (chart.html())
        (numbers("Frames until the buffer is full", &heads, &rows))
        (assumed(&weighed.assumed))
    }
}
