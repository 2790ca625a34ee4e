//! Owns the question whether the computer runs on its battery. It reads what Linux tells below
//! `/sys/class/power_supply` (kernel documentation, ABI/testing/sysfs-class-power) and nothing
//! else; where that is not told, it runs on mains for all that is known.

use std::path::Path;

/// What is said of it before a copy begins.
pub(crate) const ON_BATTERY: &str =
    "This computer runs on battery: connect it, or see that it lasts to the end.";

/// Returns whether a battery of the computer is what it runs on; `root` is `/` outside tests.
pub(crate) fn on_battery(root: &Path) -> bool {
    let Ok(supplies) = std::fs::read_dir(root.join("sys/class/power_supply")) else {
        return false;
    };
    let (mut battery, mut mains, mut mains_online, mut discharging) = (false, false, false, false);
    for supply in supplies.filter_map(Result::ok) {
        let word = |name: &str| {
            std::fs::read_to_string(supply.path().join(name))
                .map(|text| text.trim().to_owned())
                .unwrap_or_default()
        };
        let kind = word("type");
        if kind == "Battery" {
            // Mice and headsets have batteries too; those say that they are a device's.
            if word("scope") == "Device" || word("present") == "0" {
                continue;
            }
            battery = true;
            discharging |= word("status") == "Discharging";
        } else if kind == "Mains" || kind.starts_with("USB") || kind == "Wireless" {
            mains = true;
            // 1 is online with a fixed voltage, 2 with one that can be set.
            mains_online |= matches!(word("online").as_str(), "1" | "2");
        }
    }
    // A weak charger leaves the battery discharging; then too it may not last.
    battery && (discharging || (mains && !mains_online))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Supplies as (name, [(file, content)]).
    fn told(supplies: &[(&str, &[(&str, &str)])]) -> bool {
        let root = tempfile::tempdir().unwrap();
        for (name, files) in supplies {
            let folder = root.path().join("sys/class/power_supply").join(name);
            std::fs::create_dir_all(&folder).unwrap();
            for (file, content) in *files {
                let path = folder.join(file);
                std::io::Write::write_all(
                    &mut std::fs::File::create_new(path).unwrap(),
                    format!("{content}\n").as_bytes(),
                )
                .unwrap();
            }
        }
        on_battery(root.path())
    }

    #[test]
    fn a_line_is_said_on_battery_only() {
        let battery = |status| [("type", "Battery"), ("present", "1"), ("status", status)];
        let mains = |online| [("type", "Mains"), ("online", online)];
        assert!(!told(&[]), "a computer without a battery");
        assert!(!told(&[("AC", &mains("1"))]));
        assert!(!told(&[("AC", &mains("0"))]), "nothing else to run on");
        assert!(!told(&[
            ("AC", &mains("1")),
            ("BAT0", &battery("Charging"))
        ]));
        assert!(!told(&[("AC", &mains("1")), ("BAT0", &battery("Full"))]));
        assert!(!told(&[("BAT0", &battery("Not charging"))]));
        assert!(told(&[
            ("AC", &mains("0")),
            ("BAT0", &battery("Discharging"))
        ]));
        assert!(told(&[("AC", &mains("0")), ("BAT0", &battery("Unknown"))]));
        assert!(told(&[("BAT0", &battery("Discharging"))]));
        assert!(
            told(&[("AC", &mains("1")), ("BAT0", &battery("Discharging"))]),
            "a charger that is too weak"
        );
        let usb = |online| [("type", "USB_PD"), ("online", online)];
        assert!(!told(&[
            ("ucsi0", &usb("1")),
            ("ucsi1", &usb("0")),
            ("BAT0", &battery("Full"))
        ]));
        // A mouse's battery is nobody's mains.
        let mouse = [
            ("type", "Battery"),
            ("scope", "Device"),
            ("status", "Discharging"),
        ];
        assert!(!told(&[("AC", &mains("1")), ("hid0", &mouse)]));
        assert!(!told(&[("AC", &mains("0")), ("hid0", &mouse)]));
        let empty = [
            ("type", "Battery"),
            ("present", "0"),
            ("status", "Discharging"),
        ];
        assert!(!told(&[("AC", &mains("1")), ("BAT1", &empty)]));
    }

    #[test]
    fn the_line_fits_eighty_columns() {
        assert!(ON_BATTERY.len() <= 80);
    }
}
