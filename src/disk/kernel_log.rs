//! Owns what Linux's log says of one disk. Pure: records in the form of `/dev/kmsg` (Linux,
//! ABI/testing/dev-kmsg) as text, lines out.

/// Lines that are told.
const LINES_MAX: usize = 3;
/// Characters of a line that are told.
const LINE_CHARS_MAX: usize = 160;

/// Returns the last lines on trouble with `disk` (`sdb`, `mmcblk0`) or a partition of it since it
/// was plugged in: kernel names are given anew at every plug.
pub(super) fn troubles<'a>(records: impl Iterator<Item = &'a str>, disk: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for record in records {
        let Some((_, text)) = record.split_once(';') else {
            continue;
        };
        let text = text.lines().next().unwrap_or_default();
        if !names(text, disk) {
            continue;
        }
        if text.contains("Attached") || text.starts_with(&format!("{disk}: mmc")) {
            lines.clear();
        }
        let lower = text.to_ascii_lowercase();
        if lower.contains("error") || lower.contains("failed") {
            lines.push(text.chars().take(LINE_CHARS_MAX).collect());
            if lines.len() > LINES_MAX {
                lines.remove(0);
            }
        }
    }
    lines
}

/// Whether a line names a disk or a partition of it, and not another disk whose name begins alike.
fn names(text: &str, disk: &str) -> bool {
    let has_number = disk.ends_with(|c: char| c.is_ascii_digit());
    text.match_indices(disk).any(|(at, _)| {
        let before = text[..at].chars().next_back();
        let after = &text[at + disk.len()..];
        // Partitions are `sdb1`, but `mmcblk0p1`.
        let after = match after.strip_prefix('p') {
            Some(partition) if has_number => {
                partition.trim_start_matches(|c: char| c.is_ascii_digit())
            }
            _ if has_number => after,
            _ => after.trim_start_matches(|c: char| c.is_ascii_digit()),
        };
        let is_end = |c: Option<char>| !c.is_some_and(|c| c.is_ascii_alphanumeric());
        is_end(before) && is_end(after.chars().next())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lines_of_this_disk_since_it_was_plugged_in() {
        // The messages are those that Linux 6.1 and 6.12 gave for a stick with a bad sector in a
        // folder.
        let records = [
            "3,800,100,-;FAT-fs (sdb1): Directory bread(block 7) failed",
            "5,801,200,-;sd 2:0:0:0: [sdb] Attached SCSI removable disk",
            "3,802,300,-;critical medium error, dev sdbc, sector 9 op 0x0:(READ)",
            "3,803,300,-;I/O error, dev sdb, sector 8496 op 0x0:(READ)\n SUBSYSTEM=block",
            "3,804,301,-;FAT-fs (sdb1): Directory bread(block 304) failed",
            "6,805,302,-;usb 1-1: new high-speed USB device",
            "no record",
        ];
        let found = troubles(records.into_iter(), "sdb");
        assert_eq!(
            found,
            [
                "I/O error, dev sdb, sector 8496 op 0x0:(READ)",
                "FAT-fs (sdb1): Directory bread(block 304) failed"
            ]
        );
        let many = ["3,1,1,-;I/O error, dev mmcblk0p1, sector 1"; 9];
        assert_eq!(troubles(many.into_iter(), "mmcblk0").len(), LINES_MAX);
        assert!(troubles(many.into_iter(), "mmcblk").is_empty());
    }
}
