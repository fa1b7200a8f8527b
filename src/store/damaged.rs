//! Items that are kept and cannot be read: each is named once, until it was read well again or is there no more.

use super::sql::{Shared, locked};
use super::{Unavailable, packing, reader};
use crate::queue::item::ItemId;
use sqlx::AnyPool;
use std::fmt;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// Most items that are told apart.
const MOST: usize = 1000;
/// How often what is damaged is looked at again, when nobody else does: somebody may have mended or removed it.
const BETWEEN_LOOKS: Duration = Duration::from_secs(5);

/// An item that cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Damage {
    /// Which.
    pub item: ItemId,
    /// What is wrong with it, with its id.
    pub what: String,
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.what)
    }
}

/// All of them that are known, those that were found last last.
#[derive(Default)]
pub(super) struct DamagedItems(Mutex<Vec<Damage>>);

impl DamagedItems {
    /// Notes one with what is wrong with it; of one that is known, what was found last.
    pub(super) fn note(&self, damage: &Damage) {
        let mut all = locked(&self.0);
        if let Some(own) = all.iter_mut().find(|own| own.item == damage.item) {
            own.what.clone_from(&damage.what);
        } else if all.len() < MOST {
            all.push(damage.clone());
            let what = &damage.what;
            tracing::error!(
                what,
                "an item of the queue cannot be read: whatever is about it waits, and all else goes on"
            );
        }
    }

    /// Notes one of which only a list was made.
    pub(super) fn note_listed(&self, item: &ItemId) {
        if !self.has(item) {
            self.note(&Damage { item: item.clone(), what: format!("item {item}") });
        }
    }

    fn has(&self, item: &ItemId) -> bool {
        locked(&self.0).iter().any(|own| own.item == *item)
    }

    /// How many there are, and what is wrong with the last of them.
    pub(super) fn told(&self) -> (u64, Option<String>) {
        let all = locked(&self.0);
        (all.len() as u64, all.last().map(|last| last.what.clone()))
    }

    /// Looks at an item again, where it is one of them, and takes it out where it and its trail were read well, or it is gone.
    pub(super) async fn look_again(&self, pool: &AnyPool, dictionaries: &packing::Dictionaries, item: &ItemId) {
        if !self.has(item) {
            return;
        }
        let whole = async {
            reader::get(pool, dictionaries, item).await?;
            reader::trail(pool, item).await
        };
        match whole.await {
            Ok(_) => {
                locked(&self.0).retain(|own| own.item != *item);
                tracing::info!(
                    item = item.as_str(),
                    "an item of the queue that could not be read can be, or is removed"
                );
            }
            Err(Unavailable::DamagedItem(damage)) => self.note(&damage),
            // Nothing is known of it now.
            Err(_) => {}
        }
    }
}

/// Looks at what is damaged from time to time.
pub(super) async fn look_again(shared: Arc<Shared>, pool: AnyPool) {
    loop {
        tokio::time::sleep(BETWEEN_LOOKS).await;
        let items: Vec<ItemId> = locked(&shared.damaged_items.0).iter().map(|own| own.item.clone()).collect();
        for item in items {
            shared.damaged_items.look_again(&pool, &shared.dictionaries, &item).await;
        }
    }
}
