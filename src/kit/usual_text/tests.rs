//! `[usual]` of a kit: what reads, what is refused and where, and that no edit touches it.

use super::*;
use crate::kit::edit::{EditError, KitEntry, add, remove, update};
use crate::kit::text::read as read_kit;
use crate::kit::usual::UsualDoubt;
use crate::kit::{Kit, KitCard, KitEntryKind};

const DRIVES: &str = "\
[[drive]]
name = \"Attic\"
volumes = [\"1\"]

[[drive]]
name = \"Travel\"
";

const USUAL_KIT: &str = "\
# The festival.
[usual]
to     = [ \"attic\", \"Travel\" ]   # both, always
copies = 2
also   = [\"sha256\", \"md5\"]
shoot  = \"kite festival\"
name   = \"{date}-{shoot}-{card}\"

[usual.Studio]   # at home
to = [\"/srv/kites\", 'E:\\photos', \"Attic\"]

[[drive]]
name = \"Attic\"
volumes = [\"1\"]

[[drive]]
name = \"Travel\"
";

fn faults(text: &str) -> Vec<String> {
    let faults = read_kit(text).unwrap_err();
    faults.iter().map(ToString::to_string).collect()
}

#[test]
fn what_is_usual_is_read_by_name() {
    let kit = read_kit(USUAL_KIT).unwrap();
    let usual = kit.usual(None).unwrap();
    let to: Vec<String> = usual.to.iter().map(ToString::to_string).collect();
    assert_eq!(to, ["Attic", "Travel"], "as the kit writes them");
    assert_eq!(usual.copies, Some(2));
    assert_eq!(usual.also, [Also::Sha256, Also::Md5]);
    assert_eq!(usual.shoot.as_deref(), Some("kite festival"));
    let pattern = usual.pattern.as_ref().map(ToString::to_string);
    assert_eq!(pattern.as_deref(), Some("{date}-{shoot}-{card}"));
    let studio = kit.usual(Some("studio")).unwrap();
    let folder = |path: &str| UsualDrive::Folder(path.into());
    let attic = UsualDrive::Kit("Attic".into());
    assert_eq!(
        studio.to,
        [folder("/srv/kites"), folder(r"E:\photos"), attic]
    );
    assert_eq!((studio.copies, studio.pattern.is_none()), (None, true));
    assert_eq!(
        kit.usual(Some("Lake")).unwrap_err().to_string(),
        "the kit has no [usual.Lake]; with --usual there is Studio"
    );
    // A set alone makes no [usual]; a thing of that name is a thing like any other.
    let kit = read_kit("[usual.usual]\ncopies = 1\n[[drive]]\nname = \"usual\"\n").unwrap();
    assert!(kit.usual(None).is_err() && kit.usual(Some("USUAL")).is_ok());
    assert!(kit.drive("usual").is_ok());
    let doubts = |kit: &Kit| kit.doubts(kit.usual(None).unwrap(), 2);
    let kit = read_kit(USUAL_KIT).unwrap();
    assert_eq!(doubts(&kit), [UsualDoubt::NoVolume("Travel".into())]);
    let kit = read_kit(&format!("[usual]\nto = [\"Attic\"]\n{DRIVES}")).unwrap();
    let few = UsualDoubt::FewDrives {
        copies: 2,
        drives: 1,
    };
    assert_eq!(doubts(&kit), [few]);
}

/// What is wrong, and how it is told.
const FAULTY: [(&str, &str); 28] = [
    (
        "[usual]\nthen = [\"attic\"]\n",
        "line 2, `usual`, `then`: there is no place `attic`",
    ),
    (
        "[usual]\nto = \"Attic\"\n",
        "line 2, `usual`, `to`: must be a list",
    ),
    ("[usual]\nto = []\n", "line 2, `usual`, `to`: lists nothing"),
    (
        "[usual]\nto = [\n\"Attic\",\n\"Atic\"]\n",
        "line 4, `usual`, `to`: there is no drive `Atic`",
    ),
    (
        "[usual]\nto = [\"./Attic\"]\n",
        "line 2, `usual`, `to`: must be a drive of the kit or a whole",
    ),
    (
        "[usual]\nto = [\"~/kites\"]\n",
        "line 2, `usual`, `to`: must be a drive of the kit or a whole",
    ),
    (
        "[usual]\nto = [\"Attic\", \"ATTIC\"]\n",
        "line 2, `usual`, `to`: lists `ATTIC` twice",
    ),
    (
        "[usual]\ncopies = 0\n",
        "line 2, `usual`, `copies`: must be a whole number from 1 to 16",
    ),
    (
        "[usual]\ncopies = 17\n",
        "line 2, `usual`, `copies`: must be a whole number from 1 to 16",
    ),
    (
        "[usual]\ncopies = \"2\"\n",
        "line 2, `usual`, `copies`: must be a whole number",
    ),
    (
        "[usual]\ncopies = 2.0\n",
        "line 2, `usual`, `copies`: must be a whole number",
    ),
    (
        "[usual]\nalso = [\"md5\", \"sha3\"]\n",
        "line 2, `usual`, `also`: `sha3` is no hash that is",
    ),
    (
        "[usual]\nalso = \"md5\"\n",
        "line 2, `usual`, `also`: must be a list",
    ),
    (
        "[usual]\nshoot = 7\n",
        "line 2, `usual`, `shoot`: must be text in quotes, not integer",
    ),
    (
        "[usual]\nshoot = \" \"\n",
        "line 2, `usual`, `shoot`: must be neither empty",
    ),
    (
        "[usual]\nname = \"{day}\"\n",
        "line 2, `usual`, `name`: `{day}` is no field; did you mean",
    ),
    (
        "[usual]\nname = \"{date}/{card}\"\n",
        "line 2, `usual`, `name`: holds `/`",
    ),
    (
        "[usual]\ntoo = [\"Attic\"]\n",
        "line 2, `usual`, `too`: is not known here; did you mean `to`?",
    ),
    ("[usual]\nto = Attic\n", "line 2, `to`: must be a list"),
    (
        "[usual]\ncopies = many\n",
        "line 2, `copies`: must be a whole number",
    ),
    (
        "[[usual]]\nto = [\"Attic\"]\n",
        "line 1, `usual`: begins as [usual], in one pair of brackets",
    ),
    (
        "usual = [\"Attic\"]\n",
        "line 1, `usual`: begins as [usual], in one pair of brackets",
    ),
    (
        "[usual.to]\ncopies = 1\n",
        "line 1, `usual.to`: is the name of a field of [usual]",
    ),
    (
        "[usual.Copies]\ncopies = 1\n",
        "line 1, `usual.Copies`: is the name of a field of [usual]",
    ),
    (
        "[usual]\nto = [\"Attic\"]\n[usual.to]\ncopies = 1\n",
        "line 3: is the name of a field of [usual]; a set needs another name",
    ),
    (
        "[usual.A]\n[usual.a]\n",
        "line 2, `usual.a`: line 1 has this name already",
    ),
    (
        "[[usual.A]]\n",
        "line 1, `usual.A`: begins as [usual.NAME], in one pair of brackets",
    ),
    (
        "[usual.Studio]\nto = [\"Atic\"]\n",
        "line 2, `usual.Studio`, `to`: there is no drive `Atic`",
    ),
];

#[test]
fn faults_of_sets_name_line_and_field() {
    for (text, want) in FAULTY {
        let told = faults(&format!("{text}\n{DRIVES}"));
        assert!(told[0].starts_with(want), "{text}\n{told:?}\nwanted {want}");
        assert_eq!(told.len(), 1, "{told:?}");
    }
    let told = faults("[usuel]\n");
    assert!(told[0].contains("did you mean `usual`?"), "{told:?}");
}

#[test]
fn no_edit_touches_a_byte_of_what_is_usual() {
    let end = USUAL_KIT.find("[[drive]]").unwrap();
    let ours = &USUAL_KIT[..end];
    let card = |note: Option<&str>| {
        KitEntry::Card(KitCard {
            name: "A1".into(),
            note: note.map(str::to_owned),
            ..KitCard::default()
        })
    };
    let added = add(USUAL_KIT, &card(None)).unwrap();
    let changed = update(&added, &card(Some("lent"))).unwrap();
    let fewer = remove(&changed, KitEntryKind::Card, "A1").unwrap();
    for text in [&added, &changed, &fewer] {
        assert!(text.starts_with(ours), "{text}");
        assert_eq!(read_kit(text).unwrap().usual.len(), 2);
    }
    // At the end of the text it is not taken along either.
    let above = format!("[[card]]\nname = \"A1\"\n\n{DRIVES}\n[usual]\nto = [\"Attic\"]\n");
    let fewer = remove(&above, KitEntryKind::Drive, "Travel").unwrap();
    assert!(fewer.ends_with("\n[usual]\nto = [\"Attic\"]\n"), "{fewer}");
    // A drive that is usual stays, as a reader does that a card names.
    let said = remove(USUAL_KIT, KitEntryKind::Drive, "Attic").unwrap_err();
    assert!(
        matches!(&said, EditError::Refused(f) if f[0].field.contains("`usual`")),
        "{said:?}"
    );
}
