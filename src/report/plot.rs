//! Owns the plot of the read rate over the copy with the ceilings of the chain, and the tables with
//! the same numbers. Pure. A copy too short to have a course gets a sentence and no plot.

use super::words;
use crate::record::manifest::{LinkPart, Manifest};
use crate::units::{count, float, len64, size, speed, whole};
use maud::{Markup, html};

/// Steps of the plot at most; longer copies have several intervals to a step.
const STEPS_MAX: usize = 120;
/// Intervals that a copy must have for a plot.
const STEPS_MIN: usize = 3;

/// The plot's edges in its own units, of 720 by 260.
const LEFT: f64 = 84.0;
const RIGHT: f64 = 676.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 222.0;
/// Least distance between the letters of two ceilings.
const LETTER_GAP: f64 = 22.0;

/// One step of the plot.
struct PlotStep {
    /// Seconds since the start.
    from_s: f64,
    seconds: f64,
    bytes: u64,
}

impl PlotStep {
    /// MB (10^6 bytes) per second.
    fn mbps(&self) -> f64 {
        float(self.bytes) / self.seconds / 1e6
    }
}

/// Returns the section on speed: what it took in the open; plot, links and numbers folded. `names`
/// are the drives' names.
pub(super) fn speed_section(m: &Manifest, names: &[String]) -> Markup {
    let steps = steps(m);
    html! {
        h2 { "Speed" }
        p {
            "The copy took " strong { (words::took(m.forecast.actual_s)) }
            @match m.forecast.at_start_s {
                Some(s) => { "; " strong { (words::took(s)) } " were expected at its start. " }
                None => { "; there was no forecast. " }
            }
            (held_back(m, names))
        }
        @if let Some(plot) = Plot::of(&steps, &m.links, &m.limiting_link, names) {
            details { summary { "Read rate and links" } (plot.figure()) (plot.links()) }
            (plot.numbers())
        } @else {
            p.soft { "There is no plot of the read rate: " (no_plot(m)) }
            @if !m.links.is_empty() { (links(&m.links, &m.limiting_link, names, |_| None)) }
        }
    }
}

fn no_plot(m: &Manifest) -> &'static str {
    if m.rates.read.iter().all(|b| *b == 0) {
        "no interval of this copy has bytes read from the card."
    } else {
        "the card was read for too short a time."
    }
}

/// What the others waited for, in a sentence.
fn held_back(m: &Manifest, names: &[String]) -> Markup {
    let known = m
        .links
        .iter()
        .find(|l| words::is_limiting(l, &m.limiting_link));
    html! {
        @match known {
            Some(link) => {
                "What held it back: " strong { bdi { (words::link(link, names)) } } ", "
                (speed(link.mbps * 1e6))
                "."
            }
            None if m.limiting_link == "card" && m.source.is_some() => "What held it back: the \
                drive of the offload that was copied; nothing more is known of it."
            None if m.limiting_link == "card" => "What held it back: the card or its reader; \
                nothing more is known of them."
            None if m.limiting_link.is_empty() => "What held it back is not known."
            None => {
                "What held it back: "
                strong { bdi { (words::part(&m.limiting_link, names)) } } "."
            }
        }
    }
}

/// Returns the course of reading, from the start to the last interval with bytes in it. The last
/// interval was cut short by the end of the copy; it is one with the one before.
fn steps(m: &Manifest) -> Vec<PlotStep> {
    let every = float(m.rates.every_s.max(1));
    let all = m.rates.read.len();
    let used = m
        .rates
        .read
        .iter()
        .rposition(|b| *b > 0)
        .map_or(0, |i| i + 1);
    let mut steps: Vec<PlotStep> = Vec::new();
    let together = used.div_ceil(STEPS_MAX).max(1);
    for (at, bytes) in m.rates.read.iter().take(used).enumerate() {
        let from_s = float(len64(at)) * every;
        let is_cut = at + 1 == all && at > 0;
        let seconds = if is_cut {
            (m.forecast.actual_s - from_s).clamp(0.0, every)
        } else {
            every
        };
        match steps.last_mut() {
            Some(step) if is_cut || !at.is_multiple_of(together) => {
                step.seconds += seconds;
                step.bytes = step.bytes.saturating_add(*bytes);
            }
            _ => steps.push(PlotStep {
                from_s,
                seconds,
                bytes: *bytes,
            }),
        }
    }
    steps
}

/// A plot that can be drawn.
struct Plot<'a> {
    steps: &'a [PlotStep],
    links: &'a [LinkPart],
    limiting: &'a str,
    names: &'a [String],
    /// Upper end of the scale in MB/s.
    top: f64,
    /// Right end of the scale in seconds.
    end: f64,
}

impl<'a> Plot<'a> {
    fn of(
        steps: &'a [PlotStep],
        links: &'a [LinkPart],
        limiting: &'a str,
        names: &'a [String],
    ) -> Option<Self> {
        let last = steps.last()?;
        let peak = steps.iter().map(PlotStep::mbps).fold(0.0, f64::max);
        if steps.len() < STEPS_MIN || peak <= 0.0 {
            return None;
        }
        // A ceiling far above all that was reached would press the course flat.
        let reach = |l: &&LinkPart| {
            let times = if words::is_limiting(l, limiting) {
                4.0
            } else {
                2.0
            };
            l.mbps <= times * peak
        };
        let drawn = links.iter().filter(reach).map(|l| l.mbps);
        Some(Self {
            steps,
            links,
            limiting,
            names,
            top: 1.08 * drawn.fold(peak, f64::max),
            end: last.from_s + last.seconds,
        })
    }

    fn x(&self, seconds: f64) -> f64 {
        LEFT + (RIGHT - LEFT) * seconds / self.end
    }

    fn y(&self, mbps: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * mbps / self.top
    }

    /// Returns the outline of the steps, and the area under it.
    fn paths(&self) -> (String, String) {
        let mut line = String::new();
        for (at, step) in self.steps.iter().enumerate() {
            let (from, to) = (self.x(step.from_s), self.x(step.from_s + step.seconds));
            let y = self.y(step.mbps());
            let go = if at == 0 { 'M' } else { 'L' };
            line.push_str(&format!("{go}{from:.1} {y:.1}H{to:.1}"));
        }
        let area = format!("{line}V{BOTTOM:.1}H{LEFT:.1}Z");
        (line, area)
    }

    fn is_drawn(&self, link: &LinkPart) -> bool {
        link.mbps <= self.top
    }

    fn is_limiting(&self, link: &LinkPart) -> bool {
        words::is_limiting(link, self.limiting)
    }

    /// Returns the drawn ceilings with letter, height of the line and height of its letter, from
    /// the lowest up; letters keep their distance.
    fn ceilings(&self) -> Vec<(String, &LinkPart, f64, f64)> {
        let mut drawn: Vec<(String, &LinkPart, f64, f64)> = self
            .links
            .iter()
            .enumerate()
            .filter(|(_, l)| self.is_drawn(l))
            .map(|(at, l)| (letter(at), l, self.y(l.mbps), self.y(l.mbps)))
            .collect();
        drawn.sort_by(|a, b| b.2.total_cmp(&a.2));
        let mut below = f64::INFINITY;
        for (_, _, _, at) in &mut drawn {
            *at = at.min(below - LETTER_GAP);
            below = *at;
        }
        // Those that were pushed out at the top go down again.
        let mut above = TOP - LETTER_GAP;
        for (_, _, _, at) in drawn.iter_mut().rev() {
            *at = at.max(above + LETTER_GAP);
            above = *at;
        }
        drawn
    }

    fn figure(&self) -> Markup {
        let (line, area) = self.paths();
        html! {
            figure {
                svg viewBox="0 0 720 260" role="img" aria-labelledby="rate-title rate-desc" {
                    title id="rate-title" { "Read rate of the card over the copy" }
                    desc id="rate-desc" { (self.description()) }
                    text x=(LEFT) y="20" { "MB/s" }
                    @for mbps in ticks(self.top, 4.0) {
                        @let y = self.y(mbps);
                        line.grid x1=(LEFT) x2=(RIGHT) y1=(fixed(y)) y2=(fixed(y)) {}
                        text x=(LEFT - 8.0) y=(fixed(y + 5.0)) text-anchor="end" { (plain(mbps)) }
                    }
                    @let (step, unit, one) = time_step(self.end);
                    @for seconds in until(self.end, step) {
                        text x=(fixed(self.x(seconds))) y=(BOTTOM + 28.0) text-anchor="middle" {
                            (plain(seconds / one)) " " (unit)
                        }
                    }
                    path.fill d=(area) {}
                    path.rate d=(line) {}
                    @for (letter, link, y, at) in self.ceilings() {
                        line class=(if self.is_limiting(link) { "limit" } else { "link" })
                            x1=(LEFT) x2=(RIGHT) y1=(fixed(y)) y2=(fixed(y)) {}
                        text.letter x=(RIGHT + 10.0) y=(fixed(at + 5.0)) { (letter) }
                    }
                }
                figcaption.soft {
                    "Bytes read from the card per second of the clock, in MB/s (10" sup { "6" }
                    " bytes). Where a drive was slower, the card waited. "
                    @if !self.links.is_empty() { "Broken lines: what is known of each part; \
                        letters as in the table below." }
                }
            }
        }
    }

    fn description(&self) -> String {
        let rates = || self.steps.iter().map(PlotStep::mbps);
        let bytes: u64 = self
            .steps
            .iter()
            .map(|s| s.bytes)
            .fold(0, u64::saturating_add);
        let mut text = format!(
            "{} in {}: {} on average, at most {}, at least {} in one of {} steps.",
            size(bytes),
            words::took(self.end),
            speed(float(bytes) / self.end),
            speed(1e6 * rates().fold(0.0, f64::max)),
            speed(1e6 * rates().fold(f64::INFINITY, f64::min)),
            self.steps.len(),
        );
        for (at, link) in self.links.iter().enumerate() {
            let limits = if self.is_limiting(link) {
                ", the limiting link"
            } else {
                ""
            };
            let name = words::link(link, self.names);
            let most = if words::is_limit(link) {
                "at most"
            } else {
                "about"
            };
            text.push_str(&format!(
                " {}: {name}, {most} {}{limits}.",
                letter(at),
                speed(link.mbps * 1e6)
            ));
        }
        text
    }

    fn links(&self) -> Markup {
        let place = |link: &LinkPart| Some(self.is_drawn(link));
        if self.links.is_empty() {
            return html! {};
        }
        links(self.links, self.limiting, self.names, place)
    }

    fn numbers(&self) -> Markup {
        html! {
            details {
                summary { "The plot's numbers, " (count(len64(self.steps.len()))) " steps" }
                table {
                    caption { "Read from the card" }
                    thead {
                        tr {
                            th scope="col" { "From second" } th.n scope="col" { "Seconds" }
                            th.n scope="col" { "Bytes" } th.n scope="col" { "MB/s" }
                        }
                    }
                    tbody {
                        @for step in self.steps {
                            tr {
                                td { (plain(step.from_s)) }
                                td.n { (tenth(step.seconds)) }
                                td.n { (count(step.bytes)) }
                                td.n { (tenth(step.mbps())) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The links as a table. `is_drawn`: whether the plot has a line for one; none without a plot.
fn links(
    links: &[LinkPart],
    limiting: &str,
    names: &[String],
    is_drawn: impl Fn(&LinkPart) -> Option<bool>,
) -> Markup {
    html! {
        table {
            caption { "What is known of each part" }
            thead {
                tr {
                    th scope="col" { "Part" } th.n scope="col" { "Rate" }
                    th scope="col" { "Figure from" }
                }
            }
            tbody {
                @for (at, link) in links.iter().enumerate() {
                    @let drawn = is_drawn(link);
                    tr {
                        td {
                            @if drawn.is_some() { strong { (letter(at)) } " " }
                            bdi { (words::link(link, names)) }
                            @if words::is_limiting(link, limiting) { strong { " (the limit)" } }
                        }
                        td.n { @if words::is_limit(link) { "at most " } (speed(link.mbps * 1e6)) }
                        td {
                            bdi { (words::origin(link)) }
                            @if drawn == Some(false) { "; above the plot" }
                        }
                    }
                }
            }
        }
    }
}

/// A, B, C and so on; after 26, numbers.
fn letter(at: usize) -> String {
    match u8::try_from(at) {
        Ok(n @ 0..26) => char::from(b'A' + n).to_string(),
        _ => (at + 1).to_string(),
    }
}

fn fixed(value: f64) -> String {
    format!("{value:.1}")
}

fn tenth(value: f64) -> String {
    format!("{value:.1}")
}

/// Without needless digits: `0.5`, `1`, `250`.
fn plain(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Returns 0 and the multiples of a round number up to `end`, about `wanted` of them.
fn ticks(end: f64, wanted: f64) -> Vec<f64> {
    // Only what every machine reckons alike: the page is compared byte for byte, and logarithms
    // differ in the last digit.
    let mut step = 0.001;
    for factor in [2.0, 2.5, 2.0].into_iter().cycle().take(60) {
        if step >= end / wanted {
            break;
        }
        step *= factor;
    }
    until(end, step)
}

/// Returns 0, `step`, 2 `step` and so on up to `end`, 20 at most.
fn until(end: f64, step: f64) -> Vec<f64> {
    let n = if step > 0.0 {
        whole((end / step).floor()).min(20)
    } else {
        0
    };
    (0..=n).map(|i| float(i) * step).collect()
}

/// Returns a round step of time for the axis in seconds, its unit and the unit's seconds.
fn time_step(end: f64) -> (f64, &'static str, f64) {
    const STEPS: [f64; 15] = [
        1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0, 300.0, 600.0, 1_200.0, 3_600.0, 7_200.0, 14_400.0,
        43_200.0, 86_400.0,
    ];
    let found = STEPS.into_iter().find(|step| end / step <= 5.0);
    let step = found.unwrap_or_else(|| 86_400.0 * (end / 86_400.0 / 5.0).ceil());
    match step {
        ..60.0 => (step, "s", 1.0),
        60.0..3_600.0 => (step, "min", 60.0),
        _ => (step, "h", 3_600.0),
    }
}
