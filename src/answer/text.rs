//! A report as text for people, with a small drawing of the day.

use super::outcome::{STANDING, summary};
use super::parameters::delivered;
use super::{PROGRAM, book, book_warning, not_provided, unlisted, unseen};
use crate::amount::Amount;
use crate::appraise::{Appraisal, Day, OrderReport};
use crate::exact::Exact;
use crate::findings::{Disposition, Outcome, Tier};
use crate::intake::order::At;
use crate::needs::{self, Validity};
use crate::nutrition::derive::{derive, shown};
use crate::nutrition::measure::Measure;
use crate::nutrition::plan::{Kind, Plan, Source};
use crate::nutrition::totals::{OrderDay, Totals, method_name};
use crate::timing::calendar::{clock, stamp};
use std::fmt::Write;

/// The report as text; `colour` adds terminal colours, which never are the only sign.
pub fn text(a: &Appraisal<'_>, colour: bool) -> String {
    let mut w = Writer { out: String::new(), colour };
    w.report(a);
    w.out
}

struct Writer {
    out: String,
    colour: bool,
}

const WIDTH: usize = 108;

impl Writer {
    fn line(&mut self, text: &str) {
        self.out.push_str(text);
        self.out.push('\n');
    }

    /// A paragraph, wrapped, with a hanging indent.
    fn wrapped(&mut self, first: &str, rest: &str, text: &str) {
        let mut line = first.to_owned();
        let mut empty = true;
        // Texts of the input must not drive a terminal; a line break among them must not begin a line of the answer.
        let text = visible(text);
        for word in text.split_whitespace() {
            let room = WIDTH.saturating_sub(line.chars().count());
            if !empty && word.chars().count() + 1 > room {
                self.line(line.trim_end());
                line = rest.to_owned();
                empty = true;
            }
            if !empty {
                line.push(' ');
            }
            line.push_str(word);
            empty = false;
        }
        self.line(line.trim_end());
    }

    fn paint(&self, code: &str, text: &str) -> String {
        if self.colour { format!("\u{1b}[{code}m{text}\u{1b}[0m") } else { text.to_owned() }
    }

    fn disposition(&self, d: Disposition) -> String {
        let code = match d {
            Disposition::Clear => "32",
            Disposition::Flagged => "1;31",
            Disposition::NotFullyChecked | Disposition::Refused => "1;33",
        };
        self.paint(code, &d.code().to_uppercase().replace('-', " "))
    }

    fn report(&mut self, a: &Appraisal<'_>) {
        let name = if a.name.is_empty() { "input" } else { &a.name };
        let head = format!("{} — {}", visible(name), self.disposition(a.disposition()));
        self.line(&head);
        if a.settings.demo {
            self.line("Demonstration: formulary, orders and patients are invented. Not for use on patients.");
        }
        if let Some((_, why)) = &a.refused {
            self.wrapped("  ", "    ", &why.with_place());
            self.line("");
            return;
        }
        if a.orders.is_empty() {
            self.line("  No NutritionOrder was found: nothing was checked.");
        }
        for order in &a.orders {
            self.order(a, order);
        }
        for c in &a.combined {
            if let Some((days, totals)) = c.steady.as_ref().ok().or(c.days.last()) {
                let names: Vec<String> =
                    c.orders.iter().filter_map(|i| a.orders.get(*i)).map(|o| visible(&o.label)).collect();
                self.line("");
                self.line(&format!("  Together: {}", names.join(", ")));
                let plans: Vec<&Plan> = c.orders.iter().filter_map(|i| a.orders.get(*i)).map(|o| &o.plan).collect();
                let pairs: Vec<(&Plan, &OrderDay)> = plans.into_iter().zip(days).collect();
                self.totals(&pairs, totals, c.weight.map(|(kg, at)| (kg, Some(at))));
            }
        }
        for p in &a.problems {
            let at = a.position(p.at).map_or_else(String::new, |(l, c)| format!("line {l}, column {c}: "));
            self.wrapped("  ! ", "    ", &format!("{at}{}", p.text));
        }
        self.line("");
        if let Some(text) = book_warning(a.rulebook) {
            self.wrapped("  ", "  ", &text);
        }
        self.wrapped("  ", "  ", STANDING);
        self.wrapped(
            "  ",
            "  ",
            &format!(
                "{PROGRAM}; formulary {} ({}); rulebook {}; time zone {}.",
                a.formulary.label(),
                short(a.formulary.hash()),
                book(a.rulebook),
                a.settings.zone_name
            ),
        );
        self.line("");
    }

    fn order(&mut self, a: &Appraisal<'_>, order: &OrderReport<'_>) {
        self.line("");
        let at = a.position(order.at).map_or_else(String::new, |(l, c)| format!(" (line {l}, column {c})"));
        let head = format!("  Order {}{at}: {}", visible(&order.label), self.disposition(order.disposition()));
        self.line(&head);
        if order.computed {
            self.given(order);
            let weight = order.weight.map(|(kg, at)| (kg, Some(at)));
            if let Some(first) = order.days.first()
                && !order.steady.as_ref().is_ok_and(|s| s.1 == first.1 && order.days.len() == 1)
            {
                self.day(a, "First day", &order.plan, first);
                self.brief(&first.1);
            }
            match &order.steady {
                Ok(day) => {
                    self.day(a, "Steady day", &order.plan, day);
                    self.totals(&[(&order.plan, &day.0)], &day.1, weight);
                }
                Err(why) => {
                    self.line(&format!("    Steady day: none, {why}."));
                    if let Some(day) = order.days.last() {
                        self.totals(&[(&order.plan, &day.0)], &day.1, weight);
                    }
                }
            }
            self.needs(order);
        }
        self.findings(a, order);
        if !order.assumptions.is_empty() {
            let ids: Vec<String> = order.assumptions.iter().map(|(x, _)| format!("{} {}", x.id(), x.text())).collect();
            self.line("    Assumed:");
            for text in ids {
                self.wrapped("      ", "           ", &text);
            }
        }
        self.wrapped("    ", "      ", &summary(order));
    }

    /// What is given, one line each.
    fn given(&mut self, order: &OrderReport<'_>) {
        let plan = &order.plan;
        for part in &plan.parts {
            let name = plan.contents.get(part.content).map_or_else(String::new, |c| c.label.clone());
            let what = if part.kind == Kind::Flush { "flush" } else { "feed" };
            match part.source {
                Source::Line(ix) => {
                    let Some(line) = plan.lines.get(ix) else { continue };
                    let mut how = Vec::new();
                    if let Some(q) = line.quantity {
                        how.push(format!("{} mL", q.short(2)));
                    }
                    if let Some(r) = line.rate.and_then(|r| r.mul(Exact::int(3600))) {
                        how.push(format!("at {} mL/h", r.short(2)));
                    }
                    if part.kind == Kind::Feed {
                        how.push(method_name(line.method).to_owned());
                    }
                    self.wrapped("    ", "      ", &format!("{what}: {} {}", visible(&name), how.join(" ")));
                }
                Source::WithFeeds { volume, times, .. } => {
                    let v = volume.map_or_else(|| "volume not known".to_owned(), |v| format!("{} mL", v.short(2)));
                    let when = if times > 1 { "before and after each feed" } else { "with each feed" };
                    self.wrapped("    ", "      ", &format!("{what}: {} {v} {when}", visible(&name)));
                }
            }
        }
        for dose in &plan.doses {
            self.wrapped("    ", "      ", &format!("additive: {}", visible(&dose.label)));
        }
    }

    fn day(&mut self, a: &Appraisal<'_>, title: &str, plan: &Plan, (day, _): &Day) {
        let zone = &a.settings.zone;
        let w = day.laid.window;
        self.line(&format!("    {title}: {} to {}", stamp(zone, w.start), stamp(zone, w.end())));
        for row in drawing(plan, day) {
            self.line(&format!("      {row}"));
        }
    }

    /// The three figures of a day that is not shown in full.
    fn brief(&mut self, totals: &Totals) {
        let list: Vec<String> = [Measure::FormulaVolume, Measure::Energy, Measure::Protein]
            .iter()
            .map(|m| format!("{} {}", m.label(), shown(totals.get(*m), m.places(), m.unit_text())))
            .collect();
        self.wrapped("      ", "      ", &list.join(", "));
    }

    fn totals(&mut self, days: &[(&Plan, &OrderDay)], totals: &Totals, weight: Option<(Exact, Option<At>)>) {
        const SHOWN: &[Measure] = &[
            Measure::Volume,
            Measure::FormulaVolume,
            Measure::FlushVolume,
            Measure::Energy,
            Measure::Protein,
            Measure::Carbohydrate,
            Measure::Fat,
            Measure::Fibre,
            Measure::FreeWater,
            Measure::SodiumMoles,
            Measure::PotassiumMoles,
            Measure::ChlorideMoles,
            Measure::CalciumMoles,
            Measure::PhosphorusMoles,
            Measure::MagnesiumMoles,
            Measure::VolumePerKg,
            Measure::EnergyPerKg,
            Measure::ProteinPerKg,
            Measure::FreeWaterPerKg,
            Measure::ProteinEnergyShare,
            Measure::FatEnergyShare,
            Measure::CarbohydrateEnergyShare,
            Measure::NonProteinEnergyPerNitrogen,
            Measure::CarbohydrateRate,
            Measure::RenalSoluteLoad,
            Measure::Osmolality,
            Measure::LargestFeedPerKg,
            Measure::FeedDuration,
            Measure::HangTime,
            Measure::TimeToGoal,
        ];
        let mut not_known: Vec<(String, Vec<&str>)> = Vec::new();
        for m in SHOWN {
            let amount = totals.get(*m);
            if let Amount::Unknown(why) = amount {
                if why.iter().all(|w| matches!(w, crate::amount::Why::Nothing(_))) {
                    continue;
                }
                let reason: Vec<String> = why.iter().map(ToString::to_string).collect();
                let reason = reason.join("; ");
                match not_known.iter_mut().find(|(r, _)| *r == reason) {
                    Some((_, list)) => {
                        if !list.contains(&m.label()) {
                            list.push(m.label());
                        }
                    }
                    None => not_known.push((reason, vec![m.label()])),
                }
                continue;
            }
            let d = derive(*m, days, totals, weight);
            let arithmetic = d.arithmetic.rsplit_once(" = ").map_or(d.arithmetic.as_str(), |(left, _)| left).to_owned();
            // Small patients are fed tenths of a millilitre.
            let small = weight.is_some_and(|(kg, _)| kg < Exact::int(10)) && m.unit() == "mL/d";
            let value = shown(amount, if small { 1 } else { m.places() }, m.unit_text());
            self.wrapped(&format!("      {:<40} {:<22} ", m.label(), value), &" ".repeat(14), &arithmetic);
        }
        for (reason, list) in not_known {
            self.wrapped("      ", "        ", &format!("not known: {} ({reason})", list.join(", ")));
        }
    }

    /// Estimates that hold for this patient, beside what is delivered.
    fn needs(&mut self, order: &OrderReport<'_>) {
        let Some((_, totals)) = order.typical() else { return };
        let list: Vec<_> = needs::estimates(&order.needs)
            .into_iter()
            .filter(|e| matches!(e.validity, Validity::InDomain) && e.result.is_some())
            .filter_map(|e| delivered(e.kind, e.unit).map(|m| (e, m)))
            .collect();
        if list.is_empty() {
            return;
        }
        self.line("    Requirement estimates that fit this patient (none is chosen; the care setting is not checked):");
        for (e, m) in list {
            let figure = e.result.map_or_else(String::new, |f| f.shown(0));
            let setting = e.setting.map_or_else(String::new, |s| format!(", {s}"));
            let met = match e.percent_met(totals.get(m)) {
                Amount::Unknown(_) => "not known".to_owned(),
                met => match met.high().filter(|_| met.known().is_none() && met.low() == Some(Exact::ZERO)) {
                    Some(high) => format!("at most {} %", high.short(0)),
                    None => shown(&met, 0, "%"),
                },
            };
            self.wrapped(
                "      ",
                "          ",
                &format!("{}{setting}: {figure} {} — delivered {met}", e.title(), e.unit),
            );
        }
    }

    fn findings(&mut self, a: &Appraisal<'_>, order: &OrderReport<'_>) {
        for tier in [Tier::Stop, Tier::High, Tier::Med, Tier::Low] {
            for j in &order.judged {
                let Outcome::Flagged(list) = &j.outcome else { continue };
                for f in list.iter().filter(|f| f.tier == tier) {
                    let code = match tier {
                        Tier::Stop | Tier::High => "1;31",
                        Tier::Med => "33",
                        Tier::Low => "2",
                    };
                    let tag = self.paint(code, &format!("{:<4}", tier.code()));
                    let places: Vec<String> =
                        f.at.iter().filter_map(|x| a.position(*x)).map(|(l, c)| format!("{l}:{c}")).collect();
                    let at = if places.is_empty() { String::new() } else { format!(" [line {}]", places.join(", ")) };
                    self.wrapped(&format!("    {tag} {} ", j.rule.id), "           ", &format!("{}{at}", f.text));
                    if let Some(x) = &f.arithmetic {
                        self.wrapped("           ", "             ", x);
                    }
                    if let Some(x) = &f.fix {
                        self.wrapped("           A way out: ", "             ", x);
                    }
                }
            }
            if tier == Tier::High {
                for (rules, why, _) in super::not_evaluated(&order.judged) {
                    let tag = self.paint("1;33", "NOT CHECKED");
                    let names: Vec<&str> = rules.iter().map(|rule| rule.id.as_ref()).collect();
                    let why = if names.len() > 1 { format!("{}: {why}", names.join(", ")) } else { why.to_owned() };
                    let name = if names.len() > 1 { "" } else { names.first().copied().unwrap_or("") };
                    self.wrapped(&format!("    {tag} {name} "), "           ", &why);
                }
            }
        }
        let (not_sent, not_read) = not_provided(&order.judged);
        let not_sent: Vec<String> =
            not_sent.into_iter().map(|(what, rules)| format!("{what} ({})", rules.join(", "))).collect();
        if !not_sent.is_empty() {
            self.wrapped(
                "    ",
                "      ",
                &format!("Not checked, because this sender does not provide: {}.", not_sent.join("; ")),
            );
        }
        if !not_read.is_empty() {
            let text =
                format!("Not checked, because this version does not read what they need: {}.", not_read.join(", "));
            self.wrapped("    ", "      ", &text);
        }
        if !order.unlisted.is_empty() {
            self.wrapped("    ", "      ", &unlisted(order.unlisted.len()));
        }
        for (cause, rules) in super::judge_again(&order.judged) {
            self.wrapped("    ", "      ", &super::again_text(cause, &rules));
        }
        for j in &order.judged {
            if let Outcome::Off(who) = &j.outcome {
                self.wrapped("    ", "      ", &format!("Switched off ({}): {who}", j.rule.id));
            }
        }
    }
}

/// One row per line of the plan: 48 half hours, `=` runs, `#` single feed, `.` nothing; `!` the maximum is
/// reached.
fn drawing(plan: &Plan, day: &OrderDay) -> Vec<String> {
    const CELLS: i64 = 48;
    let length = day.laid.window.length;
    let cell = |x: Exact| -> usize {
        let i = x.mul(Exact::int(CELLS)).and_then(|y| y.div(length)).map_or(0, Exact::floor);
        usize::try_from(i.clamp(0, i128::from(CELLS) - 1)).unwrap_or(0)
    };
    let mut rows = Vec::new();
    for part in &plan.parts {
        let Source::Line(ix) = part.source else { continue };
        let segments: Vec<_> = day.laid.segments.iter().filter(|s| s.line == ix).collect();
        if segments.is_empty() {
            continue;
        }
        let mut cells = ['.'; 48];
        for s in segments {
            let (from, to) = (cell(s.from), cell(s.to));
            let end_on_edge = s.to > s.from
                && s.to.mul(Exact::int(CELLS)).and_then(|y| y.div(length)).is_some_and(Exact::is_whole)
                && s.to < length;
            let last = if end_on_edge && to > from { to - 1 } else { to };
            for c in cells.iter_mut().take(last + 1).skip(from) {
                *c = if s.continuous { '=' } else { '#' };
            }
        }
        if let Some(reached) = day.laid.cap
            && plan.capped.get(ix).copied().unwrap_or(false)
            && let Some(c) = cells.get_mut(cell(reached.at))
        {
            *c = '!';
        }
        let name = plan.contents.get(part.content).map_or_else(String::new, |c| c.label.clone());
        let name: String = visible(&name).chars().take(28).collect();
        rows.push(format!("{} {name}", cells.iter().collect::<String>()));
    }
    if rows.is_empty() {
        return rows;
    }
    // Clock times under every sixth hour of a 24 h day.
    let mut ruler = String::new();
    for k in 0..8 {
        let at =
            length.mul(Exact::ratio(k, 8)).and_then(|x| day.laid.window.local.add(x)).unwrap_or(day.laid.window.local);
        let _ = write!(ruler, "{:<6}", clock(at));
    }
    rows.push(ruler.trim_end().to_owned());
    if let Some(reached) = day.laid.cap {
        let at = day.laid.window.local.add(reached.at).unwrap_or(day.laid.window.local);
        rows.push(format!("! the maximum of {} mL is reached at {}", reached.cap.short(1), clock(at)));
    }
    rows
}

/// Texts from the input on a terminal: characters that are not seen are shown as U+FFFD.
fn visible(text: &str) -> String {
    text.chars().map(|c| if unseen(c) { '\u{FFFD}' } else { c }).collect()
}

fn short(hash: &str) -> &str {
    hash.get(..12).unwrap_or(hash)
}
