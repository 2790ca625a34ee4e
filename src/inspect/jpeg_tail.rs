//! Owns the look at the end of a JPEG: does a scan end in it? Pure.

/// What the last bytes of a file say.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum TailSays {
    /// An end marker is there.
    Ended,
    /// They are a scan that goes on to the end of the file.
    InScan,
    /// They are something else, such as what a phone puts behind a picture.
    Other,
}

/// Stuffed bytes that show that what is there is a scan. In a scan every byte 0xff is followed by
/// a zero or a marker (ITU-T T.81, B.1.1.5); in other data by any byte, so that so many zeros in a
/// row are there by chance once in 2^48.
const STUFFED_MIN: u32 = 6;

/// Returns where the next 0xff is.
fn next_ff(bytes: &[u8], from: usize) -> Option<usize> {
    let rest = bytes.get(from..)?;
    let (blocks, _) = rest.as_chunks::<32>();
    let has = |block: &[u8; 32]| block.iter().fold(0, |any, &b| any | u8::from(b == 0xff)) > 0;
    let clean = blocks.iter().take_while(|block| !has(block)).count() * 32;
    let found = rest.get(clean..)?.iter().position(|&b| b == 0xff)?;
    Some(from + clean + found)
}

/// Walks through the end of a file as through a scan (ITU-T T.81, B.1.1.5 and B.2.1): stuffed bytes
/// and restart markers belong to it; tables and headers of further scans have a length.
pub(super) fn look(tail: &[u8]) -> TailSays {
    if tail.ends_with(&[0xff, 0xd9]) {
        return TailSays::Ended;
    }
    let (mut at, mut stuffed, mut says) = (0, 0_u32, TailSays::InScan);
    while let Some(place) = next_ff(tail, at) {
        let Some(&code) = tail.get(place + 1) else {
            break;
        };
        at = place + 2;
        match code {
            0xd9 => return TailSays::Ended,
            0 => stuffed = stuffed.saturating_add(1),
            0xd0..=0xd7 => {}
            // A byte that fills up before a marker.
            0xff => at = place + 1,
            // DHT, SOS, DQT, DNL, DRI, COM, APPn: between the scans of a progressive picture.
            0xc4 | 0xda..=0xdd | 0xe0..=0xef | 0xfe => {
                let length = super::bytes::be16(tail, at).map_or(0, usize::from);
                if length < 2 {
                    says = TailSays::Other;
                }
                at += length;
            }
            _ => says = TailSays::Other,
        }
    }
    if says == TailSays::InScan && stuffed < STUFFED_MIN && !is_pattern(tail) {
        return TailSays::Other;
    }
    says
}

/// Whether the end of a file is a pattern that repeats, as the scan of a picture of one colour is,
/// in which there are no bytes 0xff. One value over and over is no sign: that is how files are
/// filled up.
fn is_pattern(tail: &[u8]) -> bool {
    /// Bytes that have to repeat.
    const SEEN: usize = 2_048;
    /// The longest pattern: blocks of a few bits each, until they fill whole bytes.
    const PERIOD_MAX: usize = 64;
    let Some(end) = tail
        .len()
        .checked_sub(SEEN)
        .and_then(|from| tail.get(from..))
    else {
        return false;
    };
    let repeats = |period: usize| {
        let later = end.get(period..).unwrap_or_default();
        later.iter().zip(end).all(|(a, b)| a == b)
    };
    !repeats(1) && (2..=PERIOD_MAX).any(repeats)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scan(bytes: usize) -> Vec<u8> {
        let mut out = Vec::new();
        while out.len() < bytes {
            out.extend_from_slice(b"\x12\x34\xff\0\x56\xff\xd3");
        }
        out
    }

    #[test]
    fn a_scan_an_end_and_what_is_behind_one_are_told_apart() {
        assert_eq!(look(&scan(4_000)), TailSays::InScan);
        let mut ended = scan(4_000);
        ended.extend_from_slice(b"\xff\xd9");
        assert_eq!(look(&ended), TailSays::Ended);
        // Behind the end there may be anything.
        ended.extend_from_slice(&[7; 900]);
        assert_eq!(look(&ended), TailSays::Ended);
        // A progressive picture: a table and the header of the next scan.
        let mut progressive = scan(400);
        progressive.extend_from_slice(b"\xff\xc4\0\x06\x10\xff\xd9\x01\xff\xda\0\x04\x01\x02");
        progressive.extend_from_slice(&scan(400));
        assert_eq!(look(&progressive), TailSays::InScan);
        // Not a scan: 0xff before any byte.
        assert_eq!(look(&[0xff, 0x12].repeat(100)), TailSays::Other);
        assert_eq!(look(&[0; 4_000]), TailSays::Other);
        assert_eq!(look(b"\xff"), TailSays::Other);
        // A picture of one colour: blocks of six bits.
        assert_eq!(look(&[0x28, 0xa2, 0x8a].repeat(1_000)), TailSays::InScan);
    }

    #[test]
    fn each_0xff_is_found() {
        let mut bytes = vec![0; 200];
        for at in [0, 31, 32, 33, 95, 199] {
            bytes[at] = 0xff;
        }
        let mut found = Vec::new();
        let mut from = 0;
        while let Some(at) = next_ff(&bytes, from) {
            found.push(at);
            from = at + 1;
        }
        assert_eq!(found, [0, 31, 32, 33, 95, 199]);
    }
}
