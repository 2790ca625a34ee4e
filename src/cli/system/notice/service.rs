//! Owns what a notice is, and the system's own service for it: of each system that has one, in a
//! build with the feature `notices`. None of it is called but by the thread of notices.

#[cfg(not(all(
    feature = "notices",
    any(target_os = "linux", target_os = "macos", windows)
)))]
use absent as system;
#[cfg(all(feature = "notices", target_os = "linux"))]
use bus as system;
#[cfg(all(feature = "notices", target_os = "macos"))]
use script as system;
pub(super) use system::Service;
#[cfg(all(feature = "notices", windows))]
use toast as system;

/// What a notice is about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum NoticeKind {
    /// It ended well.
    Good,
    /// It ended, and not well.
    Bad,
    /// Something has to be done while it goes on.
    Trouble,
}

/// One notice. Its words are harmless to a terminal; what a service makes of them is looked at
/// here.
#[derive(Clone, Debug)]
#[cfg_attr(
    not(all(
        feature = "notices",
        any(target_os = "linux", target_os = "macos", windows)
    )),
    expect(dead_code, reason = "nobody reads them in a build without")
)]
pub(crate) struct Notice {
    pub(crate) kind: NoticeKind,
    /// A few words.
    pub(crate) summary: String,
    /// A sentence or two.
    pub(crate) body: String,
}

/// Why no notice is shown.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NoNotice {
    /// The feature was left out of this build.
    #[error(
        "this unlade was built without notices; all else goes on. To have them: cargo install \
         --path . --locked --features notices"
    )]
    #[cfg_attr(
        all(
            feature = "notices",
            any(target_os = "linux", target_os = "macos", windows)
        ),
        expect(dead_code, reason = "of a build without them")
    )]
    NotBuilt,
    /// The system has none, or it says no.
    #[error("no notices here, all else goes on: {0}")]
    Refused(#[source] Box<dyn std::error::Error + Send + Sync>),
    /// It took what was sent and did not answer in time.
    #[error("the notice was not shown: the desktop's service for notices does not answer")]
    Silent,
}

/// This build has no notices.
#[cfg(not(all(
    feature = "notices",
    any(target_os = "linux", target_os = "macos", windows)
)))]
mod absent {
    use crate::cli::system::notice::service::{NoNotice, Notice};

    #[derive(Debug)]
    pub(crate) struct Service;

    impl Service {
        pub(crate) fn connect() -> Result<Self, NoNotice> {
            Err(NoNotice::NotBuilt)
        }

        #[expect(clippy::unused_self, reason = "the others have one")]
        pub(crate) fn show(&self, _notice: &Notice) -> Result<(), NoNotice> {
            Err(NoNotice::NotBuilt)
        }
    }
}

/// D-Bus: the Desktop Notifications Specification 1.2 (freedesktop.org), with the names of sounds
/// of the Sound Naming Specification.
#[cfg(all(feature = "notices", target_os = "linux"))]
mod bus {
    use crate::cli::system::notice::service::{NoNotice, Notice, NoticeKind};
    use std::collections::HashMap;
    use std::time::Duration;
    use zbus::connection::Builder;

    use zbus::{Connection, Variant, block_on};

    const NAME: &str = "org.freedesktop.Notifications";
    const PATH: &str = "/org/freedesktop/Notifications";
    /// How long an answer is waited for.
    const TIMEOUT: Duration = Duration::from_secs(5);
    /// What the service does as it is set up to.
    const EXPIRES: i32 = -1;

    /// The service of this session.
    #[derive(Debug)]
    pub(crate) struct Service {
        bus: Connection,
        /// It reads a body as markup.
        has_markup: bool,
    }

    fn refused(why: zbus::Error) -> NoNotice {
        NoNotice::Refused(Box::new(why))
    }

    impl Service {
        /// Asks the service what it can do: where there is none, it is known from the start.
        pub(crate) fn connect() -> Result<Self, NoNotice> {
            let asked = block_on(async {
                let bus = Builder::session().method_timeout(TIMEOUT).build().await?;
                let method = "GetCapabilities";
                let answer = bus.call_method(Some(NAME), PATH, Some(NAME), method, &());
                Ok((answer.await?, bus))
            });
            let (answer, bus) = asked.map_err(refused)?;
            let can: Vec<String> = answer.body().deserialize().map_err(refused)?;
            let has_markup = can.iter().any(|word| word == "body-markup");
            Ok(Self { bus, has_markup })
        }

        pub(crate) fn show(&self, notice: &Notice) -> Result<(), NoNotice> {
            let (urgency, sound, category) = match notice.kind {
                NoticeKind::Good => (1_u8, "complete", "transfer.complete"),
                NoticeKind::Bad => (2, "dialog-error", "transfer.error"),
                NoticeKind::Trouble => (2, "dialog-warning", "transfer.error"),
            };
            let hints = HashMap::from([
                ("urgency", Variant::from(urgency)),
                ("sound-name", Variant::from(sound)),
                ("category", Variant::from(category)),
            ]);
            let body = if self.has_markup {
                as_markup(&notice.body)
            } else {
                notice.body.clone()
            };
            let actions: [&str; 0] = [];
            // Name, what it replaces, icon, summary, body, actions, hints, when it goes.
            let notify = (
                "unlade",
                0_u32,
                "",
                &*notice.summary,
                &*body,
                &actions[..],
                hints,
                EXPIRES,
            );
            let call = self
                .bus
                .call_method(Some(NAME), PATH, Some(NAME), "Notify", &notify);
            block_on(call).map(drop).map_err(refused)
        }
    }

    /// Text that says in the markup of a body what it says (XML 1.0, 2.4).
    fn as_markup(text: &str) -> String {
        text.replace('&', "&amp;")
            .replace('<', "&lt;")
            .replace('>', "&gt;")
    }

    #[cfg(test)]
    mod tests {
        use crate::cli::system::notice::service::bus::as_markup;

        #[test]
        fn nothing_in_a_body_is_taken_for_markup() {
            let label = "<b>PROVEN</b> & <a href=\"x\">";
            let told = "&lt;b&gt;PROVEN&lt;/b&gt; &amp; &lt;a href=\"x\"&gt;";
            assert_eq!(as_markup(label), told);
        }
    }
}

/// `osascript`, a program of macOS (type-checked, not run). A crate for it would need a compiler of
/// Objective-C.
#[cfg(all(feature = "notices", target_os = "macos"))]
mod script {
    use crate::cli::system::notice::service::{NoNotice, Notice};
    use std::io;
    use std::process::{Command, Stdio};

    /// The words are arguments, so that nothing in them is read as a script.
    const SCRIPT: [&str; 3] = [
        "on run argv",
        "display notification (item 2 of argv) with title (item 1 of argv) sound name \"Glass\"",
        "end run",
    ];

    /// The program.
    #[derive(Debug)]
    pub(crate) struct Service;

    fn refused(cause: io::Error) -> NoNotice {
        NoNotice::Refused(Box::new(cause))
    }

    impl Service {
        #[expect(clippy::unnecessary_wraps, reason = "other systems may have none")]
        pub(crate) fn connect() -> Result<Self, NoNotice> {
            Ok(Self)
        }

        #[expect(clippy::unused_self, reason = "other systems have a connection")]
        pub(crate) fn show(&self, notice: &Notice) -> Result<(), NoNotice> {
            let mut command = Command::new("/usr/bin/osascript");
            for line in SCRIPT {
                command.args(["-e", line]);
            }
            command.args(["--", &notice.summary, &notice.body]);
            command.stdin(Stdio::null()).stdout(Stdio::null());
            let status = command.stderr(Stdio::null()).status().map_err(refused)?;
            if status.success() {
                return Ok(());
            }
            Err(refused(io::Error::other(format!(
                "osascript ended with {status}"
            ))))
        }
    }
}

/// A toast of Windows with the service's own sound (built, not seen there). A program that was not
/// installed has no name that the service knows, so that they come as `PowerShell`'s.
#[cfg(all(feature = "notices", windows))]
mod toast {
    use crate::cli::system::notice::service::{NoNotice, Notice};
    use tauri_winrt_notification::{Sound, Toast};

    /// The service.
    #[derive(Debug)]
    pub(crate) struct Service;

    impl Service {
        #[expect(clippy::unnecessary_wraps, reason = "other systems may have none")]
        pub(crate) fn connect() -> Result<Self, NoNotice> {
            Ok(Self)
        }

        #[expect(clippy::unused_self, reason = "other systems have a connection")]
        pub(crate) fn show(&self, notice: &Notice) -> Result<(), NoNotice> {
            let toast = Toast::new(Toast::POWERSHELL_APP_ID)
                .title(&notice.summary)
                .text1(&notice.body)
                .sound(Some(Sound::Default));
            toast.show().map_err(|why| NoNotice::Refused(Box::new(why)))
        }
    }
}
