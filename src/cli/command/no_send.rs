//! Owns what is said instead of `send` and `fetch` in a build without them.

use crate::cli::args::Common;
use crate::cli::args::send::{FetchArgs, SendArgs};
use crate::cli::command::shared::after::{CopiedCard, PlannedCopies};
use crate::cli::command::shared::no_places::absent;
use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use unlade::run::Tools;

/// Says that nothing can be sent.
pub(crate) fn send(_: &SendArgs, _: &Common, out: Out, tools: &Tools) -> Exit {
    absent("send", out, tools)
}

/// Says that nothing can be fetched.
pub(crate) fn fetch(_: &FetchArgs, _: &Common, out: Out, tools: &Tools) -> Exit {
    absent("fetch", out, tools)
}

/// Places that are to have what is copied.
pub(crate) mod then {
    use super::{Common, CopiedCard, Exit, Out, PlannedCopies, Tools, absent};
    use crate::cli::command::shared::no_places::ABSENT;
    use crate::cli::view::json::Json;
    use crate::cli::view::text::{all_of, wrap};
    use serde_json::json;
    use std::sync::Arc;

    /// Says that nothing is sent to the usual places.
    pub(crate) fn tell_usual(places: &[String], out: Out, tools: &Tools) {
        if out.json {
            for place in places {
                let body = json!({"card": null, "place": place, "why": ABSENT});
                Json::new(out, Arc::clone(&tools.clock)).send("not-sent", body);
            }
            return;
        }
        let text = format!("Nothing is sent to {}: {ABSENT}", all_of(places));
        for line in wrap(&text, out.width, "", "  ") {
            out.line(&line);
        }
    }

    /// There is none.
    pub(crate) enum Then {}

    impl Then {
        /// Says that nothing can be sent, where it is to be.
        pub(crate) fn of(
            places: &[String],
            _: &Common,
            out: Out,
            tools: &Tools,
        ) -> Result<Option<Self>, Exit> {
            if places.is_empty() {
                return Ok(None);
            }
            Err(absent("copy", out, tools))
        }

        /// Says nothing.
        pub(crate) fn tell_times(&self, _: PlannedCopies, _: Out, _: &Tools) {
            match *self {}
        }

        /// Sends nothing.
        pub(crate) fn send(&self, _: &[CopiedCard], _: Out, _: &Tools) -> Vec<Exit> {
            match *self {}
        }
    }
}

/// What a watch sends by itself.
pub(crate) mod by_watch {
    use super::{Out, Tools};
    use crate::cli::command::shared::after::Attempt;
    use crate::cli::command::shared::no_places::ABSENT;
    use camino::Utf8Path;
    use std::sync::Arc;
    use std::sync::atomic::AtomicBool;
    use unlade::disk::progress::Progress;

    /// Says that nothing can be sent.
    pub(crate) fn send(
        _: &Utf8Path,
        _: &str,
        _: &Utf8Path,
        _: &Arc<AtomicBool>,
        _: impl FnMut(&Progress),
        _: (Out, &Tools),
    ) -> Attempt {
        Attempt::Never(format!("{ABSENT}."))
    }
}
