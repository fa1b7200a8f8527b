//! Strict JSON: bytes to a flat tape of nodes that borrow from the text.
//!
//! Stricter than JSON itself where an order's safety asks for it: property names are unique (FHIR's rule,
//! and two `value`s are a 10-fold trap), numbers are those [`Decimal::parse`] reads, depth, size, texts and
//! arrays are bounded. The reader is iterative, allocates nothing per node and undoes escapes on demand.
//! Every refusal names the byte, the line, the column and, where known, the element.

use crate::exact::{Decimal, DecimalError};
use crate::intake::order::{At, Text};
use std::borrow::Cow;
use std::collections::HashSet;
use std::fmt::{self, Write as _};

/// Bounds of what is read. Exceeding one is a refusal, never a truncation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Most bytes of the whole text.
    pub bytes: usize,
    /// Most containers inside each other.
    pub depth: usize,
    /// Most bytes of one text as written; a narrative `div` is bounded by `bytes` only.
    pub string: usize,
    /// Most items of one array.
    pub array: usize,
}

impl Default for Limits {
    /// 1 MiB, 64 deep, 10 KiB per text, 1,000 items per array.
    fn default() -> Self {
        Self { bytes: 1 << 20, depth: 64, string: 10 << 10, array: 1_000 }
    }
}

/// Where reading stopped.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Bytes before the place, from 0.
    pub offset: usize,
    /// Line, from 1.
    pub line: u32,
    /// Column in characters, from 1.
    pub column: u32,
    /// The element (as [`Node::path`] names it), where known.
    pub path: Option<String>,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}, column {}", self.line, self.column)?;
        if let Some(path) = &self.path {
            write!(f, " ({path})")?;
        }
        Ok(())
    }
}

/// Why a text was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum JsonError {
    /// Nothing, or nothing but white space.
    #[error("the body is empty; expected a JSON object")]
    Empty {
        /// Where.
        place: Place,
    },
    /// More bytes than allowed.
    #[error("it has more than {limit} bytes, and no more are read")]
    TooLarge {
        /// Where.
        place: Place,
        /// Bytes given.
        bytes: usize,
        /// Bytes allowed.
        limit: usize,
    },
    /// A byte order mark, of whichever encoding.
    #[error("{place}: the body starts with a byte order mark ({encoding}); send UTF-8 without one")]
    ByteOrderMark {
        /// Where.
        place: Place,
        /// The encoding the mark stands for.
        encoding: &'static str,
    },
    /// Not UTF-8.
    #[error("{place}: byte {byte:#04x} is not valid UTF-8; FHIR JSON is UTF-8")]
    NotUtf8 {
        /// Where.
        place: Place,
        /// The first offending byte.
        byte: u8,
    },
    /// Something else than the grammar asks for.
    #[error("{place}: found {found}, expected {expected}")]
    Unexpected {
        /// Where.
        place: Place,
        /// What stands there.
        found: String,
        /// What was expected.
        expected: &'static str,
    },
    /// The text ends too early.
    #[error("{place}: the text ends here, expected {expected}; it may have been cut off")]
    CutOff {
        /// Where.
        place: Place,
        /// What was expected.
        expected: &'static str,
    },
    /// Something after the end of the value.
    #[error("{place}: found {found} after the end of the JSON value, expected nothing more")]
    Trailing {
        /// Where.
        place: Place,
        /// What stands there.
        found: String,
    },
    /// A property name given twice in one object.
    #[error(
        "{place}: property \"{key}\" is given twice in one object, first on line {first_line}, column {first_column}; names must be unique"
    )]
    DuplicateKey {
        /// Where the second one stands.
        place: Place,
        /// The name.
        key: String,
        /// Line of the first one.
        first_line: u32,
        /// Column of the first one.
        first_column: u32,
    },
    /// A number that is not read.
    #[error("{place}: the number {literal} is not accepted: {source}")]
    Number {
        /// Where.
        place: Place,
        /// The literal, shortened.
        literal: String,
        /// Why.
        source: DecimalError,
    },
    /// A raw control character inside a string.
    #[error("{place}: control character U+{character:04X} inside a string, expected it escaped")]
    Control {
        /// Where.
        place: Place,
        /// The character.
        character: u8,
    },
    /// An escape that JSON does not have.
    #[error(
        "{place}: \"{found}\" is not an escape that JSON knows; expected one of \\\" \\\\ \\/ \\b \\f \\n \\r \\t \\uXXXX"
    )]
    Escape {
        /// Where.
        place: Place,
        /// The escape, shortened.
        found: String,
    },
    /// Half of a surrogate pair.
    #[error("{place}: \"{found}\" is half of a surrogate pair, expected both halves")]
    LoneSurrogate {
        /// Where.
        place: Place,
        /// The escape.
        found: String,
    },
    /// Nested too deep.
    #[error("{place}: nested more than {limit} deep")]
    Depth {
        /// Where.
        place: Place,
        /// Levels allowed.
        limit: usize,
    },
    /// A text that is too long.
    #[error("{place}: a text of {bytes} bytes; at most {limit} are read")]
    StringTooLong {
        /// Where.
        place: Place,
        /// Bytes given.
        bytes: usize,
        /// Bytes allowed.
        limit: usize,
    },
    /// An array with too many items.
    #[error("{place}: an array of more than {limit} items")]
    ArrayTooLong {
        /// Where.
        place: Place,
        /// Items allowed.
        limit: usize,
    },
}

impl JsonError {
    /// Where reading stopped.
    pub fn place(&self) -> &Place {
        match self {
            Self::Empty { place }
            | Self::TooLarge { place, .. }
            | Self::ByteOrderMark { place, .. }
            | Self::NotUtf8 { place, .. }
            | Self::Unexpected { place, .. }
            | Self::CutOff { place, .. }
            | Self::Trailing { place, .. }
            | Self::DuplicateKey { place, .. }
            | Self::Number { place, .. }
            | Self::Control { place, .. }
            | Self::Escape { place, .. }
            | Self::LoneSurrogate { place, .. }
            | Self::Depth { place, .. }
            | Self::StringTooLong { place, .. }
            | Self::ArrayTooLong { place, .. } => place,
        }
    }

    /// The FHIR issue type that fits: `structure`, `value`, `too-long` or `too-costly`.
    pub fn issue_code(&self) -> &'static str {
        match self {
            Self::TooLarge { .. } | Self::StringTooLong { .. } | Self::ArrayTooLong { .. } => "too-long",
            Self::Depth { .. } => "too-costly",
            Self::Number { .. } => "value",
            _ => "structure",
        }
    }
}

/// What a node is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[allow(missing_docs, reason = "JSON's own names")]
pub enum Kind {
    Null,
    Bool,
    Number,
    String,
    Array,
    Object,
}

impl Kind {
    /// The kind in words, with its article: `an object`, `a number`, `null`.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Null => "null",
            Self::Bool => "a boolean",
            Self::Number => "a number",
            Self::String => "a string",
            Self::Array => "an array",
            Self::Object => "an object",
        }
    }
}

/// No parent; the tape is far shorter than this because the text is bounded by `u32::MAX` bytes.
const NONE: u32 = u32::MAX;
const KEY: u8 = 1;
const KEY_ESCAPED: u8 = 2;
const TEXT_ESCAPED: u8 = 4;

/// One node of the tape, in document order; a container stands before its content.
#[derive(Clone, Copy, Debug)]
struct Entry {
    kind: Kind,
    flags: u8,
    /// Members: the [`mark`] of the name.
    mark: u8,
    /// Text of the value: strings without their quotes, containers with their brackets.
    start: u32,
    end: u32,
    /// Members: text of the name without quotes. Items: `name` is the index.
    name: u32,
    name_end: u32,
    parent: u32,
    /// The entry after this one's content; 0 while the container is open.
    next: u32,
    /// Members or items.
    count: u32,
    /// Objects: a bit for the mark of every member's name. A name whose bit is not set is not there.
    marks: u64,
}

/// A number below 64 by which names are told apart at a glance; different names may share one.
#[inline]
pub(crate) const fn mark(name: &[u8]) -> u8 {
    mark_of(name.len(), name.first(), name.last(), name.split_at(name.len() / 2).1.first())
}

/// The mark of `_name`.
#[inline]
fn companion_mark(name: &[u8]) -> u8 {
    let middle = if name.len() < 2 { name.first() } else { name.get(name.len().div_ceil(2) - 1) };
    mark_of(name.len() + 1, Some(&b'_'), name.last().or(Some(&b'_')), middle.or(Some(&b'_')))
}

#[inline]
const fn mark_of(length: usize, first: Option<&u8>, last: Option<&u8>, middle: Option<&u8>) -> u8 {
    const fn byte(b: Option<&u8>) -> usize {
        match b {
            Some(b) => *b as usize,
            None => 0,
        }
    }
    ((length + 7 * byte(first) + 31 * byte(last) + 13 * byte(middle)) % 64) as u8
}

impl Entry {
    /// Whether it is the member of that name.
    #[inline]
    fn is_named(&self, text: &str, key: &str, mark: u8) -> bool {
        if self.mark != mark {
            return false;
        }
        let (start, end) = (self.name as usize, self.name_end as usize);
        if self.flags & KEY_ESCAPED != 0 {
            return text_of(text.get(start..end).unwrap_or(""), true) == key;
        }
        end.wrapping_sub(start) == key.len() && text.as_bytes().get(start..end) == Some(key.as_bytes())
    }
}

/// A document that was read. Keeps the text and one flat list of nodes.
#[derive(Debug)]
pub struct Document<'t> {
    text: &'t str,
    entries: Vec<Entry>,
}

impl<'t> Document<'t> {
    /// Reads one JSON value.
    ///
    /// # Errors
    /// [`JsonError`] at the first thing that is not JSON, or not accepted; see the module's text.
    pub fn read(bytes: &'t [u8], limits: &Limits) -> Result<Document<'t>, JsonError> {
        let start = Place { offset: 0, line: 1, column: 1, path: None };
        let limit = limits.bytes.min(NONE as usize - 1);
        if bytes.len() > limit {
            return Err(JsonError::TooLarge { place: start, bytes: bytes.len(), limit });
        }
        for (mark, encoding) in [
            (&b"\xEF\xBB\xBF"[..], "UTF-8"),
            (&b"\xFF\xFE"[..], "UTF-16 or UTF-32, little endian"),
            (&b"\xFE\xFF"[..], "UTF-16, big endian"),
            (&b"\x00\x00\xFE\xFF"[..], "UTF-32, big endian"),
        ] {
            if bytes.starts_with(mark) {
                return Err(JsonError::ByteOrderMark { place: start, encoding });
            }
        }
        let text = match std::str::from_utf8(bytes) {
            Ok(text) => text,
            Err(refused) => {
                let offset = refused.valid_up_to();
                let good = bytes.get(..offset).and_then(|good| std::str::from_utf8(good).ok()).unwrap_or("");
                let (line, column) = line_column(good, offset);
                let byte = bytes.get(offset).copied().unwrap_or(0);
                return Err(JsonError::NotUtf8 { place: Place { offset, line, column, path: None }, byte });
            }
        };
        let mut reader = Reader {
            text,
            bytes,
            at: 0,
            entries: Vec::with_capacity((bytes.len() / 10).clamp(8, 1 << 12)),
            open: Vec::with_capacity(limits.depth.min(16)),
            limits,
            name: Name::NONE,
        };
        reader.run()?;
        Ok(Document { text, entries: reader.entries })
    }

    /// The whole value.
    pub fn root(&self) -> Node<'_> {
        Node { document: self, ix: 0 }
    }

    /// The node at a place; the root when there is no such place.
    pub fn node(&self, at: At) -> Node<'_> {
        let known = usize::try_from(at.0).is_ok_and(|ix| ix < self.entries.len());
        Node { document: self, ix: if known { at.0 } else { 0 } }
    }

    /// The text that was read.
    pub fn text(&self) -> &'t str {
        self.text
    }

    /// Nodes in the document.
    pub fn len(&self) -> usize {
        self.entries.len()
    }

    /// Whether there is no node; never so for a document that was read.
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    #[inline]
    fn slice(&self, start: u32, end: u32) -> &str {
        self.text.get(start as usize..end as usize).unwrap_or("")
    }
}

/// One value of a document.
#[derive(Clone, Copy)]
pub struct Node<'d> {
    document: &'d Document<'d>,
    ix: u32,
}

impl fmt::Debug for Node<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Node({} {:?})", self.pointer(), self.kind())
    }
}

impl<'d> Node<'d> {
    #[inline]
    fn entry(self) -> &'d Entry {
        static LOST: Entry = Entry {
            kind: Kind::Null,
            flags: 0,
            mark: 0,
            start: 0,
            end: 0,
            name: 0,
            name_end: 0,
            parent: NONE,
            next: 0,
            count: 0,
            marks: 0,
        };
        // INVARIANT: `ix` came from this tape, so the fallback is never seen.
        self.document.entries.get(self.ix as usize).unwrap_or(&LOST)
    }

    /// What it is.
    #[inline]
    pub fn kind(self) -> Kind {
        self.entry().kind
    }

    /// Its place.
    #[inline]
    pub fn at(self) -> At {
        At(self.ix)
    }

    /// The container it stands in.
    #[inline]
    pub fn parent(self) -> Option<Node<'d>> {
        let parent = self.entry().parent;
        (parent != NONE).then_some(Node { document: self.document, ix: parent })
    }

    /// The property name, when it is a member of an object.
    #[inline]
    pub fn key(self) -> Option<Text<'d>> {
        let entry = self.entry();
        (entry.flags & KEY != 0)
            .then(|| text_of(self.document.slice(entry.name, entry.name_end), entry.flags & KEY_ESCAPED != 0))
    }

    /// The mark of its property name, by which other names are told apart at a glance.
    #[inline]
    pub(crate) fn mark(self) -> u8 {
        self.entry().mark
    }

    /// The index, when it is an item of an array.
    #[inline]
    pub fn index(self) -> Option<usize> {
        let entry = self.entry();
        (entry.flags & KEY == 0 && entry.parent != NONE).then_some(entry.name as usize)
    }

    /// The member of that name.
    #[inline]
    pub fn get(self, key: &str) -> Option<Node<'d>> {
        self.marked(key, mark(key.as_bytes()))
    }

    fn marked(self, key: &str, mark: u8) -> Option<Node<'d>> {
        let document = self.document;
        let entry = self.entry();
        // Nothing but an object has marks.
        if entry.marks & (1 << mark) == 0 {
            return None;
        }
        let mut ix = self.ix + 1;
        for _ in 0..entry.count {
            let child = document.entries.get(ix as usize)?;
            if child.is_named(document.text, key, mark) {
                return Some(Node { document, ix });
            }
            // An open container (while an error is being placed) has no next.
            if child.next == 0 {
                break;
            }
            ix = child.next;
        }
        None
    }

    /// The member `name` and its companion `_name`.
    #[inline]
    pub fn with_companion(self, name: &str) -> (Option<Node<'d>>, Option<Node<'d>>) {
        self.both_marked(name, mark(name.as_bytes()), companion_mark(name.as_bytes()))
    }

    fn both_marked(self, name: &str, own: u8, companion: u8) -> (Option<Node<'d>>, Option<Node<'d>>) {
        let marks = self.entry().marks;
        if marks & (1 << own | 1 << companion) == 0 {
            return (None, None);
        }
        let value = self.marked(name, own);
        if marks & (1 << companion) == 0 {
            return (value, None);
        }
        let is_companion = |child: &Node<'d>| {
            child.entry().mark == companion && child.key().is_some_and(|key| key.strip_prefix('_') == Some(name))
        };
        (value, self.children().find(is_companion))
    }

    #[inline]
    fn children(self) -> Children<'d> {
        let entry = self.entry();
        let end = if entry.next == 0 { NONE } else { entry.next };
        let holds = matches!(entry.kind, Kind::Array | Kind::Object) && entry.count > 0;
        Children { document: self.document, at: if holds { self.ix + 1 } else { end }, end, left: entry.count }
    }

    /// The members of an object, in document order; nothing for other kinds.
    pub fn members(self) -> impl Iterator<Item = (Text<'d>, Node<'d>)> {
        let children = if self.kind() == Kind::Object { Some(self.children()) } else { None };
        children.into_iter().flatten().map(|child| (child.key().unwrap_or_default(), child))
    }

    /// The items of an array, in order; nothing for other kinds.
    pub fn items(self) -> impl Iterator<Item = Node<'d>> {
        let children = if self.kind() == Kind::Array { Some(self.children()) } else { None };
        children.into_iter().flatten()
    }

    /// The members of an object without their names, or the items of an array.
    pub fn values(self) -> Children<'d> {
        self.children()
    }

    /// Members of an object or items of an array; 0 for other kinds.
    pub fn len(self) -> usize {
        self.entry().count as usize
    }

    /// Whether it holds no member and no item.
    pub fn is_empty(self) -> bool {
        self.len() == 0
    }

    /// The text of a string, escapes undone.
    #[inline]
    pub fn as_str(self) -> Option<Text<'d>> {
        let entry = self.entry();
        (entry.kind == Kind::String)
            .then(|| text_of(self.document.slice(entry.start, entry.end), entry.flags & TEXT_ESCAPED != 0))
    }

    /// Whether it is the string `text`, without building anything.
    pub fn is_str(self, text: &str) -> bool {
        self.as_str().is_some_and(|own| own == text)
    }

    /// A boolean.
    pub fn as_bool(self) -> Option<bool> {
        let entry = self.entry();
        (entry.kind == Kind::Bool).then(|| entry.end - entry.start == 4)
    }

    /// A number as written.
    pub fn literal(self) -> Option<&'d str> {
        let entry = self.entry();
        (entry.kind == Kind::Number).then(|| self.document.slice(entry.start, entry.end))
    }

    /// A number, exact.
    pub fn decimal(self) -> Option<Decimal> {
        self.literal().and_then(|literal| Decimal::parse(literal).ok())
    }

    /// The text as written, quotes and brackets included.
    pub fn raw(self) -> &'d str {
        self.document.text.get(self.span()).unwrap_or("")
    }

    /// Where the text as written ([`Node::raw`]) begins and ends in the document's text, bytes.
    pub fn span(self) -> std::ops::Range<usize> {
        let entry = self.entry();
        let quote = u32::from(entry.kind == Kind::String);
        (entry.start - quote.min(entry.start)) as usize..(entry.end + quote) as usize
    }

    /// Line and column (in characters) of the first character, both from 1.
    pub fn line_column(self) -> (u32, u32) {
        let entry = self.entry();
        let quote = u32::from(entry.kind == Kind::String).min(entry.start);
        line_column(self.document.text, (entry.start - quote) as usize)
    }

    /// The JSON Pointer (RFC 6901) from the root; the root is the empty text.
    pub fn pointer(self) -> String {
        let mut out = String::new();
        for node in self.lineage() {
            if let Some(key) = node.key() {
                out.push('/');
                for c in key.chars() {
                    match c {
                        '~' => out.push_str("~0"),
                        '/' => out.push_str("~1"),
                        c => out.push(c),
                    }
                }
            } else if let Some(index) = node.index() {
                let _ = write!(out, "/{index}");
            }
        }
        out
    }

    /// The FHIRPath that selects this element, from the outermost resource around it.
    ///
    /// Where FHIRPath has no element for the node (a `null`, an empty array, `resourceType`, a narrative's
    /// `div`, a name that is no identifier) the nearest element around it is named; for an array with
    /// items, its first one. Choice elements lose their type, `_element` is `element`.
    pub fn path(self) -> String {
        let mut target = self;
        if target.kind() == Kind::Array {
            if let Some(first) = target.items().find(|item| !item.is_bare_null()) {
                target = first;
            } else if let Some(parent) = target.parent() {
                target = parent;
            }
        }
        while target.is_bare_null() {
            let Some(parent) = target.parent() else { break };
            target = parent;
            if target.kind() == Kind::Array
                && let Some(holder) = target.parent()
            {
                target = holder;
            }
        }
        target.path_as_written()
    }

    /// A `null` that no companion `_element` explains: FHIRPath sees nothing there.
    pub(crate) fn is_bare_null(self) -> bool {
        if self.kind() != Kind::Null {
            return false;
        }
        let Some(list) = self.parent() else { return true };
        let (Some(index), Some(key), Some(holder)) = (self.index(), list.key(), list.parent()) else { return true };
        let other = match key.strip_prefix('_') {
            Some(plain) => holder.get(plain),
            None => holder.get(&format!("_{key}")),
        };
        other.and_then(|other| other.items().nth(index)).is_none_or(|twin| twin.kind() == Kind::Null)
    }

    /// The path by names alone, stopping at the last step FHIRPath can write.
    fn path_as_written(self) -> String {
        let lineage = self.lineage();
        let root = lineage.iter().position(|node| node.resource_type().is_some());
        let mut out = String::with_capacity(64);
        if let Some(name) = root.and_then(|at| lineage.get(at)).and_then(|node| node.resource_type()) {
            out.push_str(&name);
        }
        let mut in_array = false;
        for node in lineage.iter().skip(root.map_or(0, |at| at + 1)) {
            if let Some(index) = node.index() {
                // An array inside an array is no FHIR; FHIRPath cannot tell its items apart.
                if in_array || out.is_empty() {
                    break;
                }
                let _ = write!(out, "[{index}]");
                in_array = true;
            } else if let Some(key) = node.key() {
                let Some(name) = element_name(&key) else { break };
                // Two types of one element, which FHIR forbids: the name alone would select both, and of what is no type
                // there engines know nothing. The place is what holds them.
                let plain = key.strip_prefix('_').unwrap_or(&key);
                let kind = plain.get(name.len()..).filter(|kind| !kind.is_empty());
                let twice = |kind: &str| {
                    let mut others = node.parent().into_iter().flat_map(Node::members).map(|(other, _)| other);
                    others.any(|other| {
                        let other = other.strip_prefix('_').unwrap_or(&other);
                        other.strip_prefix(name).is_some_and(|of| !of.is_empty() && of != kind)
                            && element_name(other) == Some(name)
                    })
                };
                if !out.is_empty() && kind.is_some_and(twice) {
                    break;
                }
                if !out.is_empty() {
                    out.push('.');
                }
                out.push_str(name);
                in_array = false;
            }
        }
        out
    }

    /// The `resourceType`, when this is an object with one that is a plain name.
    pub fn resource_type(self) -> Option<Text<'d>> {
        self.get("resourceType")?
            .as_str()
            .filter(|name| name.starts_with(|c: char| c.is_ascii_uppercase()) && is_identifier(name))
    }

    /// The node at a place of the same document; the root when there is no such place.
    pub fn of_same_document(self, at: At) -> Node<'d> {
        self.document.node(at)
    }

    /// This node and everything inside it, in document order.
    pub fn within(self) -> impl Iterator<Item = Node<'d>> {
        let next = self.entry().next;
        let document = self.document;
        (self.ix..next.max(self.ix)).map(move |ix| Node { document, ix })
    }

    /// The members anywhere inside this node that have one of these names, in document order, but for those inside
    /// such members.
    pub(crate) fn outermost<'n>(self, names: &'n [&'n str]) -> impl Iterator<Item = Node<'d>> + use<'d, 'n> {
        let marks = names.iter().fold(0_u64, |marks, name| marks | 1 << mark(name.as_bytes()));
        let document = self.document;
        let (mut ix, end) = (self.ix + 1, self.entry().next);
        std::iter::from_fn(move || {
            while ix < end {
                let node = Node { document, ix };
                let entry = node.entry();
                if entry.flags & KEY != 0
                    && marks >> entry.mark & 1 == 1
                    && node.key().is_some_and(|key| names.contains(&&*key))
                {
                    ix = entry.next.max(ix + 1);
                    return Some(node);
                }
                ix += 1;
            }
            None
        })
    }

    /// Tells this node from every other one alive: the document's address and the index.
    pub(crate) fn identity(self) -> (usize, u32) {
        (std::ptr::from_ref(self.document) as usize, self.ix)
    }

    /// This node and what it stands in, outermost first.
    fn lineage(self) -> Vec<Node<'d>> {
        let mut out = Vec::with_capacity(16);
        out.push(self);
        let mut at = self;
        while let Some(parent) = at.parent() {
            out.push(parent);
            at = parent;
        }
        out.reverse();
        out
    }
}

/// Children of a container, in document order.
#[derive(Clone)]
pub struct Children<'d> {
    document: &'d Document<'d>,
    at: u32,
    end: u32,
    left: u32,
}

impl<'d> Iterator for Children<'d> {
    type Item = Node<'d>;

    #[inline]
    fn next(&mut self) -> Option<Node<'d>> {
        if self.at >= self.end || self.left == 0 {
            return None;
        }
        let entry = self.document.entries.get(self.at as usize)?;
        let node = Node { document: self.document, ix: self.at };
        // An open container (while an error is being placed) has no next.
        self.at = if entry.next == 0 { self.end } else { entry.next };
        self.left -= 1;
        Some(node)
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        (0, Some(self.left as usize))
    }
}

/// Choice elements of the resources and data types that are read, with the types their JSON names end in.
/// From the StructureDefinitions of 4.0.1, 4.3.0 and 5.0.0.
const CHOICES: &[(&str, &[&str])] = &[
    ("abatement", &["DateTime", "Age", "Period", "Range", "String"]),
    ("age", &["Range", "CodeableConcept"]),
    ("allowed", &["Boolean", "CodeableConcept"]),
    ("amount", &["Quantity", "Ratio", "Range", "String"]),
    ("asNeeded", &["Boolean", "CodeableConcept"]),
    ("author", &["Reference", "String"]),
    ("bounds", &["Duration", "Range", "Period"]),
    ("collected", &["DateTime", "Period"]),
    ("deceased", &["Boolean", "DateTime"]),
    ("dose", &["Range", "Quantity"]),
    ("due", &["Date", "Duration"]),
    ("effective", &["DateTime", "Period", "Timing", "Instant"]),
    ("instantiates", &["Canonical", "Reference"]),
    ("item", &["CodeableConcept", "Reference"]),
    ("medication", &["CodeableConcept", "Reference"]),
    ("multipleBirth", &["Boolean", "Integer"]),
    ("occurrence", &["DateTime", "Period", "Timing", "String", "Age", "Range"]),
    ("onset", &["DateTime", "Age", "Period", "Range", "String"]),
    ("performed", &["DateTime", "Period", "String", "Age", "Range"]),
    ("product", &["CodeableConcept", "Reference"]),
    ("quantity", &["Quantity", "Ratio", "Range"]),
    ("rate", &["Ratio", "Range", "Quantity"]),
    ("reported", &["Boolean", "Reference"]),
    ("scheduled", &["Timing", "Period", "String"]),
    ("start", &["Date", "CodeableConcept"]),
    ("strength", &["Ratio", "CodeableConcept", "Quantity"]),
    ("timing", &["Timing", "DateTime", "Date", "Reference", "Period", "Range", "Duration", "Age"]),
    (
        "value",
        &[
            "Address",
            "Age",
            "Annotation",
            "Attachment",
            "Availability",
            "Base64Binary",
            "Boolean",
            "Canonical",
            "Code",
            "CodeableConcept",
            "CodeableReference",
            "Coding",
            "ContactDetail",
            "ContactPoint",
            "Contributor",
            "Count",
            "DataRequirement",
            "Date",
            "DateTime",
            "Decimal",
            "Distance",
            "Dosage",
            "Duration",
            "Expression",
            "ExtendedContactDetail",
            "HumanName",
            "Id",
            "Identifier",
            "Instant",
            "Integer",
            "Integer64",
            "Markdown",
            "Meta",
            "Money",
            "Oid",
            "ParameterDefinition",
            "Period",
            "PositiveInt",
            "Quantity",
            "Range",
            "Ratio",
            "RatioRange",
            "Reference",
            "RelatedArtifact",
            "SampledData",
            "Signature",
            "String",
            "Time",
            "Timing",
            "TriggerDefinition",
            "UnsignedInt",
            "Uri",
            "Url",
            "UsageContext",
            "Uuid",
        ],
    ),
];

/// The FHIRPath name of a JSON property, or `None` when FHIRPath cannot write it as a plain step.
fn element_name(key: &str) -> Option<&str> {
    let plain = key.strip_prefix('_').unwrap_or(key);
    // `id` and an extension's `url` are no FHIR elements but plain strings: nothing can stand beside them.
    if !is_identifier(plain) || plain == "resourceType" || key == "_id" || key == "_url" {
        return None;
    }
    for (base, types) in CHOICES {
        // The first letter tells most of them apart, without a look at the rest.
        if base.as_bytes().first() == plain.as_bytes().first()
            && let Some(suffix) = plain.strip_prefix(base)
            && types.contains(&suffix)
        {
            return plain.get(..base.len());
        }
    }
    Some(plain)
}

/// A name that FHIRPath reads as an identifier without quoting: no keyword of its grammar, and no longer
/// than FHIR's element names can be.
fn is_identifier(name: &str) -> bool {
    let keyword = matches!(
        name,
        "div"
            | "mod"
            | "and"
            | "or"
            | "xor"
            | "implies"
            | "true"
            | "false"
            | "year"
            | "month"
            | "week"
            | "day"
            | "hour"
            | "minute"
            | "second"
            | "millisecond"
            | "years"
            | "months"
            | "weeks"
            | "days"
            | "hours"
            | "minutes"
            | "seconds"
            | "milliseconds"
    );
    name.len() <= 64
        && name.as_bytes().first().is_some_and(u8::is_ascii_alphabetic)
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_')
        && !keyword
}

/// Line and column (in characters) of a byte, both from 1.
fn line_column(text: &str, offset: usize) -> (u32, u32) {
    let before = text.as_bytes().get(..offset).unwrap_or(text.as_bytes());
    let line_start = memchr::memrchr(b'\n', before).map_or(0, |at| at + 1);
    let line = memchr::memchr_iter(b'\n', before).count() + 1;
    // Characters are counted by their first bytes, so that an offset inside one does no harm.
    let column = before.iter().skip(line_start).filter(|b| **b & 0xC0 != 0x80).count() + 1;
    (u32::try_from(line).unwrap_or(u32::MAX), u32::try_from(column).unwrap_or(u32::MAX))
}

/// A foreign text made safe to show: shortened, controls and direction marks written as escapes.
pub(crate) fn legible(text: &str) -> String {
    const MOST: usize = 40;
    let mut out = String::new();
    for (n, c) in text.chars().enumerate() {
        if n == MOST {
            out.push('…');
            break;
        }
        let hidden = c.is_control()
            || matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}');
        if hidden {
            let _ = write!(out, "{}", c.escape_unicode());
        } else {
            out.push(c);
        }
    }
    out
}

/// The text of a string's source. Only called on sources that were checked while reading.
#[inline]
fn text_of(source: &str, escaped: bool) -> Text<'_> {
    if escaped { unescaped(source) } else { Cow::Borrowed(source) }
}

#[cold]
fn unescaped(source: &str) -> Text<'_> {
    let mut out = String::with_capacity(source.len());
    let mut rest = source;
    while let Some(at) = memchr::memchr(b'\\', rest.as_bytes()) {
        out.push_str(rest.get(..at).unwrap_or(""));
        rest = rest.get(at + 1..).unwrap_or("");
        let kind = rest.as_bytes().first().copied().unwrap_or(b'\\');
        rest = rest.get(1..).unwrap_or("");
        match kind {
            b'b' => out.push('\u{8}'),
            b'f' => out.push('\u{C}'),
            b'n' => out.push('\n'),
            b'r' => out.push('\r'),
            b't' => out.push('\t'),
            b'u' => {
                let mut code = hex4(rest.as_bytes()).unwrap_or(0xFFFD);
                rest = rest.get(4..).unwrap_or("");
                if (0xD800..0xDC00).contains(&code) {
                    let low = rest.as_bytes().get(2..).and_then(hex4).unwrap_or(0xDC00);
                    rest = rest.get(6..).unwrap_or("");
                    code = 0x1_0000 + ((code - 0xD800) << 10) + (low.saturating_sub(0xDC00) & 0x3FF);
                }
                out.push(char::from_u32(code).unwrap_or('\u{FFFD}'));
            }
            other => out.push(char::from(other)),
        }
    }
    out.push_str(rest);
    Cow::Owned(out)
}

fn hex4(bytes: &[u8]) -> Option<u32> {
    let digits = bytes.get(..4)?;
    digits.iter().try_fold(0u32, |sum, b| Some(sum * 16 + char::from(*b).to_digit(16)?))
}

/// A mark in the highest bit of the first quote, backslash or control among eight bytes, and perhaps of bytes
/// after it; 0 when there is none.
#[inline]
pub(crate) const fn stops(word: u64) -> u64 {
    const ONES: u64 = 0x0101_0101_0101_0101;
    const HIGHS: u64 = 0x8080_8080_8080_8080;
    let quote = word ^ (ONES * b'"' as u64);
    let slash = word ^ (ONES * b'\\' as u64);
    // A borrow can only mark bytes above a true hit, and the lowest mark is the one taken.
    ((quote.wrapping_sub(ONES) & !quote)
        | (slash.wrapping_sub(ONES) & !slash)
        | (word.wrapping_sub(ONES * 0x20) & !word))
        & HIGHS
}

/// The first byte at or after `at` that ends or interrupts a string: a quote, a backslash or a control.
fn string_stop(bytes: &[u8], mut at: usize) -> usize {
    while let Some(chunk) = bytes.get(at..).and_then(|rest| rest.first_chunk::<8>()) {
        let hits = stops(u64::from_le_bytes(*chunk));
        if hits != 0 {
            return at + (hits.trailing_zeros() / 8) as usize;
        }
        at += 8;
    }
    while bytes.get(at).is_some_and(|b| *b != b'"' && *b != b'\\' && *b >= 0x20) {
        at += 1;
    }
    at
}

/// The name or index the next value will have.
#[derive(Clone, Copy)]
struct Name {
    flags: u8,
    mark: u8,
    start: u32,
    end: u32,
}

impl Name {
    const NONE: Self = Self { flags: 0, mark: 0, start: 0, end: 0 };
}

/// An open container.
struct Open<'t> {
    ix: u32,
    object: bool,
    /// All names, once there are many.
    names: Option<HashSet<Text<'t>>>,
}

/// Up to this many members a possible repetition is looked up by comparing.
const COMPARED: u32 = 32;

struct Reader<'t, 'l> {
    text: &'t str,
    bytes: &'t [u8],
    at: usize,
    entries: Vec<Entry>,
    open: Vec<Open<'t>>,
    limits: &'l Limits,
    name: Name,
}

impl<'t> Reader<'t, '_> {
    fn byte(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn skip_space(&mut self) {
        while let Some(b' ' | b'\n' | b'\r' | b'\t') = self.byte() {
            self.at += 1;
        }
    }

    fn run(&mut self) -> Result<(), JsonError> {
        self.skip_space();
        if self.byte().is_none() {
            return Err(JsonError::Empty { place: Place { offset: 0, line: 1, column: 1, path: None } });
        }
        loop {
            let opened = self.value()?;
            if opened {
                continue;
            }
            loop {
                self.skip_space();
                let Some(top) = self.open.last_mut() else {
                    if self.byte().is_some() {
                        let found = self.found();
                        return Err(JsonError::Trailing { place: self.place(self.at), found });
                    }
                    return Ok(());
                };
                let (ix, object) = (top.ix, top.object);
                match (self.byte(), object) {
                    (Some(b','), true) => {
                        self.at += 1;
                        self.skip_space();
                        self.member_name("a property name in double quotes (no comma before a closing brace)")?;
                        break;
                    }
                    (Some(b','), false) => {
                        self.at += 1;
                        self.skip_space();
                        let count = self.entries.get(ix as usize).map_or(0, |entry| entry.count);
                        self.name = Name { flags: 0, mark: 0, start: count, end: 0 };
                        if count as usize >= self.limits.array {
                            let limit = self.limits.array;
                            return Err(JsonError::ArrayTooLong { place: self.place(self.at), limit });
                        }
                        break;
                    }
                    (Some(b'}'), true) | (Some(b']'), false) => self.close(ix),
                    (_, true) => return Err(self.unexpected("a comma or a closing brace")),
                    (_, false) => return Err(self.unexpected("a comma or a closing bracket")),
                }
            }
        }
    }

    fn close(&mut self, ix: u32) {
        self.at += 1;
        let next = self.entries.len() as u32;
        if let Some(entry) = self.entries.get_mut(ix as usize) {
            entry.end = self.at as u32;
            entry.next = next;
            self.name = Name { flags: entry.flags, mark: entry.mark, start: entry.name, end: entry.name_end };
        }
        self.open.pop();
    }

    fn push(&mut self, kind: Kind, flags: u8, start: usize, end: usize) -> u32 {
        let ix = self.entries.len() as u32;
        let parent = self.open.last().map_or(NONE, |top| top.ix);
        if let Some(holder) = self.entries.get_mut(parent as usize) {
            holder.count += 1;
        }
        let next = if matches!(kind, Kind::Array | Kind::Object) { 0 } else { ix + 1 };
        self.entries.push(Entry {
            kind,
            flags: flags | self.name.flags,
            mark: self.name.mark,
            start: start as u32,
            end: end as u32,
            name: self.name.start,
            name_end: self.name.end,
            parent,
            next,
            count: 0,
            marks: 0,
        });
        ix
    }

    /// Reads one value; for a container only its opening. Returns whether another value follows at once.
    fn value(&mut self) -> Result<bool, JsonError> {
        let start = self.at;
        match self.byte() {
            Some(b'"') => {
                let (from, to, escaped) = match self.plain_string() {
                    Some((from, to)) => (from, to, false),
                    None => self.string(true)?,
                };
                self.push(Kind::String, if escaped { TEXT_ESCAPED } else { 0 }, from, to);
                Ok(false)
            }
            Some(open @ (b'{' | b'[')) => {
                if self.open.len() >= self.limits.depth {
                    return Err(JsonError::Depth { place: self.place(start), limit: self.limits.depth });
                }
                let object = open == b'{';
                let ix = self.push(if object { Kind::Object } else { Kind::Array }, 0, start, start);
                self.open.push(Open { ix, object, names: None });
                self.at += 1;
                self.skip_space();
                if self.byte() == Some(if object { b'}' } else { b']' }) {
                    self.close(ix);
                    return Ok(false);
                }
                if object {
                    self.member_name("a property name in double quotes, or a closing brace")?;
                } else {
                    self.name = Name::NONE;
                    if self.limits.array == 0 {
                        return Err(JsonError::ArrayTooLong { place: self.place(self.at), limit: 0 });
                    }
                }
                Ok(true)
            }
            Some(b'-' | b'0'..=b'9') => {
                while let Some(b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E') = self.byte() {
                    self.at += 1;
                }
                let literal = self.text.get(start..self.at).unwrap_or("");
                if let Err(source) = Decimal::parse(literal) {
                    return Err(JsonError::Number { place: self.place(start), literal: legible(literal), source });
                }
                self.push(Kind::Number, 0, start, self.at);
                Ok(false)
            }
            Some(b't') => self.word(b"true", Kind::Bool),
            Some(b'f') => self.word(b"false", Kind::Bool),
            Some(b'n') => self.word(b"null", Kind::Null),
            _ => Err(self.unexpected("a JSON value")),
        }
    }

    fn word(&mut self, word: &[u8], kind: Kind) -> Result<bool, JsonError> {
        let start = self.at;
        if !self.bytes.get(start..).is_some_and(|rest| rest.starts_with(word)) {
            return Err(self.unexpected("a JSON value"));
        }
        self.at += word.len();
        if self.byte().is_some_and(|b| b.is_ascii_alphanumeric() || b == b'_') {
            self.at = start;
            return Err(self.unexpected("a JSON value"));
        }
        self.push(kind, 0, start, self.at);
        Ok(false)
    }

    /// Reads a string at its opening quote, if nothing in it needs a closer look, as in nearly all: its text's range.
    #[inline]
    fn plain_string(&mut self) -> Option<(usize, usize)> {
        let from = self.at + 1;
        let to = string_stop(self.bytes, from);
        if self.bytes.get(to) != Some(&b'"') || to - from > self.limits.string {
            return None;
        }
        self.at = to + 1;
        Some((from, to))
    }

    /// Reads a string at its opening quote: its text's range and whether it has escapes.
    fn string(&mut self, is_value: bool) -> Result<(usize, usize, bool), JsonError> {
        let from = self.at + 1;
        let mut at = from;
        let mut escaped = false;
        loop {
            at = string_stop(self.bytes, at);
            match self.bytes.get(at).copied() {
                Some(b'"') => break,
                Some(b'\\') => {
                    escaped = true;
                    at = self.escape(at)?;
                }
                Some(character) => return Err(JsonError::Control { place: self.place(at), character }),
                None => {
                    return Err(JsonError::CutOff { place: self.place(at), expected: "the closing quote of a string" });
                }
            }
        }
        self.at = at + 1;
        if at - from > self.limits.string {
            let narrative = is_value
                && self.name.flags & KEY != 0
                && self.text.get(self.name.start as usize..self.name.end as usize) == Some("div");
            if !narrative {
                let limit = self.limits.string;
                return Err(JsonError::StringTooLong { place: self.place(from - 1), bytes: at - from, limit });
            }
        }
        Ok((from, at, escaped))
    }

    /// Checks one escape at its backslash and returns the byte after it.
    #[cold]
    fn escape(&mut self, at: usize) -> Result<usize, JsonError> {
        let written = |length: usize| {
            let rest = self.text.get(at..).unwrap_or("");
            legible(&rest.chars().take(length).collect::<String>())
        };
        match self.bytes.get(at + 1).copied() {
            Some(b'"' | b'\\' | b'/' | b'b' | b'f' | b'n' | b'r' | b't') => Ok(at + 2),
            Some(b'u') => {
                let Some(code) = self.bytes.get(at + 2..).and_then(hex4) else {
                    return Err(JsonError::Escape { place: self.place(at), found: written(6) });
                };
                match code {
                    0xD800..0xDC00 => {
                        let low = self.bytes.get(at + 6..).filter(|rest| rest.starts_with(b"\\u"));
                        let low = low.and_then(|rest| rest.get(2..)).and_then(hex4);
                        if low.is_some_and(|low| (0xDC00..0xE000).contains(&low)) {
                            Ok(at + 12)
                        } else {
                            Err(JsonError::LoneSurrogate { place: self.place(at), found: written(6) })
                        }
                    }
                    0xDC00..0xE000 => Err(JsonError::LoneSurrogate { place: self.place(at), found: written(6) }),
                    _ => Ok(at + 6),
                }
            }
            None => Err(JsonError::CutOff { place: self.place(at + 1), expected: "the rest of an escape" }),
            Some(_) => Err(JsonError::Escape { place: self.place(at), found: written(2) }),
        }
    }

    /// Reads `"name" :` and refuses a repetition.
    fn member_name(&mut self, expected: &'static str) -> Result<(), JsonError> {
        self.name = Name::NONE;
        if self.byte() != Some(b'"') {
            return Err(self.unexpected(expected));
        }
        let quote = self.at;
        let (start, end, escaped) = match self.plain_string() {
            Some((start, end)) => (start, end, false),
            None => self.string(false)?,
        };
        let written = self.bytes.get(start..end).unwrap_or_default();
        let mark = if escaped { mark(self.key(start, end, true).as_bytes()) } else { mark(written) };
        let flags = KEY | if escaped { KEY_ESCAPED } else { 0 };
        self.name = Name { flags, mark, start: start as u32, end: end as u32 };
        if self.may_repeat(mark) {
            self.unique(quote, start, self.key(start, end, escaped))?;
        }
        self.skip_space();
        if self.byte() != Some(b':') {
            return Err(self.unexpected("a colon after the property name"));
        }
        self.at += 1;
        self.skip_space();
        Ok(())
    }

    fn key(&self, start: usize, end: usize, escaped: bool) -> Text<'t> {
        text_of(self.text.get(start..end).unwrap_or(""), escaped)
    }

    /// Notes the mark of a name in the object that is open; whether it has to be looked up if the name was there before.
    fn may_repeat(&mut self, mark: u8) -> bool {
        let holder = self.open.last().and_then(|top| self.entries.get_mut(top.ix as usize));
        let Some(holder) = holder else { return false };
        let maybe = holder.marks & (1 << mark) != 0;
        holder.marks |= 1 << mark;
        maybe || holder.count >= COMPARED
    }

    fn unique(&mut self, quote: usize, start: usize, key: Text<'t>) -> Result<(), JsonError> {
        let Some(top) = self.open.last_mut() else { return Ok(()) };
        let Some(holder) = self.entries.get(top.ix as usize) else { return Ok(()) };
        if holder.count < COMPARED {
            let (text, ix) = (self.text, top.ix);
            let first = with_tape(text, &mut self.entries, |tape| {
                tape.node(At(ix)).get(&key).map(|child| child.entry().name as usize)
            });
            return first.map_or(Ok(()), |first| Err(self.duplicate(quote, &key, first)));
        }
        let (text, ix) = (self.text, top.ix);
        let names = top.names.get_or_insert_with(|| {
            with_tape(text, &mut self.entries, |tape| {
                let named = |child: Node<'_>| {
                    let entry = child.entry();
                    let source = text.get(entry.name as usize..entry.name_end as usize).unwrap_or("");
                    text_of(source, entry.flags & KEY_ESCAPED != 0)
                };
                tape.node(At(ix)).children().map(named).collect()
            })
        });
        if names.insert(key.clone()) {
            return Ok(());
        }
        let first = with_tape(text, &mut self.entries, |tape| {
            tape.node(At(ix)).get(&key).map_or(start, |child| child.entry().name as usize)
        });
        Err(self.duplicate(quote, &key, first))
    }

    #[cold]
    fn duplicate(&mut self, quote: usize, key: &str, first: usize) -> JsonError {
        let (first_line, first_column) = line_column(self.text, first.saturating_sub(1));
        JsonError::DuplicateKey { place: self.place(quote), key: legible(key), first_line, first_column }
    }

    #[cold]
    fn found(&self) -> String {
        let rest = self.text.get(self.at..).unwrap_or("");
        let word: String = rest.chars().take_while(|c| c.is_ascii_alphanumeric()).take(12).collect();
        let shown = if word.is_empty() { rest.chars().take(1).collect() } else { word };
        format!("\"{}\"", legible(&shown))
    }

    #[cold]
    fn unexpected(&mut self, expected: &'static str) -> JsonError {
        let place = self.place(self.at);
        if self.byte().is_none() {
            return JsonError::CutOff { place, expected };
        }
        JsonError::Unexpected { place, found: self.found(), expected }
    }

    /// The place of a byte, with the element being read.
    #[cold]
    fn place(&mut self, offset: usize) -> Place {
        let (line, column) = line_column(self.text, offset);
        let mut path = None;
        if !self.open.is_empty() {
            let pending = self.name.flags & KEY != 0 || self.open.last().is_some_and(|top| !top.object);
            let ix = if pending {
                self.push(Kind::Null, 0, offset, offset)
            } else {
                self.open.last().map_or(0, |top| top.ix)
            };
            let text = self.text;
            path = Some(with_tape(text, &mut self.entries, |tape| tape.node(At(ix)).path_as_written()));
        }
        Place { offset, line, column, path: path.filter(|path| !path.is_empty()) }
    }
}

/// Looks at a tape that is still being written as if it were a document.
fn with_tape<T>(text: &str, entries: &mut Vec<Entry>, look: impl FnOnce(&Document<'_>) -> T) -> T {
    let tape = Document { text, entries: std::mem::take(entries) };
    let out = look(&tape);
    *entries = tape.entries;
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mark_of_a_companion_is_that_of_its_whole_name() {
        let long = "abcdefghijklmnop";
        for name in (0..=long.len()).filter_map(|n| long.get(..n)) {
            assert_eq!(companion_mark(name.as_bytes()), mark(format!("_{name}").as_bytes()), "{name:?}");
        }
    }
}
