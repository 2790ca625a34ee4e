//! Owns the guaranteed classes printed on cards: what a card sustains *at least* when it is
//! *written*.
//!
//! They say nothing about reading, and nothing here can become a read rate: [`WriteFloor`] is a
//! type of its own, and the chain of a ceiling has no place for it.
//!
//! ```compile_fail,E0308
//! use unlade::speed::{chain::CardSpeed, classes::WriteClass};
//! let v90 = WriteClass::parse("V90").unwrap().floor();
//! let wrong = CardSpeed { reads: Some(v90), ..CardSpeed::default() };
//! ```
//!
//! ```
//! use unlade::speed::chain::CardSpeed;
//! let right = CardSpeed { reads: Some(unlade::units::MegabytesPerS(170.0)), ..CardSpeed::default()
//! };
//! ```

use super::links::{LinkRow, find};
use crate::units::MegabytesPerS;
use std::fmt;

/// What a card sustains at least when it is written in order, under the standard's conditions.
#[derive(Clone, Copy, PartialEq, PartialOrd, Debug)]
pub struct WriteFloor(MegabytesPerS);

impl WriteFloor {
    /// Returns the least sustained *write* rate.
    pub fn written_at_least(self) -> MegabytesPerS {
        self.0
    }
}

/// A guaranteed class.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum WriteClass {
    /// SD Speed Class 2, 4, 6 or 10.
    Speed(u16),
    /// UHS Speed Class U1 or U3.
    Uhs(u16),
    /// Video Speed Class V6 to V90.
    Video(u16),
    /// SD Express Speed Class E150 to E600.
    Express(u16),
    /// Application Performance Class A1 or A2.
    Application(u16),
    /// Video Performance Guarantee VPG-20 to VPG1600.
    Guarantee(u16),
}

/// Letters on the card, the class they mean, and the numbers that may follow.
type ClassMark = (&'static str, fn(u16) -> WriteClass, &'static [u16]);

const CLASS_MARKS: [ClassMark; 7] = [
    (
        "vpg",
        WriteClass::Guarantee,
        &[20, 65, 130, 200, 400, 800, 1_600],
    ),
    ("class", WriteClass::Speed, &[2, 4, 6, 10]),
    ("c", WriteClass::Speed, &[2, 4, 6, 10]),
    ("u", WriteClass::Uhs, &[1, 3]),
    ("v", WriteClass::Video, &[6, 10, 30, 60, 90]),
    ("e", WriteClass::Express, &[150, 300, 450, 600]),
    ("a", WriteClass::Application, &[1, 2]),
];

/// Why a text is no class; its words quote the beginning of the text.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NoClass {
    /// It begins as a number does, as the rate on a card's label.
    #[error(
        "`{0}` is no class: a class is printed as V30, U3 or C10. The large figure on a card is \
         how fast it reads, and guarantees no writing"
    )]
    Rate(String),
    /// No standard has it.
    #[error(
        "`{0}` is no class of any standard; there are C2, C4, C6, C10, U1, U3, V6 to V90, E150 to \
         E600, A1, A2 and VPG20 to VPG1600"
    )]
    Unknown(String),
}

impl WriteClass {
    /// Returns the class that is printed as `text`: `V30`, `U3`, `C10`, `Class 10`, `A2`, `E300`,
    /// `VPG400`, `VPG-65`; `None` if no standard has it.
    pub fn parse(text: &str) -> Option<Self> {
        let plain = text.to_ascii_lowercase().replace([' ', '-'], "");
        CLASS_MARKS.iter().find_map(|(letters, class, numbers)| {
            let number: u16 = plain.strip_prefix(letters)?.parse().ok()?;
            numbers.contains(&number).then(|| class(number))
        })
    }

    /// Returns the class that is printed as `text`, as [`Self::parse`] does.
    ///
    /// # Errors
    /// When no standard has it.
    pub fn read(text: &str) -> Result<Self, NoClass> {
        // No class is printed with more than a dozen characters.
        let start: String = text.chars().take(32).collect();
        if let Some(class) = Self::parse(&start).filter(|_| start == text) {
            return Ok(class);
        }
        let shown = crate::name::shown(&start);
        if start.trim_start().starts_with(|c: char| c.is_ascii_digit()) {
            return Err(NoClass::Rate(shown));
        }
        Err(NoClass::Unknown(shown))
    }

    /// Returns the slowest class that guarantees at least `needed`, of those that the same kind of
    /// card carries: the video classes for all that the SD Association had before SD Express.
    pub fn enough_for(self, needed: MegabytesPerS) -> Option<Self> {
        let wanted = match self {
            Self::Guarantee(_) => "vpg",
            Self::Express(_) => "e",
            _ => "v",
        };
        let (_, class, numbers) = CLASS_MARKS
            .iter()
            .find(|(letters, ..)| *letters == wanted)?;
        let mut classes = numbers.iter().map(|number| class(*number));
        classes.find(|c| c.floor().written_at_least() >= needed)
    }

    /// Returns who guarantees it.
    pub fn source(self) -> &'static str {
        match self {
            Self::Speed(_) => "SD Association, Speed Class",
            Self::Uhs(_) => "SD Association, UHS Speed Class",
            Self::Video(_) => "SD Association, Video Speed Class",
            Self::Express(_) => "SD Association, SD Express Speed Class",
            Self::Application(_) => "SD Association, Application Performance Class",
            Self::Guarantee(_) => "CompactFlash Association, Video Performance Guarantee",
        }
    }

    /// Returns the least sustained write rate.
    pub fn floor(self) -> WriteFloor {
        WriteFloor(MegabytesPerS(f64::from(match self {
            Self::Uhs(grade) => grade * 10,
            // Both application classes sustain 10 MB/s; they differ in small accesses.
            Self::Application(_) => 10,
            Self::Speed(n) | Self::Video(n) | Self::Express(n) | Self::Guarantee(n) => n,
        })))
    }

    /// Returns the slowest bus that a card of this class must have, where the standard names one:
    /// V60 and V90 need the second row of pins. That tells a kind of card, not a rate.
    pub fn needs_bus(self) -> Option<&'static LinkRow> {
        match self {
            Self::Video(60..) => find("sd-uhs2-fd156"),
            Self::Express(_) => find("sdex-3x1"),
            Self::Uhs(_) => find("sd-sdr50"),
            _ => None,
        }
    }
}

/// As printed on cards.
impl fmt::Display for WriteClass {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Speed(n) => write!(f, "C{n}"),
            Self::Uhs(n) => write!(f, "U{n}"),
            Self::Video(n) => write!(f, "V{n}"),
            Self::Express(n) => write!(f, "E{n}"),
            Self::Application(n) => write!(f, "A{n}"),
            Self::Guarantee(n) => write!(f, "VPG{n}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::MegabitsPerS;

    fn at_least(text: &str) -> f64 {
        WriteClass::parse(text)
            .unwrap()
            .floor()
            .written_at_least()
            .0
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "small whole numbers are exact")]
    fn floors_are_the_published_ones() {
        // SD Association, Speed Class page: C2 to C10, U1, U3, V6 to V90, E150 to E600, A1 and A2.
        for (text, mbps) in [
            ("C2", 2.0),
            ("C4", 4.0),
            ("Class 6", 6.0),
            ("class10", 10.0),
            ("U1", 10.0),
            ("u3", 30.0),
            ("V6", 6.0),
            ("V10", 10.0),
            ("V30", 30.0),
            ("V60", 60.0),
            ("V90", 90.0),
            ("E150", 150.0),
            ("E600", 600.0),
            ("A1", 10.0),
            ("A2", 10.0),
        ] {
            assert_eq!(at_least(text), mbps, "{text}");
        }
        // CompactFlash Association, Video Performance Guarantee profiles 1 to 5; 130 from memory.
        for (text, mbps) in [
            ("VPG-20", 20.0),
            ("VPG130", 130.0),
            ("VPG 400", 400.0),
            ("VPG1600", 1_600.0),
        ] {
            assert_eq!(at_least(text), mbps, "{text}");
        }
        for no in ["", "V", "V31", "U2", "C3", "V-1", "X10", "v99999999", "104"] {
            assert_eq!(WriteClass::parse(no), None, "{no}");
        }
    }

    #[test]
    fn the_next_class_up_is_of_the_same_kind_of_card() {
        let up = |text: &str, mbps| {
            let class = WriteClass::read(text).unwrap();
            class.enough_for(MegabytesPerS(mbps)).map(|c| c.to_string())
        };
        assert_eq!(up("V30", 37.5).as_deref(), Some("V60"));
        assert_eq!(up("U3", 5.0).as_deref(), Some("V6"));
        assert_eq!(up("V30", 91.0), None);
        assert_eq!(up("VPG200", 325.0).as_deref(), Some("VPG400"));
        assert_eq!(up("E150", 151.0).as_deref(), Some("E300"));
    }

    #[test]
    fn a_rate_is_no_class_and_is_told_so() {
        assert!(
            WriteClass::read("170")
                .unwrap_err()
                .to_string()
                .contains("how fast it reads")
        );
        assert!(
            WriteClass::read("V31")
                .unwrap_err()
                .to_string()
                .contains("V6 to V90")
        );
        let long = format!("V30{}", " ".repeat(10_000));
        assert!(WriteClass::read(&long).unwrap_err().to_string().len() < 300);
    }

    #[test]
    fn every_class_reads_back_as_it_is_printed() {
        for (_, class, numbers) in CLASS_MARKS {
            for n in numbers {
                assert_eq!(WriteClass::parse(&class(*n).to_string()), Some(class(*n)));
            }
        }
    }

    #[test]
    fn a_class_holds_a_recording_or_not() {
        // Common practice, no source: V30 holds 100 Mb/s, and 300 to 400 Mb/s is where V30 ends.
        let holds = |class: &str, mbit| at_least(class) >= MegabitsPerS(mbit).in_bytes().0;
        assert!(holds("V30", 100.0) && !holds("V30", 300.0) && !holds("V30", 400.0));
        assert!(holds("V90", 400.0) && !holds("V60", 600.0));
    }

    #[test]
    fn only_two_rows_of_pins_carry_v60_and_more() {
        // SD Association, Speed Class page: V60 and V90 on UHS-II and faster only.
        let bus = |t: &str| WriteClass::parse(t).unwrap().needs_bus().map(|r| r.id);
        assert_eq!(bus("V60"), Some("sd-uhs2-fd156"));
        assert_eq!(bus("V30"), None);
        assert_eq!(bus("C10"), None);
        assert_eq!(bus("E300"), Some("sdex-3x1"));
    }
}
