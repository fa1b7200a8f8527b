//! Limits of several files put together: overrides laid over them, each value with its place.

use super::file::{ANY, Block, Item, Reader, SCOPE_WORDS, Spot, shown};
use super::schema;
use crate::exact::Exact;
use crate::formulary::suggestion::hint;
use crate::integrity::RULES;
use jiff::civil::Date;
use std::collections::BTreeMap;

/// A limit before its values are read: its keys, those of `scope`, `parameters`, `terms` and `phrases` one by one.
pub(super) struct Draft<'v> {
    /// Id.
    pub id: &'v str,
    /// Where it stands.
    pub at: Spot,
    /// By key: where it is written and its value, the last in effect.
    pub keys: BTreeMap<String, Vec<(Spot, Item<'v>)>>,
    /// What overrides it.
    over: Vec<Over<'v>>,
}

/// An override of a limit.
pub(super) struct Over<'v> {
    /// Where it stands.
    pub at: Spot,
    /// Who decided it.
    pub by: &'v str,
    /// Why.
    pub why: &'v str,
    /// The keys that it replaces.
    pub keys: Vec<String>,
}

/// A value in effect.
pub(super) struct Slot<'v> {
    /// Where its key is written.
    pub key: Spot,
    /// The value.
    pub item: Item<'v>,
    /// The first value, where this one replaces it.
    pub over: Option<Item<'v>>,
}

impl<'v> Draft<'v> {
    /// The value of a key in effect.
    pub(super) fn item(&self, key: &str) -> Option<Item<'v>> {
        self.keys.get(key).and_then(|slots| slots.last()).map(|(_, item)| *item)
    }

    /// The values in effect below `scope` or `parameters`.
    pub(super) fn below(&self, table: &str) -> impl Iterator<Item = (&str, Slot<'v>)> {
        let start = format!("{table}.");
        self.keys.iter().filter_map(move |(key, slots)| {
            let name = key.strip_prefix(&start)?;
            let (key, item) = slots.last()?;
            let over = slots.first().filter(|_| slots.len() > 1).map(|(_, item)| *item);
            Some((name, Slot { key: *key, item: *item, over }))
        })
    }

    /// Where it stands and is overridden.
    pub(super) fn places(&self) -> Vec<Spot> {
        std::iter::once(self.at).chain(self.over.iter().map(|over| over.at)).collect()
    }

    /// What overrides it, in the order of the files.
    pub(super) fn over(&self) -> &[Over<'v>] {
        &self.over
    }
}

/// Keys of a limit or override, those of `scope` and `parameters` one by one.
fn flat<'v>(reader: &mut Reader<'_>, block: Block<'v>, leave_out: &[&str]) -> Vec<(String, Spot, Item<'v>)> {
    let mut out = Vec::new();
    for (key, at, item) in block.items().filter(|(key, ..)| !leave_out.contains(key)) {
        if !schema::names(schema::LIMIT).any(|known| known == key) {
            continue;
        }
        if !matches!(key, "scope" | "parameters" | "terms" | "phrases") {
            out.push((key.to_owned(), at, item));
            continue;
        }
        let label = format!("limit.{key}");
        let Some(inner) = reader.table(&label, item) else { continue };
        if key == "scope" {
            reader.keys("[limit.scope]", inner, schema::SCOPE, &[]);
        }
        for (name, at, item) in inner.items() {
            out.push((format!("{key}.{name}"), at, item));
        }
    }
    out
}

/// The limits of all files with what overrides them.
pub(super) fn drafts<'v>(reader: &mut Reader<'_>, files: &[Block<'v>], whole: bool) -> Vec<Draft<'v>> {
    let mut drafts: Vec<Draft<'v>> = Vec::new();
    for file in files {
        for block in reader.blocks("limit", "[[limit]]", file.item("limit")) {
            reader.keys("a limit", block, schema::LIMIT, &[]);
            let keys = flat(reader, block, &["id"]);
            let Some(id) = reader.id("limit.id", block.item("id")) else { continue };
            if let Some(first) = drafts.iter().find(|draft| draft.id == id).map(|draft| draft.at) {
                let line = reader.line(first);
                let how = if first.source == block.at.source { "" } else { "; to change it, use [[override]]" };
                reader.tell(block.at, format!("the id {id} stands at {line} already{how}"));
                continue;
            }
            let keys = keys.into_iter().map(|(key, at, item)| (key, vec![(at, item)])).collect();
            drafts.push(Draft { id, at: block.at, keys, over: Vec::new() });
        }
    }
    for file in files {
        for block in reader.blocks("override", "[[override]]", file.item("override")) {
            reader.keys("an override", block, schema::OVERRIDE, schema::LIMIT);
            let [by, why] = ["by", "why"].map(|key| {
                let item = block.item(key)?;
                reader.text(&format!("override.{key}"), "who decided it, and why", item)
            });
            if let Some(item) = block.item("id") {
                reader.tell(
                    item.spot(),
                    "override.id: the id of a limit stays; the limit is named by limit = …".to_owned(),
                );
            }
            let keys = flat(reader, block, &["id"]);
            if keys.is_empty() {
                reader.tell(block.at, "an override: expected at least one key of a limit to replace".to_owned());
            }
            let Some(item) = block.item("limit") else { continue };
            let Some(id) = reader.text("override.limit", "the id of a limit", item) else { continue };
            let Some(draft) = drafts.iter_mut().find(|draft| draft.id == id) else {
                if RULES.iter().any(|(rule, _)| rule.id == id) {
                    reader.tell(
                        item.spot(),
                        format!("override.limit: {id} is a rule of the program, which has no keys to replace; [[off]] switches it off until a day"),
                    );
                } else if whole {
                    let known: Vec<&str> = drafts.iter().map(|draft| draft.id).collect();
                    reader.tell(
                        item.spot(),
                        format!("override.limit: there is no limit {}{}", shown(id), hint(id, known)),
                    );
                }
                continue;
            };
            draft.over.push(Over {
                at: block.at,
                by: by.unwrap_or_default(),
                why: why.unwrap_or_default(),
                keys: keys.iter().map(|(key, ..)| key.clone()).collect(),
            });
            let parameters: Vec<String> = draft.below("parameters").map(|(name, _)| name.to_owned()).collect();
            for (key, at, item) in keys {
                let slots = draft.keys.entry(key.clone()).or_default();
                let twice = slots.iter().skip(1).find(|(known, _)| known.source == at.source).map(|(at, _)| *at);
                // A new parameter has nothing under it that it could replace.
                if slots.is_empty()
                    && let Some(name) = key.strip_prefix("parameters.")
                {
                    let meant = hint(name, parameters.iter().map(String::as_str));
                    reader.tell(at, format!("override: the limit {id} has no {key} to replace{meant}"));
                    continue;
                }
                if let Some(first) = twice {
                    let line = reader.line(first);
                    reader.tell(at, format!("override: {key} of {id} is replaced at {line} already"));
                }
                slots.push((at, item));
            }
        }
    }
    drafts
}

/// Where a limit applies, as far as it can be told apart.
struct Reach<'v> {
    /// Lowest and highest value by key, base units.
    ranges: Vec<(&'static str, Option<Exact>, Option<Exact>)>,
    words: Vec<(&'static str, Vec<&'v str>)>,
    days: (Option<Date>, Option<Date>),
}

/// Limits of one name and priority whose scopes are not surely apart.
pub(super) fn overlaps(reader: &mut Reader<'_>, drafts: &[Draft<'_>]) {
    let mut reaches = Vec::new();
    for draft in drafts {
        let text = |key: &str| draft.item(key).and_then(|item| item.get().as_str());
        let Some(name) = text("name").filter(|_| text("mode") != Some("off")) else { continue };
        // Limits that could not be read have their own problems.
        let Some(limit) = reader.book.limits.iter().find(|limit| limit.rule.id == draft.id) else { continue };
        let (priority, days) = (limit.priority, (limit.from, limit.to));
        let part = |key: &str| draft.item(&format!("scope.{key}")).filter(|item| item.get().as_str() != Some(ANY));
        let mut ranges = Vec::new();
        for key in ["age", "weight"] {
            if let Some(item) = part(key) {
                let (from, below) = reader.range(key, item);
                ranges.push((key, from.map(|(_, value)| value), below.map(|(_, value)| value)));
            }
        }
        let words = SCOPE_WORDS
            .iter()
            .filter_map(|(key, ..)| {
                let list = part(key)?.get().as_array()?;
                Some((*key, list.iter().filter_map(|value| value.get_ref().as_str()).collect()))
            })
            .collect();
        reaches.push((draft, name, priority, Reach { ranges, words, days }));
    }
    for (n, (later, name, priority, reach)) in reaches.iter().enumerate() {
        for (earlier, other_name, other_priority, other) in reaches.iter().take(n) {
            if name == other_name && priority == other_priority && !apart(reach, other) {
                let line = reader.line(earlier.at);
                reader.tell(
                    later.at,
                    format!(
                        "the limits {} and {} ({line}) have the name {} and can both apply; give one of them a higher priority or keep their scopes apart",
                        later.id, earlier.id, shown(name)
                    ),
                );
            }
        }
    }
}

fn apart(a: &Reach<'_>, b: &Reach<'_>) -> bool {
    let ends_before =
        |below: Option<Exact>, from: Option<Exact>| matches!((below, from), (Some(below), Some(from)) if below <= from);
    let ranges = a.ranges.iter().any(|(key, from, below)| {
        b.ranges.iter().any(|(other, other_from, other_below)| {
            key == other && (ends_before(*below, *other_from) || ends_before(*other_below, *from))
        })
    });
    let words = a.words.iter().any(|(key, list)| {
        b.words.iter().any(|(other, others)| key == other && !list.iter().any(|word| others.contains(word)))
    });
    let before = |to: Option<Date>, from: Option<Date>| matches!((to, from), (Some(to), Some(from)) if to < from);
    ranges || words || before(a.days.1, b.days.0) || before(b.days.1, a.days.0)
}
