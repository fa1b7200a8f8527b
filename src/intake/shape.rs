//! The shape of a NutritionOrder: all structural problems in one pass, by the JSON Schemas of `schemas/`.
//!
//! The schemas are compiled once and run straight over the tape. A valid order costs one quick walk by tables made of
//! them (`walk`); sentences are only made where that does not find it valid and the schema evaluator does not either.
//! A schema's rule carries its own sentence (`description`) and FHIR issue type (`$comment`).

mod walk;

use crate::intake::json::{Children, Kind, Node, legible};
use crate::intake::order::{At, FhirVersion, Problem};
use crate::intake::wire::{WireVersion, diagnose_version};
use jsonschema::error::{TypeKind, ValidationErrorKind};
use jsonschema::{JsonType, ValidationError, json};
use serde_json::Value;
use std::borrow::Cow;
use std::collections::HashSet;
use std::sync::LazyLock;
use walk::Walk;

/// Most problems listed for one order; a last one says how many more there are.
pub const MOST_PROBLEMS: usize = 200;

/// Above this many JSON values in one order only the first problem is named: an answer to a hostile text
/// must not cost many times its size. Real orders have a few hundred.
pub const MOST_VALUES_EXPLAINED: usize = 10_000;

/// Elements whose form bears on nothing that is computed or judged.
const ADMINISTRATIVE: &[&str] = &["meta", "language", "text", "identifier", "groupIdentifier"];

/// The version that an order is plainly of, where that is not the one it is read as: it has elements that are of the
/// other alone, and less is wrong with it there.
pub fn reads_like(order: Node<'_>, version: FhirVersion) -> Option<FhirVersion> {
    // What no version that is read has is of none of them.
    if diagnose_version(order).iter().any(|hint| matches!(hint.version, WireVersion::R6 | WireVersion::Stu3)) {
        return None;
    }
    let own = check(order, version);
    let names = |problem: &Problem, other: FhirVersion| {
        let elsewhere = problem.text.split_once(ELSEWHERE).map(|(_, versions)| versions);
        elsewhere.is_some_and(|versions| versions.split(" and ").any(|name| name == other.name()))
    };
    FhirVersion::ALL
        .into_iter()
        .filter(|other| *other != version && own.iter().any(|problem| names(problem, *other)))
        .find(|other| check(order, *other).len() < own.len())
}

/// Before the versions that know an element which is unknown here.
const ELSEWHERE: &str = "; it is one in ";

/// All structural problems of `order`, in document order; none when it is a well-formed NutritionOrder of
/// that version. A missing element is placed at its parent, an unknown one at itself.
///
/// At most [`MOST_PROBLEMS`] are listed, and one alone above [`MOST_VALUES_EXPLAINED`]; a last one then says so.
/// Calendar validity of dates, references and values that need other elements are left to the readers.
pub fn check(order: Node<'_>, version: FhirVersion) -> Vec<Problem> {
    let shape = Shape::of(version);
    let Some(validator) = &shape.validator else {
        let text = format!("the structure was not checked: the schema for {} could not be loaded", version.name());
        return vec![Problem { at: order.at(), text, code: "exception", grave: true }];
    };
    let mut found = Vec::new();
    let surely = shape.walk.fits(order);
    debug_assert!(!surely || validator.is_valid(Handle::Node(order)), "the quick walk finds valid what is not");
    let valid = surely || validator.is_valid(Handle::Node(order));
    let mut all = true;
    if !valid && order.within().count() > MOST_VALUES_EXPLAINED {
        all = false;
        if let Err(error) = validator.validate(Handle::Node(order)) {
            shape.explain(order, &error, version, &mut found);
        }
    } else if !valid {
        for error in validator.iter_errors(Handle::Node(order)) {
            if found.len() <= MOST_PROBLEMS {
                shape.explain(order, &error, version, &mut found);
            }
        }
    }
    let nulls = order.within().filter(|node| node.kind() == Kind::Null && node.index().is_some());
    for null in nulls {
        if found.len() > MOST_PROBLEMS {
            break;
        }
        if null.is_bare_null() && !found.iter().any(|(at, ..)| *at == null.at()) {
            let text = format!("{} is null and no extension says why; expected a value", label(null));
            found.push((null.at(), text, "structure"));
        }
    }
    if !valid && found.is_empty() {
        found.push((order.at(), "the structure is not that of a NutritionOrder".to_owned(), "structure"));
    }
    found.sort_by_key(|(at, ..)| *at);
    found.dedup();
    all &= found.len() <= MOST_PROBLEMS;
    found.truncate(MOST_PROBLEMS);
    if !all {
        let text =
            "there may be further structural problems; they are not listed, because there are too many".to_owned();
        found.push((order.at(), text, "too-costly"));
    }
    let document = |at: At| order.of_same_document(at);
    found
        .into_iter()
        .map(|(at, text, code)| Problem { at, text, code, grave: !is_administrative(order, document(at)) })
        .collect()
}

/// Whether the node stands inside an element that nothing is computed from.
fn is_administrative(order: Node<'_>, node: Node<'_>) -> bool {
    let mut at = node;
    while let Some(parent) = at.parent() {
        if parent.at() == order.at() {
            return at.key().is_some_and(|key| ADMINISTRATIVE.contains(&key.trim_start_matches('_')));
        }
        at = parent;
    }
    false
}

/// A schema, its text for looking up sentences, and its compiled forms.
struct Shape {
    schema: Value,
    validator: Option<jsonschema::Validator<Tape>>,
    walk: Walk,
}

impl Shape {
    fn of(version: FhirVersion) -> &'static Self {
        static R4: LazyLock<Shape> =
            LazyLock::new(|| Shape::compile(include_str!("../../schemas/NutritionOrder-R4.schema.json")));
        static R4B: LazyLock<Shape> =
            LazyLock::new(|| Shape::compile(include_str!("../../schemas/NutritionOrder-R4B.schema.json")));
        static R5: LazyLock<Shape> =
            LazyLock::new(|| Shape::compile(include_str!("../../schemas/NutritionOrder-R5.schema.json")));
        match version {
            FhirVersion::R4 => &R4,
            FhirVersion::R4B => &R4B,
            FhirVersion::R5 => &R5,
        }
    }

    fn compile(text: &str) -> Self {
        let schema: Value = serde_json::from_str(text).unwrap_or(Value::Null);
        let validator = schema.is_object().then(|| jsonschema::options_for::<Tape>().build(&schema).ok()).flatten();
        let walk = Walk::of(&schema);
        Self { schema, validator, walk }
    }

    /// Says in words what one schema error means.
    fn explain(
        &self,
        order: Node<'_>,
        error: &ValidationError<'_>,
        version: FhirVersion,
        found: &mut Vec<(At, String, &'static str)>,
    ) {
        let node = locate(order, error.instance_path().as_str());
        let path = error.schema_path().as_str();
        let keyword_at = path.rfind('/').unwrap_or(0);
        let mut owner_path = path.get(..keyword_at).unwrap_or("");
        if let Some(outer) = owner_path.strip_suffix("/propertyNames") {
            owner_path = outer;
        }
        let owner = self.schema.pointer(owner_path).unwrap_or(&Value::Null);
        let name = label(node);
        let mut say = |at: Node<'_>, text: String, code: &'static str| found.push((at.at(), text, code));

        if let (Some(text), Some(code)) =
            (text_at(owner, "description"), text_at(owner, "$comment").and_then(known_code))
        {
            if text.starts_with("a null in ") {
                // Each such null is named by `check` itself, at its place.
                return;
            }
            if code == "value" {
                return say(node, format!("{name} has a wrong form: expected {text}"), code);
            }
            return say(node, text.to_owned(), code);
        }
        match error.kind() {
            ValidationErrorKind::AdditionalProperties { unexpected } => {
                let unexpected: HashSet<&str> = unexpected.iter().map(String::as_str).collect();
                for (key, member) in node.members() {
                    if unexpected.contains(key.as_ref()) {
                        let hint = self.hint(owner, &key, version);
                        let holder = text_at(owner, "title").unwrap_or("this element");
                        let holder = holder.split(" (").next().unwrap_or(holder);
                        let text = format!(
                            "\"{}\" is not an element of {holder} in FHIR {}{hint}",
                            legible(&key),
                            version.name()
                        );
                        say(member, text, "structure");
                    }
                }
            }
            ValidationErrorKind::Required { property } => {
                let missing = property.as_str().unwrap_or("an element");
                say(node, format!("{missing} is missing; it is required"), "required");
            }
            ValidationErrorKind::Type { kind } => {
                let expected = expected_types(kind);
                let found_kind = match (node.kind(), expected.as_str()) {
                    (Kind::Number, "a whole number") => "a number with a fraction or an exponent",
                    (kind, _) => kind.words(),
                };
                let simple = !matches!(node.kind(), Kind::Null | Kind::Array | Kind::Object)
                    && !expected.contains("object")
                    && !expected.contains("array");
                say(
                    node,
                    format!("{name} is {found_kind}; expected {expected}"),
                    if simple { "value" } else { "structure" },
                );
            }
            ValidationErrorKind::Enum { options } => {
                let options: Vec<&str> = options.as_array().into_iter().flatten().filter_map(Value::as_str).collect();
                let options = options.join(", ");
                match node.as_str() {
                    Some(code) => {
                        let text = format!("{name} has the code \"{}\"; expected one of {options}", legible(&code));
                        say(node, text, "code-invalid");
                    }
                    None => {
                        let text = format!("{name} is {}; expected one of the codes {options}", node.kind().words());
                        say(node, text, "structure");
                    }
                }
            }
            ValidationErrorKind::Constant { expected_value } => {
                let expected = expected_value.as_str().unwrap_or("another value");
                let given = node
                    .as_str()
                    .map_or_else(|| node.kind().words().to_owned(), |text| format!("\"{}\"", legible(&text)));
                say(node, format!("{name} is {given}; expected \"{expected}\""), "structure");
            }
            ValidationErrorKind::Pattern { pattern } => {
                let blank = node.as_str().is_some_and(|text| text.trim().is_empty());
                let text = if blank {
                    format!("{name} is empty; expected a text, or no element")
                } else {
                    format!("{name} has a wrong form: expected {}", self.form(owner_path, pattern))
                };
                say(node, text, "value");
            }
            ValidationErrorKind::MinLength { .. } => {
                say(node, format!("{name} is empty; expected a text, or no element"), "value");
            }
            ValidationErrorKind::MinItems { .. } => {
                say(node, format!("{name} is an empty list; expected at least one item, or no element"), "structure");
            }
            ValidationErrorKind::MinProperties { .. } => {
                say(node, format!("{name} is an empty object; expected at least one element in it"), "structure");
            }
            ValidationErrorKind::Minimum { limit } => {
                say(node, format!("{name} is too small; expected a whole number of at least {limit}"), "value");
            }
            ValidationErrorKind::Maximum { limit } => {
                say(node, format!("{name} is too large; expected a whole number of at most {limit}"), "value");
            }
            _ => say(node, format!("{name} is not as FHIR {} has it", version.name()), "structure"),
        }
    }

    /// Where a name unknown here may have come from.
    fn hint(&self, owner: &Value, key: &str, version: FhirVersion) -> String {
        let plain = key.trim_start_matches('_');
        let own = owner.get("properties").and_then(Value::as_object);
        let near = own.into_iter().flatten().map(|(name, _)| name).find(|name| name.eq_ignore_ascii_case(plain));
        if let Some(near) = near {
            if near == plain {
                return "; only elements of a simple type have such a companion".to_owned();
            }
            return format!("; it is spelled {near}");
        }
        let title = text_at(owner, "title").unwrap_or("");
        let versions: Vec<&str> = FhirVersion::ALL
            .into_iter()
            .filter(|other| *other != version && Shape::of(*other).knows(title, plain))
            .map(FhirVersion::name)
            .collect();
        if versions.is_empty() { String::new() } else { format!("{ELSEWHERE}{}", versions.join(" and ")) }
    }

    /// Whether the part with that title (or the order itself) has the element.
    fn knows(&self, title: &str, element: &str) -> bool {
        let has = |part: &Value| part.get("properties").is_some_and(|p| p.get(element).is_some());
        if title.starts_with("NutritionOrder") {
            return has(&self.schema);
        }
        let parts = self.schema.get("$defs").and_then(Value::as_object);
        parts.into_iter().flatten().any(|(_, part)| text_at(part, "title") == Some(title) && has(part))
    }

    /// A primitive type's form in words.
    fn form(&self, owner_path: &str, pattern: &str) -> &'static str {
        let defs = self.schema.get("$defs").and_then(Value::as_object);
        let named = owner_path.strip_prefix("/$defs/").map(|rest| rest.trim_end_matches("/allOf/0"));
        let named = named.filter(|name| !name.contains('/'));
        let kind = named.or_else(|| {
            let same = |part: &Value| text_at(part, "pattern") == Some(pattern);
            defs.into_iter().flatten().find(|(_, part)| same(part)).map(|(name, _)| name.as_str())
        });
        match kind.unwrap_or("") {
            "date" => "a date: YYYY, YYYY-MM or YYYY-MM-DD",
            "dateTime" => "a dateTime: YYYY, YYYY-MM, YYYY-MM-DD, or YYYY-MM-DDThh:mm:ss with a zone (Z or +hh:mm)",
            "instant" => "an instant: YYYY-MM-DDThh:mm:ss with a zone (Z or +hh:mm)",
            "time" => "a time: hh:mm:ss, 00:00:00 to 23:59:59",
            "id" => "an id: 1 to 64 letters, digits, - or .",
            "uri" | "url" | "canonical" => "an address without white space",
            "oid" => "an OID: urn:oid: and numbers with points",
            "uuid" => "a UUID: urn:uuid: and 32 hexadecimal digits in lower case",
            "base64Binary" => "base64 text",
            "xhtml" => "an XHTML <div>",
            "integer64" => "a whole number in quotes",
            "string" | "markdown" => "a text that is not blank",
            _ => "another form",
        }
    }
}

/// The issue types that rules carry.
fn known_code(code: &str) -> Option<&'static str> {
    ["required", "structure", "value", "invariant"].into_iter().find(|known| *known == code)
}

fn text_at<'v>(value: &'v Value, key: &str) -> Option<&'v str> {
    value.get(key).and_then(Value::as_str)
}

/// The element's name for a sentence: `note[0]`, `status`, or the resource.
fn label(node: Node<'_>) -> String {
    if let Some(key) = node.key() {
        return legible(&key);
    }
    match (node.index(), node.parent().and_then(Node::key)) {
        (Some(index), Some(key)) => format!("{}[{index}]", legible(&key)),
        _ => "the resource".to_owned(),
    }
}

fn expected_types(kind: &TypeKind) -> String {
    let words = |kind: JsonType| match kind {
        JsonType::Array => "an array",
        JsonType::Boolean => "true or false",
        JsonType::Integer => "a whole number",
        JsonType::Null => "null",
        JsonType::Number => "a number",
        JsonType::Object => "an object",
        JsonType::String => "a string",
    };
    match kind {
        TypeKind::Single(one) => words(*one).to_owned(),
        TypeKind::Multiple(several) => {
            // Null stands in lists beside extensions only; asking for it would mislead.
            several.iter().filter(|kind| *kind != JsonType::Null).map(words).collect::<Vec<_>>().join(" or ")
        }
    }
}

/// The node of a JSON Pointer below `order`; the deepest one reached when it leads nowhere.
fn locate<'d>(order: Node<'d>, pointer: &str) -> Node<'d> {
    let mut at = order;
    for step in pointer.split('/').skip(1) {
        let next = match at.kind() {
            Kind::Array => step.parse::<usize>().ok().and_then(|index| at.items().nth(index)),
            _ if step.contains('~') => at.get(&step.replace("~1", "/").replace("~0", "~")),
            _ => at.get(step),
        };
        let Some(next) = next else { break };
        at = next;
    }
    at
}

/// The tape as an instance that `jsonschema` reads without a copy.
struct Tape;

/// A node of the tape, or a property name that is being judged.
#[derive(Clone)]
enum Handle<'d> {
    Node(Node<'d>),
    Name(&'d str),
}

impl json::Json for Tape {
    type Node<'a> = Handle<'a>;
    type PreparedKey = Box<str>;
    // Looking a name up walks the members, so one walk for all names is nearly always cheaper.
    const KEYS_PER_LOOKUP: usize = 2;
    type StringBuffer = String;

    fn prepare_key(key: &str) -> Box<str> {
        key.into()
    }

    fn with_string_node<T>(_: &mut String, string: &str, f: impl FnOnce(Handle<'_>) -> T) -> T {
        f(Handle::Name(string))
    }
}

impl<'d> json::Node<'d, Tape> for Handle<'d> {
    type Object = Members<'d>;
    type Array = Items<'d>;
    type Number = Literal<'d>;

    fn as_object(&self) -> Option<Members<'d>> {
        match self {
            Handle::Node(node) if node.kind() == Kind::Object => Some(Members(*node)),
            _ => None,
        }
    }

    fn as_array(&self) -> Option<Items<'d>> {
        match self {
            Handle::Node(node) if node.kind() == Kind::Array => Some(Items(*node)),
            _ => None,
        }
    }

    fn as_string(&self) -> Option<Cow<'d, str>> {
        match self {
            Handle::Node(node) => node.as_str(),
            Handle::Name(name) => Some(Cow::Borrowed(name)),
        }
    }

    fn as_number(&self) -> Option<Literal<'d>> {
        match self {
            Handle::Node(node) => node.literal().map(Literal),
            Handle::Name(_) => None,
        }
    }

    fn as_boolean(&self) -> Option<bool> {
        match self {
            Handle::Node(node) => node.as_bool(),
            Handle::Name(_) => None,
        }
    }

    fn is_null(&self) -> bool {
        matches!(self, Handle::Node(node) if node.kind() == Kind::Null)
    }

    fn json_type(&self) -> JsonType {
        match self {
            Handle::Name(_) => JsonType::String,
            Handle::Node(node) => match node.kind() {
                Kind::Null => JsonType::Null,
                Kind::Bool => JsonType::Boolean,
                Kind::Number => JsonType::Number,
                Kind::String => JsonType::String,
                Kind::Array => JsonType::Array,
                Kind::Object => JsonType::Object,
            },
        }
    }

    fn string_length(&self) -> Option<u64> {
        let text = self.as_string()?;
        let length = if text.is_ascii() { text.len() } else { text.chars().count() };
        Some(length as u64)
    }

    fn equals_value(&self, expected: &Value) -> bool {
        match expected {
            Value::String(text) => self.as_string().is_some_and(|own| own == text.as_str()),
            Value::Null => self.is_null(),
            Value::Bool(truth) => self.as_boolean() == Some(*truth),
            other => {
                matches!(self, Handle::Node(node) if serde_json::from_str::<Value>(node.raw()).is_ok_and(|own| json::cmp::equal(&own, other)))
            }
        }
    }

    /// Only asked for by errors (which are explained from the tape) and by `uniqueItems` (which the
    /// schemas do not use): null saves a copy of the order per error.
    fn to_value(&self) -> Cow<'d, Value> {
        Cow::Owned(Value::Null)
    }

    fn identity(&self) -> Option<json::NodeIdentity> {
        Some(match self {
            Handle::Node(node) => {
                let (document, ix) = node.identity();
                json::NodeIdentity::tagged(document, ix)
            }
            Handle::Name(name) => json::NodeIdentity::new(name.as_ptr() as usize),
        })
    }
}

struct Members<'d>(Node<'d>);

impl<'d> json::Object<'d, Tape> for Members<'d> {
    type Node = Handle<'d>;
    type MemberName = Cow<'d, str>;
    type MembersIter = MembersIter<'d>;

    fn len(&self) -> usize {
        self.0.len()
    }

    fn get(&self, key: &Box<str>) -> Option<Handle<'d>> {
        self.0.get(key).map(Handle::Node)
    }

    fn members(&self) -> MembersIter<'d> {
        MembersIter(self.0.values())
    }
}

struct MembersIter<'d>(Children<'d>);

impl<'d> Iterator for MembersIter<'d> {
    type Item = (Cow<'d, str>, Handle<'d>);

    fn next(&mut self) -> Option<Self::Item> {
        self.0.next().map(|node| (node.key().unwrap_or_default(), Handle::Node(node)))
    }
}

struct Items<'d>(Node<'d>);

impl<'d> json::Array<'d, Tape> for Items<'d> {
    type Node = Handle<'d>;
    type ElementsIter = ItemsIter<'d>;

    fn len(&self) -> usize {
        self.0.len()
    }

    fn elements(&self) -> ItemsIter<'d> {
        ItemsIter(self.0.values())
    }
}

struct ItemsIter<'d>(Children<'d>);

impl<'d> Iterator for ItemsIter<'d> {
    type Item = Handle<'d>;

    fn next(&mut self) -> Option<Handle<'d>> {
        self.0.next().map(Handle::Node)
    }
}

/// A number as written.
struct Literal<'d>(&'d str);

impl json::JsonNumber for Literal<'_> {
    fn as_u64(&self) -> Option<u64> {
        self.0.parse().ok()
    }

    fn as_i64(&self) -> Option<i64> {
        self.0.parse().ok()
    }

    fn as_f64(&self) -> Option<f64> {
        self.0.parse().ok()
    }

    fn as_str(&self) -> Cow<'_, str> {
        Cow::Borrowed(self.0)
    }

    fn to_number(&self) -> Cow<'_, serde_json::Number> {
        Cow::Owned(serde_json::from_str(self.0).unwrap_or_else(|_| 0.into()))
    }

    /// FHIR's integers are written without a fraction or an exponent: 1.0 is none.
    fn is_integer(&self) -> bool {
        self.is_written_as_integer()
    }

    fn is_written_as_integer(&self) -> bool {
        !self.0.bytes().any(|b| matches!(b, b'.' | b'e' | b'E'))
    }
}
