//! Conditions that stand in more than one place of a rulebook are given a number, by which each is judged once per
//! order.

use super::Expression;
use super::lower::Node;
use std::collections::BTreeMap;

/// Gives numbers to the conditions among these that stand in more than one place; how many numbers there are.
pub(in crate::rulebook) fn number<'e>(conditions: impl Iterator<Item = &'e mut Expression>) -> usize {
    let mut conditions: Vec<&mut Expression> = conditions.collect();
    let mut times: BTreeMap<String, usize> = BTreeMap::new();
    for condition in &mut conditions {
        plain(&mut condition.node);
        count(&condition.node, &mut times);
    }
    let several = times.into_iter().filter(|(_, times)| *times > 1);
    let numbers: BTreeMap<String, usize> = several.enumerate().map(|(number, (key, _))| (key, number)).collect();
    for condition in conditions {
        share(&mut condition.node, &numbers);
    }
    numbers.len()
}

/// The conditions that a condition is made of.
fn parts(node: &mut Node) -> &mut [Node] {
    match node {
        Node::Not(inner) => std::slice::from_mut(&mut **inner),
        Node::All(parts) | Node::Any(parts) => parts,
        _ => &mut [],
    }
}

/// Takes the numbers away that were given before.
fn plain(node: &mut Node) {
    if let Node::Shared(_, inner) = node {
        *node = std::mem::replace(inner, Node::Truth(false));
    }
    parts(node).iter_mut().for_each(plain);
}

/// What tells a condition from others; `None` for one that is judged as quickly as it is looked up.
fn key(node: &Node) -> Option<String> {
    match node {
        Node::Truth(_) | Node::Fact(_) | Node::Known(_) => None,
        _ => Some(format!("{node:?}")),
    }
}

fn count(node: &Node, times: &mut BTreeMap<String, usize>) {
    if let Some(key) = key(node) {
        *times.entry(key).or_default() += 1;
    }
    match node {
        Node::Not(inner) => count(inner, times),
        Node::All(parts) | Node::Any(parts) => parts.iter().for_each(|part| count(part, times)),
        _ => {}
    }
}

fn share(node: &mut Node, numbers: &BTreeMap<String, usize>) {
    let number = key(node).and_then(|key| numbers.get(&key).copied());
    parts(node).iter_mut().for_each(|part| share(part, numbers));
    if let Some(number) = number {
        let inner = std::mem::replace(node, Node::Truth(false));
        *node = Node::Shared(number, Box::new(inner));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rulebook::expression::{Names, Wanted};
    use crate::rulebook::facts::FACTS;

    fn condition(text: &str) -> Expression {
        let names = Names { facts: FACTS, parameters: &[], extra: &[], terms: &[], phrases: &[] };
        Expression::compile(text, &names, Wanted::Truth).unwrap_or_else(|faults| panic!("{text}: {faults:?}"))
    }

    fn numbers(node: &Node, out: &mut Vec<usize>) {
        match node {
            Node::Shared(number, inner) => {
                out.push(*number);
                numbers(inner, out);
            }
            Node::Not(inner) => numbers(inner, out),
            Node::All(parts) | Node::Any(parts) => parts.iter().for_each(|part| numbers(part, out)),
            _ => {}
        }
    }

    fn numbers_of(condition: &Expression) -> Vec<usize> {
        let mut out = Vec::new();
        numbers(&condition.node, &mut out);
        out
    }

    #[test]
    fn only_what_stands_in_several_places_has_a_number_and_the_same_one_everywhere() {
        let adult = "age >= q('18 a')";
        let mut all = [
            condition(adult),
            condition(&format!("{adult} && weight < q('40 kg')")),
            condition("weight < q('40 kg') || sex == 'male'"),
            condition("weight < q('41 kg')"),
            condition("known(bmi) && has_flush"),
            condition("known(bmi) && !has_flush"),
        ];
        let before: Vec<String> = all.iter().map(|c| format!("{:?}", c.node)).collect();
        for _ in 0..2 {
            // What has numbers already is numbered afresh.
            assert_eq!(number(all.iter_mut()), 2);
            let [alone, both, either, other, known, known_too] = all.each_ref().map(numbers_of);
            assert_eq!(alone.len(), 1);
            assert_eq!(both, [alone[0], either[0]]);
            assert_ne!(alone[0], either[0]);
            assert_eq!([either.len(), other.len(), known.len(), known_too.len()], [1, 0, 0, 0]);
        }
        let alone: Vec<String> = all
            .iter_mut()
            .map(|c| {
                assert_eq!(number(std::iter::once(&mut *c)), 0);
                format!("{:?}", c.node)
            })
            .collect();
        assert_eq!(alone, before);
    }
}
