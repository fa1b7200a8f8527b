//! Texts made harmless for cards. What comes from the request (names of products, instructions) may hold anything:
//! on a card it is text, never a link, an image, a heading or a tag.

use crate::answer::unseen;
use std::borrow::Cow;

/// Text inside GitHub Flavored Markdown: every character that could begin a construct is escaped, and nothing is
/// turned into a link. Line breaks become spaces, so no block can begin.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + text.len() / 8);
    let line = line(text);
    let (mut done, mut from) = (0, 0);
    // What needs no mark is taken over in one piece up to the next character that may.
    while let Some(found) = line.as_bytes().get(from..).and_then(|rest| rest.iter().position(|b| may_need(*b))) {
        let at = from + found;
        from = at + 1;
        let (before, after) = (line.get(..at).unwrap_or_default(), line.get(from..).unwrap_or_default());
        let last = || before.chars().next_back().unwrap_or(' ');
        let mark = match line.as_bytes().get(at) {
            Some(b'<') => "&lt;",
            Some(b'>') => "&gt;",
            Some(b'&') => "&amp;",
            // `https://…` becomes a link by itself, and so does `www.…`, with many readers any `name.org`.
            Some(b'/') if !matches!(last(), ':' | '/') => continue,
            Some(b'.') if !(last().is_alphanumeric() && after.starts_with(char::is_alphabetic)) => continue,
            _ => "\\",
        };
        out.push_str(line.get(done..at).unwrap_or_default());
        out.push_str(mark);
        // After an entity the character itself is told, after a backslash it follows.
        done = if mark == "\\" { at } else { from };
    }
    out.push_str(line.get(done..).unwrap_or_default());
    out
}

/// Whether a character of ASCII may begin a construct, or be part of a link.
const fn may_need(byte: u8) -> bool {
    matches!(
        byte,
        b'<' | b'>' | b'&' | b'\\' | b'`' | b'*' | b'_' | b'[' | b']' | b'|' | b'~' | b'#' | b'!' | b'@' | b'/' | b'.'
    )
}

/// Plain text of one line, for summaries and labels: no control or direction characters, and no angle brackets, in
/// case a client takes it for HTML.
pub fn plain(text: &str) -> String {
    let line = line(text);
    if !line.bytes().any(|b| matches!(b, b'<' | b'>' | b'&')) {
        return line.into_owned();
    }
    line.chars()
        .map(|c| match c {
            '<' => '\u{2039}',
            '>' => '\u{203A}',
            '&' => '+',
            c => c,
        })
        .collect()
}

/// Text of one line, with nothing in it that a terminal would act on.
pub fn one_line(text: &str) -> String {
    line(text).into_owned()
}

/// The same; most texts are of one line as they are.
fn line(text: &str) -> Cow<'_, str> {
    let mut space = true;
    let as_it_is = text.bytes().all(|b| {
        let fits = b.is_ascii_graphic() || b == b' ' && !space;
        space = b == b' ';
        fits
    });
    if as_it_is && (!space || text.is_empty()) { Cow::Borrowed(text) } else { Cow::Owned(of_words(text)) }
}

fn of_words(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for word in text.split(char::is_whitespace).filter(|word| !word.is_empty()) {
        if !out.is_empty() {
            out.push(' ');
        }
        if word.bytes().all(|b| b.is_ascii_graphic()) {
            out.push_str(word);
        } else {
            out.extend(word.chars().map(|c| if unseen(c) { '\u{FFFD}' } else { c }));
        }
    }
    out
}

/// At most so many characters, cut at a word, with an ellipsis.
pub fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let cut: String = text.chars().take(most.saturating_sub(1)).collect();
    let words = cut.rsplit_once(' ').map_or(cut.as_str(), |(words, _)| words);
    // A single long word is cut where it must be. A number at the end is not left without its unit.
    let kept = if words.chars().count() * 2 < most { cut.as_str() } else { words };
    let kept = match kept.rsplit_once(' ') {
        Some((before, last)) if last.starts_with(|c: char| c.is_ascii_digit()) => before,
        _ => kept,
    };
    format!("{}…", kept.trim_end_matches([',', ';', ':', ' ']))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_becomes_a_construct() {
        assert_eq!(escaped("a <b>x</b> & c"), "a &lt;b&gt;x&lt;/b&gt; &amp; c");
        assert_eq!(escaped("[x](https://evil.example)"), "\\[x\\](https:\\/\\/evil\\.example)");
        assert_eq!(escaped("# head\n* item"), "\\# head \\* item");
        assert_eq!(escaped("WWW.x.example"), "WWW\\.x\\.example");
        assert_eq!(escaped("a\u{202E}b\u{0}"), "a\u{FFFD}b\u{FFFD}");
        assert_eq!(escaped("1.5 kcal/mL - 2"), "1.5 kcal/mL - 2");
    }

    /// The same, character by character.
    fn slowly(text: &str) -> String {
        let line = of_words(text);
        let chars: Vec<char> = line.chars().collect();
        let mut out = String::new();
        for (at, c) in chars.iter().enumerate() {
            let before = if at == 0 { ' ' } else { chars[at - 1] };
            match c {
                '<' => out.push_str("&lt;"),
                '>' => out.push_str("&gt;"),
                '&' => out.push_str("&amp;"),
                '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '~' | '#' | '!' | '@' => out.extend(['\\', *c]),
                '/' if before == ':' || before == '/' => out.extend(['\\', *c]),
                '.' if before.is_alphanumeric() && chars.get(at + 1).is_some_and(|c| c.is_alphabetic()) => {
                    out.extend(['\\', *c]);
                }
                c => out.push(*c),
            }
        }
        out
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(4000))]

        #[test]
        fn texts_are_escaped_as_character_by_character(
            text in proptest::string::string_regex("([a-c1. /:]|[<>&!-/:-@\\[-`{-~]|[äß漢\u{202E}\u{0}\n\t ]){0,40}").unwrap(),
        ) {
            assert_eq!(escaped(&text), slowly(&text));
            assert_eq!(one_line(&text), of_words(&text));
        }
    }

    #[test]
    fn shortened_texts_count_characters() {
        assert_eq!(shortened("äöü", 3), "äöü");
        assert_eq!(shortened("one two three four", 12), "one two…");
        assert!(shortened(&"é".repeat(300), 139).chars().count() <= 139);
    }
}
