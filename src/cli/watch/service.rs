//! Owns the files that start a watch with the person's session, each printed whole for its system.

use crate::cli::args::Common;
use crate::cli::args::watch::ServiceSystem;
use crate::cli::exit::Exit;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use crate::cli::view::out::Out;
use camino::{Utf8Path, Utf8PathBuf};
use unlade::kit::Kit;
use unlade::kit::place::PlaceAddress;
use unlade::kit::usual::UsualDrive;

/// Where desktops mount what is plugged in (Filesystem Hierarchy Standard 3.0, sections 3.11 and
/// 3.12; udisks mounts in `/run/media` on some systems).
const MOUNTED_IN: [&str; 3] = ["/media", "/mnt", "/run/media"];

/// Prints the file.
pub(super) fn print(system: ServiceSystem, common: &Common, out: Out) -> Exit {
    let program = std::env::current_exe().ok();
    let program = program.and_then(|path| Utf8PathBuf::from_path_buf(path).ok());
    let program = program.map_or_else(|| "unlade".to_owned(), Utf8PathBuf::into_string);
    // Named only where it is not the system's own folder for it.
    let absolute = |path: &Utf8PathBuf| {
        let absolute = std::path::absolute(path).ok();
        let absolute = absolute.and_then(|path| Utf8PathBuf::from_path_buf(path).ok());
        absolute.unwrap_or_else(|| path.clone()).into_string()
    };
    let home = common
        .home
        .as_ref()
        .filter(|home| !home.as_str().is_empty());
    let home = home.map(absolute);
    let text = match system {
        ServiceSystem::Systemd => {
            let folder = folder(common);
            let kit = folder.as_ref().and_then(|home| kit_file::read(home).ok());
            let kit = kit.unwrap_or_default();
            let own = folder.iter().map(absolute);
            let written = own.chain(folders(&kit));
            let is_far = addresses(&kit)
                .iter()
                .any(|a| !matches!(a, PlaceAddress::Folder { .. }));
            let written: Vec<String> = written.map(|path| systemd_folder(&path)).collect();
            systemd(&program, home.as_deref(), &written, is_far)
        }
        ServiceSystem::Launchd => launchd(&program, home.as_deref()),
        ServiceSystem::Windows => windows(&program, home.as_deref()),
    };
    out.own_text(text.trim_end());
    Exit::Done
}

/// The folders that the kit copies to, beside the drives that are found where they are mounted.
fn folders(kit: &Kit) -> Vec<String> {
    let sets = kit
        .usual
        .iter()
        .chain(kit.rules.iter().map(|rule| &rule.set));
    let folders = sets.flat_map(|set| &set.to).filter_map(|to| match to {
        UsualDrive::Folder(path) => Some(path.to_string()),
        UsualDrive::Kit(_) => None,
    });
    let places = addresses(kit).into_iter().filter_map(|place| match place {
        PlaceAddress::Folder { folder } => Some(folder),
        _ => None,
    });
    let mut folders: Vec<String> = folders.chain(places).collect();
    folders.sort();
    folders.dedup();
    folders
}

/// Where the places are that what is proven is sent to.
fn addresses(kit: &Kit) -> Vec<PlaceAddress> {
    let rules = kit.rules.iter().map(|rule| &rule.set);
    let sets = kit.usual(None).into_iter().chain(rules);
    let names = sets.flat_map(|set| &set.then);
    let places = names.filter_map(|name| kit.place(name).ok());
    places.filter_map(|place| place.address().ok()).collect()
}

/// What a unit has of the network. With it, ssh's own socket is in a folder that it may write to.
fn network(is_far: bool) -> &'static str {
    if is_far {
        "\
# The network is for the places that the kit sends to.
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
RuntimeDirectory=unlade
Environment=XDG_STATE_HOME=%t/unlade"
    } else {
        "\
# Hooks run in here too: one that needs the network needs this line gone.
PrivateNetwork=yes
RestrictAddressFamilies=AF_UNIX"
    }
}

/// A user unit. No new privileges, and no network but for places; it writes to its own folder, to
/// what is mounted and to the folders that the kit names. Packages have that of `/usr/bin/unlade`
/// without a kit, as `man/service/unlade-watch.service`.
fn systemd(program: &str, home: Option<&str>, written: &[String], is_far: bool) -> String {
    let home = home.map_or_else(String::new, |home| {
        format!(" --home {}", systemd_word(home))
    });
    let mounted = MOUNTED_IN.into_iter().map(systemd_folder);
    let written: Vec<String> = mounted.chain(written.iter().cloned()).collect();
    format!(
        "\
# Cards are copied by themselves as the kit says. To begin it:
#   systemctl --user enable --now unlade-watch
# Before that, where no package brought this file, or the kit names folders:
#   unlade watch --print-service systemd |
#       install -D -m 644 /dev/stdin ~/.config/systemd/user/unlade-watch.service
[Unit]
Description=Copy camera cards as the kit of unlade says
Documentation=man:unlade-watch(1)

[Service]
Type=exec
ExecStart={program} watch{home}
Restart=on-failure
RestartSec=5
# Stopped like Ctrl-C: what is done is kept.
SuccessExitStatus=130
TimeoutStopSec=60

{network}
NoNewPrivileges=yes
PrivateUsers=yes
PrivateTmp=yes
ProtectSystem=strict
ProtectHome=read-only
ReadWritePaths={written}
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
CapabilityBoundingSet=
AmbientCapabilities=
LockPersonality=yes
MemoryDenyWriteExecute=yes
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RemoveIPC=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service

[Install]
WantedBy=default.target
",
        program = systemd_word(program),
        written = written.join(" "),
        network = network(is_far),
    )
}

/// One word of a unit's line: quoted where it needs to be, and without specifiers and variables
/// (systemd.syntax(7), systemd.unit(5), systemd.service(5)).
fn systemd_word(text: &str) -> String {
    let text = text.replace('\\', r"\\").replace('"', "\\\"");
    let text = text.replace('%', "%%").replace('$', "$$");
    if text.contains(char::is_whitespace) || text.contains(['"', '\'', '\\']) {
        format!("\"{text}\"")
    } else {
        text
    }
}

/// A folder that may be written to; one that is not there is no mistake. What is in the person's
/// own folder is named by that, so that the file is the same for everybody.
fn systemd_folder(path: &str) -> String {
    let home = dirs::home_dir().and_then(|home| Utf8PathBuf::from_path_buf(home).ok());
    let below = home.and_then(|home| {
        Utf8Path::new(path)
            .strip_prefix(home)
            .ok()
            .map(Utf8Path::as_str)
    });
    match below.filter(|below| !below.is_empty()) {
        Some(below) => {
            let word = systemd_word(&format!("-/{below}"));
            word.replacen("-/", "-%h/", 1)
        }
        None => systemd_word(&format!("-{path}")),
    }
}

/// A property list for the person's own agents (launchd.plist(5)).
fn launchd(program: &str, home: Option<&str>) -> String {
    let home = home.map(|home| ["--home", home]);
    let words = [program, "watch"]
        .into_iter()
        .chain(home.into_iter().flatten());
    let words: Vec<String> = words
        .map(|word| format!("        <string>{}</string>\n", in_xml(word)))
        .collect();
    format!(
        "\
<?xml version=\"1.0\" encoding=\"UTF-8\"?>
<!DOCTYPE plist PUBLIC \"-//Apple//DTD PLIST 1.0//EN\" \
         \"http://www.apple.com/DTDs/PropertyList-1.0.dtd\">
<!-- To begin it, put this file into Library/LaunchAgents as unlade.watch.plist, and type:
     launchctl load Library/LaunchAgents/unlade.watch.plist -->
<plist version=\"1.0\">
<dict>
    <key>Label</key>
    <string>unlade.watch</string>
    <key>ProgramArguments</key>
    <array>
{}    </array>
    <key>RunAtLoad</key>
    <true/>
    <key>KeepAlive</key>
    <dict>
        <key>SuccessfulExit</key>
        <false/>
    </dict>
    <key>ProcessType</key>
    <string>Standard</string>
</dict>
</plist>
",
        words.concat()
    )
}

/// A task that begins when the person logs on (Task Scheduler schema 1.2).
fn windows(program: &str, home: Option<&str>) -> String {
    let home = home.map_or_else(String::new, |home| format!(" --home \"{home}\""));
    format!(
        "\
<?xml version=\"1.0\"?>
<!-- To begin it, save this file as unlade.xml, and type:
     schtasks /Create /TN unlade /XML unlade.xml -->
<Task version=\"1.2\" xmlns=\"http://schemas.microsoft.com/windows/2004/02/mit/task\">
  <RegistrationInfo>
    <Description>Copy camera cards as the kit of unlade says</Description>
  </RegistrationInfo>
  <Triggers>
    <LogonTrigger>
      <Enabled>true</Enabled>
    </LogonTrigger>
  </Triggers>
  <Principals>
    <Principal id=\"Author\">
      <LogonType>InteractiveToken</LogonType>
      <RunLevel>LeastPrivilege</RunLevel>
    </Principal>
  </Principals>
  <Settings>
    <MultipleInstancesPolicy>IgnoreNew</MultipleInstancesPolicy>
    <DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries>
    <StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>
    <ExecutionTimeLimit>PT0S</ExecutionTimeLimit>
    <RestartOnFailure>
      <Interval>PT1M</Interval>
      <Count>3</Count>
    </RestartOnFailure>
  </Settings>
  <Actions Context=\"Author\">
    <Exec>
      <Command>{}</Command>
      <Arguments>watch{}</Arguments>
    </Exec>
  </Actions>
</Task>
",
        in_xml(program),
        in_xml(&home)
    )
}

/// Text as XML has it (XML 1.0, section 2.4).
fn in_xml(text: &str) -> String {
    let text = text.replace('&', "&amp;").replace('<', "&lt;");
    text.replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odd_folders_stay_one_word() {
        let unit = systemd(
            "/opt/kite tools/unlade",
            Some("/home/a b/50%$x"),
            &[systemd_folder("/srv/k"), systemd_folder("/srv/a b/50%")],
            false,
        );
        assert!(
            unit.contains(
                "ExecStart=\"/opt/kite tools/unlade\" watch --home \"/home/a b/50%%$$x\""
            )
        );
        assert!(
            unit.contains("ReadWritePaths=-/media -/mnt -/run/media -/srv/k \"-/srv/a b/50%%\"\n"),
            "{unit}"
        );
        let list = launchd("/opt/a&b/unlade", Some("/home/<k>"));
        let list: plist::Value = plist::Value::from_reader_xml(list.as_bytes()).unwrap();
        let words = list.as_dictionary().unwrap()["ProgramArguments"]
            .as_array()
            .unwrap();
        let words: Vec<_> = words.iter().filter_map(|w| w.as_string()).collect();
        assert_eq!(words, ["/opt/a&b/unlade", "watch", "--home", "/home/<k>"]);
        assert!(windows(r"C:\a&b\unlade.exe", None).contains(r"<Command>C:\a&amp;b\unlade.exe<"));
    }
}
