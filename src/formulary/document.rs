//! A formulary as a FHIR file: a NutritionProduct, or a Bundle of them.

use super::resource::{ProductCodes, product_from_fhir};
use super::{Column, Entry, FormularyProblem, Level};
use crate::intake::json::{Document, Limits, Node};
use crate::intake::order::{FhirVersion, Problem};

/// What reading a file gives.
pub(super) struct Read {
    pub entries: Vec<Entry>,
    pub problems: Vec<FormularyProblem>,
}

/// Reads every product. Those that cannot be used give no entry.
pub(super) fn read(file: &str, bytes: &[u8]) -> Read {
    let mut out = Read { entries: Vec::new(), problems: Vec::new() };
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let limits = Limits { bytes: bytes.len().max(1), array: 20_000, ..Limits::default() };
    let document = match Document::read(bytes, &limits) {
        Ok(document) => document,
        Err(error) => {
            let place = error.place();
            out.problems.push(FormularyProblem {
                line: Some(place.line),
                column: Some(Column { name: place.path.clone().unwrap_or_default(), number: Some(place.column) }),
                ..FormularyProblem::of_file(file, "json", error.to_string())
            });
            return out;
        }
    };
    let root = document.root();
    let refuse = |node: Node<'_>, code: &'static str, text: String| placed(file, node, code, text, Level::Refusal);
    let mut products = Vec::new();
    match root.resource_type().as_deref() {
        Some("NutritionProduct") => products.push(root),
        Some("Bundle") => {
            for entry in root.get("entry").into_iter().flat_map(Node::items) {
                match entry.get("resource") {
                    Some(resource) if resource.resource_type().as_deref() == Some("NutritionProduct") => {
                        products.push(resource);
                    }
                    found => {
                        let what = found.and_then(Node::resource_type);
                        let what = what.as_deref().unwrap_or("no resource").to_owned();
                        let text = format!("expected a NutritionProduct, found {what}");
                        out.problems.push(refuse(found.unwrap_or(entry), "resource", text));
                    }
                }
            }
        }
        found => {
            let found = found.unwrap_or("no resource type");
            let text = format!("expected a NutritionProduct or a Bundle of them, found {found}");
            out.problems.push(refuse(root, "resource", text));
        }
    }
    for node in products {
        let version = if node.get("productCharacteristic").is_some() { FhirVersion::R4B } else { FhirVersion::R5 };
        let told = |problem: Problem, level| placed(file, document.node(problem.at), problem.code, problem.text, level);
        match product_from_fhir(node, version, &ProductCodes::default()) {
            Ok(mut sent) => {
                let line = node.line_column().0;
                sent.product.provenance.file = file.to_owned();
                sent.product.provenance.line = line;
                if let Some(stated) = sent.product.provenance.stated.strip_prefix("sent with the order") {
                    sent.product.provenance.stated = stated.trim_start_matches([':', ',', ' ']).to_owned();
                }
                if let Some(id) = sent.product.key.strip_prefix("NutritionProduct/") {
                    sent.product.key = id.to_owned();
                }
                // What could not be read of a product is not stated; nobody would see it later.
                let level = |p: &Problem| if p.grave { Level::Refusal } else { Level::Warning };
                let mut warnings: Vec<FormularyProblem> = sent
                    .warnings
                    .into_iter()
                    .map(|w| FormularyProblem { file: file.to_owned(), line: Some(line), ..w })
                    .collect();
                for problem in sent.problems {
                    let level = level(&problem);
                    let told = FormularyProblem { product: Some(sent.product.key.clone()), ..told(problem, level) };
                    if level == Level::Refusal { out.problems.push(told) } else { warnings.push(told) }
                }
                out.entries.push(Entry { product: sent.product, medium_chain_fat: None, note: None, warnings });
            }
            Err(problems) => out.problems.extend(problems.into_iter().map(|p| told(p, Level::Refusal))),
        }
    }
    out
}

fn placed(file: &str, node: Node<'_>, code: &'static str, text: String, level: Level) -> FormularyProblem {
    let (line, column) = node.line_column();
    FormularyProblem {
        line: Some(line),
        column: Some(Column { name: node.path(), number: Some(column) }),
        level,
        ..FormularyProblem::of_file(file, code, text)
    }
}
