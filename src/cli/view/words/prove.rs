//! Owns what is said to the question without a copy: what each copy holds, why it is not proven,
//! what to do, and the answer.

use crate::cli::view::next_steps::STEPS_MAX;
use crate::cli::view::observer::ReadEnd;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words::answer::{CardAnswer, SAID_NOW, SAID_THEN, card_name, copies_line};
use crate::cli::view::words::compared::{folder_notes, folder_step, lack_lines};
use crate::cli::view::words::findings::UNREAD_STEP;
use crate::cli::view::words::hints::hint_lines;
use crate::cli::view::words::problem::refusal_steps;
use crate::cli::view::words::troubles::{
    NumberedTrouble, TroubleReason, alike, capital, numbered, sentence,
};
use std::borrow::Cow;
use std::collections::BTreeMap;
use unlade::error::{
    Cause, DENIED_STEP, NO_FILES_STEP, ODD_STEP, Problem, ProblemKind, UNEXPLAINED_STEP,
};
use unlade::existing::source::CardNow;
use unlade::name::{shown, some_of};
use unlade::proof::coverage::{Holding, UnprovenReason};
use unlade::run::prove::{Ask, ProveOutcome};
use unlade::units::{count, counted, len64, size};

/// Reasons that are printed one by one.
const REASONS_SHOWN: usize = 12;
const COMPARED_SHOWN: usize = 200;

/// What was found, and what the offloads that were looked at are called.
pub(crate) struct ProveAnswer<'a> {
    pub(crate) ask: &'a Ask,
    pub(crate) outcome: &'a ProveOutcome,
    /// In the order of the holdings.
    pub(crate) names: Vec<String>,
}

fn is_proven(outcome: &ProveOutcome) -> bool {
    !outcome.interrupted && outcome.answer.verdict.is_proven()
}

/// Returns what is said on a page where the question could not be put.
pub(crate) fn refused(ask: &Ask, reasons: &[Problem]) -> ReadEnd {
    let names: Vec<String> = ask.on.iter().map(ToString::to_string).collect();
    let card = ask.card.file_name().unwrap_or(ask.card.as_str());
    ReadEnd {
        name: card.to_owned(),
        heading: "NOT PROVEN".to_owned(),
        sentence: format!(
            "Keep {} as it is: don't format it, don't shoot on it.",
            shown(card)
        ),
        troubles: refusal_steps(reasons, &names),
        ..ReadEnd::default()
    }
}

/// Returns what the answer is about.
pub(crate) fn card_answer(outcome: &ProveOutcome, by_content: bool) -> CardAnswer<'_> {
    CardAnswer {
        proven: is_proven(outcome),
        card: &outcome.card.label,
        is_later: true,
        is_a_copy: by_content,
        is_part: outcome.part.is_some(),
        copies: outcome.answer.verdict.copies(),
        spread: outcome.answer.spread,
        // What each copy lacks is told with it; one that is not needed may be of another day.
        short: None,
        // It was looked at just now.
        now: CardNow::Unchanged,
        has_zeros: outcome.answer.has_zeros,
        has_media_left: outcome.answer.has_media_left,
    }
}

impl ProveAnswer<'_> {
    /// Returns the lines, the answer last. `shoot` are those on the shoot that the card belongs to.
    pub(crate) fn lines(&self, shoot: &[String], out: Out) -> Vec<String> {
        let answer = card_answer(self.outcome, self.ask.by_content);
        let (mut lines, first, then) = if out.verbose {
            (self.details(out), "Note     ", "         ")
        } else {
            (self.summary(out), "  ", "  ")
        };
        for warning in answer.warnings() {
            lines.extend(wrap(&warning, out.width, first, then));
        }
        lines.extend(shoot.iter().cloned());
        lines.extend(answer.lines(out));
        lines
    }

    /// Returns the same in parts, for a page.
    pub(crate) fn parts(&self, shoot: Vec<String>) -> ReadEnd {
        let answer = card_answer(self.outcome, self.ask.by_content);
        let words = answer.words();
        let copies = self.holdings().map(|(holding, name)| {
            let lacks = self.lack_lines(holding, false);
            let all = std::iter::once(self.holding_words(holding)).chain(lacks);
            (name.clone(), all.collect())
        });
        let troubles = (!self.is_proven()).then(|| self.troubles());
        let caution = answer.caution().map(str::to_owned);
        ReadEnd {
            name: self.outcome.card.label.clone(),
            heading: format!("{}{}", words.word, words.of),
            is_good: self.is_proven(),
            sentence: words.rest,
            before: answer.warnings().into_iter().chain(caution).collect(),
            head: format!("{}: {}.", self.card(), self.listed()),
            copies: copies.collect(),
            troubles: troubles
                .into_iter()
                .flatten()
                .map(|trouble| {
                    let said = Some(trouble.reasons.join(" ")).filter(|said| !said.is_empty());
                    (said.into_iter().collect(), trouble.step)
                })
                .collect(),
            notes: self.notes().into_iter().chain(shoot).collect(),
            ..ReadEnd::default()
        }
    }

    fn is_proven(&self) -> bool {
        is_proven(self.outcome)
    }

    /// `KITES (volume 6234-ABCD)`.
    fn card(&self) -> String {
        let card = &self.outcome.card;
        card_name(&card.label, card.volume_id.as_deref())
    }

    /// `1,204 files, 128 GB`.
    fn listed(&self) -> String {
        let (files, bytes) = self.outcome.listed;
        format!("{}, {}", counted(files, "file"), size(bytes))
    }

    fn holdings(&self) -> impl Iterator<Item = (&Holding, &String)> {
        self.outcome.answer.holdings.iter().zip(&self.names)
    }

    /// Returns what is needed to know: what each copy holds, what is out of the ordinary, why it is
    /// not proven and what to do.
    fn summary(&self, out: Out) -> Vec<String> {
        let head = format!("{}: {}", self.card(), self.listed());
        let mut lines = wrap(&head, out.width, "", "  ");
        for (holding, name) in self.holdings() {
            let text = format!("{name}  {}", self.holding_words(holding));
            lines.extend(wrap(&text, out.width, "  ", "      "));
            for lack in self.lack_lines(holding, false) {
                lines.extend(wrap(&lack, out.width, "      ", "        "));
            }
        }
        lines.extend(self.hints(out));
        for note in self.notes() {
            lines.extend(wrap(&note, out.width, "  ", "  "));
        }
        if !self.is_proven() {
            lines.extend(numbered(&self.troubles(), out.width));
        }
        lines
    }

    /// Returns all that is known of it.
    fn details(&self, out: Out) -> Vec<String> {
        let answer = &self.outcome.answer;
        let given = shown(self.ask.card.as_str());
        let mut lines = vec![format!(
            "Card     {} at {given}: {}",
            self.card(),
            self.listed()
        )];
        for (index, (holding, name)) in self.holdings().enumerate() {
            let root = shown(&holding.root);
            let at = if *name == root {
                root
            } else {
                format!("{name}: {root}")
            };
            lines.push(format!("Copy {}   {at}", index + 1));
            lines.extend(self.holding_lines(holding, out));
        }
        lines.extend(self.hints(out));
        if answer.holdings.is_empty() {
            lines.push("Copy     no offload of this card that can be used".to_owned());
        }
        let said = if self.ask.separate {
            SAID_NOW
        } else {
            SAID_THEN
        };
        lines.push(copies_line(
            answer.verdict.copies(),
            self.ask.copies_needed,
            answer.is_stated.then_some(said),
        ));
        for note in self.notes() {
            lines.extend(wrap(&note, out.width, "Note     ", "         "));
        }
        if self.is_proven() {
            lines.extend(wrap(&self.basis(), out.width, "Basis    ", "         "));
            return lines;
        }
        lines.extend(self.reasons(out));
        for step in self.steps() {
            lines.extend(wrap(&step, out.width, "Next     ", "         "));
        }
        lines
    }

    /// Returns what a copy holds, and on what that rests.
    fn holding_words(&self, holding: &Holding) -> String {
        if holding.files == 0 && holding.unread > 0 {
            return holding.basis.clone();
        }
        format!(
            "{} of {} on the card, {}; {}",
            count(holding.files),
            counted(self.outcome.listed.0, "file"),
            size(holding.bytes),
            holding.basis
        )
    }

    /// Tells what a copy holds and what it lacks, also where other copies are enough.
    fn holding_lines(&self, holding: &Holding, out: Out) -> Vec<String> {
        let text = self.holding_words(holding);
        let mut lines = wrap(&text, out.width, "         ", "         ");
        for lack in self.lack_lines(holding, true) {
            lines.extend(wrap(&lack, out.width, "         ", "           "));
        }
        lines
    }

    /// What is the matter with a copy. Of a question that was stopped nothing is known.
    fn lack_lines(&self, holding: &Holding, is_verbose: bool) -> Vec<String> {
        if self.outcome.interrupted {
            return Vec::new();
        }
        lack_lines(holding, is_verbose)
    }

    /// Hints on what was recorded, where nobody looked at that before.
    fn hints(&self, out: Out) -> Vec<String> {
        let seen = self.outcome.recordings.as_ref();
        let seen = seen.filter(|_| !self.outcome.interrupted);
        seen.map_or_else(Vec::new, |seen| hint_lines(&seen.hints, out))
    }

    fn notes(&self) -> Vec<String> {
        let (ask, outcome) = (self.ask, self.outcome);
        let mut notes = outcome.answer.notes.clone();
        let found = !outcome.answer.holdings.is_empty();
        notes.extend(folder_notes(self.holdings()));
        for path in outcome.elsewhere.iter().take(4) {
            notes.push(format!(
                "By the ledger this card was copied to `{path}` as well. To count that copy, name \
                the folder above it with --on."
            ));
        }
        if found && !outcome.is_card_read {
            notes.push(self.sampled());
        }
        if outcome.card_way.is_some_and(|way| !way.reaches_device()) {
            notes.push("The card's content may have come from the computer's memory.".to_owned());
        }
        let mut reasons = outcome.answer.reasons.iter();
        if ask.by_content && found && reasons.all(|r| r.kind == ProblemKind::TooFewCopies) {
            let text = "This card holds what the offload holds, file by file: until it is \
                formatted it is one more copy.";
            notes.push(text.to_owned());
        }
        notes
    }

    /// Says what of the card was read, and on what the answer rests for the rest.
    fn sampled(&self) -> String {
        let (files, bytes) = self.outcome.answer.sampled;
        let (listed, listed_bytes) = self.outcome.listed;
        let read = format!(
            "{} of {} on the card ({})",
            count(files),
            counted(listed, "file"),
            size(bytes)
        );
        let was = if files == 1 { "was" } else { "were" };
        if files == 0 {
            "The card was listed, not read: the answer rests on its names, sizes and dates being \
            as they were. --reread reads everything again."
                .to_owned()
        } else if bytes == listed_bytes {
            format!(
                "All that this card holds ({}) was read from it, and is equal.",
                size(bytes)
            )
        } else {
            format!(
                "As a sample, {read} {was} read from it, and equal. For the others the answer \
                rests on their names, sizes and dates being as they were. --reread reads \
                everything again."
            )
        }
    }

    fn reasons(&self, out: Out) -> Vec<String> {
        if self.outcome.interrupted {
            // What was not read again says nothing about any file.
            return vec!["Reason   it was interrupted.".to_owned()];
        }
        let all = &self.outcome.answer.reasons;
        let mut lines = Vec::new();
        // Where two cards are compared their names are what was asked for.
        let shown_most = if self.ask.by_content {
            COMPARED_SHOWN
        } else {
            REASONS_SHOWN
        };
        for reason in all.iter().take(shown_most) {
            let text = self.words(reason);
            let text = format!("{} ({}).", text.trim_end_matches('.'), reason.kind);
            lines.extend(wrap(&text, out.width, "Reason   ", "         "));
        }
        let rest = || all.iter().skip(shown_most);
        let files: u64 = rest().map(|r| r.files).sum();
        let others = len64(rest().filter(|r| r.files == 0).count());
        let mut more = Vec::new();
        if files > 0 {
            more.push(counted(files, "more file"));
        }
        if others > 0 {
            more.push(counted(others, "more reason"));
        }
        if !more.is_empty() {
            lines.push(format!("         and {}", more.join(" and ")));
        }
        lines
    }

    fn basis(&self) -> String {
        let what = if self.outcome.part.is_some() {
            "in this folder".to_owned()
        } else {
            format!("on card {}", self.card())
        };
        format!("Every file {what} is on as many drives as you asked for.")
    }

    /// Returns the reasons by what is to be done about them.
    fn troubles(&self) -> Vec<NumberedTrouble> {
        let all = self.outcome.answer.reasons.iter();
        if let Some(steps) = self.steps_of_all() {
            // What is wrong with what was given says more than that there are too few.
            let mut all: Vec<&UnprovenReason> = all.collect();
            all.sort_by_key(|reason| !reason.is_of_drive);
            let all = all.into_iter().map(|reason| self.trouble(reason));
            let mut reasons = alike(all);
            let steps = steps.into_iter();
            return steps
                .map(|step| NumberedTrouble {
                    // All of them lead to the first.
                    reasons: std::mem::take(&mut reasons),
                    step: step.into_owned(),
                })
                .collect();
        }
        let mut by_step: BTreeMap<(u8, Cow<'static, str>), Vec<_>> = BTreeMap::new();
        for reason in all.filter(|r| !is_difference(r)) {
            let step = by_step.entry(self.step(reason)).or_default();
            step.push(self.trouble(reason));
        }
        let by_step = by_step
            .into_iter()
            .map(|((_, step), reasons)| NumberedTrouble {
                reasons: alike(reasons.into_iter()),
                step: step.into_owned(),
            });
        let differences = self.differences().into_iter();
        differences.chain(by_step).take(STEPS_MAX).collect()
    }

    /// Returns what to do next: one step for each kind of trouble.
    fn steps(&self) -> Vec<Cow<'static, str>> {
        self.steps_of_all().unwrap_or_else(|| {
            let reasons = self.outcome.answer.reasons.iter();
            let mut steps: Vec<_> = reasons.map(|r| self.step(r)).collect();
            steps.sort_unstable();
            steps.dedup();
            let steps = steps.into_iter().map(|(_, step)| step);
            steps.take(STEPS_MAX).collect()
        })
    }

    /// Returns a reason, and which are like it: those of single files by what is the matter, those
    /// of a copy by the copy as well.
    fn trouble<'b>(&self, reason: &'b UnprovenReason) -> TroubleReason<Likeness<'b>> {
        let like = reason.like.unwrap_or(&reason.detail);
        TroubleReason {
            like: (like, reason.kind, reason.offload.as_deref()),
            words: self.words(reason),
            count: if reason.offload.is_some() {
                1
            } else {
                reason.files.max(1)
            },
        }
    }

    /// Returns a reason as a sentence.
    fn words(&self, reason: &UnprovenReason) -> String {
        let name = |root: &str| {
            let found = self.holdings().find(|(holding, _)| holding.root == root);
            found.map_or_else(|| shown(root), |(_, name)| name.clone())
        };
        let text = shown(&reason.words(name));
        match &reason.path {
            Some(path) => sentence(&format!("`{}` {text}", shown(path))),
            None => sentence(&capital(&text)),
        }
    }

    /// Returns what to do where that does not follow from the single reasons.
    fn steps_of_all(&self) -> Option<Vec<Cow<'static, str>>> {
        let answer = &self.outcome.answer;
        if self.outcome.interrupted {
            let again = "Run the same command again; the question starts over.";
            return Some(vec![again.into()]);
        }
        if answer.holdings.is_empty() {
            let unread = |r: &UnprovenReason| r.is_of_drive && r.kind == ProblemKind::Unreadable;
            let damaged = |r: &UnprovenReason| r.kind == ProblemKind::ManifestDamaged;
            let unread = answer.reasons.iter().any(unread).then_some(UNREAD_STEP);
            let damaged = answer.reasons.iter().any(damaged);
            let damaged = damaged.then(|| ProblemKind::ManifestDamaged.next_step());
            let steps = unread.into_iter().chain(damaged).chain([COPY_STEP]);
            return Some(steps.map(Cow::from).collect());
        }
        None
    }

    /// Returns what one kind of reason asks for, and its place among the steps.
    fn step(&self, reason: &UnprovenReason) -> (u8, Cow<'static, str>) {
        if matches!(reason.cause, Some(Cause::InFolder | Cause::InRecords)) {
            return folder_step(self.ask, reason, &self.outcome.answer.holdings);
        }
        let (place, step) = step(self.ask, reason);
        (place, step.into())
    }

    /// Returns what two cards don't have in common: names of each kind, with what to do.
    fn differences(&self) -> Vec<NumberedTrouble> {
        let kinds: [DifferenceKind; 3] = [
            ("Other content than in the offload", DIFFERS_STEP, differs),
            ("On this card and in no offload", DIFFERS_STEP, |r| {
                r.cause == Some(Cause::OnCardOnly)
            }),
            ("In the offload and not on this card", LESS_STEP, |r| {
                r.cause == Some(Cause::InOffloadOnly)
            }),
        ];
        let all = &self.outcome.answer.reasons;
        let of_kind = |(what, step, is_it): &DifferenceKind| {
            let files: u64 = all.iter().filter(|r| is_it(r)).map(|r| r.files).sum();
            let names = all.iter().filter(|r| is_it(r));
            let names = names.filter_map(|r| r.path.as_deref());
            (files > 0).then(|| NumberedTrouble {
                reasons: vec![format!(
                    "{what}: {}.",
                    some_of(names, DIFFERENCES_SHOWN, files, "file")
                )],
                step: (*step).to_owned(),
            })
        };
        kinds.iter().filter_map(of_kind).collect()
    }
}

/// What those that are alike have in common.
type Likeness<'a> = (&'a str, ProblemKind, Option<&'a str>);

/// How two cards differ: in words, what to do, and which reasons say so.
type DifferenceKind = (&'static str, &'static str, fn(&UnprovenReason) -> bool);

/// Whether a file has other content on the other slot's card.
fn differs(reason: &UnprovenReason) -> bool {
    reason.kind == ProblemKind::Mismatch && reason.cause != Some(Cause::InFolder)
}

/// Whether a reason is that two cards are not alike.
fn is_difference(reason: &UnprovenReason) -> bool {
    let of_one = [Cause::OnCardOnly, Cause::InOffloadOnly];
    differs(reason) || reason.cause.is_some_and(|cause| of_one.contains(&cause))
}

/// Names of each kind of difference between two cards that are told at once; --verbose has more.
const DIFFERENCES_SHOWN: usize = 5;

/// What to do about what is on this card and not in the offload.
const DIFFERS_STEP: &str =
    "Copy this card as well, under a --name of its own, if you need what differs.";

/// What to do where the other card has more.
const LESS_STEP: &str = "Find out why this card has less before you format either.";

/// What to do where there is no copy that counts.
const COPY_STEP: &str =
    "Copy this card with `unlade copy`, or name the folders that hold its offloads with --on.";

/// What to do where an earlier check found a copy damaged.
const FOUND_STEP: &str = "Check that copy with `unlade verify`: what is read whole and equal \
    counts again. What is still damaged: run the same `unlade copy` again, it says what to do. \
    Then ask again.";

/// Returns what one kind of reason asks for, and its place among the steps.
fn step(ask: &Ask, reason: &UnprovenReason) -> (u8, &'static str) {
    match reason.kind {
        _ if reason.cause == Some(Cause::NoFiles) => (0, NO_FILES_STEP),
        _ if reason.cause == Some(Cause::InOffloadOnly) => (4, LESS_STEP),
        _ if is_difference(reason) => (3, DIFFERS_STEP),
        _ if reason.cause == Some(Cause::FoundDamaged) => (2, FOUND_STEP),
        ProblemKind::Unreadable if reason.is_of_drive => (1, UNREAD_STEP),
        ProblemKind::ManifestDamaged => (3, ProblemKind::ManifestDamaged.next_step()),
        ProblemKind::SameDevice => (4, COPY_STEP),
        ProblemKind::Missing if reason.cause == Some(Cause::LeftElsewhere) => (
            1,
            "Name with --on also the folder that holds the earlier offloads, or plug in their \
            drive, and ask again.",
        ),
        // About no file: a drive.
        ProblemKind::Missing if reason.files == 0 => (
            1,
            "Plug in the drives whose copies could not be looked at, and ask again.",
        ),
        ProblemKind::TooFewCopies => (
            5,
            "If one more drive holds a copy, name it with --on as well. If none does, copy this \
            card to one more drive. Then ask again.",
        ),
        ProblemKind::Unreadable => match reason.cause {
            Some(Cause::Odd) => (3, ODD_STEP),
            Some(Cause::Unexplained) => (0, UNEXPLAINED_STEP),
            Some(Cause::Denied) => (0, DENIED_STEP),
            _ => (
                0,
                "What could not be read from the card: try another reader, cable or port, straight \
                into the computer, and ask again.",
            ),
        },
        ProblemKind::NotReadBack if ask.reread => (
            1,
            "Unplug the drive whose files were read from the computer's memory, plug it in again, \
            and ask again.",
        ),
        ProblemKind::NotReadBack => (
            1,
            "Ask again with --reread: it reads the card and every copy where it is now, and what \
            is equal counts. No second copy is needed for that.",
        ),
        ProblemKind::Changed => (
            2,
            "Move the files named as changed out of that copy (keep them until all is proven) and \
            run the same `unlade copy` again: they are copied anew. Then ask again.",
        ),
        ProblemKind::ChangedOnCard => (
            3,
            "Copy this card under another --name, with --only-new if you like: what changed on it \
            is copied, and the earlier copies stay. Then ask again.",
        ),
        ProblemKind::Missing => (
            4,
            "Run the same `unlade copy` again: what is proven is kept, the rest is copied. Then \
            ask again.",
        ),
        kind => (4, kind.next_step()),
    }
}
