//! Owns the answer of `weigh upgrade`: what a faster part would save, in words and for programs,
//! with what was assumed.

use crate::cli::args::weigh::Price;
use crate::cli::command::weigh::result::rounded;
use serde_json::{Value, json};
use unlade::speed::upgrade::{
    Apart, HELP_S, RatedStage, Saving, Setup, SpinAssumption, StageName, per_hour,
};
use unlade::units::{counted, size, speed};

/// Rates that differ by less than this share are the same.
const SAME_SHARE: f64 = 0.01;

/// Fewer seconds are none but for the last binary digit; one byte takes more.
const NOTHING: f64 = 1e-9;

/// What the figures of the exchanged parts alone would save.
#[derive(Clone, Copy)]
pub(crate) struct Promise {
    /// Seconds for each offload.
    pub(crate) saved_s: f64,
    /// Rate now, bytes per second.
    pub(crate) old: f64,
    /// Rate of the new parts, bytes per second.
    pub(crate) new: f64,
    /// The rate now was measured and is no figure of the parts.
    pub(crate) is_measured: bool,
}

/// A question with everything that its answer needs.
pub(crate) struct Case {
    /// Bytes of one offload.
    pub(crate) bytes: u64,
    pub(crate) per_year: Option<u32>,
    pub(crate) price: Option<Price>,
    pub(crate) promised: Option<Promise>,
    pub(crate) now: Setup,
    pub(crate) then: Setup,
}

/// One case of what the drives are: what sets the time now and then, and what is saved.
struct SpeedUp {
    now: RatedStage,
    then: RatedStage,
    saving: Saving,
}

/// A stage as the subject of a sentence.
fn the(part: &RatedStage) -> String {
    match &part.name {
        name @ StageName::Drive(_) => name.to_string(),
        name => format!("the {name}"),
    }
}

/// A stage with what it gives.
fn with_rate(part: &RatedStage) -> String {
    let turns = if part.is_in_turns {
        ", writing and reading back in turns"
    } else {
        ""
    };
    format!("{} ({}{turns})", the(part), speed(part.bytes_per_s))
}

/// Minutes with one decimal, as people say them; seconds where that would be none.
pub(crate) fn span(seconds: f64) -> String {
    let length = seconds.abs();
    if (NOTHING..0.01).contains(&length) {
        "less than 0.01 s".to_owned()
    } else if (0.01..3.0).contains(&length) {
        format!("{seconds:.2} s")
    } else {
        format!("{:.1} min", clean(seconds / 60.0))
    }
}

/// Hours with one decimal; less where that would be none.
fn hours(seconds: f64) -> String {
    if (NOTHING..180.0).contains(&seconds.abs()) {
        span(seconds)
    } else {
        format!("{:.1} h", clean(seconds / 3_600.0))
    }
}

/// An amount of money with one decimal, or with two figures where that would leave none.
fn amount(value: f64) -> String {
    let mut decimals = 1;
    let mut least = 1.0;
    while value < least && decimals < 18 {
        decimals += 1;
        least /= 10.0;
    }
    if decimals == 1 {
        format!("{:.1}", clean(value))
    } else {
        format!("{value:.decimals$}")
    }
}

/// Rounds halves up in spite of the last binary digit, and has no minus before a zero.
fn clean(value: f64) -> f64 {
    let tenths = (value * 10.0 + 1e-6).floor();
    let half = if value * 10.0 - tenths >= 0.5 - 1e-6 {
        1.0
    } else {
        0.0
    };
    (tenths + half) / 10.0 + 0.0
}

impl SpeedUp {
    /// Returns whether the same stage sets the time before and after.
    fn is_held_alike(&self) -> bool {
        self.now.name == self.then.name && self.is_as_fast()
    }

    fn is_as_fast(&self) -> bool {
        (self.then.bytes_per_s / self.now.bytes_per_s - 1.0).abs() < SAME_SHARE
    }

    /// Says why it would not help; `None` where it helps.
    fn no_help(&self) -> Option<String> {
        if self.saving.helps() {
            return None;
        }
        let after = the(&self.then);
        Some(if self.is_held_alike() {
            format!("it would not help: {after} holds the copy back before and after.")
        } else if self.is_as_fast() {
            format!("it would not help: {after} would then hold the copy back as much.")
        } else if self.then.bytes_per_s < self.now.bytes_per_s {
            format!("it would not help: it would be slower; {after} would hold it back.")
        } else {
            "it would not help: so little is copied that less than half a second is saved."
                .to_owned()
        })
    }
}

impl Case {
    /// Returns the cases that there are: two where it matters whether the drives spin and nobody
    /// knows.
    fn assumptions(&self) -> &'static [SpinAssumption] {
        if self.now.may_spin() || self.then.may_spin() {
            &[SpinAssumption::NotSpinning, SpinAssumption::Spinning]
        } else {
            &[SpinAssumption::NotSpinning]
        }
    }

    /// Returns one case; `None` if nothing is known of what holds the copy back.
    fn outcome(&self, assumed: SpinAssumption) -> Option<SpeedUp> {
        Some(SpeedUp {
            now: self.now.limiting(assumed)?,
            then: self.then.limiting(assumed)?,
            saving: Saving::of(&self.now, &self.then, self.bytes, assumed)?,
        })
    }

    /// Returns every line of the answer; `None` if nothing is known of what holds the copy back.
    pub(crate) fn lines(&self) -> Option<Vec<(&'static str, String)>> {
        let outcomes: Vec<SpeedUp> = self
            .assumptions()
            .iter()
            .map(|assumed| self.outcome(*assumed))
            .collect::<Option<_>>()?;
        let mut lines = Vec::new();
        let mut each = |label, text: &dyn Fn(&SpeedUp) -> Option<String>| {
            lines.extend(cases(label, outcomes.iter().map(text).collect()));
        };
        each("Now", &|o| Some(self.side(o.saving.now_s, &o.now)));
        each("Then", &|o| Some(self.side(o.saving.then_s, &o.then)));
        each("Verdict", &SpeedUp::no_help);
        each("Saves", &|o| Some(self.saves(o.saving.saved_s())));
        each("A year", &|o| self.a_year(o.saving.saved_s()));
        each("Price", &|o| self.price_words(o.saving));
        let is_open = lines.iter().any(|(_, text)| text.starts_with(CASES[1]));
        lines.extend(self.box_words(&outcomes).map(|text| ("Label", text)));
        let helps = outcomes.iter().any(|o| o.saving.helps());
        lines.extend(self.apart_words(helps).map(|text| ("Apart", text)));
        if is_open {
            lines.push((
                "Drives",
                "nobody has said whether they spin, and at these rates they may. Say it once in \
                the kit (`unlade kit add drive NAME --writes MBPS --reads MBPS --spins yes`, or \
                `no`), then give the name."
                    .to_owned(),
            ));
        }
        Some(lines)
    }

    fn side(&self, takes_s: f64, limiting: &RatedStage) -> String {
        let work = if self.now.drives.is_empty() {
            "to copy"
        } else {
            "to copy and read back"
        };
        format!(
            "{} {work}, held back by {}",
            span(takes_s),
            with_rate(limiting)
        )
    }

    fn saves(&self, saved_s: f64) -> String {
        let each = format!("for each offload of {}", size(self.bytes));
        if saved_s < -HELP_S {
            format!("nothing: it takes {} longer {each}", span(-saved_s))
        } else {
            format!("{} {each}", span(saved_s.max(0.0)))
        }
    }

    fn a_year(&self, saved_s: f64) -> Option<String> {
        let n = self.per_year?;
        let year = saved_s * f64::from(n);
        let offloads = counted(n.into(), "offload");
        Some(if year < -HELP_S {
            format!("{} longer in {offloads}", hours(-year))
        } else {
            format!("{} in {offloads}", hours(year.max(0.0)))
        })
    }

    /// Returns what each saved hour costs in the first year; `None` where it does not help.
    fn each_hour(&self, saving: Saving) -> Option<f64> {
        let price = self.price.as_ref()?;
        let year = f64::from(self.per_year?);
        per_hour(price.amount, saving.saved_s() * year).filter(|_| saving.helps())
    }

    fn price_words(&self, saving: Saving) -> Option<String> {
        let price = self.price.as_ref()?;
        Some(match self.each_hour(saving) {
            Some(each) => format!(
                "{} for each hour saved in the first year",
                price.with(&amount(each))
            ),
            None => format!("{}, and next to no time is saved", price.given()),
        })
    }

    fn box_words(&self, outcomes: &[SpeedUp]) -> Option<String> {
        // Figures that are alike promise nothing, whatever two parts give together.
        let is_more = |p: &Promise| (p.new / p.old - 1.0).abs() >= SAME_SHARE;
        let promise = self.promised.filter(is_more)?;
        let old = if promise.is_measured {
            format!("the measured {}", speed(promise.old))
        } else {
            speed(promise.old)
        };
        let rates = format!("{} instead of {old}", speed(promise.new));
        let is_reached = |o: &SpeedUp| o.then.bytes_per_s >= (1.0 - SAME_SHARE) * promise.new;
        let first = outcomes.first()?;
        let after = |o: &SpeedUp| {
            let next = the(&o.then);
            if is_reached(o) {
                "nothing else takes over".to_owned()
            } else if o.is_held_alike() {
                format!("{next} sets the time before and after")
            } else {
                format!("then {next} takes over")
            }
        };
        let mut words = if is_reached(first) {
            format!("its own figures ({rates}) are reached: {}", after(first))
        } else {
            let longer = if promise.saved_s < 0.0 { " more" } else { "" };
            format!(
                "by its own figures alone ({rates}) it would be {}{longer} of copying; but {}",
                span(promise.saved_s.abs()),
                after(first)
            )
        };
        let other = outcomes.get(1).map(after);
        if let Some(other) = other.filter(|other| *other != after(first)) {
            words.push_str(&format!("; if the drives spin, {other}"));
        }
        Some(words)
    }

    /// What the same parts save in another process. No price stands there unless the part helps in
    /// this one.
    fn apart_words(&self, helps: bool) -> Option<String> {
        let apart = Apart::of(&self.now, &self.then, self.bytes)?;
        if apart.saved_s() <= HELP_S {
            return None;
        }
        let mut words = format!(
            "where all is copied first and read back afterwards, which unlade does not do, it \
            saves {} of copying and {} of read-back",
            span(apart.copy_s),
            span(apart.read_back_s)
        );
        if let Some(n) = self.per_year {
            let year = f64::from(n);
            words.push_str(&format!(
                "; {} in {} ({} of copying, {} of read-back)",
                hours(apart.saved_s() * year),
                counted(n.into(), "offload"),
                hours(apart.copy_s * year),
                hours(apart.read_back_s * year)
            ));
            let price = self.price.as_ref().filter(|_| helps);
            let each = price.and_then(|p| Some((p, per_hour(p.amount, apart.saved_s() * year)?)));
            if let Some((price, each)) = each {
                let each = price.with(&amount(each));
                words.push_str(&format!("; {each} for each hour"));
            }
        }
        Some(words)
    }

    /// Returns what the answer takes for granted.
    pub(crate) fn assumed(&self) -> Vec<&'static str> {
        let mut assumed = vec![
            "rates given or measured are reached; labels and links give the usual.",
            "files are large; many small ones take longer.",
        ];
        let setups = [&self.now, &self.then];
        let may = |assumed| setups.iter().any(|setup| setup.has_spinning(assumed));
        if self.now.drives.is_empty() {
            assumed.push("drives hold nothing back; --drives has them counted.");
        } else {
            assumed.push("copies are read back meanwhile; the slowest stage sets the time.");
        }
        if may(SpinAssumption::Spinning) {
            assumed.push("a hard disk writes and reads back in turns, at one rate unless given.");
        }
        let drives = || setups.iter().flat_map(|setup| &setup.drives);
        if drives().any(|drive| !drive.is_spinning()) {
            assumed.push("other drives write and read back at once, neither slowing the other.");
        }
        if self.price.is_some() {
            assumed.push("the price is spread over one year.");
        }
        assumed
    }

    /// Returns the answer for programs. Everything in it that is in no `if_...` rests on the drives
    /// as they are known, and those of which nobody knows it do not spin.
    pub(crate) fn json(&self) -> Value {
        let headline = SpinAssumption::NotSpinning;
        let side = |setup: &Setup| {
            let limiting = setup.limiting(headline);
            json!({
                "copy_s": setup.copy_s(self.bytes).map(rounded),
                "read_back_s": setup.read_back_s(self.bytes).map(rounded),
                "rolled_s": setup.takes_s(self.bytes, headline).map(rounded),
                "limiting_link": limiting.as_ref().map(|part| part.name.to_string()),
                "bytes_per_s": limiting.as_ref().map(|part| rounded(part.bytes_per_s)),
            })
        };
        let spins = [&self.now, &self.then].map(|setup| setup.has_spinning(headline));
        let outcome = self.outcome(headline);
        let saved = outcome.as_ref().map(|o| o.saving.saved_s());
        let copy = self
            .now
            .copy_s(self.bytes)
            .zip(self.then.copy_s(self.bytes));
        let apart = Apart::of(&self.now, &self.then, self.bytes);
        let is_open = self.assumptions().len() > 1;
        let case = |assumed| is_open.then(|| self.json_of(assumed));
        json!({
            "question": "upgrade", "offload_bytes": self.bytes, "per_year": self.per_year,
            "basis": if spins.contains(&true) { "spinning" } else { "not-spinning" },
            "now": side(&self.now), "then": side(&self.then),
            "saved": {
                "copy_s": copy.map(|(now, then)| rounded(now - then)),
                "read_back_s": apart.map(|a| rounded(a.read_back_s)),
                "rolled_s": saved.map(rounded),
                "a_year_h": self.a_year_h(saved),
            },
            "promised_s": self.promised.map(|p| rounded(p.saved_s)),
            "helps": outcome.as_ref().is_some_and(|o| o.saving.helps()),
            "price": self.price.as_ref().map(Price::given),
            "price_per_saved_hour": outcome.and_then(|o| self.each_hour(o.saving)).map(fine),
            "if_not_spinning": case(SpinAssumption::NotSpinning),
            "if_spinning": case(SpinAssumption::Spinning),
        })
    }

    /// One of two cases for programs.
    fn json_of(&self, assumed: SpinAssumption) -> Value {
        let outcome = self.outcome(assumed);
        outcome.map_or(Value::Null, |o| {
            json!({
                "now_s": rounded(o.saving.now_s), "then_s": rounded(o.saving.then_s),
                "now_limiting_link": o.now.name.to_string(),
                "then_limiting_link": o.then.name.to_string(),
                "saved_s": rounded(o.saving.saved_s()),
                "a_year_h": self.a_year_h(Some(o.saving.saved_s())),
                "helps": o.saving.helps(),
                "price_per_saved_hour": self.each_hour(o.saving).map(fine),
            })
        })
    }

    fn a_year_h(&self, saved_s: Option<f64>) -> Option<f64> {
        Some(rounded(saved_s? * f64::from(self.per_year?) / 3_600.0))
    }
}

/// How a line of one of two cases begins.
const CASES: [&str; 2] = ["if the drives do not spin: ", "if they spin: "];

/// Returns the lines of a label: one where all cases say the same, else one for each that says
/// anything.
fn cases(label: &'static str, mut texts: Vec<Option<String>>) -> Vec<(&'static str, String)> {
    texts.dedup();
    if let [text] = texts.as_slice() {
        return text.iter().map(|text| (label, capital(text))).collect();
    }
    let mut label = label;
    let mut lines = Vec::new();
    for (text, case) in texts.into_iter().zip(CASES) {
        if let Some(text) = text {
            lines.push((std::mem::take(&mut label), format!("{case}{text}")));
        }
    }
    lines
}

/// A sentence that stands alone begins with a capital; what is no sentence stays as it is.
fn capital(text: &str) -> String {
    if text.ends_with('.') {
        let mut chars = text.chars();
        chars.next().map_or(String::new(), |first| {
            first.to_uppercase().collect::<String>() + chars.as_str()
        })
    } else {
        text.to_owned()
    }
}

/// Thousandths for programs, and more where the amount is small.
fn fine(value: f64) -> f64 {
    if value >= 1.0 { rounded(value) } else { value }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn halves_are_rounded_up_and_zero_has_no_sign() {
        assert_eq!(format!("{:.1}", clean(12.15)), "12.2");
        assert_eq!(format!("{:.1}", clean(12.149_999_999)), "12.2");
        assert_eq!(format!("{:.1}", clean(12.14)), "12.1");
        assert_eq!(format!("{:.1}", clean(-1e-12)), "0.0");
        assert_eq!(format!("{:.1}", clean(7.4)), "7.4");
    }

    #[test]
    fn small_figures_keep_digits() {
        for (value, text) in [
            (12.15, "12.2"),
            (1.0, "1.0"),
            (0.5, "0.50"),
            (0.012_3, "0.012"),
            (0.000_002, "0.0000020"),
        ] {
            assert_eq!(amount(value), text);
        }
        for (seconds, text) in [
            (444.4, "7.4 min"),
            (3.0, "0.1 min"),
            (1.5, "1.50 s"),
            (1.1e-8, "less than 0.01 s"),
            (0.0, "0.0 min"),
        ] {
            assert_eq!(span(seconds), text);
        }
        assert_eq!(hours(17_776.0), "4.9 h");
        assert_eq!(hours(60.0), "1.0 min");
    }
}
