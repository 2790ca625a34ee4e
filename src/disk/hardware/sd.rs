//! Owns the two registers of an SD card that the system passes on: SD Status (classes) and CID
//! (identity), as laid out in the SD Specifications Part 1, Physical Layer Simplified Specification
//! (SD Association). Pure: bytes in, facts out.

use serde::Serialize;

/// Bytes of the SD Status register.
const STATUS_BYTES: usize = 64;
/// Bytes of the identification register.
const ID_BYTES: usize = 16;

/// What the SD Status register says. Every class is about *writing*.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct SdStatus {
    /// Speed Class: 2, 4, 6 or 10; 0 for none, `None` for a code that is not known here.
    pub speed_class: Option<u16>,
    /// UHS Speed Grade: 1 or 3; 0 for none.
    pub uhs_grade: u16,
    /// Video Speed Class in MB/s: 6 to 90; 0 for none.
    pub video_class: u16,
    /// Application Performance Class: 1 or 2; 0 for none.
    pub application_class: u16,
    /// Code of the size in which the card likes to be written.
    pub unit_code: u16,
}

impl SdStatus {
    /// Reads the register as the kernel prints it: 128 hexadecimal digits, highest bit first.
    pub fn from_hex(hex: &str) -> Option<Self> {
        let b: [u8; STATUS_BYTES] = bytes(hex)?;
        Some(Self {
            speed_class: match b[8] {
                code @ 0..=3 => Some(u16::from(code) * 2),
                4 => Some(10),
                _ => None,
            },
            uhs_grade: u16::from(b[14] >> 4),
            video_class: u16::from(b[15]),
            application_class: u16::from(b[21] & 0x0f),
            unit_code: u16::from(b[10] >> 4),
        })
    }

    /// Returns the classes as they are printed on cards: `C10`, `U3`, `V30`, `A2`.
    pub fn classes(&self) -> Vec<String> {
        [
            ("C", self.speed_class.unwrap_or(0)),
            ("U", self.uhs_grade),
            ("V", self.video_class),
            ("A", self.application_class),
        ]
        .into_iter()
        .filter(|(_, number)| *number > 0)
        .map(|(letter, number)| format!("{letter}{number}"))
        .collect()
    }
}

/// How an identity begins that comes from the identification register.
pub const CID: &str = "cid-";

/// What the identification register says.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct CardId {
    /// Number of the maker, as the SD Association assigns it.
    pub maker: u8,
    /// Two characters of the maker's choice.
    pub oem: String,
    /// Five characters: what the card calls itself.
    pub product: String,
    /// Revision, such as `8.0`.
    pub revision: String,
    /// Serial number.
    pub serial: u32,
    /// Year and month of making.
    pub made: (u16, u8),
}

impl CardId {
    /// Returns what tells this card from all others as an identity: maker, product and serial
    /// number. No format changes it.
    pub fn identity(&self) -> String {
        let is_plain = |c: char| c.is_ascii_alphanumeric();
        let product = self.product.to_lowercase().replace(|c| !is_plain(c), "_");
        format!("{CID}{:02x}-{product}-{:08x}", self.maker, self.serial)
    }

    /// Reads the register as the kernel prints it: 32 hexadecimal digits.
    pub fn from_hex(hex: &str) -> Option<Self> {
        let b: [u8; ID_BYTES] = bytes(hex)?;
        let printed = |range: &[u8]| -> String {
            let shown = |&b: &u8| {
                if b.is_ascii_graphic() {
                    char::from(b)
                } else {
                    ' '
                }
            };
            range
                .iter()
                .map(shown)
                .collect::<String>()
                .trim()
                .to_owned()
        };
        Some(Self {
            maker: b[0],
            oem: printed(&b[1..3]),
            product: printed(&b[3..8]),
            revision: format!("{}.{}", b[8] >> 4, b[8] & 0x0f),
            serial: u32::from_be_bytes([b[9], b[10], b[11], b[12]]),
            made: (
                2_000 + (u16::from(b[13] & 0x0f) << 4 | u16::from(b[14] >> 4)),
                b[14] & 0x0f,
            ),
        })
    }
}

/// Exactly so many bytes from hexadecimal digits.
fn bytes<const N: usize>(hex: &str) -> Option<[u8; N]> {
    let hex = hex.trim();
    if hex.len() != N * 2 || !hex.is_ascii() {
        return None;
    }
    let mut out = [0; N];
    for (byte, at) in out.iter_mut().zip((0..hex.len()).step_by(2)) {
        *byte = u8::from_str_radix(hex.get(at..at + 2)?, 16).ok()?;
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn status_registers_decode_as_published() {
        let table = include_str!("../../../fixtures/sd-status.csv");
        let mut checked = 0;
        for line in table
            .lines()
            .filter(|l| !l.starts_with('#') && !l.starts_with("id,"))
        {
            let f: Vec<&str> = line.split(',').collect();
            let number = |i: usize| f[i].parse::<u16>().unwrap();
            let status = SdStatus::from_hex(&format!("{:0<128}", f[2])).unwrap();
            assert_eq!(
                (
                    status.speed_class.unwrap(),
                    status.uhs_grade,
                    status.video_class,
                    status.application_class,
                    status.unit_code
                ),
                (number(3), number(4), number(5), number(6), number(7)),
                "{}",
                f[0]
            );
            checked += 1;
        }
        assert_eq!(checked, 5);
    }

    #[test]
    fn classes_are_written_as_on_cards() {
        let v30 = "8000000005000000040090000f05391e0008000000021f0003000000";
        let status = SdStatus::from_hex(&format!("{v30:0<128}")).unwrap();
        assert_eq!(status.classes(), ["C10", "U3", "V30", "A2"]);
        assert_eq!(SdStatus::default().classes(), Vec::<String>::new());
        for class in status.classes() {
            assert!(!class.is_empty());
        }
    }

    #[test]
    fn what_is_no_register_is_unknown() {
        for bad in [
            "",
            "80",
            &"8".repeat(127),
            &"8".repeat(129),
            &"g".repeat(128),
            &"é".repeat(64),
        ] {
            assert_eq!(SdStatus::from_hex(bad), None);
            assert_eq!(CardId::from_hex(bad), None);
        }
        let strange = format!("{:0<16}ff{:0<110}", "", "");
        assert_eq!(SdStatus::from_hex(&strange).unwrap().speed_class, None);
        assert!(SdStatus::from_hex(&strange).unwrap().classes().is_empty());
    }

    #[test]
    fn an_identity_decodes() {
        // Made up after the layout of the Physical Layer Simplified Specification, section 5.2.
        let id = CardId::from_hex("7f4b46534b495445100012d687018a2b").unwrap();
        assert_eq!(
            id,
            CardId {
                maker: 0x7f,
                oem: "KF".into(),
                product: "SKITE".into(),
                revision: "1.0".into(),
                serial: 0x0012_d687,
                made: (2024, 10),
            }
        );
        assert_eq!(id.identity(), "cid-7f-skite-0012d687");
    }
}
