//! Owns how much footage a card holds, over the bit rate.

use super::inputs::{Inputs, assumed, read, result};
use crate::cli::args::weigh::FootageArgs;
use crate::cli::command::weigh::{footage, mbits};
use crate::cli::desk::pages::chart::{Chart, Curve, numbers};
use maud::{Markup, html};
use unlade::run::Tools;
use unlade::speed::classes::WriteClass;
use unlade::speed::quantity::{self, Bare};
use unlade::speed::weigh::footage_s;
use unlade::units::{MegabytesPerS, float, seconds, size, speed, time};

/// Points of a curve.
const STEPS: u64 = 60;
/// Bit rates in the table, as shares of the one that was given.
const ROWS: [f64; 5] = [0.25, 0.5, 1.0, 2.0, 4.0];

pub(super) fn section(inputs: &Inputs, tools: &Tools) -> Markup {
    let at = (
        "at",
        "Bit rate",
        "100Mb/s (megabits) or 12.5MB/s (megabytes).",
        "100Mb/s",
    );
    let at = read(inputs, at, |text| quantity::rate(text, Bare::Refused));
    let room = (
        "room",
        "Capacity of the card",
        "As on its label: 128GB.",
        "128GB",
    );
    let room = read(inputs, room, quantity::size);
    let class = (
        "class",
        "Class",
        "On the card: V30, U3, C10, VPG400. May be empty.",
        "V30",
    );
    let class = read(inputs, class, |text| match text {
        "" => Ok(None),
        text => WriteClass::read(text).map(Some),
    });
    let values = (at.value, room.value, class.value);
    html! {
        section.card {
            h2 { "How much footage does a card hold?" }
            div.inputs { (at.html) (room.html) (class.html) }
            p { button type="submit" { "Reckon" } }
            @if let (Some(at), Some(room), Some(class)) = values {
                (answer(at, room, class, tools))
            }
        }
    }
}

fn answer(at: f64, room: u64, class: Option<WriteClass>, tools: &Tools) -> Markup {
    let args = FootageArgs {
        at,
        room: vec![room],
        card: None,
        class: class.into_iter().collect(),
    };
    let Ok(weighed) = footage(&args, tools) else {
        return html! {};
    };
    let minutes = |rate: f64| footage_s(room, rate) / 60.0;
    let in_mbits = |rate: f64| rate * 8.0 / 1e6;
    let points = (0..=STEPS).map(|step| {
        let rate = at * (0.25 + 3.75 * float(step) / float(STEPS));
        (in_mbits(rate), minutes(rate))
    });
    let classes = [30, 60, 90].map(WriteClass::Video);
    let needs = |class: WriteClass| class.floor().written_at_least();
    let marks = classes.map(|class| (needs(class).0 * 8.0, class.to_string()));
    let chart = Chart {
        id: "footage",
        title: "Minutes of footage on the card, over the bit rate",
        x: "bit rate, Mb/s",
        y: "minutes",
        curves: vec![Curve {
            name: size(room),
            said: format!("{:.0} min at {}.", minutes(at), mbits(at)),
            points: points.collect(),
        }],
        marks: marks.into(),
    };
    let rows = ROWS.map(|share| {
        let rate = at * share;
        let enough = WriteClass::Video(30).enough_for(MegabytesPerS(rate / 1e6));
        let enough = enough.map_or_else(|| "none".to_owned(), |class| class.to_string());
        vec![
            mbits(rate),
            speed(rate),
            time(seconds(footage_s(room, rate))),
            enough,
        ]
    });
    let heads = ["Bit rate", "Writes", "It holds", "V class for it"].map(str::to_owned);
    html! {
        (result(&weighed))
        (chart.html())
        p.soft { "The lines across are what V30, V60 and V90 can be written with at least." }
        (numbers("How much footage the card holds", &heads, &rows))
        (assumed(&weighed.assumed))
    }
}
