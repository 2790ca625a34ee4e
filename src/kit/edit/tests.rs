//! The text of a kit: what reads, what is refused and where, what an edit leaves alone.

use super::*;
use crate::kit::TEXT_BYTES_MAX;
use crate::kit::fields::FAULTS_MAX;
use crate::kit::text::NEW;

const KITES: &str = "\
# Kites over the bay. Cards first.

[[card]]
name = \"A1\"      # yellow tape
reads = 170
class = \"V30\"
readers = [ \"blue\" ]   # only here
volumes = [
  \"4A21-00FE\", # before the lake
]

# The blue one lives in the left pocket.
[[reader]]
name = \"blue\"
bus  = \"sd-sdr104\"

# [[drive]] name = \"old\"  sold

[[drive]]
name = \"Attic\"
writes = 110.5
# the end
";

fn faults(text: &str) -> Vec<String> {
    read(text)
        .unwrap_err()
        .iter()
        .map(ToString::to_string)
        .collect()
}

fn card(name: &str) -> KitCard {
    KitCard {
        name: name.into(),
        ..KitCard::default()
    }
}

#[test]
fn a_kit_reads_as_it_is_written() {
    let kit = read(KITES).unwrap();
    let a1 = kit.card("A1").unwrap();
    assert_eq!(a1.reads, Some(170.0));
    assert_eq!(a1.class.unwrap().to_string(), "V30");
    assert_eq!(a1.readers, ["blue"]);
    assert_eq!(a1.volumes, ["4A21-00FE"]);
    assert_eq!(
        kit.reader("blue").unwrap().bus.as_deref(),
        Some("sd-sdr104")
    );
    assert_eq!(kit.drive("Attic").unwrap().writes, Some(110.5));
    assert_eq!(read("").unwrap(), Kit::default());
    assert_eq!(read(NEW).unwrap(), Kit::default());
}

/// What is wrong, and how it is told.
const FAULTY: [(&str, &str); 33] = [
    // What is no TOML 1.0 at all (toml.io/en/v1.0.0, sections "String", "Integer" and "Keys").
    (
        "[[card]]\nname = \"A1\"\nbus = uhs-i\n",
        "line 3, `bus`: must be text in quotes",
    ),
    (
        "[[drive]]\nname = \"D\"\nwrites = 110MB/s\n",
        "line 3, `writes`: must be a number of MB/s from 0.1 to 100000, without a unit",
    ),
    (
        "[[card]]\nname = \"A1\"\n\n  \"reads\" = 17O\n",
        "line 4, `reads`: must be a number of MB/s",
    ),
    (
        "[[card]]\nname = \"A1\"\nreads = 1,5\n",
        "line 3, `reads`: must be a number of MB/s",
    ),
    (
        "[[card]]\nname = \"A1\"\nreads = 9\nreads = 9\n",
        "line 4, `reads`: is there twice in one entry",
    ),
    (
        "[[drive]]\nname = \"D\"\nspins = yes\n",
        "line 3, `spins`: must be true or false, without quotes",
    ),
    (
        "[[card]]\nname = \"A1\"\nreaders = blue\n",
        "line 3, `readers`: must be a list in brackets",
    ),
    (
        "[[card]]\nname = \"A1\"\nbus \"uhs-i\"\n",
        "line 3, `bus`: key with no value",
    ),
    ("[[card]\nname = \"A1\"\n", "line 1: unclosed"),
    (
        "[[card]]\nname = \"A1\"\nbus = \"uhs2\"\n",
        "line 3, card `A1`, `bus`: `uhs2` is no link that is known here; did you mean `uhs-2`?",
    ),
    (
        "[[reader]]\nname = \"blue\"\nlink = \"firewire\"\n",
        "line 3, reader `blue`, `link`: `firewire` is no link that is known here; there are usb2",
    ),
    (
        "[[reader]]\nname = \"blue\"\nlink = \"uhs-i\"\n",
        "line 3, reader `blue`, `link`: `sd-sdr104` is a card's bus; a link of a reader",
    ),
    ("[[card]]\nreads = 9\n", "line 1, card, `name`: is missing"),
    (
        "[[card]]\nname = \"A1\"\n\nreeds = 9\n",
        "line 4, card `A1`, `reeds`: is not known here; did you mean `reads`?",
    ),
    (
        "[[card]]\nname = \"A1\"\nreads = \"170\"\n",
        "line 3, card `A1`, `reads`: must be a number of MB/s",
    ),
    (
        "[[card]]\nname = \"A1\"\nreads = -1\n",
        "line 3, card `A1`, `reads`: must be a number",
    ),
    (
        "[[card]]\nname = \"A1\"\nreads = nan\n",
        "line 3, card `A1`, `reads`: must be a number",
    ),
    (
        "[[card]]\nname = \"A1\"\nclass = \"V31\"\n",
        "line 3, card `A1`, `class`: `V31` is no class",
    ),
    (
        "[[card]]\nname = 7\n",
        "line 2, card, `name`: must be text in quotes, not integer",
    ),
    (
        "[[card]]\nname = \"\"\n",
        "line 2, card, `name`: must be neither empty",
    ),
    (
        "[[card]]\nname = \"-A\"\n",
        "line 2, card, `name`: must not begin with `-`",
    ),
    (
        "[[card]]\nname = \"a\\u001b[2J\"\n",
        "line 2, card, `name`: holds a character",
    ),
    (
        "[card]\nname = \"A1\"\n",
        "line 1, `card`: begins an entry as [[card]]",
    ),
    (
        "[[cards]]\nname = \"A1\"\n",
        "line 1, `cards`: is not known here; did you mean `card`?",
    ),
    (
        "[[card]]\nname = \"A1\"\nvolumes = \"X\"\n",
        "line 3, card `A1`, `volumes`: must be a list",
    ),
    (
        "[[card]]\nname = \"A1\"\nvolumes = [\"X\",\n 4]\n",
        "line 4, card `A1`, `volumes`: holds something",
    ),
    (
        "[[card]]\nname = \"A1\"\nvolumes = [\"X\", \"x\"]\n",
        "line 3, card `A1`, `volumes`: lists `x` twice",
    ),
    (
        "[[card]]\nname = \"A1\"\nname = \"A2\"\n",
        "line 3, `name`: is there twice in one entry",
    ),
    ("[[card]]\nname = \"A1\nreads = 3\n", "line 2, `name`: "),
    (
        "[[card]]\nname = \"A1\"\n[[card]]\nname = \"a1\"\n",
        "line 3, card `a1`: line 1 has this name already",
    ),
    (
        "[[card]]\nname = \"A1\"\nreaders = [\"blue\"]\n",
        "line 3, card `A1`, `readers`: there is no reader `blue`",
    ),
    (
        "[[card]]\nname = \"A\"\nvolumes = [\"X\"]\n[[drive]]\nname = \"B\"\nvolumes = [\"x\"]\n",
        "line 6, drive `B`, `volumes`: `x` is listed for card `A` already",
    ),
    (
        "[[card]]\nname = \"A\"\n[card.reads]\nx = 1\n",
        "line 3, card `A`, `reads`: is a table",
    ),
];

#[test]
fn faults_name_line_and_field() {
    for (text, want) in FAULTY {
        let told = faults(text);
        assert!(told[0].starts_with(want), "{text}\n{told:?}\nwanted {want}");
    }
}

#[test]
fn several_faults_are_told_at_once_in_order() {
    let told = faults("[[drive]]\nname = \"D\"\nreads = 0\nwrites = 1e9\nbus = \"usb\"\n");
    assert_eq!(told.len(), 3, "{told:?}");
    assert!(
        told[0].starts_with("line 3") && told[2].starts_with("line 5"),
        "{told:?}"
    );
    let many = (0..100).fold(String::new(), |all, n| all + &format!("[[x{n}]]\n"));
    assert_eq!(read(&many).unwrap_err().len(), FAULTS_MAX);
}

#[test]
fn an_entry_more_leaves_every_byte_before_it_alone() {
    let new = add(
        KITES,
        &KitEntry::Card(KitCard {
            reads: Some(300.0),
            ..card("B \"two\"")
        }),
    )
    .unwrap();
    assert!(new.starts_with(KITES));
    assert_eq!(
        read(&new).unwrap().card("B \"two\"").unwrap().reads,
        Some(300.0)
    );
    let new = add("", &KitEntry::Card(card("A1"))).unwrap();
    assert_eq!(new, "[[card]]\nname = \"A1\"\n");
    // No line break at the end, and Windows' line ends.
    let new = add("[[card]]\r\nname = \"A1\" # x", &KitEntry::Card(card("A2"))).unwrap();
    assert!(new.starts_with("[[card]]\r\nname = \"A1\" # x\r\n"));
    assert_eq!(read(&new).unwrap().cards.len(), 2);
}

#[test]
fn an_entry_less_leaves_comments_and_the_rest_alone() {
    let new = remove(KITES, KitEntryKind::Card, "a1").unwrap();
    let start = KITES.find("[[card]]").unwrap();
    let end = KITES.find("]\n\n# The blue").unwrap() + 2;
    assert_eq!(new, format!("{}{}", &KITES[..start], &KITES[end..]));
    let new = remove(KITES, KitEntryKind::Drive, "Attic").unwrap();
    assert!(new.contains("# the end") && new.contains("sold"), "{new}");
    // A card names the reader, so it stays.
    let said = remove(KITES, KitEntryKind::Reader, "blue").unwrap_err();
    assert!(
        matches!(&said, EditError::Refused(f) if f[0].field.contains("A1")),
        "{said:?}"
    );
    let said = remove(KITES, KitEntryKind::Card, "Z9").unwrap_err();
    assert!(
        matches!(&said, EditError::Unknown(u) if u.known == ["A1"]),
        "{said:?}"
    );
}

#[test]
fn fields_are_set_where_they_stand() {
    let change = KitCard {
        reads: Some(95.0),
        note: Some("lent to the other car".into()),
        volumes: vec!["77AA-0001".into(), "4a21-00fe".into()],
        ..card("a1")
    };
    let new = update(KITES, &KitEntry::Card(change)).unwrap();
    let a1 = read(&new).unwrap().card("A1").unwrap().clone();
    assert_eq!(a1.reads, Some(95.0));
    assert_eq!(a1.volumes, ["4A21-00FE", "77AA-0001"]);
    assert_eq!(a1.note.as_deref(), Some("lent to the other car"));
    assert_eq!(a1.readers, ["blue"]);
    for kept in [
        "# yellow tape",
        "# only here",
        "# Kites over",
        "bus  = ",
        "# the end",
    ] {
        assert!(new.contains(kept), "{kept} is gone: {new}");
    }
    assert!(
        new.contains("volumes = [\n  \"4A21-00FE\", # before the lake\n  \"77AA-0001\",\n]\n"),
        "the list as a hand wrote it: {new}"
    );
    let nothing = update(KITES, &KitEntry::Card(card("A1"))).unwrap();
    assert_eq!(nothing, KITES);
    // What says the same already is as it was written.
    let hand = KITES.replace("170", "170.0").replace("\"V30\"", "'v30'");
    let same = KitCard {
        reads: Some(170.0),
        class: read(KITES).unwrap().card("A1").unwrap().class,
        readers: vec!["blue".into()],
        volumes: vec!["4a21-00fe".into()],
        ..card("A1")
    };
    assert_eq!(update(&hand, &KitEntry::Card(same)).unwrap(), hand);
    let bad = update(
        KITES,
        &KitEntry::Card(KitCard {
            reads: Some(-4.0),
            ..card("A1")
        }),
    );
    assert!(matches!(bad, Err(EditError::Refused(_))), "{bad:?}");
    let end = "[[card]]\nname = \"A1\"";
    let new = update(
        end,
        &KitEntry::Card(KitCard {
            reads: Some(9.0),
            ..card("A1")
        }),
    )
    .unwrap();
    assert_eq!(new, "[[card]]\nname = \"A1\"\nreads = 9\n");
}

/// TOML 1.0, "Spec": a line ends with LF or CRLF. A kit that was written with the latter has no
/// others after an edit.
#[test]
fn lines_end_as_they_did() {
    let windows = KITES.replace('\n', "\r\n");
    let is_whole = |text: &str| text.matches('\n').count() == text.matches("\r\n").count();
    let change = |name: &str| {
        KitEntry::Card(KitCard {
            reads: Some(95.0),
            note: Some("lent".into()),
            ..card(name)
        })
    };
    let added = add(&windows, &change("A2")).unwrap();
    let updated = update(&windows, &change("A1")).unwrap();
    let cut = windows.trim_end();
    let at_end = add(cut, &change("A2")).unwrap();
    for text in [&added, &updated, &at_end] {
        assert!(is_whole(text), "{text:?}");
    }
    let removed = remove(&added, KitEntryKind::Card, "A2").unwrap();
    assert_eq!(removed.trim_end(), windows.trim_end());
    assert!(!add(KITES, &change("A2")).unwrap().contains('\r'));
}

#[test]
fn what_is_taken_or_faulty_is_not_edited() {
    let taken = add(KITES, &KitEntry::Card(card("a1"))).unwrap_err();
    assert_eq!(taken, EditError::Exists(KitEntryKind::Card, "A1".into()));
    let faulty = add("[[card]]\n", &KitEntry::Card(card("A1"))).unwrap_err();
    assert!(matches!(faulty, EditError::Faulty(_)));
    let bad = add(KITES, &KitEntry::Card(card(" x "))).unwrap_err();
    assert!(matches!(bad, EditError::Refused(_)));
    let bad = add(
        KITES,
        &KitEntry::Card(KitCard {
            readers: vec!["red".into()],
            ..card("A2")
        }),
    );
    assert!(matches!(bad, Err(EditError::Refused(_))));
}

/// A small generator with a seed, so that a failure can be repeated.
struct Chance(u64);

impl Chance {
    fn below(&mut self, end: usize) -> usize {
        // Xorshift64 (Marsaglia 2003).
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        crate::units::len_usize(self.0 % crate::units::len64(end).max(1))
    }
}

#[test]
fn hostile_text_is_refused_without_falling_over() {
    let deep = format!("x = {}", "[".repeat(100_000));
    let dotted = format!("{} = 1", vec!["a"; 50_000].join("."));
    let inline = format!("x = {}", "{a=".repeat(50_000));
    let headers = format!("[{}]", vec!["a"; 50_000].join("."));
    let long_name = format!("[[card]]\nname = \"{}\"", "x".repeat(100_000));
    let long_key = format!("[[card]]\nname = \"x\"\n{} = 1", "k".repeat(100_000));
    let many = "[[card]]\nname = \"x\"\n".repeat(10_000);
    let volumes = format!(
        "[[card]]\nname = \"x\"\nvolumes = [{}]",
        "\"v\",".repeat(20_000)
    );
    let huge = "#".repeat(TEXT_BYTES_MAX + 1);
    for text in [
        &deep, &dotted, &inline, &headers, &long_name, &long_key, &many, &volumes, &huge,
    ] {
        let told = read(text).unwrap_err();
        assert!(told.len() <= FAULTS_MAX);
        for fault in told {
            assert!(
                fault.to_string().len() < 1_000,
                "{}",
                fault.to_string().len()
            );
        }
    }
}

#[test]
fn damaged_kits_never_panic_and_edits_never_lose_a_comment() {
    let mut chance = Chance(0x9E37_79B9_7F4A_7C15);
    let alphabet: Vec<char> = "[]={}\"'#,.\n\r \t\\-0aé\u{0}card".chars().collect();
    let (mut sound, mut refused) = (0, 0);
    for _ in 0..4_000 {
        let mut text: Vec<char> = KITES.chars().collect();
        for _ in 0..=chance.below(3) {
            let at = chance.below(text.len());
            match chance.below(3) {
                0 => text[at] = alphabet[chance.below(alphabet.len())],
                1 => text.insert(at, alphabet[chance.below(alphabet.len())]),
                _ => drop(text.remove(at)),
            }
        }
        let text: String = text.into_iter().collect();
        let Ok(kit) = read(&text) else {
            refused += 1;
            continue;
        };
        sound += 1;
        let new = add(&text, &KitEntry::Card(card("Zed"))).unwrap();
        assert!(new.starts_with(&text));
        assert_eq!(
            remove(&new, KitEntryKind::Card, "Zed").map(|t| read(&t)),
            Ok(Ok(kit.clone()))
        );
        if let Some(first) = kit.cards.first() {
            let changed = KitCard {
                reads: Some(42.0),
                ..card(&first.name)
            };
            let new = update(&text, &KitEntry::Card(changed)).unwrap();
            assert_eq!(new.matches('#').count(), text.matches('#').count(), "{new}");
        }
    }
    assert!(
        sound > 500 && refused > 500,
        "{sound} sound, {refused} refused"
    );
}
