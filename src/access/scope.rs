//! Scopes of SMART App Launch in their first (`system/NutritionOrder.read`) and second form
//! (`system/NutritionOrder.rs`), as far as they bear on the operations here.

/// What an operation does to the order it is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Need {
    /// Whether an order could be taken as it is: for whoever may read orders, and for whoever may write one.
    Validate,
    /// What an order delivers: for whoever may read orders.
    Appraise,
    /// Several of them; each entry is looked at by itself.
    Batch,
    /// Orders on the queue, searched.
    SearchTasks,
    /// One of them.
    ReadTask,
    /// Findings of orders on the queue, searched.
    SearchIssues,
    /// One of them.
    ReadIssue,
    /// What was done with an order on the queue.
    SearchProvenance,
    /// One thing that was done.
    ReadProvenance,
    /// What was done or looked at on the queue.
    SearchAuditEvents,
    /// One of them.
    ReadAuditEvent,
    /// Who is told of changes on the queue, searched.
    SearchSubscriptions,
    /// One of them, and how it is with it.
    ReadSubscription,
}

/// What was granted on NutritionOrder, and on the queue.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Grants {
    create: bool,
    read: bool,
    update: bool,
    tasks: Queue,
    issues: Queue,
    provenance: Queue,
    audit: Queue,
    subscriptions: Queue,
}

/// What was granted on a resource of the queue.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Queue {
    read: bool,
    search: bool,
}

impl Queue {
    fn or(self, other: Self) -> Self {
        Self { read: self.read || other.read, search: self.search || other.search }
    }
}

impl Grants {
    /// Of the claim `scope`: names separated by spaces (RFC 6749, section 3.3). Scopes of patients and users do not count:
    /// nobody is logged in here.
    pub fn of(scope: &str) -> Self {
        scope.split(' ').filter_map(one).fold(Self::default(), |all, one| Self {
            create: all.create || one.create,
            read: all.read || one.read,
            update: all.update || one.update,
            tasks: all.tasks.or(one.tasks),
            issues: all.issues.or(one.issues),
            provenance: all.provenance.or(one.provenance),
            audit: all.audit.or(one.audit),
            subscriptions: all.subscriptions.or(one.subscriptions),
        })
    }

    /// Whether that is enough.
    pub fn allow(self, need: Need) -> bool {
        match need {
            Need::Appraise => self.read,
            Need::Validate | Need::Batch => self.read || self.create || self.update,
            Need::SearchTasks => self.tasks.search,
            Need::ReadTask => self.tasks.read,
            Need::SearchIssues => self.issues.search,
            Need::ReadIssue => self.issues.read,
            Need::SearchProvenance => self.provenance.search,
            Need::ReadProvenance => self.provenance.read,
            Need::SearchAuditEvents => self.audit.search,
            Need::ReadAuditEvent => self.audit.read,
            Need::SearchSubscriptions => self.subscriptions.search,
            Need::ReadSubscription => self.subscriptions.read,
        }
    }
}

fn one(scope: &str) -> Option<Grants> {
    let (resource, permission) = scope.strip_prefix("system/")?.split_once('.')?;
    let letters = match permission {
        "read" => "rs",
        "write" => "cu",
        "*" => "crus",
        // A subset of `cruds` in that order. One with a query (`.rs?status=active`) is for some orders only, which cannot
        // be told apart here, and grants nothing.
        own => {
            let mut left = "cruds".chars();
            let in_order = own.chars().all(|letter| left.any(|known| known == letter));
            if own.is_empty() || !in_order {
                return None;
            }
            own
        }
    };
    let has = |letter: char| letters.contains(letter);
    let is = |name: &str| resource == name || resource == "*";
    let queue = |name: &str| Queue { read: is(name) && has('r'), search: is(name) && has('s') };
    let order = is("NutritionOrder");
    let grants = Grants {
        create: order && has('c'),
        read: order && has('r'),
        update: order && has('u'),
        tasks: queue("Task"),
        issues: queue("DetectedIssue"),
        provenance: queue("Provenance"),
        audit: queue("AuditEvent"),
        subscriptions: queue("Subscription"),
    };
    (grants != Grants::default()).then_some(grants)
}
