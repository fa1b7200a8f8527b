//! The shape of a file in TOML: which keys it may have, of which kind, and which it needs. Looked at before the file is
//! read for its meaning, so that all of it can be told at once.

use crate::formulary::suggestion::hint;
use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue, Deserializer};

/// What stands under a key.
#[derive(Clone, Copy, Debug)]
pub enum Is {
    /// A text.
    Text,
    /// A whole number, 0 to this.
    Whole(u64),
    /// True or false.
    Truth,
    /// A list of texts.
    Texts,
    /// A table.
    Table(&'static [Key]),
    /// Tables, one after the other.
    Tables(&'static [Key]),
}

/// A key: its name, what stands under it, and whether it is needed.
pub type Key = (&'static str, Is, bool);

fn words(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time without quotes",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

impl Is {
    fn expected(self) -> String {
        match self {
            Is::Text => "a text".to_owned(),
            Is::Whole(most) => format!("a whole number from 0 to {most}"),
            Is::Truth => "true or false".to_owned(),
            Is::Texts => "a list of texts".to_owned(),
            Is::Table(_) => "a table".to_owned(),
            Is::Tables(_) => "a list of tables".to_owned(),
        }
    }
}

/// Reads a file, without what is not of its shape, which is told. Nothing where there is nothing to read.
pub fn read<T: DeserializeOwned>(text: &str, keys: &[Key], tell: &mut dyn FnMut(usize, &str)) -> Option<T> {
    let mut not_toml = |error: &toml::de::Error| {
        let at = error.span().map_or(0, |span| span.start);
        tell(at, &format!("this is not TOML: {}", error.message().replace('\n', ", ")));
    };
    let (mut table, errors) = DeTable::parse_recoverable(text);
    if !errors.is_empty() {
        errors.iter().for_each(&mut not_toml);
        return None;
    }
    fit(table.get_mut(), keys, 0, tell);
    T::deserialize(Deserializer::from(table))
        .map_err(|error| tell(error.span().map_or(0, |span| span.start), &error.message().replace('\n', ", ")))
        .ok()
}

/// Tells what is not of the shape: keys that are not known, which are passed over when the rest is read for its meaning;
/// what is of another kind, and tables in which something that is needed is missing, which are taken out for that. `at` is the place of the table.
/// Gives whether nothing that is needed is missing in the table itself.
pub fn fit(table: &mut DeTable<'_>, keys: &[Key], at: usize, tell: &mut dyn FnMut(usize, &str)) -> bool {
    let mut whole = true;
    let names = || keys.iter().map(|(name, ..)| *name);
    for name in table.keys() {
        let own = name.get_ref().as_ref();
        if !names().any(|known| known == own) {
            let known: Vec<&str> = names().collect();
            let shown: String = own.chars().take(60).collect();
            let meant = hint(own, names());
            tell(name.span().start, &format!("unknown field `{shown}`{meant}; known are {}", known.join(", ")));
        }
    }
    for (name, is, needed) in keys {
        let fits = match table.get_mut(*name) {
            None => {
                if *needed {
                    tell(at, &format!("missing field `{name}`"));
                }
                !needed
            }
            Some(value) => {
                value_fits(name, value, *is, tell) || {
                    table.remove(*name);
                    !needed
                }
            }
        };
        whole &= fits;
    }
    whole
}

fn value_fits(name: &str, value: &mut Spanned<DeValue<'_>>, is: Is, tell: &mut dyn FnMut(usize, &str)) -> bool {
    let at = value.span().start;
    let mut wrong = |at: usize, found: &DeValue<'_>| {
        let found = match found {
            DeValue::Integer(_) if matches!(is, Is::Whole(_)) => "another one",
            found => words(found),
        };
        tell(at, &format!("{name}: invalid type: found {found}, expected {}", is.expected()));
        false
    };
    match (is, value.get_mut()) {
        (Is::Text, DeValue::String(_)) | (Is::Truth, DeValue::Boolean(_)) => true,
        (Is::Whole(most), DeValue::Integer(number))
            if u64::from_str_radix(number.as_str(), number.radix()).is_ok_and(|n| n <= most) =>
        {
            true
        }
        (Is::Texts, DeValue::Array(items)) => items
            .iter()
            .map(|item| item.get_ref().is_str() || wrong(item.span().start, item.get_ref()))
            .fold(true, |a, b| a & b),
        (Is::Table(keys), DeValue::Table(inner)) => fit(inner, keys, at, tell),
        (Is::Tables(keys), DeValue::Array(items)) => {
            let mut kept = DeArray::new();
            for item in items.iter_mut() {
                let at = item.span().start;
                let fits = match item.get_mut() {
                    DeValue::Table(inner) => fit(inner, keys, at, tell),
                    other => {
                        tell(at, &format!("{name}: invalid type: found {}, expected a table", words(other)));
                        false
                    }
                };
                if fits {
                    kept.push(item.clone());
                }
            }
            *items = kept;
            true
        }
        (_, other) => wrong(at, other),
    }
}
