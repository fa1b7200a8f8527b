//! One product in JSON form against `schemas/formulary.schema.json` (JSON Schema 2020-12). The form has the
//! columns of the table as its fields.

use serde_json::Value;

/// The schema's text.
pub const SCHEMA: &str = include_str!("../../schemas/formulary.schema.json");

/// The schema, ready to judge.
#[derive(Debug)]
pub struct ProductSchema(jsonschema::Validator);

impl ProductSchema {
    /// Compiles the schema.
    ///
    /// # Errors
    /// A sentence, when the schema of this build is not valid; a test keeps that from happening.
    pub fn compiled() -> Result<Self, String> {
        let schema: Value =
            serde_json::from_str(SCHEMA).map_err(|e| format!("the formulary schema is not JSON: {e}"))?;
        jsonschema::draft202012::options()
            .build(&schema)
            .map(Self)
            .map_err(|e| format!("the formulary schema cannot be used: {e}"))
    }

    /// What the schema refuses in a product: the field, where it is of one, and what was expected.
    pub fn problems(&self, product: &Value) -> Vec<(Option<String>, String)> {
        self.0
            .iter_errors(product)
            .map(|error| {
                let path = error.instance_path().to_string();
                let mut field = path.split('/').nth(1).filter(|f| !f.is_empty()).map(str::to_owned);
                if let jsonschema::error::ValidationErrorKind::Required { property } = error.kind() {
                    field = field.or_else(|| property.as_str().map(str::to_owned));
                }
                (field, sentence(&error))
            })
            .collect()
    }
}

/// What was expected, in the trade's words where the schema's own would not be understood.
fn sentence(error: &jsonschema::ValidationError<'_>) -> String {
    use jsonschema::error::ValidationErrorKind as Kind;
    let path = error.instance_path().to_string();
    match error.kind() {
        Kind::Required { .. } => "is missing".to_owned(),
        Kind::MaxLength { limit } => format!("longer than {limit} characters"),
        Kind::Minimum { limit } => format!("less than {limit}"),
        Kind::Maximum { limit } => format!("more than {limit}, which cannot be meant here"),
        Kind::ExclusiveMinimum { limit } => format!("more than {limit} is expected"),
        Kind::Pattern { .. } if path.ends_with("/system") => {
            "the system is not an absolute URI; expected such as https://… or urn:oid:…".to_owned()
        }
        Kind::Pattern { .. } if path.starts_with("/contains") || path.starts_with("/free_from") => {
            "a word in lower case is expected, its parts joined by hyphens".to_owned()
        }
        Kind::Pattern { .. } if path.starts_with("/source_date") => {
            "YYYY-MM-DD, YYYY-MM or YYYY is expected".to_owned()
        }
        // Without the value: it may be long.
        _ => error.masked().to_string(),
    }
}
