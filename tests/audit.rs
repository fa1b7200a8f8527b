//! The audit trail's chain: against another implementation, and against every kind of tampering.

use enteral_gate::audit::chain::{Anchor, Chain, Entry, Hash, Problem, canonical};
use enteral_gate::audit::line::{read, render};
use enteral_gate::audit::verify::{Broken, Fault, Verified, Verifier};
use enteral_gate::audit::{Event, Kind, Name, On, Outcome, Reference, Versions, Who, Word};
use jiff::Timestamp;
use proptest::prelude::*;
use serde_json::Value;

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn versions() -> Versions {
    [("program", "0.1.0"), ("rulebook", "00112233aabbccdd")]
        .into_iter()
        .map(|(what, version)| (Word::of(what), Name::new(version).unwrap()))
        .collect()
}

/// The events of `tests/audit/chain.py`.
fn events() -> Vec<Event> {
    vec![
        Event {
            time: at("2026-11-26T06:00:00Z"),
            who: Who::nameless(Kind::Program),
            action: Word::of("started"),
            on: On::default(),
            outcome: Outcome::of("done"),
            versions: versions(),
        },
        Event {
            // What is below a microsecond is not kept.
            time: at("2026-11-26T06:00:01.2500009Z"),
            who: Who::named(Kind::Client, "order-entry"),
            action: Word::of("validate"),
            on: On {
                content: Some(Hash::of(b"abc")),
                route: Some(Word::of("/fhir/{version}/NutritionOrder/$validate")),
                ..On::default()
            },
            outcome: Outcome {
                micros: Some(417),
                request: Reference::new("5f0c-1a"),
                status: Some(200),
                ..Outcome::of("flagged")
            },
            versions: versions(),
        },
        Event {
            time: at("2026-11-26T06:00:01.250001Z"),
            who: Who { reference: Reference::new("person:4711"), ..Who::nameless(Kind::Person) },
            action: Word::of("claimed"),
            on: On { item: Reference::new("item/1"), subject: Reference::new("Patient/invented-1"), ..On::default() },
            outcome: Outcome { count: Some(1), reason: Some(Word::of("handover")), ..Outcome::of("done") },
            versions: Versions::new(),
        },
        Event {
            time: at("2026-11-26T06:00:01.250002Z"),
            who: Who { reference: Reference::new("person:4711"), ..Who::nameless(Kind::Person) },
            action: Word::of("orders-shown"),
            on: On {
                asked: [("lane", "pharmacist"), ("q", "given")].map(|(a, b)| (Word::of(a), Word::of(b))).into(),
                content: Some(Hash::of(b"lane=pharmacist&q=x")),
                items: ["item/1", "item/2"].into_iter().filter_map(Reference::new).collect(),
                route: Some(Word::of("/queue")),
                ..On::default()
            },
            outcome: Outcome { count: Some(2), ..Outcome::of("answered") },
            versions: Versions::new(),
        },
    ]
}

fn sealed(events: Vec<Event>) -> Vec<Entry> {
    let mut chain = Chain::default();
    events
        .into_iter()
        .map(|event| {
            let entry = chain.seal(event);
            chain.advance(&entry);
            entry
        })
        .collect()
}

fn many(n: usize) -> Vec<Entry> {
    sealed(events().into_iter().cycle().take(n).collect())
}

fn lines(entries: &[Entry]) -> Vec<Vec<u8>> {
    entries.iter().map(render).collect()
}

fn verified(lines: &[Vec<u8>], anchor: Option<Anchor>) -> Result<Verified, Broken> {
    let mut verifier = Verifier::new(Anchor::default(), anchor);
    for line in lines {
        verifier.line(line);
    }
    verifier.end()
}

fn anchor(entry: &Entry) -> Anchor {
    Anchor { sequence: entry.sequence, hash: entry.hash }
}

/// Written by Python's hashlib and json (`tests/audit/chain.py`).
#[test]
fn another_implementation_seals_the_same_entries() {
    let ours: String =
        lines(&sealed(events())).into_iter().map(|line| String::from_utf8(line).unwrap() + "\n").collect();
    assert_eq!(ours, include_str!("audit/chain.jsonl"));
    let theirs: Vec<Vec<u8>> = ours.lines().map(|line| line.as_bytes().to_vec()).collect();
    let last = verified(&theirs, None).unwrap();
    assert_eq!((last.entries, last.torn, last.last.sequence), (4, 0, 4));
    assert_eq!(read(&theirs[1]).unwrap(), sealed(events())[1]);
}

#[test]
fn what_the_other_implementation_writes_is_what_is_kept() {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/audit/chain.py");
    let out = std::process::Command::new("python3").arg(script).output().expect("python3");
    assert_eq!(String::from_utf8(out.stdout).unwrap(), include_str!("audit/chain.jsonl"));
}

/// FIPS 180-4 (SHA-256 of "abc" and of the empty text), as published by NIST with its example values.
#[test]
fn the_hash_is_sha_256() {
    for (content, hash) in [
        (&b"abc"[..], "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
    ] {
        assert_eq!(Hash::of(content).to_string(), hash);
        assert_eq!(hash.parse(), Ok(Hash::of(content)));
    }
    for bad in ["", "ba78", &"g".repeat(64), &"A".repeat(64), &"é".repeat(32)] {
        assert!(bad.parse::<Hash>().is_err(), "{bad}");
    }
}

/// RFC 8785: members by name, no spaces; `serde_json::Value` sorts by itself.
#[test]
fn entries_are_canonical_json() {
    for (n, event) in events().into_iter().enumerate() {
        let bytes = canonical(n as u64 + 1, &event);
        let value: Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!(serde_json::to_vec(&value).unwrap(), bytes);
        assert!(bytes.is_ascii());
    }
}

#[test]
fn no_text_of_a_request_fits_into_an_entry() {
    for text in ["", "Ann Example", "a\"b", "a\\b", "a\nb", "Ü", "a\tb", &"x".repeat(257)] {
        assert_eq!(Name::new(text), None, "{text:?}");
        assert_eq!(Reference::new(text), None, "{text:?}");
    }
    assert_eq!(Word::of("two words").as_str(), "unnamed");
    assert_eq!(Who::named(Kind::Client, "two words").name, None);
    for (kind, word) in Kind::ALL {
        assert_eq!(serde_json::to_value(kind).unwrap(), word);
        assert_eq!(kind.word(), word);
    }
}

/// Every byte of every line, changed in several ways: the verdict names the line, or the one after it that hangs on it.
#[test]
fn every_changed_byte_is_found() {
    let whole = lines(&many(4));
    let kept = anchor(&many(4)[3]);
    let mut tried = 0;
    for line in 0..whole.len() {
        for byte in 0..whole[line].len() {
            for change in [1, 0x20, 0x80] {
                let mut damaged = whole.clone();
                damaged[line][byte] ^= change;
                let broken = verified(&damaged, Some(kept)).expect_err("a changed byte");
                assert_eq!(broken.line, line + 1, "byte {byte}: {broken}");
                tried += 1;
            }
        }
    }
    assert!(tried > 4_000, "{tried}");
}

/// Values changed and sealed again, as somebody would who knows how: the next entry or the anchor tells.
#[test]
fn an_entry_put_in_the_place_of_another_is_found() {
    let entries = many(6);
    let mut forged = entries.clone();
    forged[2].event.outcome = Outcome::of("clear");
    forged[2].hash = forged[2].expected_hash();
    let broken = verified(&lines(&forged), None).unwrap_err();
    assert_eq!((broken.line, broken.sequence, broken.what), (4, Some(4), Fault::Entry(Problem::Unlinked)));
    assert!(broken.to_string().starts_with("line 4, entry 4: does not follow from the entry before it"));

    // All of the rest sealed again: only what was kept elsewhere tells.
    let mut again = Chain::after(anchor(&entries[1]));
    let mut rewritten = entries[..2].to_vec();
    for entry in &forged[2..] {
        let entry = again.seal(entry.event.clone());
        again.advance(&entry);
        rewritten.push(entry);
    }
    assert!(verified(&lines(&rewritten), None).is_ok());
    let broken = verified(&lines(&rewritten), Some(anchor(&entries[3]))).unwrap_err();
    assert_eq!((broken.line, broken.what), (4, Fault::NotTheAnchor(4)));
}

#[test]
fn missing_entries_are_named() {
    let entries = many(6);
    let without = |gone: std::ops::Range<usize>| {
        let mut left = entries.clone();
        left.drain(gone);
        lines(&left)
    };
    let broken = verified(&without(2..4), None).unwrap_err();
    assert_eq!((broken.line, broken.sequence, broken.what), (3, Some(5), Fault::Entry(Problem::Missing(3))));
    assert_eq!(broken.to_string(), "line 3, entry 5: follows a gap: entry 3 is not there");
    let broken = verified(&without(0..1), None).unwrap_err();
    assert_eq!((broken.line, broken.sequence, broken.what), (1, Some(2), Fault::Entry(Problem::Missing(1))));
    // The end can be cut off unseen, except for an anchor.
    assert_eq!(verified(&without(4..6), None).unwrap().last, anchor(&entries[3]));
    let broken = verified(&without(4..6), Some(anchor(&entries[5]))).unwrap_err();
    assert_eq!(broken.what, Fault::Short(6, 4));
    assert!(verified(&lines(&entries), Some(anchor(&entries[5]))).is_ok());
    assert_eq!(verified(&[], Some(anchor(&entries[0]))).unwrap_err().what, Fault::Short(1, 0));
}

#[test]
fn entries_in_another_order_or_twice_are_named() {
    let entries = many(6);
    let mut swapped = lines(&entries);
    swapped.swap(2, 3);
    let broken = verified(&swapped, None).unwrap_err();
    assert_eq!((broken.line, broken.sequence, broken.what), (3, Some(4), Fault::Moved(3)));
    let mut late = lines(&entries);
    let moved = late.remove(1);
    late.push(moved);
    let broken = verified(&late, None).unwrap_err();
    assert_eq!((broken.line, broken.sequence, broken.what), (2, Some(3), Fault::Moved(2)));
    let mut twice = lines(&entries);
    twice.insert(3, twice[2].clone());
    let broken = verified(&twice, None).unwrap_err();
    assert_eq!((broken.line, broken.sequence, broken.what), (4, Some(3), Fault::Entry(Problem::OutOfOrder(4))));
}

#[test]
fn lines_that_are_no_entries_are_named() {
    let entries = many(4);
    for stranger in [&b""[..], b"{}", b"null", b"\xff", br#"{"entry":{},"hash":"","previous":""}"#] {
        let mut with = lines(&entries);
        with.insert(2, stranger.to_vec());
        let broken = verified(&with, None).unwrap_err();
        assert_eq!((broken.line, broken.sequence), (3, None), "{stranger:?}");
        assert!(matches!(broken.what, Fault::NoEntry(_)));
    }
    // The same content, written otherwise; and a member more.
    let plain = String::from_utf8(render(&entries[1])).unwrap();
    for other in [
        plain.replace("{\"entry\":{", "{ \"entry\":{"),
        plain.replace("\"status\":200", "\"status\":2e2"),
        plain.replace("\"kind\":\"client\"", "\"kind\":\"\\u0063lient\""),
        plain.replace(".250000Z", ".25Z"),
        plain.replace("\"format\":1", "\"format\":1,\"note\":\"x\""),
        plain.replace("\"format\":1", "\"format\":2"),
        plain.replace("\"format\":1", "\"format\":1,\"format\":1"),
        plain.clone() + " ",
    ] {
        assert_ne!(other, plain);
        assert!(read(other.as_bytes()).is_err(), "{other}");
    }
    assert!(read(&vec![b' '; 20 << 10]).unwrap_err().to_string().contains("longer"));
}

#[test]
fn a_torn_line_is_recognised_and_its_mark_holds() {
    let entries = many(3);
    let whole = lines(&entries);
    for cut in 1..whole[2].len() {
        let mut lines = whole.clone();
        lines[2].truncate(cut);
        let mut verifier = Verifier::new(Anchor::default(), None);
        lines.iter().for_each(|line| drop(verifier.line(line)));
        let (mut chain, tail) = verifier.tail();
        assert_eq!(chain.last(), anchor(&entries[1]));
        let tail = tail.expect("a torn tail");
        assert_eq!((tail.content(), tail.count()), (Hash::of(&lines[2]), 1));
        let broken = verifier.end().unwrap_err();
        assert_eq!((broken.line, broken.what), (3, Fault::Torn), "cut at {cut}");
        // Marked, the sequence goes on.
        let mark = chain.seal(tail.mark(at("2026-11-26T07:00:00Z")));
        chain.advance(&mark);
        let next = chain.seal(events().remove(1));
        lines.push(render(&mark));
        lines.push(render(&next));
        let got = verified(&lines, None).unwrap();
        assert_eq!((got.entries, got.torn, got.last), (4, 1, anchor(&next)));
        // A mark is for these bytes and no others.
        lines[2].pop();
        if !lines[2].is_empty() {
            assert_eq!(verified(&lines, None).unwrap_err().line, 3);
        }
    }
    // Two in a row, as after a second failure on the way.
    let mut lines = whole[..1].to_vec();
    lines.extend([whole[1][..9].to_vec(), whole[2][..40].to_vec()]);
    let mut verifier = Verifier::new(Anchor::default(), None);
    lines.iter().for_each(|line| drop(verifier.line(line)));
    let (chain, tail) = verifier.tail();
    let tail = tail.unwrap();
    assert_eq!(tail.content(), Hash::of(&[&whole[1][..9], &whole[2][..40]].join(&b'\n')));
    lines.push(render(&chain.seal(tail.mark(at("2026-11-26T07:00:00Z")))));
    assert_eq!(verified(&lines, None).unwrap().torn, 2);
}

#[test]
fn a_later_part_is_verified_after_an_anchor() {
    let entries = many(6);
    let before = anchor(&entries[2]);
    assert_eq!(before.to_string().parse(), Ok(before));
    for bad in ["", "3", "x:00", "3:00"] {
        assert!(bad.parse::<Anchor>().is_err());
    }
    let mut verifier = Verifier::new(before, None);
    lines(&entries[3..]).iter().for_each(|line| drop(verifier.line(line)));
    assert_eq!(verifier.end().unwrap().entries, 3);
    let mut verifier = Verifier::new(Anchor { sequence: 3, hash: Hash::of(b"other") }, None);
    lines(&entries[3..]).iter().for_each(|line| drop(verifier.line(line)));
    assert_eq!(verifier.end().unwrap_err().what, Fault::Entry(Problem::Unlinked));
}

proptest! {
    /// Any lines taken out, doubled or moved: never unbroken, unless only the end is missing.
    #[test]
    fn any_selection_of_lines_is_broken_or_a_beginning(picks in proptest::collection::vec(0usize..8, 0..10)) {
        let whole = lines(&many(8));
        let picked: Vec<Vec<u8>> = picks.iter().map(|n| whole[*n].clone()).collect();
        let beginning = picked.iter().zip(&whole).all(|(a, b)| a == b) && picked.len() <= whole.len();
        prop_assert_eq!(verified(&picked, None).is_ok(), beginning);
    }

    /// Bytes of any kind are no entry and no fault.
    #[test]
    fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        prop_assert!(read(&bytes).is_err());
    }
}
