//! Reports that are kept packed, beside plain ones.

use crate::orders::{Folder, GAPS, Place, accept, all, appraised, at, command, json, order, pharmacist, put, samples};
use enteral_gate::queue::item::{ItemId, Received};
use enteral_gate::queue::policy::Policy;
use enteral_gate::queue::{Role, trail::Event};
use enteral_gate::store::backup::{backup, restore};
use enteral_gate::store::schema::VERSION;
use enteral_gate::store::{
    LONGEST_PACKED, MOST_OF_A_DICTIONARY, Recorded, SqlStore, Store, Unavailable, pack_reports, packs_reports, tables,
    verify,
};
use std::sync::Arc;

/// The version of the tables that brought packed reports.
const SINCE: i64 = 6;

fn text(order: &Received) -> String {
    serde_json::to_string(&*order.report).unwrap()
}

/// How the report of an item is kept: the plain one, and the hexadecimal digits of the packed one.
async fn kept(place: &Place, item: &ItemId) -> (String, String) {
    let plain = place.lines(&format!("SELECT report FROM items WHERE id = '{item}'")).await.remove(0);
    let hex = match place {
        Place::Sqlite(_) => "hex(report_packed)",
        Place::Postgres(_) => "upper(encode(report_packed, 'hex'))",
    };
    let packed = place.lines(&format!("SELECT COALESCE({hex}, '') FROM items WHERE id = '{item}'")).await.remove(0);
    (plain, packed)
}

fn bytes(place: &Place, hex: &str) -> String {
    match place {
        Place::Sqlite(_) => format!("X'{hex}'"),
        Place::Postgres(_) => format!("decode('{hex}', 'hex')"),
    }
}

async fn dictionaries(place: &Place) -> Vec<String> {
    place.lines("SELECT id FROM dictionaries ORDER BY id").await
}

async fn works_with(place: &Place) -> i64 {
    place.lines("SELECT CAST(works_with AS TEXT) FROM layout").await[0].parse().unwrap()
}

async fn read(store: &SqlStore, order: &Received) -> bool {
    store.get(order.id()).await.unwrap().unwrap().report == *order.report
}

/// Order `n` with something else in its report.
fn judged_otherwise(n: usize, minute: i64) -> Received {
    let mut out = order(n, 1, minute);
    Arc::make_mut(&mut out.report)
        .notes
        .push("Invented: judged otherwise, ü \u{1F37C} \"quoted\" \\ \u{0}.".to_owned());
    out
}

pub async fn reports_are_kept_packed_and_read_whole(place: Place) {
    let store = place.open().await;
    for n in 0..40 {
        put(&store, appraised(&json(&format!("n{n}"), &format!("p{n}"), GAPS), n)).await;
    }
    for n in 0..40 {
        let sent = appraised(&json(&format!("n{n}"), &format!("p{n}"), GAPS), n);
        assert!(read(&store, &sent).await);
        let (plain, packed) = kept(&place, &sent.id()).await;
        assert_eq!(plain, "");
        assert!(packed.len() / 2 < text(&sent).len() / 5, "{} of {} bytes", packed.len() / 2, text(&sent).len());
    }
    store.act(appraised(&json("n1", "p1", GAPS), 1).id(), command(&pharmacist("ann"), 1, 50, accept())).await.unwrap();
    assert!(read(&store, &appraised(&json("n1", "p1", GAPS), 1)).await, "what is decided keeps its report");
    assert_eq!(store.verify().await.unwrap().items, 40);
    store.close().await.unwrap();
}

pub async fn plain_and_packed_reports_are_read_side_by_side(place: Place) {
    let store = place.open_plain(Policy::default()).await;
    put(&store, order(1, 1, 0)).await;
    put(&store, order(2, 1, 0)).await;
    assert!(!store.pack_like(&[]), "without samples there is nothing to pack by");
    assert_eq!(kept(&place, &order(1, 1, 0).id()).await, (text(&order(1, 1, 0)), String::new()));
    store.close().await.unwrap();
    let store = place.open().await;
    put(&store, order(3, 1, 1)).await;
    for n in 1..4 {
        assert!(read(&store, &order(n, 1, 0)).await);
    }
    // What is judged again is packed from then on, and what is not stays as it is.
    put(&store, judged_otherwise(2, 2)).await;
    put(&store, order(1, 1, 2)).await;
    assert!(read(&store, &judged_otherwise(2, 2)).await && read(&store, &order(1, 1, 2)).await);
    assert_eq!(kept(&place, &order(2, 1, 0).id()).await.0, "");
    assert_eq!(kept(&place, &order(1, 1, 0).id()).await.0, text(&order(1, 1, 0)));
    assert_eq!(store.verify().await.unwrap().items, 3);
    store.close().await.unwrap();
    // And the other way round: a program without samples keeps what it judges again plain.
    let store = place.open_plain(Policy::default()).await;
    put(&store, judged_otherwise(3, 3)).await;
    assert!(read(&store, &judged_otherwise(3, 3)).await);
    assert_eq!(kept(&place, &order(3, 1, 0).id()).await, (text(&judged_otherwise(3, 3)), String::new()));
    assert_eq!(store.verify().await.unwrap().items, 3);
    store.close().await.unwrap();
}

pub async fn what_comes_again_is_compared_by_what_it_says(place: Place) {
    let changes = async |store: &SqlStore| {
        let trail = store.trail(order(1, 1, 0).id()).await.unwrap();
        trail.into_iter().map(|entry| entry.what).collect::<Vec<_>>()
    };
    // Kept plain, packed, and packed by what another institution says: it comes again and says the same.
    let store = place.open_plain(Policy::default()).await;
    put(&store, order(1, 1, 0)).await;
    store.close().await.unwrap();
    let others: Vec<String> = samples().iter().rev().take(2).cloned().collect();
    for (n, samples) in [samples(), &others, samples()].into_iter().enumerate() {
        let store = place.open_plain(Policy::default()).await;
        assert!(store.pack_like(samples));
        assert!(matches!(store.record(vec![order(1, 1, 5)]).await.unwrap()[..], [Recorded::Again(_)]));
        assert_eq!(changes(&store).await, [Event::Recorded { replaces: None }], "{n}: nothing new was said");
        store.close().await.unwrap();
        if n == 0 {
            assert_ne!(kept(&place, &order(1, 1, 0).id()).await.0, "", "what says the same is not written again");
            place.tamper("DELETE FROM items").await;
            place.tamper("DELETE FROM trail").await;
            let store = place.open().await;
            put(&store, order(1, 1, 0)).await;
            store.close().await.unwrap();
        }
    }
    // What says something else is another report, and counted as such.
    let store = place.open().await;
    put(&store, judged_otherwise(1, 6)).await;
    assert!(read(&store, &judged_otherwise(1, 6)).await);
    store.close().await.unwrap();
}

pub async fn what_cannot_be_unpacked_is_named(place: Place) {
    let store = place.open().await;
    for n in 0..3 {
        put(&store, order(n, 1, n as i64)).await;
    }
    store.close().await.unwrap();
    let id = order(1, 1, 0).id();
    let (_, whole) = kept(&place, &id).await;
    let own = dictionaries(&place).await.remove(0);
    let mut flipped = whole.clone();
    let middle = flipped.len() / 2;
    let other = if flipped.as_bytes()[middle] == b'0' { "1" } else { "0" };
    flipped.replace_range(middle..=middle, other);
    let set = |column: &str, value: &str| format!("UPDATE items SET {column} = {value} WHERE id = '{id}'");
    // A frame of its own that says to be longer than anything that is packed: content size of 8 bytes, one segment.
    let long = format!("28B52FFDE0{}010000", hex(&(LONGEST_PACKED as u64 + 1).to_le_bytes()));
    let unknown = "0".repeat(64);
    let damages = [
        (set("report_packed", &bytes(&place, &flipped)), "cannot be unpacked"),
        (set("report_packed", &bytes(&place, &whole[..whole.len() - 10])), "cannot be unpacked"),
        (set("report_packed", &bytes(&place, "")), "cannot be unpacked"),
        (set("report_packed", &bytes(&place, "00112233445566778899")), "cannot be unpacked"),
        (set("report_packed", &bytes(&place, &long)), "longer than any that is packed"),
        (set("report_packed", "NULL"), "has no report"),
        (set("report_dictionary", "NULL"), "has no report"),
        (set("report_dictionary", &format!("'{unknown}'")), "is not there"),
    ];
    let look = async |why: &str| {
        let store = place.open().await;
        let Err(Unavailable::DamagedItem(said)) = store.get(id.clone()).await else { panic!("{why}: it was read") };
        assert!(said.item == id && said.what.contains(id.as_str()) && said.what.contains(why), "{said}, and not {why}");
        assert_eq!(all(&store).await.len(), 3, "lists do not need it");
        // What comes of the order again cannot be compared with it, unless it is kept in just that way.
        if why != "has no report" && why != "is not there" && why != "was changed" {
            let came = store.record(vec![judged_otherwise(1, 5)]).await;
            assert!(matches!(came, Err(Unavailable::DamagedItem(_))), "{came:?}");
        }
        let Err(Unavailable::Damaged(said)) = verify(&place.text(), None).await else { panic!("{why}: it is whole") };
        assert!(said.contains(why), "{said}, and not {why}");
        store.close().await.unwrap();
    };
    for (damage, why) in damages {
        place.tamper(&damage).await;
        look(why).await;
        place.tamper(&set("report_packed", &bytes(&place, &whole))).await;
        place.tamper(&set("report_dictionary", &format!("'{own}'"))).await;
        verify(&place.text(), None).await.unwrap();
        let store = place.open().await;
        for n in 0..3 {
            assert!(read(&store, &order(n, 1, 0)).await);
        }
        store.close().await.unwrap();
    }
    // A dictionary that was changed, and one that is not there: whoever packs with it has it in memory, others have not.
    let by_others = async |why: &str| {
        let store = place.open_plain(Policy::default()).await;
        let Err(Unavailable::DamagedItem(said)) = store.get(id.clone()).await else { panic!("{why}: it was read") };
        assert!(said.item == id && said.what.contains(id.as_str()) && said.what.contains(why), "{said}, and not {why}");
        let Err(Unavailable::Damaged(said)) = store.verify().await else { panic!("{why}: it is whole") };
        assert!(said.contains(why), "{said}, and not {why}");
        store.close().await.unwrap();
    };
    place.tamper(&format!("UPDATE dictionaries SET bytes = {}", bytes(&place, "7B7D"))).await;
    by_others("was changed").await;
    place.tamper("DELETE FROM dictionaries").await;
    by_others("is not there").await;
    // The same samples make it again, with the next report.
    let store = place.open().await;
    put(&store, order(7, 1, 9)).await;
    assert_eq!(store.verify().await.unwrap().items, 4);
    store.close().await.unwrap();
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect()
}

pub async fn a_dictionary_is_kept_with_the_first_report_and_once(place: Place) {
    let store = place.open().await;
    assert_eq!(dictionaries(&place).await.len(), 0, "before a report is packed by it");
    put(&store, order(1, 1, 0)).await;
    let one = dictionaries(&place).await;
    assert_eq!(one.len(), 1);
    let length = place.lines("SELECT CAST(LENGTH(bytes) AS TEXT) FROM dictionaries").await.remove(0);
    let length: usize = length.parse().unwrap();
    assert!(length <= MOST_OF_A_DICTIONARY && length > MOST_OF_A_DICTIONARY / 2, "{length}");
    put(&store, order(2, 1, 0)).await;
    store.close().await.unwrap();
    let store = place.open().await;
    put(&store, order(3, 1, 0)).await;
    assert_eq!(dictionaries(&place).await, one, "the same samples are the same dictionary");
    // The database is put back to a moment before, while the program goes on.
    place.tamper("DELETE FROM dictionaries").await;
    put(&store, order(4, 1, 0)).await;
    assert_eq!(dictionaries(&place).await, one);
    assert_eq!(store.verify().await.unwrap().items, 4);
    store.close().await.unwrap();
}

pub async fn a_dictionary_is_kept_where_the_first_try_failed(place: Place) {
    let id = order(1, 1, 0).id();
    // Something that is there already, so that no second item can be.
    let plain = place.open_plain(Policy::default()).await;
    put(&plain, order(9, 1, 0)).await;
    plain.close().await.unwrap();
    place.tamper("CREATE UNIQUE INDEX never ON items (standing)").await;
    let store = place.open().await;
    assert!(store.record(vec![order(1, 1, 0)]).await.is_err());
    assert_eq!(dictionaries(&place).await.len(), 0, "nothing is half done");
    place.tamper("DROP INDEX never").await;
    let end = std::time::Instant::now() + std::time::Duration::from_secs(20);
    while store.get(id.clone()).await.unwrap().is_none() {
        assert!(std::time::Instant::now() < end);
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    assert_eq!((dictionaries(&place).await.len(), kept(&place, &id).await.0), (1, String::new()));
    assert_eq!(store.verify().await.unwrap().items, 2);
    store.close().await.unwrap();
}

pub async fn tables_of_before_keep_reports_plain_until_told(place: Place) {
    let at = place.text();
    let store = place.open_plain(Policy::default()).await;
    put(&store, order(1, 1, 0)).await;
    store.close().await.unwrap();
    assert_eq!(works_with(&place).await, SINCE, "no earlier program was ever there");
    tables(&at, Some(SINCE - 1)).await.unwrap();
    assert_eq!(works_with(&place).await, 1);
    // Brought forward by a start: programs of before go on working, and read everything.
    let store = place.open_plain(Policy::default()).await;
    assert!(!store.pack_like(samples()));
    put(&store, order(2, 1, 1)).await;
    put(&store, judged_otherwise(1, 2)).await;
    store.close().await.unwrap();
    assert_eq!(works_with(&place).await, 1);
    assert!(!packs_reports(&at).await.unwrap());
    let of_before = place.lines("SELECT report FROM items ORDER BY received").await;
    assert_eq!(of_before, [text(&judged_otherwise(1, 2)), text(&order(2, 1, 1))], "as they were always kept");
    assert_eq!(dictionaries(&place).await.len(), 0);
    // A start changes nothing about it; a word does.
    pack_reports(&at).await.unwrap();
    assert_eq!(works_with(&place).await, SINCE);
    assert!(packs_reports(&at).await.unwrap());
    let store = place.open_plain(Policy::default()).await;
    assert!(store.pack_like(samples()));
    put(&store, order(3, 1, 3)).await;
    assert_eq!(kept(&place, &order(3, 1, 3).id()).await.0, "");
    assert!(read(&store, &order(3, 1, 3)).await && read(&store, &order(2, 1, 1)).await);
    store.close().await.unwrap();
    pack_reports(&at).await.unwrap();
    assert_eq!(works_with(&place).await, SINCE, "once is enough");
    // Said by hand that programs of before may use them again, while something is packed: that is not whole.
    place.tamper("UPDATE layout SET works_with = 1").await;
    let wrong = verify(&at, None).await.unwrap_err().to_string();
    assert!(wrong.contains(order(3, 1, 3).id().as_str()) && wrong.contains("cannot read it"), "{wrong}");
}

pub async fn the_step_back_makes_reports_plain(place: Place) {
    let at = place.text();
    let store = place.open().await;
    // More than are unpacked at a time.
    store.record((0..230).map(|n| order(n, 1, n as i64)).collect()).await.unwrap();
    put(&store, judged_otherwise(0, 300)).await;
    store.close().await.unwrap();
    assert_eq!(tables(&at, Some(SINCE - 1)).await.unwrap(), SINCE - 1);
    assert_eq!(works_with(&place).await, 1);
    let of_before = place.lines("SELECT report FROM items ORDER BY received").await;
    assert_eq!(of_before.len(), 230);
    assert_eq!(of_before[0], text(&judged_otherwise(0, 300)));
    assert!(of_before[1..].iter().all(|report| *report == text(&order(1, 1, 0))));
    verify(&at, None).await.unwrap();
    let store = place.open().await;
    assert!(read(&store, &order(7, 1, 0)).await);
    put(&store, order(300, 1, 400)).await;
    assert_eq!(kept(&place, &order(300, 1, 0).id()).await.1, "", "programs of before may be there again");
    assert_eq!(store.verify().await.unwrap().items, 231);
    store.close().await.unwrap();
    // And as far as there are steps.
    pack_reports(&at).await.unwrap();
    tables(&at, Some(1)).await.unwrap();
    assert_eq!(place.lines("SELECT report FROM items").await.len(), 231);
}

pub async fn the_step_back_is_not_taken_where_a_report_is_damaged(place: Place) {
    let at = place.text();
    let store = place.open().await;
    for n in 0..3 {
        put(&store, order(n, 1, n as i64)).await;
    }
    store.close().await.unwrap();
    let id = order(1, 1, 0).id();
    place.tamper(&format!("UPDATE items SET report_packed = {} WHERE id = '{id}'", bytes(&place, "0102"))).await;
    let refused = tables(&at, Some(SINCE - 1)).await.unwrap_err().to_string();
    assert!(refused.contains(id.as_str()), "{refused}");
    assert_eq!((tables(&at, None).await.unwrap(), works_with(&place).await), (VERSION, SINCE));
    let store = place.open().await;
    assert!(read(&store, &order(2, 1, 0)).await, "nothing has changed");
    assert_eq!(kept(&place, &order(2, 1, 0).id()).await.0, "");
    store.close().await.unwrap();
}

/// Tables that were taken back, and forward again by somebody else, while a service used them: programs of before may work
/// on them, so that nothing packed is written; what came is kept and recorded later.
pub async fn what_was_taken_back_under_a_service_is_not_written_to(place: Place) {
    let store = place.open().await;
    put(&store, order(1, 1, 0)).await;
    place.tamper("UPDATE layout SET works_with = 1").await;
    let refused = store.record(vec![order(2, 1, 1)]).await.unwrap_err();
    assert!(refused.to_string().contains("were taken back"), "{refused}");
    assert_eq!(place.lines("SELECT id FROM items").await.len(), 1);
    place.tamper(&format!("UPDATE layout SET works_with = {SINCE}")).await;
    for _ in 0..100 {
        if store.get(order(2, 1, 1).id()).await.unwrap().is_some() {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    }
    assert!(read(&store, &order(2, 1, 1)).await && read(&store, &order(1, 1, 0)).await);
    store.close().await.unwrap();
}

/// A copy of tables that this program does not know in full would lack what it does not know.
pub async fn tables_of_a_newer_program_are_not_copied(place: Place) {
    let folder = Folder::new();
    let store = place.open().await;
    put(&store, order(1, 1, 0)).await;
    store.close().await.unwrap();
    let newer = VERSION + 1;
    place.tamper(&format!("UPDATE layout SET version = {newer}, works_with = {newer}")).await;
    let refused = backup(&place.text(), &folder.join("copy.sqlite")).await.unwrap_err().to_string();
    assert!(refused.contains("made by a newer program"), "{refused}");
}

/// Replicas of institutions that say different things, or one program after another.
pub async fn reports_of_others_are_read_by_their_dictionaries(place: Place) {
    let others: Vec<String> = samples().iter().take(2).cloned().collect();
    let open = async |samples: &[String]| {
        let store = place.open_plain(Policy::default()).await;
        assert!(store.pack_like(samples));
        store
    };
    let one = open(samples()).await;
    put(&one, order(1, 1, 0)).await;
    if matches!(place, Place::Sqlite(_)) {
        one.close().await.unwrap();
    }
    let two = open(&others).await;
    put(&two, order(2, 1, 1)).await;
    assert_eq!(dictionaries(&place).await.len(), 2);
    assert!(read(&two, &order(1, 1, 0)).await);
    // It comes again at the other, saying the same, and then something else.
    assert!(matches!(two.record(vec![order(1, 1, 2)]).await.unwrap()[..], [Recorded::Again(_)]));
    assert_eq!(two.trail(order(1, 1, 0).id()).await.unwrap().len(), 1);
    put(&two, judged_otherwise(1, 3)).await;
    assert!(read(&two, &judged_otherwise(1, 3)).await);
    if matches!(place, Place::Sqlite(_)) {
        two.close().await.unwrap();
        let one = open(samples()).await;
        assert!(read(&one, &judged_otherwise(1, 3)).await && read(&one, &order(2, 1, 1)).await);
        assert_eq!(one.verify().await.unwrap().items, 2);
        one.close().await.unwrap();
        return;
    }
    assert!(read(&one, &judged_otherwise(1, 3)).await && read(&one, &order(2, 1, 1)).await);
    // Both at the same time, each the orders of the other as well.
    let (one, two) = (Arc::new(one), Arc::new(two));
    let writing: Vec<_> = [one.clone(), two.clone()]
        .into_iter()
        .map(|store| {
            tokio::spawn(async move {
                for n in 10..60 {
                    put(&*store, order(n, 1, n as i64)).await;
                }
            })
        })
        .collect();
    for one in writing {
        one.await.unwrap();
    }
    for n in 10..60 {
        assert!(read(&one, &order(n, 1, 0)).await && read(&two, &order(n, 1, 0)).await);
    }
    assert_eq!(one.verify().await.unwrap().items, 52);
    one.close().await.unwrap();
    two.close().await.unwrap();
}

pub async fn copies_of_packed_reports_are_whole(place: Place) {
    let folder = Folder::new();
    let at = place.text();
    let store = place.open_plain(Policy::default()).await;
    put(&store, order(1, 1, 0)).await;
    store.close().await.unwrap();
    let store = place.open().await;
    put(&store, order(2, 1, 1)).await;
    let copy = folder.join("copy.sqlite");
    assert_eq!(backup(&at, &copy).await.unwrap().items, 2);
    store.close().await.unwrap();
    let into = [Place::Sqlite(folder.join("other.sqlite")), Place::Postgres(crate::cluster::shared().database())];
    for into in &into {
        assert_eq!(restore(&copy, &into.text()).await.unwrap().0.items, 2);
        for n in 1..3 {
            assert_eq!(kept(into, &order(n, 1, 0).id()).await, kept(&place, &order(n, 1, 0).id()).await);
        }
        assert_eq!(works_with(into).await, SINCE);
        let store = into.open_plain(Policy::default()).await;
        assert!(read(&store, &order(1, 1, 0)).await && read(&store, &order(2, 1, 1)).await);
        assert_eq!(store.verify().await.unwrap().items, 2);
        store.close().await.unwrap();
    }
    // A copy of a store that earlier programs may use may be used by them as well; so may a copy made before the step.
    tables(&at, Some(SINCE - 1)).await.unwrap();
    let before = folder.join("before.sqlite");
    backup(&at, &before).await.unwrap();
    assert_eq!(works_with(&Place::Sqlite(before.clone())).await, 1);
    tables(&at, Some(SINCE)).await.unwrap();
    let after = folder.join("after.sqlite");
    backup(&at, &after).await.unwrap();
    tables(before.to_str().unwrap(), Some(SINCE - 1)).await.unwrap();
    for copy in [before, after] {
        let into = Place::Postgres(crate::cluster::shared().database());
        assert_eq!(restore(&copy, &into.text()).await.unwrap().0.items, 2);
        assert_eq!((tables(&into.text(), None).await.unwrap(), works_with(&into).await), (VERSION, 1));
        let store = into.open_plain(Policy::default()).await;
        assert!(!store.pack_like(samples()));
        assert!(read(&store, &order(2, 1, 1)).await);
        store.close().await.unwrap();
    }
    // A dictionary that is missing in a copy: it is not put back.
    Place::Sqlite(copy.clone()).tamper("DELETE FROM dictionaries").await;
    let other = folder.join("never.sqlite");
    let refused = restore(&copy, other.to_str().unwrap()).await.unwrap_err().to_string();
    assert!(refused.contains("is not there") && !other.exists(), "{refused}");
}

pub async fn a_purge_leaves_dictionaries(place: Place) {
    let store = place.open().await;
    put(&store, order(1, 1, 0)).await;
    store.act(order(1, 1, 0).id(), command(&pharmacist("ann"), 1, 1, accept())).await.unwrap();
    let by = crate::orders::person("ops", Role::Coordinator);
    assert_eq!(store.purge(at(100), by, at(100)).await.unwrap(), 1);
    assert_eq!(dictionaries(&place).await.len(), 1, "somebody may be about to write with it");
    // Nothing of what was removed is in it: whatever is recorded, it is what the samples say.
    let folder = Folder::new();
    let elsewhere = Place::Sqlite(folder.join("elsewhere.sqlite"));
    let others = elsewhere.open().await;
    put(&others, judged_otherwise(77, 0)).await;
    others.close().await.unwrap();
    assert_eq!(dictionaries(&elsewhere).await, dictionaries(&place).await);
    let other = put(&store, order(2, 1, 101)).await;
    assert_eq!((dictionaries(&place).await.len(), all(&store).await.len()), (1, 1));
    assert!(store.get(other).await.unwrap().is_some());
    assert_eq!(store.verify().await.unwrap().items, 1);
    store.close().await.unwrap();
}
