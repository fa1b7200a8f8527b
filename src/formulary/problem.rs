//! What is wrong with a formulary, each problem with its place.

use std::fmt;

/// How grave a problem is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Level {
    /// The formulary cannot be used.
    Refusal,
    /// The formulary is used; an answer that rests on the product should say so.
    Warning,
}

/// A column of the table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// Its name in the header.
    pub name: String,
    /// Its place in the header, 1-based; `None` where the product did not come from a table.
    pub number: Option<u32>,
}

/// One problem, with its place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FormularyProblem {
    /// The file, as it was named by the caller, or `NutritionProduct/<id>`.
    pub file: String,
    /// Line of the file, 1-based; `None`: the file as a whole.
    pub line: Option<u32>,
    /// Column, where the problem is of one.
    pub column: Option<Column>,
    /// Key of the product, where it is known.
    pub product: Option<String>,
    /// How grave.
    pub level: Level,
    /// Stable short code: `unknown-column`, `number`, `NUT-09`, …
    pub code: &'static str,
    /// What was found and what was expected, for people.
    pub text: String,
}

impl FormularyProblem {
    /// A refusal of the file as a whole.
    pub fn of_file(file: &str, code: &'static str, text: String) -> Self {
        Self { file: file.to_owned(), line: None, column: None, product: None, level: Level::Refusal, code, text }
    }
}

impl FormularyProblem {
    /// Gives the column its number in a header, unless it has one.
    pub(super) fn number_column(&mut self, header: &[String]) {
        if let Some(column) = &mut self.column
            && column.number.is_none()
        {
            column.number = header.iter().position(|h| *h == column.name).and_then(|at| u32::try_from(at + 1).ok());
        }
    }
}

impl fmt::Display for FormularyProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        if let Some(column) = &self.column {
            match column.number {
                Some(number) => write!(f, ", column {number} ({})", column.name)?,
                None => write!(f, ", {}", column.name)?,
            }
        }
        if let Some(product) = &self.product {
            write!(f, ", product {product}")?;
        }
        let level = match self.level {
            Level::Refusal => "error",
            Level::Warning => "warning",
        };
        write!(f, ": {level} {}: {}", self.code, self.text)
    }
}
