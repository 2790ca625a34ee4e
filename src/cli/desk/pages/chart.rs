//! Owns the plots of *Weigh*: curves over an axis, told apart by letters and dashes and not by
//! colour alone. Pure.

use super::frame::foreign;
use maud::{Markup, html};
use unlade::units::{count, float, len64, whole};

/// The plot's edges in its own units, of 720 by 350.
const LEFT: f64 = 84.0;
const RIGHT: f64 = 676.0;
const TOP: f64 = 56.0;
const BOTTOM: f64 = 258.0;
/// Curves that are drawn.
pub(super) const CURVES_MAX: usize = 6;
/// Lines across that are drawn.
const MARKS_MAX: usize = 6;
/// How the curves are drawn: dashes and gaps, the first without.
const DASHES: [&str; CURVES_MAX] = ["none", "10 5", "3 4", "14 4 3 4", "7 3", "2 7"];
const LETTERS: [&str; CURVES_MAX] = ["A", "B", "C", "D", "E", "F"];
/// Least distance between two letters.
const GAP: f64 = 26.0;

/// A curve: what it is of, what is to be said of it, and its points from the left to the right.
pub(super) struct Curve {
    pub(super) name: String,
    pub(super) said: String,
    pub(super) points: Vec<(f64, f64)>,
}

/// What is drawn.
pub(super) struct Chart<'a> {
    /// Names the plot within the document.
    pub(super) id: &'a str,
    pub(super) title: &'a str,
    /// What the axes are of, and in which unit.
    pub(super) x: &'a str,
    pub(super) y: &'a str,
    pub(super) curves: Vec<Curve>,
    /// Lines across at an x, each with its name.
    pub(super) marks: Vec<(f64, String)>,
}

/// Where something is on the plot.
struct Scale {
    x: (f64, f64),
    top: f64,
}

impl Scale {
    fn x(&self, value: f64) -> f64 {
        LEFT + (RIGHT - LEFT) * (value - self.x.0) / (self.x.1 - self.x.0).max(f64::EPSILON)
    }

    fn y(&self, value: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * value / self.top
    }
}

/// Round values from zero to at most this, some five of them.
fn ticks(top: f64) -> Vec<f64> {
    let raw = top / 5.0;
    let power = 10_f64.powf(raw.log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|n| n * power);
    let step = steps.into_iter().find(|step| *step >= raw * 0.999);
    let step = step.unwrap_or(power);
    let all = (0..=10).map(|n: u64| float(n) * step);
    all.take_while(|tick| *tick <= top).collect()
}

/// A value at an axis, without decimals where it has none.
pub(super) fn figure(value: f64) -> String {
    if (value - value.round()).abs() < 1e-6 {
        count(whole(value))
    } else {
        format!("{value:.1}")
    }
}

fn fixed(value: f64) -> String {
    format!("{value:.1}")
}

fn course(points: &[(f64, f64)], scale: &Scale) -> String {
    let mut path = String::new();
    for (at, (x, y)) in points.iter().enumerate() {
        let go = if at == 0 { 'M' } else { 'L' };
        path.push_str(&format!("{go}{:.1} {:.1}", scale.x(*x), scale.y(*y)));
    }
    path
}

/// Heights of the letters at the ends of curves, which keep their distance.
fn letters_at(ends: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..ends.len()).collect();
    let height = |at: usize| ends.get(at).copied().unwrap_or(BOTTOM);
    order.sort_by(|a, b| height(*b).total_cmp(&height(*a)));
    let mut placed = vec![0.0; ends.len()];
    let mut below = f64::INFINITY;
    for at in order {
        below = (height(at) + 5.0).min(below - GAP);
        if let Some(place) = placed.get_mut(at) {
            *place = below;
        }
    }
    placed
}

impl Chart<'_> {
    fn scale(&self) -> Option<Scale> {
        let points = || self.curves.iter().flat_map(|curve| &curve.points);
        let low = points().map(|p| p.0).fold(f64::INFINITY, f64::min);
        let high = points().map(|p| p.0).fold(0.0, f64::max);
        let top = points().map(|p| p.1).fold(0.0, f64::max);
        let is_drawn = low.is_finite() && high > low && top > 0.0 && top.is_finite();
        is_drawn.then_some(Scale {
            x: (low, high),
            top: top * 1.05,
        })
    }

    /// Returns the plot; a sentence where there is nothing to draw.
    pub(super) fn html(&self) -> Markup {
        let Some(scale) = self.scale() else {
            return html! { p.soft { "There is nothing to draw." } };
        };
        let curves = || self.curves.iter().take(CURVES_MAX);
        let ends = curves().filter_map(|curve| curve.points.last());
        let ends: Vec<f64> = ends.map(|end| scale.y(end.1)).collect();
        let is_within = |mark: &&(f64, String)| (scale.x.0..=scale.x.1).contains(&mark.0);
        let marks = || self.marks.iter().filter(is_within).take(MARKS_MAX);
        let x_ticks = ticks(scale.x.1).into_iter().filter(|x| *x >= scale.x.0);
        let (title, desc) = (format!("{}-title", self.id), format!("{}-desc", self.id));
        html! {
            figure {
                svg viewBox="0 0 720 350" role="img" aria-labelledby={ (title) " " (desc) } {
                    title id=(title) { (self.title) }
                    desc id=(desc) {
                        @for curve in curves() { (curve.name) ": " (curve.said) " " }
                    }
                    @for tick in ticks(scale.top) {
                        @let y = fixed(scale.y(tick));
                        line.level x1=(LEFT) x2=(RIGHT) y1=(y) y2=(y) {}
                        text x=(LEFT - 8.0) y=(fixed(scale.y(tick) + 5.0)) text-anchor="end" {
                            (figure(tick))
                        }
                    }
                    @for tick in x_ticks {
                        text x=(fixed(scale.x(tick))) y=(BOTTOM + 30.0) text-anchor="middle" {
                            (figure(tick))
                        }
                    }
                    text x="4" y="26" { (self.y) }
                    text x=(RIGHT) y=(BOTTOM + 68.0) text-anchor="end" { (self.x) }
                    @for (number, (at, name)) in marks().enumerate() {
                        @let x = fixed(scale.x(*at));
                        @let y = TOP - 4.0 + GAP * float(len64(number % 3));
                        line.limit x1=(x) x2=(x) y1=(TOP) y2=(BOTTOM) {}
                        text x=(fixed(scale.x(*at) + 4.0)) y=(fixed(y)) { (name) }
                    }
                    @for (curve, dash) in curves().zip(DASHES) {
                        path.rate d=(course(&curve.points, &scale)) stroke-dasharray=(dash) {}
                    }
                    @for (letter, y) in LETTERS.iter().zip(letters_at(&ends)) {
                        text.letter x=(RIGHT + 8.0) y=(fixed(y)) { (letter) }
                    }
                }
                figcaption {
                    ul.legend {
                        @for (curve, letter) in curves().zip(LETTERS) {
                            li { strong { (letter) " " (foreign(&curve.name)) } ": " (curve.said) }
                        }
                    }
                }
            }
        }
    }
}

/// Returns the same numbers as a table. It may be wider than a small screen, and is then moved.
pub(super) fn numbers(caption: &str, heads: &[String], rows: &[Vec<String>]) -> Markup {
    html! {
        div.wide role="region" aria-label=(caption) tabindex="0" {
            table {
                caption { (caption) }
                thead { tr { @for head in heads { th scope="col" { (foreign(head)) } } } }
                tbody {
                    @for row in rows {
                        tr {
                            @for (at, cell) in row.iter().enumerate() {
                                @if at == 0 { th scope="row" { (foreign(cell)) } }
                                @else { td { (cell) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chart(curves: &[&[(f64, f64)]]) -> Chart<'static> {
        let curve = |points: &&[(f64, f64)]| Curve {
            name: "<kite>".to_owned(),
            said: "as drawn.".to_owned(),
            points: points.to_vec(),
        };
        Chart {
            id: "c",
            title: "Kites",
            x: "MB/s",
            y: "min",
            curves: curves.iter().map(curve).collect(),
            marks: vec![(150.0, "A1".to_owned()), (900.0, "far".to_owned())],
        }
    }

    /// The figures are plain arithmetic on the plot's own edges.
    #[test]
    fn points_are_drawn_where_they_belong_and_told_apart_without_colour() {
        let plot = chart(&[
            &[(100.0, 20.0), (200.0, 10.0)],
            &[(100.0, 20.0), (200.0, 10.0)],
        ]);
        let plot = plot.html().into_string();
        let y = |value: f64| BOTTOM - (BOTTOM - TOP) * value / (20.0 * 1.05);
        let course = format!("M{LEFT:.1} {:.1}L{RIGHT:.1} {:.1}", y(20.0), y(10.0));
        assert_eq!(plot.matches(&course).count(), 2, "{plot}");
        assert!(plot.contains("stroke-dasharray=\"10 5\""), "{plot}");
        let middle = f64::midpoint(LEFT, RIGHT);
        assert!(plot.contains(&format!("x1=\"{middle:.1}\"")), "{plot}");
        assert!(!plot.contains("far") && !plot.contains("<kite>"), "{plot}");
        let heights = letters_at(&[100.0, 100.0, 40.0]);
        assert!((heights[0] - heights[1]).abs() >= GAP, "{heights:?}");
    }

    #[test]
    fn ticks_are_round_and_a_chart_without_points_is_a_sentence() {
        assert_eq!(ticks(23.0), [0.0, 5.0, 10.0, 15.0, 20.0]);
        assert_eq!(ticks(1_000.0), [0.0, 200.0, 400.0, 600.0, 800.0, 1_000.0]);
        for empty in [
            chart(&[]),
            chart(&[&[(1.0, 1.0)]]),
            chart(&[&[(1.0, f64::NAN)]]),
        ] {
            assert!(!empty.html().into_string().contains("<svg"));
        }
    }
}
