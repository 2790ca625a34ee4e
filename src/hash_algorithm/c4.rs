//! Owns C4 identifiers (SMPTE ST 2114:2017): SHA-512 in base 58, behind `c4`. Pure.

use crate::name::hex;

/// Returns SHA-512 in hex from a C4 identifier (SMPTE ST 2114): `c4` and 88 digits of base 58.
pub fn sha512_of_c4(text: &str) -> Option<String> {
    let digits = text.strip_prefix("c4")?;
    // The first digits are zeros that fill up to 88, of which a decoder makes a byte each.
    let zeros = digits.bytes().take_while(|b| *b == b'1').count();
    let number = bs58::decode(digits.get(zeros..)?).into_vec().ok()?;
    let missing = 64_usize.checked_sub(number.len())?;
    let all = std::iter::repeat_n(0, missing).chain(number);
    (digits.len() == 88).then(|| hex(&all.collect::<Vec<u8>>()))
}

/// Returns the C4 identifier of what has this SHA-512.
pub fn c4_of_sha512(hash: &[u8; 64]) -> String {
    let zeros = hash.iter().take_while(|b| **b == 0).count();
    let digits = bs58::encode(hash.get(zeros..).unwrap_or(&[])).into_string();
    format!("c4{digits:1>88}")
}

/// The same from SHA-512 in hex.
pub fn c4_of_hex(sha512: &str) -> Option<String> {
    let mut hash = [0; 64];
    let pairs = sha512.as_bytes().chunks_exact(2);
    if sha512.len() != 128 {
        return None;
    }
    for (byte, pair) in hash.iter_mut().zip(pairs) {
        *byte = u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()?;
    }
    Some(c4_of_sha512(&hash))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hash_algorithm::{Also, Hasher};

    /// The C4 identifier of no bytes (SMPTE ST 2114's worked example, as published with it).
    #[test]
    fn c4_is_sha512_in_base_58() {
        let none = Hasher::new(Also::Sha512).finish();
        let c4 = "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj\
            75GEmTc1sFT";
        assert_eq!(sha512_of_c4(c4), Some(none));
        assert_eq!(Hasher::new(Also::C4).finish(), c4);
        for bytes in [
            [0; 64],
            [1; 64],
            [255; 64],
            std::array::from_fn(|i| u8::from(i > 3)),
        ] {
            let text = c4_of_sha512(&bytes);
            assert_eq!(text.len(), 90, "{text}");
            assert_eq!(sha512_of_c4(&text), Some(hex(&bytes)));
        }
        for bad in [
            "",
            "c4",
            "c40",
            &c4[..89],
            &c4.replace('X', "0"),
            &format!("c4{}", "z".repeat(88)),
        ] {
            assert_eq!(sha512_of_c4(bad), None, "{bad}");
        }
    }
}
