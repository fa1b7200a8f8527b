//! Rewrites source files so that many mutants live in one build, each behind a switch.
//!
//! Reads a request (JSON) from standard input: a folder to read, a folder to write, and per file the mutants as
//! cargo-mutants lists them (`--list --json`), each with a number and how to write it:
//! - `switch`: at its place, without writing any operand twice: `a < b` becomes a `match (&a, &b)` that asks
//!   [`ON`] which comparison is meant;
//! - `whole`: the function's body once more with exactly the text that cargo-mutants would write, behind an `if`.
//!
//! Writes to standard output (JSON) where in the new text each mutant lies, so that the compiler's messages can
//! be laid to it, and which mutants it did not write, with the reason.

use proc_macro2::LineColumn;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::PathBuf;
use syn::spanned::Spanned;
use syn::visit::{self, Visit};

/// The function of the rewritten program that says whether a mutant is on.
const ON: &str = "crate::mutant_switch::on";

#[derive(Deserialize)]
struct Request {
    from: PathBuf,
    to: PathBuf,
    files: BTreeMap<String, Vec<Mutant>>,
    /// Functions that constants call. Every other constant function that holds mutants is made an ordinary one.
    constant: BTreeSet<String>,
}

#[derive(Clone, Copy, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "lowercase")]
enum Mode {
    Switch,
    Whole,
}

#[derive(Clone, Deserialize)]
struct Mutant {
    id: u32,
    genre: String,
    /// Line and column (characters) from 1.
    start: (usize, usize),
    end: (usize, usize),
    replacement: String,
    mode: Mode,
}

#[derive(Serialize)]
struct Placed {
    file: String,
    /// Bytes of the new text.
    start: usize,
    end: usize,
    ids: Vec<u32>,
}

#[derive(Serialize)]
struct Refused {
    id: u32,
    why: &'static str,
}

#[derive(Default, Serialize)]
struct Reply {
    placed: Vec<Placed>,
    refused: Vec<Refused>,
}

/// A replacement of a range of the old text. Edits at one place stand in the order they were made.
struct Edit {
    at: Range<usize>,
    text: String,
    /// Ranges of `text` that belong to single mutants.
    own: Vec<(Range<usize>, Vec<u32>)>,
}

/// Text under construction that remembers which part belongs to which mutant.
#[derive(Default)]
struct Text {
    text: String,
    own: Vec<(Range<usize>, Vec<u32>)>,
}

impl Text {
    fn add(mut self, text: &str) -> Self {
        self.text.push_str(text);
        self
    }
    fn of(mut self, id: u32, text: &str) -> Self {
        let start = self.text.len();
        self.text.push_str(text);
        self.own.push((start..self.text.len(), vec![id]));
        self
    }
}

struct Function {
    constant: bool,
    /// What lies between the braces of the body.
    inside: Range<usize>,
    /// Where its first `whole` edit stands, to which the others are added.
    whole: Vec<Mutant>,
}

struct Rewriter<'t> {
    text: &'t str,
    constant: &'t BTreeSet<String>,
    /// Byte at which each line begins.
    lines: Vec<usize>,
    /// Mutants by genre and first byte.
    wanted: BTreeMap<(String, usize), Vec<Mutant>>,
    functions: Vec<Function>,
    edits: Vec<Edit>,
    /// Nodes that hold mutants: the edits that open and close them.
    nodes: Vec<(usize, usize, Vec<u32>)>,
    refused: Vec<Refused>,
    seen: Vec<u32>,
}

fn lines(text: &str) -> Vec<usize> {
    std::iter::once(0).chain(text.match_indices('\n').map(|(i, _)| i + 1)).collect()
}

/// Byte of a line (from 1) and a column (characters, from 0).
fn byte(text: &str, lines: &[usize], line: usize, column: usize) -> usize {
    let start = lines[line - 1];
    text[start..].char_indices().nth(column).map_or(text.len(), |(i, _)| start + i)
}

impl Rewriter<'_> {
    fn byte(&self, at: LineColumn) -> usize {
        byte(self.text, &self.lines, at.line, at.column)
    }

    fn range(&self, node: &impl Spanned) -> Range<usize> {
        let span = node.span();
        self.byte(span.start())..self.byte(span.end())
    }

    fn edit(&mut self, at: Range<usize>, text: Text) -> usize {
        self.edits.push(Edit { at, text: text.text, own: text.own });
        self.edits.len() - 1
    }

    /// The mutants that begin here, to be written at their place. Those of constant functions are refused, those to be written whole
    /// are left to their function.
    fn take(&mut self, genre: &str, at: usize) -> Vec<Mutant> {
        let Some(all) = self.wanted.remove(&(genre.to_owned(), at)) else { return Vec::new() };
        let mut here = Vec::new();
        for m in all {
            self.seen.push(m.id);
            match self.functions.last_mut() {
                None => self.refused.push(Refused { id: m.id, why: "outside a function" }),
                Some(f) if f.constant => self.refused.push(Refused { id: m.id, why: "constant function" }),
                Some(f) if m.mode == Mode::Whole => f.whole.push(m),
                Some(_) => here.push(m),
            }
        }
        here
    }

    /// Back to the function, or refused, with a reason.
    fn refuse(&mut self, mutants: &[Mutant], why: &'static str) {
        self.refused.extend(mutants.iter().map(|m| Refused { id: m.id, why }));
    }

    fn enter(&mut self, signature: &syn::Signature, block: &syn::Block) {
        let braces = self.range(block);
        let mut constant = false;
        if let Some(word) = &signature.constness
            && self.wanted.keys().any(|(_, at)| braces.contains(at))
        {
            constant = self.constant.contains(&signature.ident.to_string());
            if !constant {
                let word = self.range(word);
                self.edit(word, Text::default());
            }
        }
        let inside = braces.start + 1..braces.end - 1;
        self.functions.push(Function { constant, inside, whole: Vec::new() });
        let Some(first) = block.stmts.first() else { return };
        let first = self.range(first).start;
        let here = self.take("FnValue", first);
        // Written as the outermost choice, before anything else of the body.
        let mut text = Text::default();
        for m in &here {
            text = text.of(m.id, &format!("if {ON}({}) {{ return {}; }} ", m.id, m.replacement));
        }
        let open = self.edit(first..first, text);
        self.nodes.push((open, open, here.iter().map(|m| m.id).collect()));
    }

    fn leave(&mut self) {
        let Some(f) = self.functions.pop() else { return };
        if f.whole.is_empty() {
            return;
        }
        let mut text = Text::default();
        for (n, m) in f.whole.iter().enumerate() {
            let start = byte(self.text, &self.lines, m.start.0, m.start.1 - 1);
            let end = byte(self.text, &self.lines, m.end.0, m.end.1 - 1);
            let body =
                format!("{}{}{}", &self.text[f.inside.start..start], m.replacement, &self.text[end..f.inside.end]);
            text = text
                .add(&format!("{}if {ON}({}) {{ ", if n == 0 { "" } else { " else " }, m.id))
                .of(m.id, &body)
                .add("\n}");
        }
        let text = text.add(" else {");
        // Before every other edit of the body, which stand further back or were made at the same place before.
        let ids = f.whole.iter().map(|m| m.id).collect();
        self.edits.push(Edit { at: f.inside.start..f.inside.start, text: text.text, own: text.own });
        let open = self.edits.len() - 1;
        let close = self.edit(f.inside.end..f.inside.end, Text::default().add("}"));
        self.nodes.push((open, close, ids));
    }

    fn inside_chain(e: &syn::Expr) -> bool {
        match e {
            syn::Expr::Let(_) => true,
            syn::Expr::Binary(b) => {
                matches!(b.op, syn::BinOp::And(_)) && (Self::inside_chain(&b.left) || Self::inside_chain(&b.right))
            }
            _ => false,
        }
    }
}

/// `if on(1) { first } else if on(2) { second } else { plain }`
fn choice(mutants: &[Mutant], plain: &str, write: impl Fn(&Mutant) -> String) -> Text {
    let mut text = Text::default();
    for m in mutants {
        text = text.add(&format!("if {ON}({}) {{ ", m.id)).of(m.id, &write(m)).add(" } else ");
    }
    if mutants.is_empty() { text.add(plain) } else { text.add(&format!("{{ {plain} }}")) }
}

impl<'ast> Visit<'ast> for Rewriter<'_> {
    fn visit_item_fn(&mut self, f: &'ast syn::ItemFn) {
        self.enter(&f.sig, &f.block);
        visit::visit_item_fn(self, f);
        self.leave();
    }

    fn visit_impl_item_fn(&mut self, f: &'ast syn::ImplItemFn) {
        self.enter(&f.sig, &f.block);
        visit::visit_impl_item_fn(self, f);
        self.leave();
    }

    fn visit_trait_item_fn(&mut self, f: &'ast syn::TraitItemFn) {
        if let Some(block) = &f.default {
            self.enter(&f.sig, block);
            visit::visit_trait_item_fn(self, f);
            self.leave();
        }
    }

    fn visit_expr_binary(&mut self, e: &'ast syn::ExprBinary) {
        let op = self.range(&e.op);
        let here = self.take("BinaryOperator", op.start);
        if here.is_empty() {
            return visit::visit_expr_binary(self, e);
        }
        let (left, right) = (self.range(&*e.left), self.range(&*e.right));
        let plain = self.text[op.clone()].to_owned();
        let ids: Vec<u32> = here.iter().map(|m| m.id).collect();
        let chained = Rewriter::inside_chain(&e.left) || Rewriter::inside_chain(&e.right);
        match plain.as_str() {
            "&&" | "||" if chained => {
                self.refuse(&here, "|| in a let chain");
                visit::visit_expr_binary(self, e);
            }
            "&&" | "||" if here.len() == 1 && matches!(here[0].replacement.as_str(), "&&" | "||") => {
                let id = here[0].id;
                let open = self.edit(left.start..left.start, Text::default().add("({ let eg_l: bool = "));
                self.visit_expr(&e.left);
                let sign = if plain == "&&" { "==" } else { "!=" };
                self.edit(op, Text::default().add(&format!("; if eg_l {sign} {ON}({id}) {{ eg_l }} else {{ ")));
                self.visit_expr(&e.right);
                let close = self.edit(right.end..right.end, Text::default().add(" } })"));
                self.nodes.push((open, close, ids));
            }
            "==" | "!=" | "<" | "<=" | ">" | ">=" => {
                let open = self.edit(left.start..left.start, Text::default().add("(match (&("));
                self.visit_expr(&e.left);
                self.edit(op, Text::default().add("), &("));
                self.visit_expr(&e.right);
                let arms = choice(&here, &format!("eg_l {plain} eg_r"), |m| format!("eg_l {} eg_r", m.replacement));
                let mut text = Text::default().add(")) { (eg_l, eg_r) => ");
                let shift = text.text.len();
                text.text.push_str(&arms.text);
                text.own.extend(arms.own.into_iter().map(|(r, i)| (r.start + shift..r.end + shift, i)));
                let close = self.edit(right.end..right.end, text.add(" })"));
                self.nodes.push((open, close, ids));
            }
            _ if plain.ends_with('=') => {
                let place = self.text[left.clone()].to_owned();
                let nested = self.wanted.keys().any(|(_, at)| left.contains(at));
                if nested {
                    self.refuse(&here, "mutants inside the place");
                    return visit::visit_expr_binary(self, e);
                }
                let open = self.edit(left.start..op.end, Text::default().add("(match ("));
                self.visit_expr(&e.right);
                let arms =
                    choice(&here, &format!("{place} {plain} eg_r"), |m| format!("{place} {} eg_r", m.replacement));
                let mut text = Text::default().add(") { eg_r => ");
                let shift = text.text.len();
                text.text.push_str(&arms.text);
                text.own.extend(arms.own.into_iter().map(|(r, i)| (r.start + shift..r.end + shift, i)));
                let close = self.edit(right.end..right.end, text.add(" })"));
                self.nodes.push((open, close, ids));
            }
            "&&" | "||" => {
                self.refuse(&here, "another operator for && or ||");
                visit::visit_expr_binary(self, e);
            }
            _ => {
                let open = self.edit(left.start..left.start, Text::default().add("(match ("));
                self.visit_expr(&e.left);
                self.edit(op, Text::default().add(","));
                self.visit_expr(&e.right);
                let arms = choice(&here, &format!("eg_l {plain} eg_r"), |m| format!("eg_l {} eg_r", m.replacement));
                let mut text = Text::default().add(") { (eg_l, eg_r) => ");
                let shift = text.text.len();
                text.text.push_str(&arms.text);
                text.own.extend(arms.own.into_iter().map(|(r, i)| (r.start + shift..r.end + shift, i)));
                let close = self.edit(right.end..right.end, text.add(" })"));
                self.nodes.push((open, close, ids));
            }
        }
    }

    fn visit_expr_unary(&mut self, e: &'ast syn::ExprUnary) {
        let op = self.range(&e.op);
        let here = self.take("UnaryOperator", op.start);
        if here.is_empty() {
            return visit::visit_expr_unary(self, e);
        }
        let plain = self.text[op.clone()].to_owned();
        let end = self.range(&*e.expr).end;
        let open = self.edit(op, Text::default().add("(match ("));
        self.visit_expr(&e.expr);
        let arms = choice(&here, &format!("{plain}eg_v"), |m| format!("{}eg_v", m.replacement));
        let mut text = Text::default().add(") { eg_v => ");
        let shift = text.text.len();
        text.text.push_str(&arms.text);
        text.own.extend(arms.own.into_iter().map(|(r, i)| (r.start + shift..r.end + shift, i)));
        let close = self.edit(end..end, text.add(" })"));
        self.nodes.push((open, close, here.iter().map(|m| m.id).collect()));
    }

    fn visit_arm(&mut self, a: &'ast syn::Arm) {
        let arm = self.range(a);
        let pattern = self.range(&a.pat);
        let mut deleted = self.take("MatchArm", arm.start);
        if deleted.is_empty() {
            deleted = self.take("MatchArm", pattern.start);
        }
        let mut guards = Vec::new();
        if let Some((_, guard)) = &a.guard {
            let at = self.range(&**guard).start;
            guards = self.take("MatchArmGuard", at);
        }
        let ids: Vec<u32> = deleted.iter().chain(&guards).map(|m| m.id).collect();
        let gone: String = deleted.iter().map(|m| format!("!{ON}({}) && ", m.id)).collect();
        for attribute in &a.attrs {
            self.visit_attribute(attribute);
        }
        match &a.guard {
            Some((_, guard)) => {
                let range = self.range(&**guard);
                let on = |replacement: &str, text: &str| -> String {
                    let m = guards.iter().filter(|m| m.replacement == replacement);
                    m.map(|m| text.replace('N', &format!("{ON}({})", m.id))).collect()
                };
                let open = format!("{gone}({}{}(", on("true", "N || "), on("false", "!N && "));
                let open = (!ids.is_empty()).then(|| self.edit(range.start..range.start, Text::default().add(&open)));
                self.visit_expr(guard);
                if let Some(open) = open {
                    let close = self.edit(range.end..range.end, Text::default().add("))"));
                    self.nodes.push((open, close, ids));
                }
            }
            None if !deleted.is_empty() => {
                let gone = gone.trim_end_matches(" && ");
                let open = self.edit(pattern.end..pattern.end, Text::default().add(&format!(" if {gone}")));
                self.nodes.push((open, open, ids));
            }
            None => {}
        }
        self.visit_expr(&a.body);
    }

    fn visit_expr_struct(&mut self, e: &'ast syn::ExprStruct) {
        let path = self.text[self.range(&e.path)].to_owned();
        let rest = e.rest.as_ref().map(|r| self.text[self.range(&**r)].to_owned());
        for field in &e.fields {
            let at = self.range(field);
            let here = self.take("StructField", at.start);
            let value = self.range(&field.expr);
            let name = self.text[self.range(&field.member)].to_owned();
            let shorthand = field.colon_token.is_none();
            let Some(rest) = rest.as_ref().filter(|_| !here.is_empty()) else {
                self.refuse(&here, "no base");
                if !shorthand {
                    self.visit_expr(&field.expr);
                }
                continue;
            };
            let mut text = Text::default();
            if shorthand {
                text = text.add(&format!("{name}: "));
            }
            for m in &here {
                text = text.of(m.id, &format!("if {ON}({}) {{ let eg_b: {path} = {rest}; eg_b.{name} }} else ", m.id));
            }
            let open = self.edit(value.start..value.start, text.add("{ "));
            self.visit_expr(&field.expr);
            let close = self.edit(value.end..value.end, Text::default().add(" }"));
            self.nodes.push((open, close, here.iter().map(|m| m.id).collect()));
        }
        if let Some(rest) = &e.rest {
            self.visit_expr(rest);
        }
    }
}

fn rewrite(
    name: &str,
    text: &str,
    mutants: Vec<Mutant>,
    constant: &BTreeSet<String>,
    reply: &mut Reply,
) -> Result<String, String> {
    let lines = lines(text);
    let tree = syn::parse_file(text).map_err(|e| format!("{name}: {e}"))?;
    let mut wanted: BTreeMap<(String, usize), Vec<Mutant>> = BTreeMap::new();
    let all: Vec<u32> = mutants.iter().map(|m| m.id).collect();
    for m in mutants {
        let at = byte(text, &lines, m.start.0, m.start.1 - 1);
        wanted.entry((m.genre.clone(), at)).or_default().push(m);
    }
    let mut r = Rewriter {
        text,
        constant,
        lines,
        wanted,
        functions: Vec::new(),
        edits: Vec::new(),
        nodes: Vec::new(),
        refused: Vec::new(),
        seen: Vec::new(),
    };
    r.visit_file(&tree);
    reply.refused.append(&mut r.refused);
    reply.refused.extend(all.iter().filter(|id| !r.seen.contains(id)).map(|id| Refused { id: *id, why: "not found" }));
    // A body written whole begins directly after the brace, before the first statement's edits.
    let mut order: Vec<usize> = (0..r.edits.len()).collect();
    order.sort_by_key(|i| r.edits[*i].at.start);
    let mut out = String::new();
    let mut placed: Vec<(usize, usize)> = vec![(0, 0); r.edits.len()];
    let mut done = 0;
    for i in order {
        let e = &r.edits[i];
        if e.at.start < done {
            return Err(format!("{name}: edits overlap at byte {}", e.at.start));
        }
        out.push_str(&text[done..e.at.start]);
        let start = out.len();
        out.push_str(&e.text);
        placed[i] = (start, out.len());
        for (range, ids) in &e.own {
            reply.placed.push(Placed {
                file: name.to_owned(),
                start: start + range.start,
                end: start + range.end,
                ids: ids.clone(),
            });
        }
        done = e.at.end;
    }
    out.push_str(&text[done..]);
    for (open, close, ids) in r.nodes {
        if !ids.is_empty() {
            reply.placed.push(Placed { file: name.to_owned(), start: placed[open].0, end: placed[close].1, ids });
        }
    }
    Ok(out)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let request: Request = serde_json::from_reader(std::io::stdin().lock())?;
    let mut reply = Reply::default();
    for (name, mutants) in request.files {
        let text = std::fs::read_to_string(request.from.join(&name))?;
        let new = rewrite(&name, &text, mutants, &request.constant, &mut reply)?;
        let to = request.to.join(&name);
        // Untouched where nothing changed, so that the compiler has less to do.
        if std::fs::read_to_string(&to).ok().as_deref() != Some(new.as_str()) {
            std::fs::write(&to, new)?;
        }
    }
    serde_json::to_writer(std::io::stdout().lock(), &reply)?;
    Ok(())
}
