//! Cards and what became of them, and what is counted of actions.

use super::work::Work;
use crate::queue::item::{CardShown, ItemId, Received, Summary};
use crate::queue::tally::{Count, Fate};
use crate::queue::trail::Event;
use crate::queue::work::{Action, Command};
use crate::queue::{Person, Role};
use crate::store::sql::{Value, statement, trouble};
use crate::store::{CardAnswer, Unavailable};
use sqlx::{AnyConnection, Row};

/// The version of the tables that brought answers to cards, and what was on these.
pub(in crate::store) const ANSWERS_SINCE: i64 = 9;

/// What stands for a reason that no card offers, in what is counted.
const REASON_NOT_OFFERED: &str = "not-offered";

impl Work {
    /// Feedback on its cards is about this item from now on.
    pub(super) fn join_cards(&mut self, received: &Received, id: &ItemId) {
        for CardShown { id: card, rules } in &received.cards {
            let rules = rules.join("|");
            self.cards.insert(card.clone(), (id.clone(), Some(rules.clone())));
            self.new_cards.insert((card.clone(), id.clone()), rules);
        }
    }

    pub(super) async fn count_action(
        &mut self,
        conn: &mut AnyConnection,
        summary: &Summary,
        command: &Command,
    ) -> Result<(), Unavailable> {
        let of_lane = summary.for_lane.get(&command.lane).cloned().unwrap_or_default();
        let counts: Vec<Count> = match &command.action {
            Action::Accept { reason } => {
                of_lane.iter().map(|rule| Count::one(rule, Fate::Accepted, &reason.code)).collect()
            }
            Action::CloseAsChanged { .. } => of_lane.iter().map(|rule| Count::one(rule, Fate::Changed, "")).collect(),
            Action::Judge { rule, useful } => {
                let vote = (summary.id.clone(), rule.clone(), command.by.id.clone());
                let before = match self.votes.get(&vote) {
                    Some(before) => Some(*before),
                    None => {
                        let sql = "SELECT useful FROM votes WHERE item = $1 AND rule = $2 AND person = $3".to_owned();
                        let values = [summary.id.as_str(), rule, &command.by.id].map(Value::from);
                        let row = statement(sql, values).fetch_optional(conn).await.map_err(|e| trouble(&e))?;
                        let vote = row.map(|row| row.try_get::<i64, _>(0)).transpose().map_err(|e| trouble(&e))?;
                        vote.map(|vote| vote != 0)
                    }
                };
                let fate = |useful| if useful { Fate::Useful } else { Fate::NotUseful };
                let back = before.map(|before| Count { n: -1, ..Count::one(rule, fate(before), "") });
                self.votes.insert(vote.clone(), *useful);
                self.new_votes.insert(vote, *useful);
                [Count::one(rule, fate(*useful), "")].into_iter().chain(back).collect()
            }
            _ => Vec::new(),
        };
        for count in counts {
            self.count(command.at, count);
        }
        Ok(())
    }

    /// Joins an answer to the item of its card, once: clients send it again when they do not know whether it arrived.
    pub(super) fn answered(&mut self, answer: &CardAnswer) -> bool {
        let Some((item, shown)) = self.cards.get(&answer.card).cloned() else { return false };
        let Some(held) = self.items.get_mut(&item) else { return false };
        let own = (answer.card.clone(), answer.said.as_microsecond());
        if !self.answered_before.insert(own.clone()) {
            return true;
        }
        self.new_answers.insert(own, item);
        held.summary.touched(answer.at);
        held.changed = true;
        let summary = held.summary.clone();
        let (fate, reason) = if answer.accepted {
            (Fate::CardAccepted, "")
        } else {
            // What no card offers may say anything, of a patient too.
            let reason = answer.reason.as_deref();
            (Fate::CardOverridden, reason.map_or("", |own| if answer.offered { own } else { REASON_NOT_OFFERED }))
        };
        // What was found beside it, for others than the prescriber, nobody has answered.
        for rule in shown.iter().flat_map(|shown| shown.split('|')).filter(|rule| !rule.is_empty()) {
            self.count(answer.at, Count::one(rule, fate, reason));
        }
        let what = Event::CardAnswered {
            card: answer.card.clone(),
            accepted: answer.accepted,
            reason: answer.reason.clone(),
            comment: answer.comment.clone(),
            said: Some(answer.said),
        };
        let by = Person { id: "prescriber".to_owned(), name: "the prescriber".to_owned(), role: Role::Prescriber };
        self.enter(&summary, answer.at, by, what, None);
        true
    }
}
