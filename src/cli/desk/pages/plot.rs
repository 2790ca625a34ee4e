//! Owns the plot of the read rate while a copy runs, with the ceiling and the label drawn in. Pure.

use maud::{Markup, html};
use unlade::event::Snapshot;
use unlade::speed::link::LinkKind;
use unlade::units::{float, len64, speed};

/// The plot's edges in its own units, of 720 by 240.
const LEFT: f64 = 12.0;
const RIGHT: f64 = 708.0;
const TOP: f64 = 52.0;
const BOTTOM: f64 = 196.0;
/// Intervals that it takes to draw a line.
const STEPS_MIN: usize = 3;
/// A line that is further above all that was reached would press the course flat.
const REACH: f64 = 4.0;
/// Least distance between the words at two lines.
const WORDS_GAP: f64 = 22.0;

/// Returns the plot; a sentence while there is too little to draw.
pub(super) fn rate_plot(s: &Snapshot) -> Markup {
    if s.strip.len() < STEPS_MIN {
        return html! { p.soft { "The read rate is drawn here in a moment." } };
    }
    let peak = s.strip.iter().copied().fold(0.0, f64::max);
    let lines = lines(s);
    let is_drawn = |line: &&(f64, &str)| line.0 <= REACH * peak;
    let drawn: Vec<&(f64, &str)> = lines.iter().filter(is_drawn).collect();
    let above: Vec<&(f64, &str)> = lines.iter().filter(|line| !is_drawn(line)).collect();
    let top = drawn
        .iter()
        .map(|line| line.0)
        .fold(peak, f64::max)
        .max(1.0)
        * 1.08;
    let y = |rate: f64| BOTTOM - (BOTTOM - TOP) * rate / top;
    let heights: Vec<f64> = drawn.iter().map(|line| y(line.0)).collect();
    let seconds = len64(s.strip.len()) * s.strip_every_s;
    html! {
        figure {
            svg viewBox="0 0 720 240" role="img" aria-labelledby="rate-title rate-desc" {
                title #rate-title { "Read rate" }
                desc #rate-desc { (description(s, peak, &lines)) }
                line.grid x1=(LEFT) x2=(RIGHT) y1=(BOTTOM) y2=(BOTTOM) {}
                path.fill d={ (course(&s.strip, y)) "V" (BOTTOM) "H" (LEFT) "Z" } {}
                path.rate d=(course(&s.strip, y)) {}
                @for at in &heights {
                    line.limit x1=(LEFT) x2=(RIGHT) y1=(fixed(*at)) y2=(fixed(*at)) {}
                }
                @for ((rate, name), at) in drawn.iter().zip(words_at(&heights)) {
                    text x=(RIGHT) y=(fixed(at)) text-anchor="end" { (name) " " (speed(*rate)) }
                }
                text x=(LEFT) y="30" { "at most " (speed(peak)) }
                text x=(LEFT) y=(BOTTOM + 34.0) { "last " (seconds) " s" }
                text x=(RIGHT) y=(BOTTOM + 34.0) text-anchor="end" { "now" }
            }
            figcaption.soft {
                "Read from the card per second of the clock."
                @for (rate, name) in above { " Far above: " (name) ", " (speed(*rate)) "." }
            }
        }
    }
}

/// Where the words at lines of these heights stand, the lowest first: they keep their distance.
fn words_at(heights: &[f64]) -> Vec<f64> {
    let mut below = f64::INFINITY;
    let place = |height: &f64| {
        below = (height - 6.0).min(below - WORDS_GAP);
        below
    };
    heights.iter().map(place).collect()
}

/// The ceiling and the label's figure, as far as they are known, in bytes per second, the lowest
/// first.
fn lines(s: &Snapshot) -> Vec<(f64, &'static str)> {
    let ceiling = s.ceiling_mbps.map(|rate| (rate.bytes_per_s(), "ceiling"));
    let labels = s
        .links
        .iter()
        .filter(|link| matches!(link.kind, LinkKind::Label));
    let labels = labels.map(|link| (link.mbps.bytes_per_s(), "label"));
    let mut lines: Vec<(f64, &str)> = ceiling.into_iter().chain(labels).collect();
    lines.sort_by(|a, b| a.0.total_cmp(&b.0));
    lines
}

fn course(rates: &[f64], y: impl Fn(f64) -> f64) -> String {
    let step = (RIGHT - LEFT) / float(len64(rates.len()));
    let mut path = String::new();
    for (at, rate) in rates.iter().enumerate() {
        let from = LEFT + step * float(len64(at));
        let go = if at == 0 { 'M' } else { 'L' };
        path.push_str(&format!("{go}{from:.1} {:.1}H{:.1}", y(*rate), from + step));
    }
    path
}

fn description(s: &Snapshot, peak: f64, lines: &[(f64, &str)]) -> String {
    let least = s.strip.iter().copied().fold(f64::INFINITY, f64::min);
    let mut text = format!("Between {} and {}.", speed(least), speed(peak));
    for (rate, name) in lines {
        text.push_str(&format!(" The {name}: {}.", speed(*rate)));
    }
    text
}

fn fixed(value: f64) -> String {
    format!("{value:.1}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use unlade::speed::chain::Origin;
    use unlade::speed::link::{ChainPart, Link};
    use unlade::units::MegabytesPerS;

    fn snapshot(strip: &[f64]) -> Snapshot {
        Snapshot {
            strip: strip.to_vec(),
            strip_every_s: 1,
            ceiling_mbps: Some(MegabytesPerS(90.0)),
            links: vec![Link {
                part: ChainPart::Card,
                kind: LinkKind::Label,
                mbps: MegabytesPerS(95.0),
                from: Origin::Label,
            }],
            ..Snapshot::default()
        }
    }

    /// The figures are plain arithmetic on the plot's own edges.
    #[test]
    fn ceiling_and_label_are_drawn_where_they_belong() {
        let plot = rate_plot(&snapshot(&[0.0, 40e6, 80e6])).into_string();
        let top = 95.0 * 1.08;
        for (rate, name) in [(90.0, "ceiling 90.0 MB/s"), (95.0, "label 95.0 MB/s")] {
            let y = BOTTOM - (BOTTOM - TOP) * rate / top;
            assert!(plot.contains(&format!("y1=\"{y:.1}\"")), "{rate}: {plot}");
            assert!(plot.contains(name), "{plot}");
        }
        assert!(
            plot.contains("at most 80.0 MB/s") && plot.contains("last 3 s"),
            "{plot}"
        );
        let heights = words_at(&[100.0, 99.0, 50.0]);
        assert!(heights[0] - heights[1] >= WORDS_GAP && heights[1] - heights[2] >= WORDS_GAP);
    }

    #[test]
    fn what_is_far_above_is_told_and_not_drawn() {
        let plot = rate_plot(&snapshot(&[1e6, 2e6, 2e6])).into_string();
        assert!(plot.contains("Far above: ceiling, 90.0 MB/s."), "{plot}");
        assert!(!plot.contains("class=\"limit\""), "{plot}");
        let plot = rate_plot(&snapshot(&[1e6])).into_string();
        assert!(!plot.contains("<svg"), "{plot}");
    }
}
