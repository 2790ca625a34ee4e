//! Owns the row on the look at what files hold: a copy of media files beside one of the same bytes
//! under names that nobody looks into. All else is the same.

use crate::work::{self, Ran};
use crate::{fresh, media, median};
use serde_json::{Value, json};
use std::fs;
use std::path::Path;

/// Files of the card: so many, of so many bytes.
const CLIPS: (u32, usize) = (3, 200_000_000);
const STILLS: (u32, usize) = (60, 8_000_000);

/// Measures both, in turn.
pub(crate) fn look(name: &str, root: &Path, rounds: usize) -> Value {
    let (clip, still) = (media::clip(CLIPS.1), media::jpeg(STILLS.1));
    let cards = [("MP4", "JPG"), ("DT1", "DT2")].map(|(of_clips, of_stills)| {
        let card = root.join(format!("card-{of_clips}"));
        let folder = card.join("DCIM/100KITES");
        fs::create_dir_all(&folder).unwrap();
        for (count, ending, bytes) in [(CLIPS.0, of_clips, &clip), (STILLS.0, of_stills, &still)] {
            for n in 1..=count {
                fs::write(folder.join(format!("KITE{n:04}.{ending}")), bytes).unwrap();
            }
        }
        card
    });
    let mut ran: [Vec<Ran>; 2] = [Vec::new(), Vec::new()];
    for _ in 0..rounds {
        for (ran, card) in ran.iter_mut().zip(&cards) {
            ran.push(fresh(root, || work::unlade_copy(card, root)));
        }
    }
    for card in cards {
        fs::remove_dir_all(card).unwrap();
    }
    let of = |ran: &[Ran], what: fn(&Ran) -> f64| median(ran.iter().map(what).collect());
    let [seconds, cpu]: [fn(&Ran) -> f64; 2] = [|ran| ran.seconds, |ran| ran.cpu_s];
    let [looked, blind] = ran;
    let [with, without] = [of(&looked, seconds), of(&blind, seconds)];
    let [cpu_with, cpu_without] = [of(&looked, cpu), of(&blind, cpu)];
    println!(
        "{name:52} looked at {with:6.2} s and {cpu_with:.2} s of CPU, not looked at \
         {without:6.2} s and {cpu_without:.2} s"
    );
    json!({
        "looked_s": with, "not_looked_s": without,
        "looked_cpu_s": cpu_with, "not_looked_cpu_s": cpu_without,
    })
}
