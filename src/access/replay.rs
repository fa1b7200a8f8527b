//! Tokens that were used: each may be used once (`jti`, RFC 7519 section 4.1.7).

use super::token::Reason;
use sha2::{Digest, Sha256};
use std::collections::{BTreeSet, HashSet};

/// Tokens that are remembered of one issuer. One that signs more of them in the lifetime of a token is refused, because
/// forgetting one before its time would let it be used again.
pub const REMEMBERED: usize = 100_000;

/// A fingerprint: what issuers write there may be long.
type Print = [u8; 16];

/// Used tokens of one issuer.
#[derive(Debug)]
pub struct Used {
    most: usize,
    prints: HashSet<Print>,
    ends: BTreeSet<(i64, Print)>,
}

impl Default for Used {
    fn default() -> Self {
        Self::bounded(REMEMBERED)
    }
}

impl Used {
    /// Remembers at most this many.
    pub fn bounded(most: usize) -> Self {
        Self { most, prints: HashSet::new(), ends: BTreeSet::new() }
    }

    /// Takes a token into use that can be verified up to `end`.
    ///
    /// # Errors
    /// When it was used before, or no more can be remembered.
    pub fn take(&mut self, id: &str, end: i64, now: i64) -> Result<(), Reason> {
        while let Some((first, print)) = self.ends.first().copied().filter(|(first, _)| *first < now) {
            self.ends.remove(&(first, print));
            self.prints.remove(&print);
        }
        let digest = Sha256::digest(id.as_bytes());
        let mut print = Print::default();
        print.iter_mut().zip(digest.iter()).for_each(|(to, from)| *to = *from);
        if self.prints.contains(&print) {
            return Err(Reason::Replayed);
        }
        if self.prints.len() >= self.most {
            return Err(Reason::TooManyTokens);
        }
        self.prints.insert(print);
        self.ends.insert((end, print));
        Ok(())
    }

    /// How many are remembered.
    pub fn len(&self) -> usize {
        self.prints.len()
    }

    /// Whether none is.
    pub fn is_empty(&self) -> bool {
        self.prints.is_empty()
    }
}
