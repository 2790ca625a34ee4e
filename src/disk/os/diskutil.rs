//! Owns what `diskutil info -plist` of macOS says of a volume. Pure: the text comes from the
//! caller. The names of its entries are from memory and from its manual page.

use crate::disk::backing::Backing;
use plist::{Dictionary, Value};
use std::collections::BTreeSet;

/// What `diskutil info` tells of a volume.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct DiskutilInfo {
    /// Identity of the volume.
    pub(super) volume_id: Option<String>,
    /// Name that the person gave it.
    pub(super) label: Option<String>,
    /// Physical disks below it.
    pub(super) backing: Backing,
    /// Whether a disk below it rotates.
    pub(super) rotational: Option<bool>,
}

/// Reads the answer; `None` when it is no property list of this kind.
pub(super) fn read(answer: &[u8]) -> Option<DiskutilInfo> {
    let value = Value::from_reader_xml(answer).ok()?;
    let dict = value.as_dictionary()?;
    dict.get("DeviceIdentifier")?.as_string()?;
    Some(DiskutilInfo {
        volume_id: text(dict, "VolumeUUID").or_else(|| text(dict, "DiskUUID")),
        label: text(dict, "VolumeName"),
        backing: backing(dict),
        rotational: dict
            .get("SolidState")
            .and_then(Value::as_boolean)
            .map(|solid| !solid),
    })
}

fn text(dict: &Dictionary, key: &str) -> Option<String> {
    let text = dict.get(key)?.as_string()?;
    (!text.is_empty()).then(|| text.to_owned())
}

fn backing(dict: &Dictionary) -> Backing {
    let says =
        |key: &str, word: &str| text(dict, key).is_some_and(|t| t.eq_ignore_ascii_case(word));
    let is_set = |key: &str| dict.get(key).and_then(Value::as_boolean) == Some(true);
    if says("BusProtocol", "Disk Image")
        || says("VirtualOrPhysical", "Virtual") && !has_stores(dict)
    {
        return Backing::unknown("it is a disk image, or another disk that is none of its own");
    }
    if is_set("RAIDMaster") || is_set("RAIDSlice") || dict.contains_key("CoreStorageRole") {
        return Backing::unknown("it may be on several disks, which macOS shows as one");
    }
    let mut disks = BTreeSet::new();
    let stores = dict.get("APFSPhysicalStores").and_then(Value::as_array);
    for store in stores.into_iter().flatten() {
        let name = store
            .as_dictionary()
            .and_then(|s| text(s, "APFSPhysicalStore"));
        match name.as_deref().and_then(whole_disk) {
            Some(disk) => disks.insert(disk),
            None => return Backing::unknown("macOS does not say on which disk its container is"),
        };
    }
    if disks.is_empty() {
        disks.extend(text(dict, "ParentWholeDisk").and_then(|name| whole_disk(&name)));
    }
    if disks.is_empty() {
        return Backing::unknown("macOS does not say on which disk it is");
    }
    Backing::Disks(disks)
}

fn has_stores(dict: &Dictionary) -> bool {
    dict.contains_key("APFSPhysicalStores")
}

/// Returns `disk4` for `disk4s1` or `/dev/disk4s1`.
fn whole_disk(name: &str) -> Option<String> {
    let name = name.strip_prefix("/dev/").unwrap_or(name);
    let digits = name.strip_prefix("disk")?;
    let end = digits
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(digits.len());
    let number = digits.get(..end).filter(|n| !n.is_empty())?;
    Some(format!("disk{number}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer(entries: &str) -> Vec<u8> {
        format!(
            "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<plist version=\"1.0\"><dict>\
             <key>DeviceIdentifier</key><string>disk4s1</string>{entries}</dict></plist>"
        )
        .into_bytes()
    }

    fn disks(names: &[&str]) -> Backing {
        Backing::Disks(names.iter().map(|n| (*n).to_owned()).collect())
    }

    #[test]
    fn a_card_and_a_drive_are_told() {
        let card = read(&answer(
            "<key>ParentWholeDisk</key><string>disk4</string>\
             <key>VolumeName</key><string>KITES</string>\
             <key>BusProtocol</key><string>USB</string>\
             <key>VirtualOrPhysical</key><string>Physical</string>\
             <key>VolumeUUID</key><string>00000000-1111-2222-3333-444444444444</string>\
             <key>SolidState</key><false/>",
        ))
        .unwrap();
        assert_eq!(card.backing, disks(&["disk4"]));
        assert_eq!(card.label.as_deref(), Some("KITES"));
        assert_eq!(card.rotational, Some(true));
        let drive = read(&answer(
            "<key>ParentWholeDisk</key><string>disk6</string>\
             <key>VirtualOrPhysical</key><string>Virtual</string>\
             <key>APFSPhysicalStores</key><array>\
             <dict><key>APFSPhysicalStore</key><string>disk5s2</string></dict>\
             <dict><key>APFSPhysicalStore</key><string>disk7s2</string></dict></array>",
        ))
        .unwrap();
        assert_eq!(
            drive.backing,
            disks(&["disk5", "disk7"]),
            "not the container's own number"
        );
    }

    #[test]
    fn what_is_no_disk_of_its_own_is_unknown() {
        for entries in [
            "<key>ParentWholeDisk</key><string>disk9</string><key>BusProtocol</key>\
             <string>Disk Image</string>",
            "<key>ParentWholeDisk</key><string>disk9</string><key>RAIDMaster</key><true/>",
            "<key>ParentWholeDisk</key><string>nonsense</string>",
            "",
        ] {
            let info = read(&answer(entries)).unwrap();
            assert!(matches!(info.backing, Backing::Unknown { .. }), "{entries}");
        }
        assert_eq!(read(b"Could not find disk: disk99"), None);
        assert_eq!(read(b"<plist version=\"1.0\"><dict/></plist>"), None);
    }
}
