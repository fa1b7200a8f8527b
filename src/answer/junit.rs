//! Reports as JUnit XML, for continuous integration: one test case per order, failed when flagged, in error
//! when it could not be read or not be fully checked.

use crate::appraise::Appraisal;
use crate::findings::{Disposition, Outcome, Tier};
use std::fmt::Write;

/// One input as test cases, free of its document.
#[derive(Clone, Debug)]
pub struct JunitCase {
    name: String,
    cases: Vec<Case>,
}

#[derive(Clone, Debug)]
struct Case {
    name: String,
    disposition: Disposition,
    lines: Vec<String>,
}

/// The cases of one input.
pub fn junit_case(name: &str, a: &Appraisal<'_>) -> JunitCase {
    let mut cases = Vec::new();
    if let Some((_, why)) = &a.refused {
        cases.push(Case {
            name: "input".to_owned(),
            disposition: Disposition::Refused,
            lines: vec![why.with_place().into_owned()],
        });
    } else if a.orders.is_empty() {
        cases.push(Case {
            name: "input".to_owned(),
            disposition: Disposition::NotFullyChecked,
            lines: vec!["no NutritionOrder was found: nothing was checked".to_owned()],
        });
    }
    for order in &a.orders {
        let mut lines = Vec::new();
        for j in &order.judged {
            match &j.outcome {
                Outcome::Flagged(findings) => {
                    for f in findings.iter().filter(|f| f.tier > Tier::Low) {
                        let at =
                            f.at.first()
                                .and_then(|x| a.position(*x))
                                .map_or_else(String::new, |(l, c)| format!(" (line {l}, column {c})"));
                        lines.push(format!("{} {}: {}{at}", f.tier.code(), j.rule.id, f.text));
                    }
                }
                Outcome::NotEvaluated(why, _) => lines.push(format!("not checked {}: {why}", j.rule.id)),
                _ => {}
            }
        }
        cases.push(Case { name: order.label.clone(), disposition: order.disposition(), lines });
    }
    if let Some(p) = a.problems.iter().find(|p| p.grave) {
        cases.push(Case {
            name: "context".to_owned(),
            disposition: Disposition::NotFullyChecked,
            lines: vec![p.text.clone()],
        });
    }
    JunitCase { name: name.to_owned(), cases }
}

/// JUnit XML of many inputs.
pub fn junit(all: &[JunitCase]) -> String {
    let cases = || all.iter().flat_map(|i| &i.cases);
    let failures = cases().filter(|c| c.disposition == Disposition::Flagged).count();
    let errors =
        cases().filter(|c| matches!(c.disposition, Disposition::Refused | Disposition::NotFullyChecked)).count();
    let mut out = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    let _ = writeln!(
        out,
        "<testsuites name=\"enteral-gate\" tests=\"{}\" failures=\"{failures}\" errors=\"{errors}\">",
        cases().count()
    );
    for input in all {
        let of = |d: &dyn Fn(Disposition) -> bool| input.cases.iter().filter(|c| d(c.disposition)).count();
        let failures = of(&|d| d == Disposition::Flagged);
        let errors = of(&|d| matches!(d, Disposition::Refused | Disposition::NotFullyChecked));
        let _ = writeln!(
            out,
            "  <testsuite name=\"{}\" tests=\"{}\" failures=\"{failures}\" errors=\"{errors}\">",
            escaped(&input.name),
            input.cases.len()
        );
        for c in &input.cases {
            let _ = write!(out, "    <testcase classname=\"{}\" name=\"{}\"", escaped(&input.name), escaped(&c.name));
            let tag = match c.disposition {
                Disposition::Clear => {
                    out.push_str("/>\n");
                    continue;
                }
                Disposition::Flagged => "failure",
                Disposition::NotFullyChecked | Disposition::Refused => "error",
            };
            let _ = writeln!(
                out,
                "><{tag} message=\"{}\" type=\"{}\">{}</{tag}></testcase>",
                escaped(c.lines.first().map_or(c.disposition.code(), String::as_str)),
                c.disposition.code(),
                escaped(&c.lines.join("\n"))
            );
        }
        out.push_str("  </testsuite>\n");
    }
    out.push_str("</testsuites>\n");
    out
}

/// JUnit XML of named cases: (class, name, failure).
pub fn junit_of(suite: &str, cases: &[(String, String, Option<String>)]) -> String {
    let failures = cases.iter().filter(|(.., failure)| failure.is_some()).count();
    let mut out = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    let counts = format!("tests=\"{}\" failures=\"{failures}\" errors=\"0\"", cases.len());
    let _ = writeln!(out, "<testsuites name=\"enteral-gate\" {counts}>");
    let _ = writeln!(out, "  <testsuite name=\"{}\" {counts}>", escaped(suite));
    for (class, name, failure) in cases {
        let _ = write!(out, "    <testcase classname=\"{}\" name=\"{}\"", escaped(class), escaped(name));
        let _ = match failure {
            None => writeln!(out, "/>"),
            Some(what) => {
                let what = escaped(what);
                writeln!(out, "><failure message=\"{what}\">{what}</failure></testcase>")
            }
        };
    }
    out.push_str("  </testsuite>\n</testsuites>");
    out
}

/// XML text and attribute values; characters that XML does not allow, or that are not seen, are shown as U+FFFD.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\n' => out.push_str("&#10;"),
            c if super::unseen(c) || matches!(c, '\u{FFFE}' | '\u{FFFF}') => out.push('\u{FFFD}'),
            c => out.push(c),
        }
    }
    out
}
