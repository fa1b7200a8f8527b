//! One quick walk over an order, by tables that are made of its schema once. It says that the order is surely as the
//! schema has it, or nothing: what it is not made for (a rare form of text, letters beyond ASCII where a pattern
//! looks at them, a keyword of the schema that it does not know) it leaves to the schema evaluator. So it may come
//! sooner than that, and never to another verdict.

use crate::intake::json::{Kind, Node, mark};
use serde_json::{Map, Value};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// The tables of one schema.
pub(super) struct Walk {
    parts: Vec<Part>,
    root: usize,
}

/// What may stand at a place.
#[derive(Clone, Debug)]
struct Part {
    /// A bit for each kind that may; none for what this walk is not made for.
    kinds: u8,
    /// Numbers: whether only those written without a fraction or an exponent.
    whole: bool,
    least: Option<i64>,
    most: Option<i64>,
    form: Form,
    /// Texts: the only ones that may stand there.
    codes: Option<Box<[Box<str>]>>,
    object: Option<Box<Object>>,
    /// Arrays: fewest items, and what each is.
    items: Option<(usize, usize)>,
}

/// What a text must look like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    Any,
    /// Something that is no white space.
    Ink,
    /// No white space; with `true` something.
    Solid(bool),
    /// Words with single spaces between.
    Words,
    Id,
    /// Letters, the first a capital.
    TypeName,
    Date,
    /// The seconds have at most so many decimals, here and below.
    DateTime(usize),
    Instant(usize),
    Time(usize),
    Div,
}

/// Members of an object.
#[derive(Clone, Debug)]
struct Object {
    fewest: usize,
    /// By the marks of their names.
    members: Box<[Member]>,
    /// By mark: the first of the members with it.
    first: [u8; 64],
    /// Whether members that are not listed may stand there.
    open: bool,
    conditions: Box<[Condition]>,
}

#[derive(Clone, Debug)]
struct Member {
    name: Box<str>,
    mark: u8,
    part: usize,
}

/// Members by their places in the list, as bits.
type Set = u128;
/// Most members of an object.
const MOST_MEMBERS: usize = 128;

/// What must hold of the members that are there.
#[derive(Clone, Debug)]
enum Condition {
    /// Not surely anything.
    Open,
    Holds,
    /// All of these are there.
    Has(Set),
    /// One of these is there.
    HasAny(Set),
    /// None of these is there.
    HasNone(Set),
    AtLeast(usize),
    /// Where any of these is there.
    Where(Set, Box<Condition>),
    All(Box<[Condition]>),
    Any(Box<[Condition]>),
    /// The first decides which of the others must hold. It is of `Has` and `AtLeast` only, so that "not surely" is "no".
    If(Box<[Condition; 3]>),
    /// The member of that name, where it is there, is this.
    Is(Box<str>, usize),
    /// The member of that name, where it is an object, has this member.
    Holding(Box<str>, Box<str>),
    /// The member of that name, where it is an array, holds no null.
    NoNulls(Box<str>),
}

impl Walk {
    /// The tables of a schema whose `$ref`s lead to its `$defs`.
    pub(super) fn of(schema: &Value) -> Self {
        let mut build = Build { schema, parts: Vec::new(), named: BTreeMap::new() };
        let root = build.part(schema);
        Self { parts: build.parts, root }
    }

    /// Whether the order is surely as the schema has it.
    pub(super) fn fits(&self, order: Node<'_>) -> bool {
        self.part(self.root, order)
    }

    fn part(&self, ix: usize, node: Node<'_>) -> bool {
        let Some(part) = self.parts.get(ix) else { return false };
        let kind = node.kind();
        if part.kinds & bit(kind) == 0 {
            return false;
        }
        match kind {
            Kind::String => part.text(node),
            Kind::Number => part.number(node),
            Kind::Object => part.object.as_ref().is_none_or(|object| self.object(object, node)),
            Kind::Array => part
                .items
                .is_none_or(|(fewest, item)| node.len() >= fewest && node.values().all(|inner| self.part(item, inner))),
            Kind::Bool | Kind::Null => true,
        }
    }

    fn object(&self, object: &Object, node: Node<'_>) -> bool {
        if node.len() < object.fewest {
            return false;
        }
        let mut there: Set = 0;
        for inner in node.values() {
            let Some(Cow::Borrowed(name)) = inner.key() else { return false };
            let Some((nth, member)) = object.member(name, inner.mark()) else {
                if object.open {
                    continue;
                }
                return false;
            };
            there |= 1 << nth;
            if !self.part(member.part, inner) {
                return false;
            }
        }
        object.conditions.iter().all(|condition| self.holds(condition, there, node))
    }

    fn holds(&self, condition: &Condition, there: Set, node: Node<'_>) -> bool {
        match condition {
            Condition::Open => false,
            Condition::Holds => true,
            Condition::Has(set) => there & set == *set,
            Condition::HasAny(set) => there & set != 0,
            Condition::HasNone(set) => there & set == 0,
            Condition::AtLeast(n) => node.len() >= *n,
            Condition::Where(set, then) => there & set == 0 || self.holds(then, there, node),
            Condition::All(all) => all.iter().all(|one| self.holds(one, there, node)),
            Condition::Any(any) => any.iter().any(|one| self.holds(one, there, node)),
            Condition::If(three) => {
                let [decides, yes, no] = &**three;
                let chosen = if self.holds(decides, there, node) { yes } else { no };
                self.holds(chosen, there, node)
            }
            Condition::Is(name, part) => node.get(name).is_none_or(|inner| self.part(*part, inner)),
            Condition::Holding(name, other) => node.get(name).is_none_or(|inner| inner.get(other).is_some()),
            Condition::NoNulls(name) => {
                node.get(name).is_none_or(|list| list.values().all(|item| item.kind() != Kind::Null))
            }
        }
    }
}

const fn bit(kind: Kind) -> u8 {
    1 << kind as u8
}

impl Object {
    #[inline]
    fn member(&self, name: &str, mark: u8) -> Option<(usize, &Member)> {
        let first = usize::from(*self.first.get(usize::from(mark))?);
        let of_mark = self.members.get(first..)?.iter().take_while(|member| member.mark == mark);
        of_mark.enumerate().find(|(_, member)| *member.name == *name).map(|(nth, member)| (first + nth, member))
    }
}

impl Part {
    fn text(&self, node: Node<'_>) -> bool {
        let Some(text) = node.as_str() else { return false };
        self.form.fits(&text) && self.codes.as_ref().is_none_or(|codes| codes.iter().any(|code| **code == *text))
    }

    fn number(&self, node: Node<'_>) -> bool {
        let Some(literal) = node.literal() else { return false };
        if !self.whole && self.most.is_none() && self.least.is_none_or(|least| least <= 0) {
            return self.least.is_none() || !literal.starts_with('-');
        }
        // A fraction or an exponent is no digit of a whole number.
        let Ok(number) = literal.parse::<i64>() else { return false };
        self.least.is_none_or(|least| number >= least) && self.most.is_none_or(|most| number <= most)
    }
}

impl Form {
    fn fits(self, text: &str) -> bool {
        let bytes = text.as_bytes();
        match self {
            Self::Any => true,
            Self::Ink => bytes.iter().any(u8::is_ascii_graphic),
            Self::Solid(some) => is_solid(bytes) && !(some && bytes.is_empty()),
            Self::Words => {
                is_solid(bytes) && !bytes.is_empty()
                    || bytes.split(|b| *b == b' ').all(|w| !w.is_empty() && is_solid(w))
            }
            Self::Id => {
                (1..=64).contains(&bytes.len())
                    && bytes.iter().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.'))
            }
            Self::TypeName => {
                bytes.first().is_some_and(u8::is_ascii_uppercase) && bytes.iter().all(u8::is_ascii_alphabetic)
            }
            Self::Date => is_date(bytes),
            Self::DateTime(decimals) => is_date(bytes) || is_instant(bytes, decimals),
            Self::Instant(decimals) => is_instant(bytes, decimals),
            Self::Time(decimals) => after_clock(bytes, decimals).is_some_and(<[u8]>::is_empty),
            Self::Div => text.starts_with("<div") && text.ends_with("</div>"),
        }
    }
}

/// Whether all of it is ASCII and nothing of it white space or a control character.
fn is_solid(bytes: &[u8]) -> bool {
    const ONES: u64 = 0x0101_0101_0101_0101;
    const HIGHS: u64 = 0x8080_8080_8080_8080;
    let (words, rest) = bytes.as_chunks::<8>();
    let mut marks = 0;
    for word in words {
        let word = u64::from_le_bytes(*word);
        // A byte below the first graphic one borrows; a borrow can only mark a word that is marked already.
        marks |= word | word.wrapping_sub(ONES * 0x21);
    }
    marks & HIGHS == 0 && rest.iter().all(|b| (0x21..0x80).contains(b))
}

/// Two digits from the first to the second number.
fn is_between(bytes: &[u8], low: u8, high: u8) -> bool {
    let [tens @ b'0'..=b'9', ones @ b'0'..=b'9'] = bytes else { return false };
    (low..=high).contains(&((tens - b'0') * 10 + (ones - b'0')))
}

/// YYYY, YYYY-MM or YYYY-MM-DD, not of the year 0.
fn is_date(bytes: &[u8]) -> bool {
    let Some((year, rest)) = bytes.split_at_checked(4) else { return false };
    let of_year = match rest {
        [] => true,
        [b'-', m, n] => is_between(&[*m, *n], 1, 12),
        [b'-', m, n, b'-', d, e] => is_between(&[*m, *n], 1, 12) && is_between(&[*d, *e], 1, 31),
        _ => false,
    };
    of_year && year.iter().all(u8::is_ascii_digit) && year != b"0000"
}

/// A whole date with a time and its zone.
fn is_instant(bytes: &[u8], decimals: usize) -> bool {
    let Some((date, [b'T', time @ ..])) = bytes.split_at_checked(10) else { return false };
    let zoned = match after_clock(time, decimals) {
        Some([b'Z'] | [b'+' | b'-', b'1', b'4', b':', b'0', b'0']) => true,
        Some([b'+' | b'-', h, i, b':', m, n]) => is_between(&[*h, *i], 0, 13) && is_between(&[*m, *n], 0, 59),
        _ => false,
    };
    zoned && is_date(date)
}

/// What follows hh:mm:ss and its decimals; `None` where that does not stand there.
fn after_clock(bytes: &[u8], decimals: usize) -> Option<&[u8]> {
    let [h, i, b':', m, n, b':', s, t, rest @ ..] = bytes else { return None };
    let clock = is_between(&[*h, *i], 0, 23) && is_between(&[*m, *n], 0, 59) && is_between(&[*s, *t], 0, 60);
    let rest = match rest {
        [b'.', fraction @ ..] => {
            let digits = fraction.iter().take_while(|b| b.is_ascii_digit()).count();
            fraction.get(digits..).filter(|_| (1..=decimals).contains(&digits))?
        }
        rest => rest,
    };
    clock.then_some(rest)
}

/// Makes tables of a schema.
struct Build<'s> {
    schema: &'s Value,
    parts: Vec<Part>,
    /// Parts by the `$ref` that leads to them.
    named: BTreeMap<&'s str, usize>,
}

const NOTHING: Part =
    Part { kinds: 0, whole: false, least: None, most: None, form: Form::Any, codes: None, object: None, items: None };

impl<'s> Build<'s> {
    /// The part for a schema.
    fn part(&mut self, schema: &'s Value) -> usize {
        if let Some(name) = schema.get("$ref").and_then(Value::as_str) {
            if let Some(ix) = self.named.get(name) {
                return *ix;
            }
            let target = name.strip_prefix('#').and_then(|pointer| self.schema.pointer(pointer));
            let alone = schema.as_object().is_some_and(|members| members.len() == 1);
            let ix = self.parts.len();
            self.parts.push(NOTHING);
            self.named.insert(name, ix);
            if let Some(target) = target.filter(|_| alone) {
                self.fill(ix, target);
            }
            return ix;
        }
        let ix = self.parts.len();
        self.parts.push(NOTHING);
        self.fill(ix, schema);
        ix
    }

    fn fill(&mut self, ix: usize, schema: &'s Value) {
        let part = schema.as_object().and_then(|keywords| self.read(keywords));
        if let (Some(part), Some(place)) = (part, self.parts.get_mut(ix)) {
            *place = part;
        }
    }

    /// `None` for a schema that this walk is not made for.
    fn read(&mut self, keywords: &'s Map<String, Value>) -> Option<Part> {
        let mut out = Part { kinds: u8::MAX, ..NOTHING };
        let mut members = None;
        for (keyword, value) in keywords {
            match keyword.as_str() {
                "title" | "description" | "$comment" | "$schema" | "$id" | "$defs" => {}
                "type" => {
                    out.kinds = 0;
                    for kind in std::slice::from_ref(value).iter().chain(value.as_array().into_iter().flatten()) {
                        out.kinds |= match kind.as_str() {
                            Some("object") => bit(Kind::Object),
                            Some("array") => bit(Kind::Array),
                            Some("string") => bit(Kind::String),
                            Some("boolean") => bit(Kind::Bool),
                            Some("null") => bit(Kind::Null),
                            Some("number") => bit(Kind::Number),
                            Some("integer") => {
                                out.whole = true;
                                bit(Kind::Number)
                            }
                            None if kind.is_array() => 0,
                            _ => return None,
                        };
                    }
                }
                "minimum" => out.least = Some(value.as_i64()?),
                "maximum" => out.most = Some(value.as_i64()?),
                "const" => {
                    out.kinds = bit(Kind::String);
                    out.codes = Some([value.as_str()?.into()].into());
                }
                "enum" => {
                    let mut codes = Vec::new();
                    out.kinds = bit(Kind::String);
                    for code in value.as_array()? {
                        match code {
                            Value::String(code) => codes.push(code.as_str().into()),
                            Value::Null => out.kinds |= bit(Kind::Null),
                            _ => return None,
                        }
                    }
                    out.codes = Some(codes.into());
                }
                "items" => {
                    let item = self.part(value);
                    out.items = Some((out.items.map_or(0, |(fewest, _)| fewest), item));
                }
                "minItems" | "minLength" | "pattern" => {}
                "minProperties" | "required" | "properties" | "additionalProperties" | "dependentSchemas" => {
                    members = Some(keywords);
                }
                "allOf" | "anyOf" => {
                    if keywords.contains_key("properties") {
                        members = Some(keywords);
                    } else if !keywords.contains_key("type") {
                        return None;
                    }
                }
                _ => return None,
            }
        }
        if let Some(fewest) = keywords.get("minItems") {
            let (_, item) = out.items?;
            out.items = Some((usize::try_from(fewest.as_u64()?).ok()?, item));
        }
        match members {
            Some(keywords) => out.object = Some(Box::new(self.object(keywords)?)),
            None => out.form = form(keywords)?,
        }
        Some(out)
    }

    fn object(&mut self, keywords: &'s Map<String, Value>) -> Option<Object> {
        if ["pattern", "minLength", "enum", "const", "items", "minimum", "maximum"]
            .iter()
            .any(|k| keywords.contains_key(*k))
        {
            return None;
        }
        let open = match keywords.get("additionalProperties") {
            None => true,
            Some(Value::Bool(open)) => *open,
            Some(_) => return None,
        };
        let mut members: Vec<Member> = Vec::new();
        for (name, schema) in keywords.get("properties").and_then(Value::as_object).into_iter().flatten() {
            members.push(Member { name: name.as_str().into(), mark: mark(name.as_bytes()), part: self.part(schema) });
        }
        if members.len() > MOST_MEMBERS {
            return None;
        }
        members.sort_by_key(|member| member.mark);
        let mut first = [u8::MAX; 64];
        for (nth, member) in members.iter().enumerate().rev() {
            *first.get_mut(usize::from(member.mark))? = u8::try_from(nth).ok()?;
        }
        let mut object = Object {
            fewest: number(keywords, "minProperties")?,
            members: members.into(),
            first,
            open,
            conditions: [].into(),
        };
        let mut conditions = Vec::new();
        for (keyword, value) in keywords {
            match keyword.as_str() {
                "required" | "dependentSchemas" | "allOf" | "anyOf" => {
                    conditions.push(self.condition(&object, keyword, value));
                }
                _ => {}
            }
        }
        conditions.retain(|condition| !matches!(condition, Condition::Holds));
        object.conditions = conditions.into();
        Some(object)
    }

    /// What a keyword asks of an object whose members are known.
    fn condition(&mut self, object: &Object, keyword: &str, value: &'s Value) -> Condition {
        let each = |build: &mut Self| -> Box<[Condition]> {
            value.as_array().into_iter().flatten().map(|one| build.conditions(object, one)).collect()
        };
        match keyword {
            "title" | "description" | "$comment" => Condition::Holds,
            "minProperties" => {
                value.as_u64().and_then(|n| usize::try_from(n).ok()).map_or(Condition::Open, Condition::AtLeast)
            }
            "required" => set(object, value.as_array().into_iter().flatten()).map_or(Condition::Open, Condition::Has),
            // What may stand there besides is not to stand there; other names are not listed and so refused already.
            "propertyNames" => match value.as_object() {
                Some(names) if names.len() == 1 && !object.open => {
                    let listed = names.get("enum").and_then(Value::as_array);
                    let known = |name: &&Value| name.as_str().is_some_and(|name| object.nth(name).is_some());
                    let allowed = listed.and_then(|list| set(object, list.iter().filter(known)));
                    allowed.map_or(Condition::Open, |allowed| Condition::HasNone(!allowed))
                }
                _ => Condition::Open,
            },
            "allOf" => Condition::All(each(self)),
            "anyOf" => {
                let any = each(self);
                let one = |condition: &Condition| match condition {
                    Condition::Has(set) if set.count_ones() == 1 => Some(*set),
                    _ => None,
                };
                let all: Option<Vec<Set>> = any.iter().map(one).collect();
                all.map_or(Condition::Any(any), |sets| Condition::HasAny(sets.iter().fold(0, |all, set| all | set)))
            }
            "dependentSchemas" => {
                let (mut out, mut any) = (Vec::new(), 0);
                for (name, schema) in value.as_object().into_iter().flatten() {
                    let Some(nth) = object.nth(name) else { return Condition::Open };
                    any |= 1 << nth;
                    out.push(Condition::Where(1 << nth, Box::new(self.conditions(object, schema))));
                }
                // Most objects have none of these members.
                Condition::Where(any, Box::new(joined(out)))
            }
            "properties" => {
                let mut out = Vec::new();
                for (name, schema) in value.as_object().into_iter().flatten() {
                    out.push(self.member(object, name, schema));
                }
                joined(out)
            }
            _ => Condition::Open,
        }
    }

    /// What a schema asks of an object whose members are known.
    fn conditions(&mut self, object: &Object, schema: &'s Value) -> Condition {
        let Some(keywords) = schema.as_object() else { return Condition::Open };
        if let Some(decides) = keywords.get("if") {
            let mut branch =
                |name: &str| keywords.get(name).map_or(Condition::Holds, |schema| self.conditions(object, schema));
            let (yes, no) = (branch("then"), branch("else"));
            let decides = self.conditions(object, decides);
            let others =
                keywords.keys().any(|k| !matches!(k.as_str(), "if" | "then" | "else" | "description" | "$comment"));
            return match decides {
                Condition::Has(_) | Condition::AtLeast(_) if !others => Condition::If(Box::new([decides, yes, no])),
                _ => Condition::Open,
            };
        }
        let out = keywords.iter().map(|(keyword, value)| self.condition(object, keyword, value)).collect();
        joined(out)
    }

    /// What a schema for a member asks beside what the member has to be anyway.
    fn member(&mut self, object: &Object, name: &str, schema: &'s Value) -> Condition {
        let Some(nth) = object.nth(name) else { return Condition::Open };
        let never = |schema: &Value| schema.get("not").is_some_and(|not| not.as_object().is_some_and(Map::is_empty));
        if never(schema) {
            return Condition::HasNone(1 << nth);
        }
        let words: Vec<&str> =
            schema.as_object().into_iter().flatten().map(|(k, _)| k.as_str()).filter(|k| !is_remark(k)).collect();
        match words.as_slice() {
            ["const" | "minimum"] => Condition::Is(name.into(), self.part(schema)),
            ["required"] => match schema.get("required").and_then(Value::as_array).map(Vec::as_slice) {
                Some([Value::String(one)]) => Condition::Holding(name.into(), one.as_str().into()),
                _ => Condition::Open,
            },
            ["items"] if schema.pointer("/items/not/type").and_then(Value::as_str) == Some("null") => {
                Condition::NoNulls(name.into())
            }
            _ => Condition::Open,
        }
    }
}

impl Object {
    fn nth(&self, name: &str) -> Option<usize> {
        self.members.iter().position(|member| *member.name == *name)
    }
}

fn is_remark(keyword: &str) -> bool {
    matches!(keyword, "title" | "description" | "$comment")
}

fn joined(mut all: Vec<Condition>) -> Condition {
    all.retain(|condition| !matches!(condition, Condition::Holds));
    match all.len() {
        0 => Condition::Holds,
        1 => all.pop().unwrap_or(Condition::Open),
        _ => Condition::All(all.into()),
    }
}

/// Members by their names; `None` when one is not listed.
fn set<'v>(object: &Object, names: impl Iterator<Item = &'v Value>) -> Option<Set> {
    let mut out = 0;
    for name in names {
        out |= 1 << object.nth(name.as_str()?)?;
    }
    Some(out)
}

/// A number of a schema, 0 without it.
fn number(keywords: &Map<String, Value>, name: &str) -> Option<usize> {
    keywords.get(name).map_or(Some(0), |value| usize::try_from(value.as_u64()?).ok())
}

/// The form that a schema asks of a text; `None` for one that is left to the evaluator.
fn form(keywords: &Map<String, Value>) -> Option<Form> {
    let pattern = |keywords: &Map<String, Value>| keywords.get("pattern").and_then(Value::as_str).map(str::to_owned);
    let of = |name: &str| -> Vec<Option<String>> {
        let all = keywords.get(name).and_then(Value::as_array).into_iter().flatten();
        all.map(|one| one.as_object().filter(|one| one.len() == 1).and_then(pattern)).collect()
    };
    let some = match number(keywords, "minLength")? {
        0 => false,
        1 => true,
        _ => return None,
    };
    let (any, all) = (of("anyOf"), of("allOf"));
    Some(match (pattern(keywords).as_deref(), any.as_slice(), all.as_slice()) {
        (None, [], []) if !some => Form::Any,
        (Some("^\\S*$"), [], []) => Form::Solid(some),
        (Some(pattern), [], []) if !some => of_pattern(pattern)?,
        (None, [Some(word), Some(words)], []) if some && word == "^\\S*$" && words == "^\\S+( \\S+)*$" => Form::Words,
        (Some("^<div"), [], [Some(end)]) if end == "</div>$" => Form::Div,
        _ => return None,
    })
}

/// The form that a pattern of `schemas/generate.py` stands for.
fn of_pattern(pattern: &str) -> Option<Form> {
    const YEAR: &str = "([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)";
    const MONTH: &str = "(0[1-9]|1[0-2])";
    const DAY: &str = "(0[1-9]|[1-2][0-9]|3[0-1])";
    const ZONE: &str = "(Z|[+-]((0[0-9]|1[0-3]):[0-5][0-9]|14:00))";
    match pattern {
        "\\S" => return Some(Form::Ink),
        "^[A-Za-z0-9\\-.]{1,64}$" => return Some(Form::Id),
        "^[A-Z][A-Za-z]*$" => return Some(Form::TypeName),
        date if date == format!("^{YEAR}(-{MONTH}(-{DAY})?)?$") => return Some(Form::Date),
        _ => {}
    }
    for (fraction, decimals) in [("(\\.[0-9]+)?", usize::MAX), ("(\\.[0-9]{1,9})?", 9)] {
        let clock = format!("([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60){fraction}");
        if pattern == format!("^{YEAR}(-{MONTH}(-{DAY}(T{clock}{ZONE})?)?)?$") {
            return Some(Form::DateTime(decimals));
        }
        if pattern == format!("^{YEAR}-{MONTH}-{DAY}T{clock}{ZONE}$") {
            return Some(Form::Instant(decimals));
        }
        if pattern == format!("^{clock}$") {
            return Some(Form::Time(decimals));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::json::{Document, Limits};
    use crate::intake::order::FhirVersion;
    use crate::intake::shape::{Handle, Shape};
    use proptest::prelude::*;
    use serde_json::json;
    use std::path::Path;

    /// What the walk and the evaluator say.
    fn both(shape: &Shape, text: &str) -> (bool, bool) {
        let document = Document::read(text.as_bytes(), &Limits::default()).unwrap();
        (shape.walk.fits(document.root()), shape.validator.as_ref().unwrap().is_valid(Handle::Node(document.root())))
    }

    /// Every NutritionOrder in the files of a folder, with the versions it is of.
    fn orders(folder: &str, out: &mut Vec<(Value, &'static [FhirVersion])>) {
        fn within(value: &Value, found: &mut Vec<Value>) {
            if value["resourceType"] == "NutritionOrder" {
                found.push(value.clone());
            }
            let inner: Vec<&Value> = match value {
                Value::Object(members) => members.values().collect(),
                Value::Array(items) => items.iter().collect(),
                _ => Vec::new(),
            };
            inner.into_iter().for_each(|value| within(value, found));
        }
        for entry in std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join(folder)).unwrap() {
            let path = entry.unwrap().path();
            let name = path.display().to_string();
            if !name.ends_with(".json") {
                continue;
            }
            let mut found = Vec::new();
            within(&serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap(), &mut found);
            let r5 = name.contains(".r5.") || name.contains("R5");
            let versions: &[_] = if r5 { &[FhirVersion::R5] } else { &[FhirVersion::R4, FhirVersion::R4B] };
            out.extend(found.into_iter().map(|order| (order, versions)));
        }
    }

    fn corpus() -> Vec<(Value, &'static [FhirVersion])> {
        let mut out = Vec::new();
        for folder in ["tests/orders/valid/R4", "tests/orders/valid/R5", "tests/orders/clear", "tests/cases"] {
            orders(folder, &mut out);
        }
        assert!(out.len() >= 50, "{}", out.len());
        out
    }

    #[test]
    fn what_is_as_the_schema_has_it_is_found_so_at_once() {
        let (mut seen, mut left) = (0, Vec::new());
        for (order, versions) in corpus() {
            for version in versions {
                let (walk, evaluator) = both(Shape::of(*version), &order.to_string());
                assert!(evaluator || !walk);
                seen += usize::from(evaluator);
                if evaluator && !walk {
                    left.push(order["id"].clone());
                }
            }
        }
        assert!(seen >= 80, "{seen}");
        // It has a text of every form, rare ones too.
        left.retain(|id| id != "every-element");
        assert_eq!(left, Vec::<Value>::new(), "left to the evaluator");
    }

    /// All that is put in the place of a value.
    fn changed(key: &str, value: &Value) -> Vec<Value> {
        let mut out = vec![Value::Null, json!(true), json!(7), json!(-3), json!("x"), json!(""), json!([]), json!({})];
        out.extend([json!(" x"), json!("x y"), json!("2026-02-30"), json!("ä"), json!({"id": "x"}), json!([null])]);
        out.extend(["0.5", "1e1", "-0", "3000000000"].map(|n| serde_json::from_str::<Value>(n).unwrap()));
        match value {
            Value::Object(members) => {
                let with = |name: &str, value: Value| {
                    let mut members = members.clone();
                    members.insert(name.to_owned(), value);
                    Value::Object(members)
                };
                let extension = |n: usize| json!(vec![json!({"url": "u", "valueString": "x"}); n]);
                out.extend([with("id", json!("x")), with("nope", json!(1)), with("extension", extension(1))]);
                out.extend([with("modifierExtension", extension(2)), with("extension", json!([{"url": "u"}]))]);
                out.extend([with("value", json!(1)), with("code", json!("h")), with("comparator", json!("<"))]);
                out.extend([with("duration", json!(-1)), with("when", json!(["HS"])), with("offset", json!(1))]);
                out.extend([with("timeOfDay", json!(["10:00:00", null])), with("countMax", json!(2))]);
                out.push(with("valueQuantity", json!({"value": 1})));
                for name in members.keys() {
                    let mut rest = members.clone();
                    rest.remove(name);
                    out.push(Value::Object(rest.clone()));
                    out.push(with(&format!("_{name}"), json!({"extension": extension(1)})));
                    rest.insert(format!("_{name}"), json!({"extension": extension(1)}));
                    out.push(Value::Object(rest.clone()));
                    rest.insert(format!("_{name}"), json!({"id": "x"}));
                    out.push(Value::Object(rest));
                }
            }
            Value::Array(items) => {
                out.push(json!([items.first(), null]));
                out.push(items.first().cloned().unwrap_or_default());
            }
            Value::String(text) if key != "url" => out.push(json!(text.to_uppercase())),
            _ => {}
        }
        out
    }

    /// Puts every change in every place, one at a time.
    fn every_change(whole: &Value, path: &mut Vec<String>, see: &mut dyn FnMut(&Value)) {
        let pointer = path.iter().map(|step| format!("/{step}")).collect::<String>();
        let here = whole.pointer(&pointer).unwrap();
        for change in changed(path.last().map_or("", String::as_str), here) {
            let mut other = whole.clone();
            *other.pointer_mut(&pointer).unwrap() = change;
            see(&other);
        }
        let steps: Vec<String> = match here {
            Value::Object(members) => members.keys().cloned().collect(),
            Value::Array(items) => (0..items.len()).map(|n| n.to_string()).collect(),
            _ => Vec::new(),
        };
        for step in steps {
            path.push(step);
            every_change(whole, path, see);
            path.pop();
        }
    }

    #[test]
    fn no_change_of_an_order_is_judged_otherwise() {
        let (mut valid, mut at_once, mut all) = (0, 0, 0);
        // Of many orders alike, some.
        for (order, versions) in corpus().iter().step_by(6) {
            for version in *versions {
                let shape = Shape::of(*version);
                let at_once_as_it_is = both(shape, &order.to_string()).0;
                every_change(order, &mut Vec::new(), &mut |changed| {
                    let (walk, evaluator) = both(shape, &changed.to_string());
                    assert!(evaluator || !walk, "{changed}");
                    all += 1;
                    // One that is left to the evaluator as it is says nothing of how seldom that is.
                    valid += usize::from(evaluator && at_once_as_it_is);
                    at_once += usize::from(walk);
                });
            }
        }
        assert!(all > 10_000 && valid > 1_000, "{all} {valid}");
        assert!(at_once * 100 > valid * 90, "{at_once} of {valid} valid ones at once");
    }

    /// The forms of texts, one schema each.
    fn forms() -> Vec<Shape> {
        let mut out = Vec::new();
        for version in FhirVersion::ALL {
            let defs = Shape::of(version).schema["$defs"].as_object().unwrap().clone();
            for (_, schema) in defs.iter().filter(|(_, schema)| schema["type"] == "string") {
                out.push(Shape::compile(&schema.to_string()));
            }
        }
        out
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(400))]

        #[test]
        fn texts_of_ascii_are_judged_like_by_the_patterns(
            text in prop_oneof![
                "[ -~]{0,12}",
                "[0-9]{4}(-[01][0-9](-[0-3][0-9](T[0-2][0-9]:[0-6][0-9]:[0-6][0-9](\\.[0-9]{0,10})?(Z|[+-][01][0-9]:[0-6][0-9])?)?)?)?",
                "[a-z]{0,3}( {0,2}[a-z]{0,2}){0,3}",
                "[A-Za-z0-9.-]{60,66}",
                "<div[ -~]{0,4}(</div>)?",
                "[a-z/:.]{0,20}[\t\r\n \u{b}\u{c}\u{7f}]?[a-z]{0,9}",
                "[a-zä\u{a0}\u{feff}\u{2003} ]{0,12}",
            ]
        ) {
            let written = serde_json::to_string(&text).unwrap();
            for shape in forms() {
                let (walk, evaluator) = both(&shape, &written);
                prop_assert!(evaluator || !walk, "{text:?} by {}", shape.schema);
                let known = shape.walk.parts.first().is_some_and(|part| part.kinds != 0);
                let plain = text.bytes().all(|b| b.is_ascii_graphic() || b == b' ');
                if known && plain {
                    prop_assert_eq!(walk, evaluator, "{:?} by {}", text, shape.schema);
                }
            }
        }
    }

    #[test]
    fn a_schema_with_a_keyword_that_is_not_known_is_left_to_the_evaluator() {
        for schema in [
            json!({"type": "object", "patternProperties": {}}),
            json!({"type": "string", "format": "date"}),
            json!({"type": "string", "pattern": "^a"}),
            json!({"type": "object", "properties": {"a": {"type": "string", "maxLength": 3}}}),
            json!({"type": "object", "properties": {"a": {}}, "allOf": [{"maxProperties": 1}]}),
            json!({"type": "object", "properties": {"a": {}}, "dependentSchemas": {"a": {"properties": {"b": true}}}}),
        ] {
            let shape = Shape::compile(&schema.to_string());
            for text in ["\"abc\"", r#"{"a":"x"}"#, r#"{"a":"long enough"}"#] {
                let (walk, evaluator) = both(&shape, text);
                assert!(!walk, "{schema} {text} {evaluator}");
            }
        }
    }
}
