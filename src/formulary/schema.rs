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
        let schema: Value = serde_json::from_str(SCHEMA).map_err(|e| format!("the formulary schema is not JSON: {e}"))?;
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
                (field, error.to_string())
            })
            .collect()
    }
}
