//! Owns the account of a card's volume: what the file system counts as in use has to be explained
//! by what was listed. A driver may leave out entries and report no error (Linux's vfat does, at an
//! unreadable sector of a folder), and a clip that was never closed has clusters and no size. Pure.

use crate::disk::{Count, Counting};
use crate::error::UNEXPLAINED;
use crate::name::shown;
use crate::units::size;

/// The largest up-case table of exFAT, in bytes: 65,536 characters of two bytes ("exFAT file system
/// specification", 7.2.5). Most are 5,836 bytes; how large one is no call tells.
const UPCASE_BYTES_MAX: u64 = 131_072;

/// Returns the bytes in use that neither the volume itself nor `listed` explains: the sizes in
/// bytes of every file and folder of the volume but its root, those left out included.
///
/// It is exact on FAT32. Where the volume's own structures cannot be told exactly they are taken to
/// be as large as they can be: by up to the size of the root folder on FAT12 and FAT16, by up to
/// 128 KiB on exFAT less may be found than there is; never more.
pub fn unexplained(count: &Count, listed: impl Iterator<Item = u64>) -> u64 {
    let cluster = count.cluster_bytes.max(1);
    let root = count.root_bytes.div_ceil(cluster);
    let own = match count.by {
        // That of FAT12 and FAT16 lies outside the clusters.
        Counting::Fat => root,
        Counting::ExFat => {
            let bitmap = count.clusters.div_ceil(8).div_ceil(cluster);
            bitmap
                .saturating_add(UPCASE_BYTES_MAX.div_ceil(cluster))
                .saturating_add(root)
        }
    };
    let held = listed.fold(own, |sum, bytes| {
        sum.saturating_add(bytes.div_ceil(cluster))
    });
    count.used.saturating_sub(held).saturating_mul(cluster)
}

/// Says what that may mean; `log` is what the system's log says of the device.
pub fn words(bytes: u64, log: &[String]) -> String {
    let mut text = format!(
        "{} {UNEXPLAINED}: a folder may be unreadable without an error, a clip may never have \
         been closed, or room was lost when a camera or computer stopped in the middle",
        size(bytes)
    );
    if !log.is_empty() {
        let lines: Vec<String> = log.iter().map(|l| format!("`{}`", shown(l))).collect();
        text.push_str(&format!("; the system's log has {}", lines.join(", ")));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    const K: u64 = 1_024;

    fn count(by: Counting, cluster_bytes: u64, clusters: u64, used: u64, root_bytes: u64) -> Count {
        Count {
            by,
            cluster_bytes,
            clusters,
            used,
            root_bytes,
        }
    }

    #[test]
    fn on_fat32_every_cluster_is_accounted_for() {
        // A root of one cluster, a folder of one, files of 0, 1, 32 KiB and 32 KiB + 1 bytes.
        let listed = [32 * K, 0, 1, 32 * K, 32 * K + 1];
        let of = |used| {
            unexplained(
                &count(Counting::Fat, 32 * K, 200_000, used, 32 * K),
                listed.into_iter(),
            )
        };
        assert_eq!(of(6), 0);
        assert_eq!(of(7), 32 * K, "one lost cluster");
        assert_eq!(of(5), 0, "two files that share one");
    }

    #[test]
    fn what_the_volume_itself_takes_is_no_doubt() {
        // FAT16: the root is no cluster, and hides a doubt of its size at most.
        let fat16 = |used| {
            unexplained(
                &count(Counting::Fat, 16 * K, 40_000, used, 16 * K),
                [5 * K].into_iter(),
            )
        };
        assert_eq!((fat16(1), fat16(2), fat16(3)), (0, 0, 16 * K));
        // exFAT of 64 GB: a bitmap of 61 KiB, a table of 5,836 bytes, a root; and one clip.
        let exfat = |used| {
            unexplained(
                &count(Counting::ExFat, 128 * K, 488_000, used, 128 * K),
                [300 * K].into_iter(),
            )
        };
        assert_eq!((exfat(6), exfat(7)), (0, 128 * K));
        assert_eq!(
            unexplained(
                &count(Counting::ExFat, 0, u64::MAX, u64::MAX, u64::MAX),
                [u64::MAX].into_iter()
            ),
            0
        );
    }
}
