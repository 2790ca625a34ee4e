//! Owns the look at one file as the rest of the program takes it: whatever the file holds, it ends.

use super::{Inspected, Inspector};
use std::panic::{AssertUnwindSafe, catch_unwind};

/// A look at one file that cannot do harm. A reader that breaks down over foreign bytes costs the
/// look at this file, no more.
#[derive(Debug)]
pub struct FileInspection(Option<Inspector>);

impl FileInspection {
    /// Begins; `None` where nothing is known of such files.
    pub fn begin(path: &str, bytes: u64) -> Option<Self> {
        let inspector = Inspector::new(path, bytes)?;
        Some(Self(Some(inspector)))
    }

    /// Looks at the next bytes.
    pub fn feed(&mut self, bytes: &[u8]) {
        if let Some(mut inspector) = self.0.take() {
            let fed = catch_unwind(AssertUnwindSafe(|| {
                inspector.feed(bytes);
                inspector
            }));
            self.0 = fed.ok();
        }
    }

    /// Goes to the next bytes that the structure needs, past what nobody will see, and returns
    /// where they are; `None` where it needs no more.
    pub fn seek(&mut self) -> Option<u64> {
        let mut inspector = self.0.take()?;
        let sought = catch_unwind(AssertUnwindSafe(|| {
            let wanted = inspector.wants();
            inspector.skip(wanted.map_or(0, |at| at.saturating_sub(inspector.at)));
            (inspector, wanted)
        }));
        let (inspector, wanted) = sought.ok()?;
        self.0 = Some(inspector);
        wanted
    }

    /// Ends the look as [`Self::end`] does, and takes it for a hint where the first bytes are not
    /// those of the name's ending. A copy does not: whatever somebody calls a file is copied.
    pub fn end_by_name(self) -> Option<Inspected> {
        let unlike = self.0.as_ref().and_then(Inspector::unlike);
        unlike.or_else(|| self.end())
    }

    /// Ends the look; `None` where nothing can be said.
    pub fn end(self) -> Option<Inspected> {
        let inspector = self.0?;
        catch_unwind(AssertUnwindSafe(|| inspector.finish())).ok()?
    }
}
