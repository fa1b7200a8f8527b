//! What a rulebook no longer says, or does not say yet, on a day: limits beyond their dates, and rules whose switching off
//! is over. None of it is an error, and nobody would see it in answers.

use super::{Mode, Rulebook};
use jiff::civil::Date;

/// Days before the end of a limit from which on it is said.
pub const AHEAD: i32 = 30;

/// What is to be known of the dates of a rulebook on a day, a sentence each, in the order of its limits.
pub fn lapses(book: &Rulebook, today: Date) -> Vec<String> {
    let mut out = Vec::new();
    let days = |to: Date| today.until(to).map_or(i32::MAX, |span| span.get_days());
    if let Some(adopted) = book.adopted.as_ref().filter(|adopted| adopted.on > today) {
        out.push(format!("the rulebook is adopted only from {} on, which has not come (adopted.on)", adopted.on));
    }
    for l in book.limits.iter().filter(|l| l.mode != Mode::Off) {
        let id = &l.rule.id;
        if let Some(from) = l.from.filter(|from| *from > today) {
            out.push(format!("{id} judges nothing before {from} (effective-from)"));
        }
        match l.to {
            Some(to) if to < today => out.push(format!("{id} judges nothing since {to} is over (effective-to)")),
            Some(to) if days(to) <= AHEAD => out.push(format!("{id} judges nothing once {to} is over (effective-to)")),
            _ => {}
        }
    }
    for off in book.off.iter().filter(|off| off.until < today) {
        out.push(format!("{} is no longer switched off, since {} is over (until)", off.rule, off.until));
    }
    out
}
