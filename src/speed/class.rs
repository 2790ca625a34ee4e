//! Owns the classes printed on cards. Each is a guaranteed *minimum of sequential writing* in the
//! conditions of its standard; none says anything of reading, so none ever enters a read ceiling.
//! Pure.

/// A guaranteed write class.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Class {
    /// As printed: `V30`.
    pub name: &'static str,
    /// Guaranteed sequential writing in MB/s (10^6 bytes per second).
    pub writes_mbps: u32,
    /// The family, for telling which cards carry it.
    pub family: &'static str,
    /// Where the figure comes from.
    pub source: &'static str,
}

const SPEED: &str = "SD Association, Speed Class";
const UHS: &str = "SD Association, UHS Speed Class";
const VIDEO: &str = "SD Association, Video Speed Class";
const EXPRESS: &str = "SD Association, SD Express Speed Class (SD 9.1)";
const APPS: &str = "SD Association, Application Performance Class";
const VPG: &str = "CompactFlash Association, Video Performance Guarantee";
const VPG_MEMORY: &str = "CompactFlash Association, Video Performance Guarantee (from memory)";

/// Every known class, family by family, the slowest first.
pub const CLASSES: [Class; 24] = [
    class("C2", 2, "SD", SPEED),
    class("C4", 4, "SD", SPEED),
    class("C6", 6, "SD", SPEED),
    class("C10", 10, "SD", SPEED),
    class("U1", 10, "SD", UHS),
    class("U3", 30, "SD", UHS),
    class("V6", 6, "SD", VIDEO),
    class("V10", 10, "SD", VIDEO),
    class("V30", 30, "SD", VIDEO),
    class("V60", 60, "SD", VIDEO),
    class("V90", 90, "SD", VIDEO),
    class("E150", 150, "SD Express", EXPRESS),
    class("E300", 300, "SD Express", EXPRESS),
    class("E450", 450, "SD Express", EXPRESS),
    class("E600", 600, "SD Express", EXPRESS),
    class("A1", 10, "SD", APPS),
    class("A2", 10, "SD", APPS),
    class("VPG20", 20, "CompactFlash", VPG),
    class("VPG65", 65, "CompactFlash", VPG),
    class("VPG130", 130, "CFast", VPG_MEMORY),
    class("VPG200", 200, "CFexpress", VPG),
    class("VPG400", 400, "CFexpress", VPG),
    class("VPG800", 800, "CFexpress", VPG),
    class("VPG1600", 1_600, "CFexpress", VPG),
];

const fn class(
    name: &'static str,
    writes_mbps: u32,
    family: &'static str,
    source: &'static str,
) -> Class {
    Class {
        name,
        writes_mbps,
        family,
        source,
    }
}

impl Class {
    /// Finds a class by its printed name; case, blanks, `-` and `_` don't count.
    ///
    /// # Errors
    /// Words for a person: which classes there are; and that a rate is none.
    pub fn parse(text: &str) -> Result<Self, String> {
        let name: String = text
            .chars()
            .filter(|c| !matches!(c, ' ' | '-' | '_'))
            .take(16)
            .collect::<String>()
            .to_ascii_uppercase();
        let name = match name.strip_prefix("CLASS") {
            Some(number) => format!("C{number}"),
            None => name,
        };
        if let Some(class) = CLASSES.iter().find(|c| c.name == name) {
            return Ok(*class);
        }
        let shown = crate::name::shown(&text.chars().take(32).collect::<String>());
        if name.starts_with(|c: char| c.is_ascii_digit()) {
            return Err(format!(
                "`{shown}` is no class: a class is printed as V30, U3 or C10. The large figure on a card is how fast it reads, and guarantees no writing"
            ));
        }
        Err(format!(
            "`{shown}` is no class that is known here; known are C2, C4, C6, C10, U1, U3, V6 to V90, E150 to E600, A1, A2 and VPG20 to VPG1600"
        ))
    }

    /// Returns the guaranteed writing in bytes per second.
    pub fn writes(self) -> f64 {
        f64::from(self.writes_mbps) * 1e6
    }

    /// Returns the slowest class of the same family, of the video kind where there is one, that
    /// guarantees `bytes_per_s`.
    pub fn enough_for(self, bytes_per_s: f64) -> Option<Self> {
        CLASSES
            .iter()
            .filter(|c| c.family == self.family)
            .filter(|c| c.family != "SD" || c.name.starts_with('V'))
            .filter(|c| c.writes() >= bytes_per_s)
            .min_by_key(|c| c.writes_mbps)
            .copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_those_of_the_standards() {
        // SD Association, "Speed Class" page: Class 2/4/6/10, U1/U3, V6..V90, E150..E600.
        // CompactFlash Association: VPG20/65 (CF), VPG200/400 (CFexpress 2.0), VPG800/1600 (VPG-5, 2025).
        for (name, mbps) in [
            ("C10", 10),
            ("U1", 10),
            ("U3", 30),
            ("V6", 6),
            ("V30", 30),
            ("V60", 60),
            ("V90", 90),
            ("E600", 600),
            ("VPG65", 65),
            ("VPG400", 400),
            ("vpg-1600", 1_600),
            ("Class 10", 10),
        ] {
            assert_eq!(Class::parse(name).unwrap().writes_mbps, mbps, "{name}");
        }
    }

    #[test]
    fn names_are_unique_and_a_rate_is_no_class() {
        for (at, class) in CLASSES.iter().enumerate() {
            assert!(CLASSES[at + 1..].iter().all(|c| c.name != class.name));
            assert!(!class.source.is_empty());
        }
        assert!(
            Class::parse("170")
                .unwrap_err()
                .contains("how fast it reads")
        );
        assert!(Class::parse("V31").unwrap_err().contains("V6 to V90"));
        assert!(Class::parse("").is_err());
        assert!(Class::parse(&"V".repeat(10_000)).unwrap_err().len() < 300);
    }

    #[test]
    fn the_next_class_up_is_of_the_family() {
        let v30 = Class::parse("V30").unwrap();
        assert_eq!(v30.enough_for(37.5e6).unwrap().name, "V60");
        assert_eq!(v30.enough_for(91e6), None);
        let vpg = Class::parse("VPG200").unwrap();
        assert_eq!(vpg.enough_for(325e6).unwrap().name, "VPG400");
        assert_eq!(
            Class::parse("U3").unwrap().enough_for(5e6).unwrap().name,
            "V6"
        );
    }
}
