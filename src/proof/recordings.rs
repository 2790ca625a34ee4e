//! Owns what was seen of the recordings while they were copied. No verdict rests on it.

use crate::disk::Stamp;
use crate::inspect::contents::Shot;
use crate::inspect::recordings::Recordings;
use crate::offload::Offloaded;
use crate::plan::Plan;

/// Puts together what was seen while the files were read. What was not read whole says nothing.
pub(super) fn recordings(plan: &Plan, offloaded: &Offloaded, now: Stamp) -> Recordings {
    let looks = &offloaded.look.files;
    let is_whole = |at: usize| offloaded.files.get(at).is_some_and(|f| f.blake3.is_some());
    let files = plan.jobs.iter().enumerate().map(|(at, job)| Shot {
        path: job.name.as_str(),
        bytes: job.bytes,
        modified: job.modified,
        look: looks.get(&at).filter(|_| is_whole(at)),
    });
    let files: Vec<Shot<'_>> = files.collect();
    let found = Recordings::of(&files, &offloaded.look, now);
    if plan.form.names_cameras {
        found
    } else {
        found.without_cameras()
    }
}
