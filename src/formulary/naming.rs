//! When two product names are the same: after Unicode NFC, trimming, folding of inner white space and of
//! case. Nothing else is folded; likeness never counts.

use unicode_normalization::UnicodeNormalization;

/// A name holds this character, which is not seen on a screen or on paper.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HiddenCharacter(pub char);

/// Whether a character is not seen, yet makes two names differ or reorders what is seen: controls other
/// than white space, zero-width and bidirectional marks, variation selectors, tags, the soft hyphen.
pub fn is_hidden(c: char) -> bool {
    (c.is_control() && !c.is_whitespace())
        || matches!(c,
            '\u{00AD}' | '\u{034F}' | '\u{061C}' | '\u{115F}'..='\u{1160}' | '\u{17B4}'..='\u{17B5}'
            | '\u{180B}'..='\u{180F}' | '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{206F}'
            | '\u{3164}' | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' | '\u{FFA0}' | '\u{FFF9}'..='\u{FFFB}'
            | '\u{E0000}'..='\u{E0FFF}')
}

/// The first character of a text that is not seen.
pub fn hidden(text: &str) -> Option<char> {
    text.chars().find(|c| is_hidden(*c))
}

/// The text with every character that is not seen written out as `<U+200B>`.
pub fn shown(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.trim().chars() {
        if is_hidden(c) {
            out.push_str(&format!("<U+{:04X}>", u32::from(c)));
        } else {
            out.push(c);
        }
    }
    out
}

/// The normal form of a name; names are the same if and only if their normal forms are.
///
/// # Errors
/// The first character that is not seen: such a name is the same as no other.
pub fn normalised(name: &str) -> Result<String, HiddenCharacter> {
    with_normalised(name, str::to_owned)
}

/// Names up to this many bytes are folded without allocation.
const SHORT: usize = 128;

/// Calls `f` with the normal form of a name. Short ASCII names are folded on the stack.
///
/// # Errors
/// As [`normalised`].
pub fn with_normalised<R>(name: &str, f: impl FnOnce(&str) -> R) -> Result<R, HiddenCharacter> {
    if name.len() <= SHORT && name.is_ascii() {
        let mut buffer = [0u8; SHORT];
        let mut length = 0usize;
        let mut gap = false;
        for byte in name.bytes() {
            let c = char::from(byte);
            if c.is_whitespace() {
                gap = length > 0;
                continue;
            }
            if is_hidden(c) {
                return Err(HiddenCharacter(c));
            }
            for written in gap.then_some(b' ').into_iter().chain([byte.to_ascii_lowercase()]) {
                if let Some(slot) = buffer.get_mut(length) {
                    *slot = written;
                    length += 1;
                }
            }
            gap = false;
        }
        if let Some(Ok(folded)) = buffer.get(..length).map(std::str::from_utf8) {
            return Ok(f(folded));
        }
    }
    folded(name).map(|folded| f(&folded))
}

fn folded(name: &str) -> Result<String, HiddenCharacter> {
    if let Some(c) = hidden(name) {
        return Err(HiddenCharacter(c));
    }
    let mut out = String::with_capacity(name.len());
    let mut gap = false;
    for c in name.nfc() {
        if c.is_whitespace() {
            gap = !out.is_empty();
            continue;
        }
        if std::mem::take(&mut gap) {
            out.push(' ');
        }
        // Through upper case first, so that ß, ſ and a final ς fold as their other forms do.
        for upper in c.to_uppercase() {
            out.extend(upper.to_lowercase());
        }
    }
    Ok(out.nfc().collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn white_space_case_and_composition_do_not_matter() {
        for (a, b) in [
            ("  Invented\tStandard  1.0 ", "invented standard 1.0"),
            ("Séance", "SE\u{301}ANCE"),
            ("Straße", "STRASSE"),
            ("a\u{00A0}b", "A B"),
            ("ΤΕΛΟΣ", "τελος"),
        ] {
            assert_eq!(normalised(a), normalised(b), "{a:?} and {b:?}");
        }
    }

    #[test]
    fn likeness_does_not_count() {
        for (a, b) in [
            ("Standard 1.0", "Standard 1.5"),
            ("Standard 1.0", "Standard1.0"),
            ("Standard 1.0", "Standard 1,0"),
            ("A10", "А10"),
        ] {
            assert_ne!(normalised(a), normalised(b), "{a:?} and {b:?}");
        }
    }

    #[test]
    fn characters_that_are_not_seen_are_told() {
        for c in ['\u{200B}', '\u{202E}', '\u{2066}', '\u{FEFF}', '\u{00AD}', '\u{0}', '\u{7F}', '\u{E0041}'] {
            assert_eq!(normalised(&format!("A{c}10")), Err(HiddenCharacter(c)));
        }
        assert_eq!(shown("A\u{200B}10"), "A<U+200B>10");
    }
}
