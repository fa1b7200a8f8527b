//! People at the pages: who they are, how they sign in with the start-up token, and their sessions.
//!
//! INVARIANT: neither the token nor a session's id is in a log line or an answer's body; of a session only a hash of its id
//! is kept.

use super::oidc::Provider;
use crate::answer::unseen;
use crate::queue::{self, Lane};
use crate::store::Store;
use http::{HeaderMap, HeaderValue, header};
use jiff::{SignedDuration, Timestamp};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use uuid::Uuid;

/// Most sessions at the same time; the oldest gives way.
const MOST_SESSIONS: usize = 500;
/// Most people who are remembered so that others can hand over to them, and for how long.
const MOST_SEEN: usize = 500;
/// How long what the store said of others is good.
const LEARN: SignedDuration = SignedDuration::from_mins(1);
const KNOWN: SignedDuration = SignedDuration::from_hours(14 * 24);
/// Longest life of a session, and longest time without a request.
const LIFE: SignedDuration = SignedDuration::from_hours(12);
const IDLE: SignedDuration = SignedDuration::from_hours(1);
/// Wrong tokens that are answered in a minute; after that nobody signs in until the minute is over.
const MOST_WRONG: u32 = 10;

/// What somebody is at work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Job {
    /// Works the pharmacists' lane.
    Pharmacist,
    /// Works the dietitians' lane.
    Dietitian,
    /// Reads and comments.
    Prescriber,
    /// Reads.
    Nurse,
    /// Reads rules, their statistics and the state of the service; no orders.
    RuleOwner,
    /// Reads everything.
    Auditor,
    /// Hands items over in both lanes; decides in none.
    Admin,
}

impl Job {
    /// All, with their word in forms and files, and for people.
    pub const ALL: [(Self, &'static str, &'static str); 7] = [
        (Self::Pharmacist, "pharmacist", "pharmacist"),
        (Self::Dietitian, "dietitian", "dietitian"),
        (Self::Prescriber, "prescriber", "prescriber"),
        (Self::Nurse, "nurse", "nurse"),
        (Self::RuleOwner, "rule-owner", "rule owner"),
        (Self::Auditor, "auditor", "auditor"),
        (Self::Admin, "admin", "administrator"),
    ];

    /// The job of that word.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.iter().find(|(_, own, _)| *own == word).map(|(job, ..)| *job)
    }

    /// For people.
    pub fn words(self) -> &'static str {
        Self::ALL.iter().find(|(job, ..)| *job == self).map_or("", |(.., words)| words)
    }

    /// What it is on the queue; `None`: it sees no orders.
    pub const fn role(self) -> Option<queue::Role> {
        match self {
            Self::Pharmacist => Some(queue::Role::Pharmacist),
            Self::Dietitian => Some(queue::Role::Dietitian),
            Self::Prescriber => Some(queue::Role::Prescriber),
            Self::Nurse | Self::Auditor => Some(queue::Role::Reader),
            Self::Admin => Some(queue::Role::Coordinator),
            Self::RuleOwner => None,
        }
    }

    /// The lane whose list it sees first.
    pub fn lane(self) -> Option<Lane> {
        self.role().and_then(queue::Role::lane)
    }
}

/// Somebody who may sign in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Person {
    /// A stable id.
    pub id: String,
    /// Their name.
    pub name: String,
    /// What they are.
    pub job: Job,
}

impl Person {
    /// The same for the queue; `None` where they see none.
    pub fn on_queue(&self) -> Option<queue::Person> {
        Some(queue::Person { id: self.id.clone(), name: self.name.clone(), role: self.job.role()? })
    }
}

/// Somebody who is signed in.
#[derive(Clone, Debug)]
pub struct Signed {
    /// Who.
    pub person: Person,
    /// Goes back with each form of theirs.
    pub csrf: String,
    key: Key,
}

type Key = [u8; 32];

struct Session {
    person: Person,
    csrf: String,
    begun: Timestamp,
    used: Timestamp,
    /// The address of the list of orders that was looked at last.
    list: Option<String>,
}

/// Most characters of the address of a list that is kept for the way back.
const LONGEST_LIST: usize = 2_000;

#[derive(Default)]
struct Kept {
    sessions: BTreeMap<Key, Session>,
    /// When the minute began in which wrong tokens are counted, and how many there were.
    wrong: Option<(Timestamp, u32)>,
    /// Who signed in, and when last.
    seen: BTreeMap<String, (Person, Timestamp)>,
    /// When the store was asked for others last.
    learned: Option<Timestamp>,
}

impl Kept {
    /// Forgets who was seen longest ago, where there are too many.
    fn few(&mut self) {
        while self.seen.len() > MOST_SEEN {
            let oldest = self.seen.iter().min_by_key(|(_, (_, at))| *at).map(|(id, _)| id.clone());
            oldest.and_then(|oldest| self.seen.remove(&oldest));
        }
    }
}

/// Why somebody was not signed in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotSigned {
    /// Another token was printed at the start.
    Token,
    /// Too many wrong ones were tried in this minute.
    TooMany,
    /// Nobody of that name, or no job.
    Nobody,
}

/// Who may sign in, and who is.
pub struct People {
    token: Option<Key>,
    provider: Option<Provider>,
    listed: Vec<Person>,
    secure: bool,
    kept: Mutex<Kept>,
}

fn hash(text: &str) -> Key {
    Sha256::digest(text.as_bytes()).into()
}

fn random() -> String {
    // 122 random bits each, from the operating system.
    format!("{}{}", Uuid::new_v4().simple(), Uuid::new_v4().simple())
}

impl People {
    /// People who sign in with a token that is given to whoever started the program; `listed` are those to pick from,
    /// and where there are none, whoever has the token says who they are. `secure`: the pages are reached over TLS.
    pub fn with_token(listed: Vec<Person>, secure: bool) -> (Self, String) {
        let token = random();
        let kept = Mutex::default();
        (Self { token: Some(hash(&token)), provider: None, listed, secure, kept }, token)
    }

    /// People whom the institution's provider knows.
    pub fn with_provider(provider: Provider, secure: bool) -> Self {
        Self { token: None, provider: Some(provider), listed: Vec::new(), secure, kept: Mutex::default() }
    }

    /// The provider, where there is one.
    pub fn provider(&self) -> Option<&Provider> {
        self.provider.as_ref()
    }

    /// Whether the pages are reached over TLS.
    pub fn secure(&self) -> bool {
        self.secure
    }

    /// Takes over who did something on the queue at another replica, or before this one began; asked for at most once a minute, and
    /// not where people are listed.
    pub async fn learn(&self, store: &dyn Store, now: Timestamp) {
        {
            let mut kept = self.kept();
            if !self.listed.is_empty() || kept.learned.is_some_and(|at| now.duration_since(at) < LEARN) {
                return;
            }
            kept.learned = Some(now);
        }
        // Where the store cannot be asked those stay who are known.
        let Ok(seen) = now.checked_sub(KNOWN).map_err(drop) else { return };
        let Ok(seen) = store.seen_lately(seen).await else { return };
        let mut kept = self.kept();
        for (person, at) in seen {
            let job = match person.role {
                queue::Role::Pharmacist => Job::Pharmacist,
                queue::Role::Dietitian => Job::Dietitian,
                _ => continue,
            };
            let known = kept.seen.get(&person.id).is_some_and(|(_, before)| *before >= at);
            if !known {
                kept.seen.insert(person.id.clone(), (Person { id: person.id, name: person.name, job }, at));
            }
        }
        kept.few();
    }

    /// To whom an order can be handed over: those who are listed; where nobody is, those who signed in here in the last
    /// days, with the job they had then, and those who did something on the queue at any replica. By name.
    pub fn colleagues(&self, now: Timestamp) -> Vec<Person> {
        if !self.listed.is_empty() {
            return self.listed.clone();
        }
        let kept = self.kept();
        let recent = kept.seen.values().filter(|(_, at)| now.duration_since(*at) < KNOWN);
        let mut out: Vec<Person> = recent.map(|(person, _)| person.clone()).collect();
        out.sort_by(|a, b| (&a.name, &a.id).cmp(&(&b.name, &b.id)));
        out
    }

    /// Those to pick from.
    pub fn listed(&self) -> &[Person] {
        &self.listed
    }

    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    const fn cookie(&self) -> &'static str {
        if self.secure { "__Host-gate-session" } else { "gate-session" }
    }

    /// Signs somebody in; gives the cookie.
    ///
    /// # Errors
    /// Why not. A wrong token is told from nothing else.
    pub fn sign_in(
        &self,
        token: &str,
        who: Result<&str, (&str, Job)>,
        now: Timestamp,
    ) -> Result<HeaderValue, NotSigned> {
        let mut kept = self.kept();
        let minute = SignedDuration::from_mins(1);
        if kept.wrong.is_some_and(|(begun, _)| now.duration_since(begun) > minute) {
            kept.wrong = None;
        }
        if kept.wrong.is_some_and(|(_, n)| n >= MOST_WRONG) {
            return Err(NotSigned::TooMany);
        }
        // Hashes are compared, so the time it takes tells nothing of the token.
        if Some(hash(token.trim())) != self.token {
            let (begun, n) = kept.wrong.unwrap_or((now, 0));
            kept.wrong = Some((begun, n + 1));
            return Err(NotSigned::Token);
        }
        let person = match who {
            Ok(id) => self.listed.iter().find(|p| p.id == id).cloned().ok_or(NotSigned::Nobody)?,
            Err((name, job)) if self.listed.is_empty() => {
                let name: String = name.split_whitespace().collect::<Vec<_>>().join(" ").chars().take(80).collect();
                if name.is_empty() || name.chars().any(unseen) {
                    return Err(NotSigned::Nobody);
                }
                Person { id: format!("{}:{}", job.words(), name.to_lowercase()), name, job }
            }
            Err(_) => return Err(NotSigned::Nobody),
        };
        drop(kept);
        self.begin(person, now).ok_or(NotSigned::Nobody)
    }

    /// Whether ids of persons are given by a list or by a provider, not by what somebody wrote at the sign-in.
    pub fn gives_ids(&self) -> bool {
        self.provider().is_some() || !self.listed.is_empty()
    }

    /// Begins a session of somebody who is known; gives the cookie.
    pub fn begin(&self, person: Person, now: Timestamp) -> Option<HeaderValue> {
        let mut kept = self.kept();
        kept.sessions.retain(|_, s| alive(s, now));
        while kept.sessions.len() >= MOST_SESSIONS {
            let oldest = kept.sessions.iter().min_by_key(|(_, s)| s.used).map(|(key, _)| *key);
            let Some(oldest) = oldest else { break };
            kept.sessions.remove(&oldest);
        }
        kept.seen.insert(person.id.clone(), (person.clone(), now));
        kept.few();
        let id = random();
        kept.sessions.insert(hash(&id), Session { person, csrf: random(), begun: now, used: now, list: None });
        drop(kept);
        self.set_cookie(&id, LIFE.as_secs())
    }

    fn set_cookie(&self, id: &str, seconds: i64) -> Option<HeaderValue> {
        let secure = if self.secure { "; Secure" } else { "" };
        let text = format!("{}={id}; Path=/; HttpOnly; SameSite=Strict; Max-Age={seconds}{secure}", self.cookie());
        HeaderValue::try_from(text).ok()
    }

    /// Who sent a request, if they are signed in. What a page asks by itself does not keep a session alive (`by_hand`).
    pub fn signed(&self, headers: &HeaderMap, now: Timestamp, by_hand: bool) -> Option<Signed> {
        let mut ids = headers
            .get_all(header::COOKIE)
            .iter()
            .filter_map(|v| v.to_str().ok())
            .flat_map(|v| v.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .filter(|(name, _)| *name == self.cookie());
        // Two of them: somebody else set one.
        let (Some((_, id)), None) = (ids.next(), ids.next()) else { return None };
        let key = hash(id);
        let mut kept = self.kept();
        let session = kept.sessions.get_mut(&key)?;
        if !alive(session, now) {
            kept.sessions.remove(&key);
            return None;
        }
        if by_hand {
            session.used = now;
        }
        Some(Signed { person: session.person.clone(), csrf: session.csrf.clone(), key })
    }

    /// Keeps the address of the list that somebody looks at, for the way back to it.
    pub fn looks_at(&self, signed: &Signed, list: &str) {
        if let Some(session) = self.kept().sessions.get_mut(&signed.key) {
            session.list = (list.len() <= LONGEST_LIST).then(|| list.to_owned());
        }
    }

    /// The address of the list that somebody looked at last in this session.
    pub fn list_of(&self, signed: &Signed) -> Option<String> {
        self.kept().sessions.get(&signed.key)?.list.clone()
    }

    /// Whether that session still is one.
    pub fn still(&self, signed: &Signed, now: Timestamp) -> bool {
        self.kept().sessions.get(&signed.key).is_some_and(|s| alive(s, now))
    }

    /// Ends a session; gives the cookie that takes the other's place.
    pub fn sign_out(&self, signed: &Signed) -> Option<HeaderValue> {
        self.kept().sessions.remove(&signed.key);
        self.set_cookie("", 0)
    }
}

fn alive(session: &Session, now: Timestamp) -> bool {
    now.duration_since(session.begun) < LIFE && now.duration_since(session.used) < IDLE
}

/// The invented people of the demonstration.
pub fn invented() -> Vec<Person> {
    let person = |id: &str, name: &str, job| Person { id: id.to_owned(), name: name.to_owned(), job };
    vec![
        person("invented-1", "Petra Probe", Job::Pharmacist),
        person("invented-2", "Paul Muster", Job::Pharmacist),
        person("invented-3", "Dora Beispiel", Job::Dietitian),
        person("invented-4", "Dirk Ersatz", Job::Dietitian),
        person("invented-5", "Viola Vorlage", Job::Prescriber),
        person("invented-6", "Nora Platzhalter", Job::Nurse),
        person("invented-7", "Rolf Regel", Job::RuleOwner),
        person("invented-8", "Anna Schau", Job::Auditor),
        person("invented-9", "Albert Amt", Job::Admin),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(cookie: &HeaderValue) -> HeaderMap {
        let mut out = HeaderMap::new();
        let pair = cookie.to_str().unwrap().split(';').next().unwrap().to_owned();
        out.insert(header::COOKIE, HeaderValue::try_from(pair).unwrap());
        out
    }

    fn now() -> Timestamp {
        "2026-11-25T08:00:00Z".parse().unwrap()
    }

    #[test]
    fn a_session_begins_with_the_token_and_ends_with_its_time() {
        let (people, token) = People::with_token(invented(), false);
        assert_eq!(people.sign_in("wrong", Ok("invented-1"), now()), Err(NotSigned::Token));
        assert_eq!(people.sign_in(&token, Ok("nobody"), now()), Err(NotSigned::Nobody));
        assert_eq!(people.sign_in(&token, Err(("Eve", Job::Admin)), now()), Err(NotSigned::Nobody));
        let cookie = people.sign_in(&token, Ok("invented-1"), now()).unwrap();
        let text = cookie.to_str().unwrap();
        assert!(text.contains("; HttpOnly; SameSite=Strict") && !text.contains("Secure"), "{text}");
        let signed = people.signed(&headers(&cookie), now(), true).unwrap();
        assert_eq!(signed.person.name, "Petra Probe");
        let later = |minutes| now().checked_add(SignedDuration::from_mins(minutes)).unwrap();
        assert!(people.signed(&headers(&cookie), later(59), true).is_some());
        // A page that asks by itself does not keep it alive.
        assert!(people.signed(&headers(&cookie), later(100), false).is_some());
        assert!(people.signed(&headers(&cookie), later(120), true).is_none(), "an hour without a request");
        let cookie = people.sign_in(&token, Ok("invented-1"), now()).unwrap();
        for minutes in (0..720).step_by(30) {
            assert!(people.signed(&headers(&cookie), later(minutes), true).is_some(), "{minutes}");
        }
        assert!(people.signed(&headers(&cookie), later(720), true).is_none(), "twelve hours");
        let cookie = people.sign_in(&token, Ok("invented-3"), now()).unwrap();
        let signed = people.signed(&headers(&cookie), now(), true).unwrap();
        assert!(people.sign_out(&signed).unwrap().to_str().unwrap().contains("Max-Age=0"));
        assert!(people.signed(&headers(&cookie), now(), true).is_none());
    }

    #[test]
    fn tokens_cannot_be_tried_without_end() {
        let (people, token) = People::with_token(invented(), true);
        for _ in 0..MOST_WRONG {
            assert_eq!(people.sign_in("x", Ok("invented-1"), now()), Err(NotSigned::Token));
        }
        assert_eq!(people.sign_in(&token, Ok("invented-1"), now()), Err(NotSigned::TooMany));
        let later = now().checked_add(SignedDuration::from_secs(61)).unwrap();
        let cookie = people.sign_in(&token, Ok("invented-1"), later).unwrap();
        assert!(cookie.to_str().unwrap().starts_with("__Host-") && cookie.to_str().unwrap().ends_with("; Secure"));
    }

    #[test]
    fn sessions_are_bounded_and_a_second_cookie_is_none() {
        let (people, token) = People::with_token(Vec::new(), false);
        let first = people.sign_in(&token, Err(("First", Job::Nurse)), now()).unwrap();
        for n in 0..MOST_SESSIONS {
            people
                .sign_in(
                    &token,
                    Err((&format!("N {n}"), Job::Nurse)),
                    now().checked_add(SignedDuration::from_secs(1)).unwrap(),
                )
                .unwrap();
        }
        assert!(people.signed(&headers(&first), now(), true).is_none(), "the oldest gave way");
        assert_eq!(people.kept().sessions.len(), MOST_SESSIONS);
        let last = people.sign_in(&token, Err(("Last", Job::Nurse)), now()).unwrap();
        let mut two = headers(&last);
        two.append(header::COOKIE, HeaderValue::from_static("gate-session=other"));
        assert!(people.signed(&two, now(), true).is_none());
    }
}
