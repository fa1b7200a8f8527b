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
}

/// What was granted on NutritionOrder.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Grants {
    create: bool,
    read: bool,
    update: bool,
}

impl Grants {
    /// Of the claim `scope`: names separated by spaces (RFC 6749, section 3.3). Scopes of patients and users do not count:
    /// nobody is logged in here.
    pub fn of(scope: &str) -> Self {
        scope.split(' ').filter_map(one).fold(Self::default(), |all, one| Self {
            create: all.create || one.create,
            read: all.read || one.read,
            update: all.update || one.update,
        })
    }

    /// Whether that is enough.
    pub fn allow(self, need: Need) -> bool {
        match need {
            Need::Appraise => self.read,
            Need::Validate | Need::Batch => self.read || self.create || self.update,
        }
    }
}

fn one(scope: &str) -> Option<Grants> {
    let (resource, permission) = scope.strip_prefix("system/")?.split_once('.')?;
    if !matches!(resource, "NutritionOrder" | "*") {
        return None;
    }
    match permission {
        "read" => return Some(Grants { read: true, ..Grants::default() }),
        "write" => return Some(Grants { create: true, update: true, read: false }),
        "*" => return Some(Grants { create: true, update: true, read: true }),
        _ => {}
    }
    // A subset of `cruds` in that order. One with a query (`.rs?status=active`) is for some orders only, which cannot be
    // told apart here, and grants nothing.
    let mut left = "cruds".chars();
    let in_order = permission.chars().all(|letter| left.any(|known| known == letter));
    (in_order && !permission.is_empty()).then(|| Grants {
        create: permission.contains('c'),
        read: permission.contains('r'),
        update: permission.contains('u'),
    })
}
