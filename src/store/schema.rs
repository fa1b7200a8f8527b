//! The tables, in steps that are added to and never changed. A step says down to which version a program can be that
//! works on a database after it: the version before stays able to, so that an upgrade can be taken back.

use super::sql::{Dialect, run};
use super::{Unavailable, packing};
use sqlx::{AnyConnection, AssertSqlSafe, Row};

/// One step.
struct Step {
    /// What it does. `{text}` is the type of texts that are compared byte by byte, `{bytes}` that of bytes; what begins with
    /// the name of a database is for that one only.
    up: &'static [&'static str],
    /// What takes it back.
    down: &'static [&'static str],
    /// The oldest version of the tables that a program can know and still work on these.
    works_with: i64,
}

const STEPS: [Step; 9] = [
    Step {
        up: &[
            "CREATE TABLE items (id {text} PRIMARY KEY, order_key {text}, standing {text} NOT NULL, \
             sort_key {text} NOT NULL, grade BIGINT NOT NULL, tier {text}, not_checked BIGINT NOT NULL, ward TEXT, \
             patient TEXT NOT NULL, starts BIGINT, received BIGINT NOT NULL, changed BIGINT NOT NULL, \
             pharmacist {text} NOT NULL, pharmacist_by {text}, pharmacist_until BIGINT, \
             dietitian {text} NOT NULL, dietitian_by {text}, dietitian_until BIGINT, \
             rules TEXT NOT NULL, search TEXT NOT NULL, state TEXT NOT NULL, report TEXT NOT NULL, \
             resource TEXT NOT NULL)",
            "CREATE INDEX items_order ON items (order_key)",
            "CREATE INDEX items_urgency ON items (standing, sort_key, id)",
            "CREATE INDEX items_changed ON items (changed, id)",
            "CREATE TABLE trail (seq BIGINT PRIMARY KEY, line TEXT NOT NULL, item {text}, detail TEXT, \
             command {text} UNIQUE)",
            "CREATE INDEX trail_item ON trail (item, seq)",
            "CREATE TABLE cards (card {text} NOT NULL, item {text} NOT NULL, PRIMARY KEY (card, item))",
            "CREATE TABLE counts (day {text} NOT NULL, rule {text} NOT NULL, fate {text} NOT NULL, \
             reason {text} NOT NULL, n BIGINT NOT NULL, PRIMARY KEY (day, rule, fate, reason))",
            "CREATE TABLE votes (item {text} NOT NULL, rule {text} NOT NULL, person {text} NOT NULL, \
             useful BIGINT NOT NULL, PRIMARY KEY (item, rule, person))",
        ],
        down: &["DROP TABLE votes", "DROP TABLE counts", "DROP TABLE cards", "DROP TABLE trail", "DROP TABLE items"],
        works_with: 1,
    },
    Step {
        up: &["CREATE INDEX items_patient ON items (patient)", "CREATE INDEX cards_item ON cards (item)"],
        down: &["DROP INDEX cards_item", "DROP INDEX items_patient"],
        works_with: 1,
    },
    // What is to be told to subscribers. A program that does not know it works on, and tells nobody of what it changes.
    Step {
        up: &[
            "CREATE TABLE subscribers (id {text} PRIMARY KEY, since BIGINT NOT NULL, endpoint TEXT NOT NULL, \
             events BIGINT NOT NULL)",
            "CREATE TABLE outbox (subscriber {text} NOT NULL, number BIGINT NOT NULL, event {text} NOT NULL UNIQUE, \
             item {text} NOT NULL, version BIGINT NOT NULL, happened BIGINT NOT NULL, state {text} NOT NULL, \
             tries BIGINT NOT NULL, due BIGINT NOT NULL, lease {text}, lease_until BIGINT, trouble {text}, done BIGINT, \
             PRIMARY KEY (subscriber, number))",
            "CREATE INDEX outbox_due ON outbox (subscriber, due, number) WHERE state = 'waiting'",
            "CREATE INDEX outbox_item ON outbox (subscriber, item, number) WHERE state = 'waiting'",
            "CREATE INDEX outbox_open ON outbox (subscriber, state) WHERE state <> 'delivered'",
        ],
        down: &["DROP TABLE outbox", "DROP TABLE subscribers"],
        works_with: 1,
    },
    // The one change of what is looked for that leaves no entry in the trail, with the entry before it: the same order
    // came again from another ward. By a trigger, so that programs of an earlier version note it as well.
    Step {
        up: &[
            "CREATE TABLE moves (at_seq BIGINT NOT NULL, item {text} NOT NULL)",
            "CREATE INDEX moves_at ON moves (at_seq)",
            "CREATE INDEX moves_item ON moves (item)",
            "sqlite: CREATE TRIGGER items_moved AFTER UPDATE OF ward ON items WHEN OLD.ward IS NOT NEW.ward BEGIN \
             INSERT INTO moves (at_seq, item) VALUES ((SELECT COALESCE(MAX(seq), 0) FROM trail), NEW.id); END",
            "postgres: CREATE FUNCTION items_moved() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN \
             INSERT INTO moves (at_seq, item) SELECT COALESCE(MAX(seq), 0), NEW.id FROM trail; RETURN NULL; END $$",
            "postgres: CREATE TRIGGER items_moved AFTER UPDATE OF ward ON items FOR EACH ROW \
             WHEN (OLD.ward IS DISTINCT FROM NEW.ward) EXECUTE FUNCTION items_moved()",
            // Long texts are compressed by the quicker of its two ways, where the server has it.
            "postgres: DO $$ BEGIN EXECUTE 'ALTER TABLE items ALTER report SET COMPRESSION lz4, \
             ALTER resource SET COMPRESSION lz4, ALTER state SET COMPRESSION lz4'; \
             EXCEPTION WHEN feature_not_supported OR syntax_error THEN NULL; END $$",
        ],
        down: &[
            "sqlite: DROP TRIGGER items_moved",
            "postgres: DROP TRIGGER items_moved ON items",
            "postgres: DROP FUNCTION items_moved()",
            "postgres: DO $$ BEGIN EXECUTE 'ALTER TABLE items ALTER report SET COMPRESSION default, \
             ALTER resource SET COMPRESSION default, ALTER state SET COMPRESSION default'; \
             EXCEPTION WHEN feature_not_supported OR syntax_error THEN NULL; END $$",
            "DROP TABLE moves",
        ],
        works_with: 1,
    },
    // Filters that people keep under a name.
    Step {
        up: &["CREATE TABLE views (person {text} NOT NULL, name {text} NOT NULL, query TEXT NOT NULL, \
               PRIMARY KEY (person, name))"],
        down: &["DROP TABLE views"],
        works_with: 1,
    },
    // Packed reports. A program that does not know them works on, as long as there are none.
    Step {
        up: &[
            "CREATE TABLE dictionaries (id {text} PRIMARY KEY, bytes {bytes} NOT NULL)",
            "ALTER TABLE items ADD COLUMN report_packed {bytes}",
            "ALTER TABLE items ADD COLUMN report_dictionary {text}",
            // The server would only find that it cannot be made shorter.
            "postgres: ALTER TABLE items ALTER report_packed SET STORAGE EXTERNAL",
        ],
        down: &[
            "ALTER TABLE items DROP COLUMN report_dictionary",
            "ALTER TABLE items DROP COLUMN report_packed",
            "DROP TABLE dictionaries",
        ],
        works_with: 1,
    },
    // A patient is looked for by the end of a reference as well, which no index helps with.
    Step { up: &["DROP INDEX items_patient"], down: &["CREATE INDEX items_patient ON items (patient)"], works_with: 1 },
    // Less work for each order on PostgreSQL: no place in an index for the command that few entries of the trail have, and
    // a row of at most half a page stays whole, where most were kept in two tables for a few hundred bytes.
    Step {
        up: &[
            "postgres: ALTER TABLE trail DROP CONSTRAINT trail_command_key",
            "postgres: CREATE UNIQUE INDEX trail_command ON trail (command) WHERE command IS NOT NULL",
            "postgres: ALTER TABLE items SET (toast_tuple_target = 4080)",
        ],
        down: &[
            "postgres: ALTER TABLE items RESET (toast_tuple_target)",
            "postgres: DROP INDEX trail_command",
            "postgres: ALTER TABLE trail ADD CONSTRAINT trail_command_key UNIQUE (command)",
        ],
        works_with: 1,
    },
    // What of an order was on its card, and which answers to cards came already. A program that does not know it works on,
    // and counts as before.
    Step {
        up: &[
            "ALTER TABLE cards ADD COLUMN rules TEXT",
            "CREATE TABLE answers (card {text} NOT NULL, said BIGINT NOT NULL, item {text} NOT NULL, \
             PRIMARY KEY (card, said))",
            "CREATE INDEX answers_item ON answers (item)",
        ],
        down: &["DROP TABLE answers", "ALTER TABLE cards DROP COLUMN rules"],
        works_with: 1,
    },
];

/// The version of the tables that this program makes.
pub const VERSION: i64 = STEPS.len() as i64;

/// A statement as a database takes it; nothing where it is for another.
fn of_dialect(sql: &str, dialect: Dialect) -> Option<String> {
    let (text, bytes, own, other) = match dialect {
        Dialect::Sqlite => ("TEXT", "BLOB", "sqlite: ", "postgres: "),
        Dialect::Postgres => ("TEXT COLLATE \"C\"", "BYTEA", "postgres: ", "sqlite: "),
    };
    let sql = if sql.starts_with(other) { None } else { Some(sql.strip_prefix(own).unwrap_or(sql)) };
    sql.map(|sql| sql.replace("{text}", text).replace("{bytes}", bytes))
}

/// The version of the tables, and the oldest version that a program may know to work on them; `None` where there is
/// no table yet.
pub(super) async fn found(conn: &mut AnyConnection, dialect: Dialect) -> Result<Option<(i64, i64)>, sqlx::Error> {
    let there = match dialect {
        Dialect::Sqlite => "SELECT COUNT(*) FROM sqlite_master WHERE name = 'layout'",
        Dialect::Postgres => {
            "SELECT COUNT(*) FROM information_schema.tables WHERE table_schema = current_schema() AND table_name = 'layout'"
        }
    };
    let there: i64 = sqlx::query(there).fetch_one(&mut *conn).await?.try_get(0)?;
    if there == 0 {
        return Ok(None);
    }
    let row = sqlx::query("SELECT version, works_with FROM layout").fetch_optional(conn).await?;
    row.map(|row| Ok((row.try_get(0)?, row.try_get(1)?))).transpose()
}

/// Tables of a version that this program cannot work on.
pub(super) fn too_new(version: i64) -> Unavailable {
    Unavailable::Database(format!(
        "its tables are of version {version}, made by a newer program; this one knows {VERSION}. Take the step back with the newer program first"
    ))
}

/// Says that only programs that can read packed reports work on the tables from now on, which are of this version at
/// least.
pub(super) async fn allow_packed(conn: &mut AnyConnection) -> Result<(), Unavailable> {
    let since = packing::SINCE;
    run(conn, format!("UPDATE layout SET works_with = {since} WHERE works_with < {since}")).await
}

/// Of tables of this version that were just filled from others: the programs that could work on those can on these.
pub(super) async fn as_before(conn: &mut AnyConnection, works_with: i64) -> Result<(), Unavailable> {
    let own = STEPS.last().map_or(VERSION, |step| step.works_with);
    run(conn, format!("UPDATE layout SET works_with = {}", works_with.clamp(own, VERSION))).await
}

/// Brings the tables to `target`, forward or back, in the transaction of the caller. Where there were none, no earlier
/// program can be there that works on them.
pub(super) async fn bring(conn: &mut AnyConnection, dialect: Dialect, target: i64) -> Result<(), Unavailable> {
    let trouble = |error: sqlx::Error| super::sql::trouble(&error);
    let (mut now, packed) = match found(conn, dialect).await.map_err(trouble)? {
        Some((version, works_with)) if version > VERSION => {
            if works_with <= VERSION && target >= VERSION {
                return Ok(());
            }
            return Err(too_new(version));
        }
        Some((version, works_with)) => (version, works_with >= packing::SINCE),
        None => {
            run(conn, "CREATE TABLE layout (version BIGINT NOT NULL, works_with BIGINT NOT NULL)".to_owned()).await?;
            run(conn, "INSERT INTO layout (version, works_with) VALUES (0, 0)".to_owned()).await?;
            (0, true)
        }
    };
    if !(0..=VERSION).contains(&target) {
        return Err(Unavailable::Database(format!("there is no version {target} of the tables")));
    }
    while now != target {
        let up = now < target;
        let nth = usize::try_from(if up { now } else { now - 1 }).unwrap_or_default();
        let Some(step) = STEPS.get(nth) else { break };
        if !up && now == packing::SINCE {
            packing::unpack_all(conn).await?;
        }
        let statements = if up { step.up } else { step.down };
        for sql in statements.iter().filter_map(|sql| of_dialect(sql, dialect)) {
            run(conn, sql).await?;
        }
        now += if up { 1 } else { -1 };
        let own = usize::try_from(now - 1).ok().and_then(|nth| STEPS.get(nth)).map_or(0, |step| step.works_with);
        // What was said of packed reports stays, as long as there can be any.
        let works_with = if packed && now >= packing::SINCE { own.max(packing::SINCE) } else { own };
        let noted = sqlx::query(AssertSqlSafe("UPDATE layout SET version = $1, works_with = $2".to_owned()));
        noted.bind(now).bind(works_with).execute(&mut *conn).await.map_err(trouble)?;
    }
    Ok(())
}
