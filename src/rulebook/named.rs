//! Terms and phrases: parts of expressions and of sentences that have a name, for every limit, for one limit or for one check.

use super::Parameter;
use super::expression::{Expression, Fault, Named, Names, Template, Term, Wanted, reached};
use super::file::{Block, Reader, Spot, is_name, offset_in, written};
use super::merge::Draft;

/// The table of a check's own terms.
const CHECK_TERMS: &str = "check";

/// Tables of parts that have a name.
pub(super) const NAMED: [&str; 2] = ["terms", "phrases"];

/// Where a part with a name is written.
#[derive(Clone, Debug)]
pub(super) struct Part {
    table: &'static str,
    at: Spot,
    span: std::ops::Range<usize>,
    key: Spot,
}

impl Reader<'_> {
    /// Terms and phrases for every limit: each name once.
    pub(super) fn shared_parts(&mut self, files: &[Block<'_>]) {
        for (table, example) in [("terms", "an expression in quotes"), ("phrases", "a sentence in quotes")] {
            for file in files {
                let Some(item) = file.item(table) else { continue };
                let Some(block) = self.table(table, item) else { continue };
                for (name, key, item) in block.items() {
                    let label = format!("{table}.{name}");
                    self.part_name(&label, name, key, &[]);
                    let Some(text) = self.text(&label, example, item) else { continue };
                    let (text, at) = (text.to_owned(), Part { table, at: item.spot(), span: item.value.span(), key });
                    if let Some((_, first)) = self.parts.iter().find(|(one, _)| one.name == name) {
                        let line = self.line(first.key);
                        self.tell(
                            key,
                            format!("{label}: the name stands at {line} already; a limit may have one of its own"),
                        );
                        continue;
                    }
                    self.parts.push((Named { name: name.to_owned(), text }, at));
                }
            }
        }
    }

    fn part_name(&mut self, label: &str, name: &str, key: Spot, parameters: &[Parameter]) {
        if !is_name(name, '_') {
            self.tell(
                key,
                format!("{label}: expected a name of small letters and digits joined by _, such as \"water_lacking\""),
            );
        } else if self.facts.iter().any(|fact| fact.name == name)
            || matches!(name, "measure" | "bound" | "if" | "else" | "end" | "known")
        {
            self.tell(key, format!("{label}: {name} means something else already; choose another name"));
        } else if parameters.iter().any(|p| p.name == name) {
            self.tell(key, format!("{label}: {name} is a parameter of the limit; choose another name"));
        }
    }

    /// The terms or the phrases that a limit may use: its own, and those for every limit that it has none of its own for.
    pub(super) fn named_of(&mut self, draft: &Draft<'_>, table: &'static str, parameters: &[Parameter]) -> Vec<Named> {
        let wanted = if table == "terms" { "an expression in quotes" } else { "a sentence in quotes" };
        let mut out: Vec<Named> = Vec::new();
        self.own.retain(|(_, part)| part.table != table);
        for (name, slot) in draft.below(table) {
            let label = format!("limit.{table}.{name}");
            self.part_name(&label, name, slot.key, parameters);
            let Some(text) = self.text(&label, wanted, slot.item) else { continue };
            let text = text.to_owned();
            let at = Part { table, at: slot.item.spot(), span: slot.item.value.span(), key: slot.key };
            self.own.push((name.to_owned(), at));
            out.push(Named { name: name.to_owned(), text });
        }
        let shared: Vec<Named> =
            self.parts.iter().filter(|(_, at)| at.table == table).map(|(one, _)| one.clone()).collect();
        for one in shared {
            // A parameter of the limit is meant where both have the name.
            if !out.iter().any(|own| own.name == one.name) && !parameters.iter().any(|p| p.name == one.name) {
                out.push(one);
            }
        }
        out
    }

    /// The terms that a check may use: its own, and those of the limit that it has none of its own for.
    pub(super) fn terms_of_check(&mut self, block: Block<'_>, names: &Names<'_>) -> Vec<Term> {
        self.own.retain(|(_, part)| part.table != CHECK_TERMS);
        let mut out: Vec<Term> = Vec::new();
        if let Some(own) = block.item("terms").and_then(|item| self.table("check.terms", item)) {
            let mut texts: Vec<String> =
                block.items().filter(|(key, ..)| *key != "terms").map(|(_, _, item)| written(item.get())).collect();
            texts.extend(names.terms.iter().map(|one| &one.named).chain(names.phrases).map(|one| one.text.clone()));
            for (name, key, item) in own.items() {
                let label = format!("check.terms.{name}");
                self.part_name(&label, name, key, names.parameters);
                let Some(text) = self.text(&label, "an expression in quotes", item) else { continue };
                out.push(Named { name: name.to_owned(), text: text.to_owned() }.into());
                texts.push(text.to_owned());
                let at = Part { table: CHECK_TERMS, at: item.spot(), span: item.value.span(), key };
                self.own.push((name.to_owned(), at));
            }
            let texts: Vec<&str> = texts.iter().map(String::as_str).collect();
            for (name, key, _) in own.items() {
                let one = Named { name: name.to_owned(), text: String::new() };
                if reached(&texts, std::slice::from_ref(&one)).is_empty() {
                    self.tell(key, format!("check.terms.{name}: the check does not use it, so it has no effect"));
                }
            }
        }
        out.extend(names.terms.iter().filter(|term| !block_has(block, &term.named.name)).cloned());
        out
    }

    /// Where a text is wrong by a term or a phrase: looks at each that it uses where that is written, and tells it there, once.
    pub(super) fn named_parts(&mut self, text: &str, names: &Names<'_>, faults: &[Fault]) {
        self.broken.clear();
        if faults.iter().all(|fault| fault.within.is_none()) {
            return;
        }
        let phrases: Vec<Named> = reached(&[text], names.phrases).into_iter().cloned().collect();
        let said: Vec<&str> = std::iter::once(text).chain(phrases.iter().map(|one| one.text.as_str())).collect();
        let terms: Vec<Term> = reached(&said, names.terms).into_iter().cloned().collect();
        for one in terms {
            let faults = Expression::compile(&one.named.text, names, Wanted::Any).err();
            self.part_faults("terms", &one.named, faults);
        }
        for one in phrases {
            let faults = Template::compile(&one.text, names).err();
            self.part_faults("phrases", &one, faults);
        }
    }

    fn part_faults(&mut self, table: &'static str, one: &Named, faults: Option<Vec<Fault>>) {
        let Some(faults) = faults else { return };
        let of = |wanted: &'static str, whose: &str| {
            let found = self.own.iter().find(|(name, part)| *name == one.name && part.table == wanted);
            found.map(|(_, part)| (format!("{whose}.{table}.{}", one.name), part.clone()))
        };
        let checks = if table == "terms" { of(CHECK_TERMS, "check") } else { None };
        let own = checks.or_else(|| of(table, "limit"));
        let shared = || self.parts.iter().find(|(part, at)| part.name == one.name && at.table == table);
        let Some((label, part)) =
            own.or_else(|| shared().map(|(_, part)| (format!("{table}.{}", one.name), part.clone())))
        else {
            return;
        };
        let raw = self.sources.get(part.at.source).and_then(|file| file.text.get(part.span.clone())).unwrap_or("");
        for fault in faults {
            // What it has from another part is told there.
            if fault.within.as_ref().is_some_and(|name| self.broken.contains(name) || *name != one.name) {
                continue;
            }
            let (line, column) = (fault.offset_line.saturating_sub(1), fault.offset_column.saturating_sub(1));
            let offset = part.span.start + offset_in(raw, &one.text, line, column);
            let meant = fault.suggestion.map_or_else(String::new, |word| format!(" (did you mean “{word}”?)"));
            let (at, text) = (Spot { source: part.at.source, offset }, format!("{label}: {}{meant}", fault.message));
            if !self.problems.contains(&(at, text.clone())) {
                self.tell(at, text);
            }
        }
        self.broken.insert(one.name.clone());
    }

    /// Parameters, terms and phrases that stand in no expression and no text of the limit: changing one would change nothing.
    /// Gives the terms and phrases that do.
    pub(super) fn unused(
        &mut self,
        draft: &Draft<'_>,
        parameters: &[Parameter],
        (terms, phrases): (Vec<Named>, Vec<Named>),
    ) -> (Vec<Named>, Vec<Named>) {
        let mut texts = Vec::new();
        for key in ["check", "scope.where"] {
            texts.extend(draft.item(key).map(|item| written(item.get())));
        }
        let reach = |texts: &[String], named: &[Named]| -> Vec<Named> {
            let texts: Vec<&str> = texts.iter().map(String::as_str).collect();
            reached(&texts, named).into_iter().cloned().collect()
        };
        let phrases = reach(&texts, &phrases);
        texts.extend(phrases.iter().map(|one| one.text.clone()));
        let terms = reach(&texts, &terms);
        texts.extend(terms.iter().map(|one| one.text.clone()));
        let named = |name: &str| {
            let mut words = texts.iter().flat_map(|text| text.split(|c: char| !c.is_ascii_alphanumeric() && c != '_'));
            words.any(|word| word == name)
        };
        let own = |table: &str| draft.below(table).map(|(name, _)| name.to_owned()).collect::<Vec<_>>();
        let all = [
            ("parameters", parameters.iter().map(|p| p.name.clone()).collect()),
            ("terms", own("terms")),
            ("phrases", own("phrases")),
        ];
        for (table, names) in all {
            for name in names.iter().filter(|name| !named(name)) {
                let at = draft.keys.get(&format!("{table}.{name}")).and_then(|slots| slots.last());
                let at = at.map_or(draft.at, |(at, _)| *at);
                self.tell(at, format!("limit.{table}.{name}: no check of the limit uses it, so it has no effect"));
            }
        }
        self.used.extend(terms.iter().chain(&phrases).map(|one| one.name.clone()));
        (terms, phrases)
    }

    /// Terms and phrases for every limit that none uses.
    pub(super) fn unused_parts(&mut self) {
        let unused: Vec<(Spot, String)> = self
            .parts
            .iter()
            .filter(|(one, _)| !self.used.contains(&one.name))
            .map(|(one, part)| {
                (part.key, format!("{}.{}: no limit uses it, so it has no effect", part.table, one.name))
            })
            .collect();
        for (at, text) in unused {
            self.tell(at, text);
        }
    }
}

/// Whether a check has a term of its own of this name.
pub(super) fn block_has(block: Block<'_>, name: &str) -> bool {
    block.item("terms").and_then(|item| item.get().as_table()).is_some_and(|table| table.contains_key(name))
}
