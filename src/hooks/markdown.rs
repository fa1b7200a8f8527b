//! Texts made harmless for cards. What comes from the request (names of products, instructions) may hold anything:
//! on a card it is text, never a link, an image, a heading or a tag.

use crate::answer::unseen;

/// Text inside GitHub Flavored Markdown: every character that could begin a construct is escaped, and nothing is
/// turned into a link. Line breaks become spaces, so no block can begin.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + text.len() / 8);
    let line = one_line(text);
    let mut rest = line.as_str();
    let mut last = None;
    // What needs no mark is taken over in one piece up to the next character that may.
    while let Some(at) = rest.find(|c: char| c.is_ascii_punctuation()) {
        let (plain, marked) = rest.split_at(at);
        out.push_str(plain);
        let before = plain.chars().next_back().or(last).unwrap_or(' ');
        let mut chars = marked.chars();
        let Some(c) = chars.next() else { break };
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '~' | '#' | '!' | '@' => out.extend(['\\', c]),
            // `https://…` becomes a link by itself, and so does `www.…`, with many readers any `name.org`.
            '/' if before == ':' || before == '/' => out.extend(['\\', c]),
            '.' if before.is_alphanumeric() && chars.clone().next().is_some_and(char::is_alphabetic) => {
                out.extend(['\\', c]);
            }
            _ => out.push(c),
        }
        last = Some(c);
        rest = chars.as_str();
    }
    out.push_str(rest);
    out
}

/// Plain text of one line, for summaries and labels: no control or direction characters, and no angle brackets, in
/// case a client takes it for HTML.
pub fn plain(text: &str) -> String {
    one_line(text)
        .chars()
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

    #[test]
    fn shortened_texts_count_characters() {
        assert_eq!(shortened("äöü", 3), "äöü");
        assert_eq!(shortened("one two three four", 12), "one two…");
        assert!(shortened(&"é".repeat(300), 139).chars().count() <= 139);
    }
}
