//! Owns the receipt that is put beside the manifest at a place: what was sent when, how sure that
//! is, and what the place said of each object. It is written once; older ones stay.

use super::object::{Grade, PlaceObject};
use crate::digest::Digest;
use crate::record::layout::{ENTRIES_MAX, RECEIPT, RECORDS};
use serde::{Deserialize, Serialize};

/// The format's name.
const FORMAT: &str = "unlade-place";
/// Its version.
const VERSION: u64 = 1;
/// Longest receipt, in bytes.
pub const RECEIPT_BYTES_MAX: u64 = 1 << 29;

/// A receipt.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Receipt {
    /// `unlade-place`.
    pub format: String,
    /// The version of this form.
    pub version: u64,
    /// The version of the program.
    pub tool: String,
    /// The offload.
    pub offload: String,
    /// The hash of its manifest.
    pub manifest_b3: Digest,
    /// When it was made, by this computer's clock.
    pub made: String,
    /// The computer that sent it.
    pub host: String,
    /// The least of the grades of its files.
    pub grade: Grade,
    /// Every file, the manifest among them, by its path below the offload.
    pub files: Vec<ReceiptFile>,
}

/// A file in a receipt.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReceiptFile {
    /// Its path below the offload.
    pub path: String,
    /// Its hash.
    pub blake3: Digest,
    /// How sure it is.
    pub grade: Grade,
    /// What the place said of it.
    pub object: PlaceObject,
    /// When it was read back, by this computer's clock, if it was.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub read: Option<String>,
}

/// Why a receipt is not believed.
#[derive(Debug, thiserror::Error)]
pub enum NoReceipt {
    /// It is no JSON of this form.
    #[error("it can't be read as a receipt ({0})")]
    Form(serde_json::Error),
    /// Another format or version.
    #[error("it is of a version that is not known here")]
    Version,
    /// More files than any offload has, or one of them twice.
    #[error("its files can't be those of an offload")]
    Files,
}

impl Receipt {
    /// Makes one of these files, which are sorted by path.
    pub fn new(
        (offload, manifest_b3): (&str, Digest),
        (made, host): (String, &str),
        files: Vec<ReceiptFile>,
    ) -> Self {
        let least = files.iter().map(|file| file.grade).min();
        Self {
            format: FORMAT.to_owned(),
            version: VERSION,
            tool: env!("CARGO_PKG_VERSION").to_owned(),
            offload: offload.to_owned(),
            manifest_b3,
            made,
            host: host.to_owned(),
            grade: least.unwrap_or(Grade::Sent),
            files,
        }
    }

    /// Returns its path below the offload: of the time in it, and of how many there are of that
    /// second.
    pub fn path(&self, number: u32) -> String {
        let digits = self.made.chars().filter(char::is_ascii_digit);
        let time: String = digits.take(14).collect();
        format!("{RECORDS}/{}{time}{number}{}", RECEIPT.0, RECEIPT.1)
    }

    /// Returns its bytes.
    ///
    /// # Errors
    /// None in practice.
    pub fn to_bytes(&self) -> serde_json::Result<Vec<u8>> {
        let mut bytes = serde_json::to_vec_pretty(self)?;
        bytes.push(b'\n');
        Ok(bytes)
    }

    /// Reads one, strictly.
    ///
    /// # Errors
    /// Why it is not believed.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, NoReceipt> {
        let receipt: Self = serde_json::from_slice(bytes).map_err(NoReceipt::Form)?;
        if receipt.format != FORMAT || receipt.version != VERSION {
            return Err(NoReceipt::Version);
        }
        let paths: std::collections::BTreeSet<&str> = receipt
            .files
            .iter()
            .map(|file| file.path.as_str())
            .collect();
        if paths.len() != receipt.files.len() || paths.len() > ENTRIES_MAX + 100 {
            return Err(NoReceipt::Files);
        }
        Ok(receipt)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::layout::is_receipt;

    #[test]
    fn a_receipt_survives_being_read_and_nothing_else_is_one() {
        let object = PlaceObject {
            bytes: 4,
            modified: Some("2026-11-25T20:00:00Z".to_owned()),
            version: None,
            etag: Some("\"a\"".to_owned()),
        };
        let file = |path: &str, grade| ReceiptFile {
            path: path.to_owned(),
            blake3: Digest::of(b"kite"),
            grade,
            object: object.clone(),
            read: None,
        };
        let files = vec![file("A", Grade::Fetched), file("B", Grade::Sent)];
        let made = "2026-11-25T21:22:23Z".to_owned();
        let b3 = Digest::of(b"manifest");
        let receipt = Receipt::new(("20261125-KITES", b3), (made, "bay"), files);
        assert_eq!(receipt.grade, Grade::Sent, "the least counts");
        assert_eq!(receipt.path(0), "_unlade/place-202611252122230.json");
        assert!(is_receipt("place-202611252122230.json"));
        assert!(!is_receipt("place-.json") && !is_receipt("manifest.json"));
        let bytes = receipt.to_bytes().unwrap();
        assert_eq!(Receipt::from_bytes(&bytes).unwrap(), receipt);
        let text = String::from_utf8(bytes).unwrap();
        let wrong = [
            text.replace("\"version\": 1,\n  \"tool\"", "\"version\": 2,\n  \"tool\""),
            text.replace("\"path\": \"B\"", "\"path\": \"A\""),
            text.replace("\"host\"", "\"ghost\""),
        ];
        for wrong in wrong {
            assert!(Receipt::from_bytes(wrong.as_bytes()).is_err(), "{wrong}");
        }
    }
}
