//! When a message that did not arrive is tried again. The time doubles from try to try up to a bound, and half of it is
//! left to chance, so that what failed together does not come back together.

use std::time::Duration;

/// Bounds of the time between two tries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pace {
    /// After the first try.
    pub first: Duration,
    /// Never longer.
    pub most: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Self { first: Duration::from_secs(1), most: Duration::from_secs(3600) }
    }
}

impl Pace {
    /// How long after try `tries` (the first is 1) to try again; `chance` is any number. Nothing when `most_tries` were
    /// made: then it is a dead letter.
    pub fn again(&self, tries: u64, most_tries: u64, chance: u64) -> Option<Duration> {
        if tries >= most_tries {
            return None;
        }
        let doubled = u32::try_from(tries.saturating_sub(1)).unwrap_or(u32::MAX).min(30);
        let whole = self.first.saturating_mul(1 << doubled).min(self.most);
        let half = whole / 2;
        let micros = u64::try_from(half.as_micros()).unwrap_or(u64::MAX);
        Some(half + Duration::from_micros(chance.checked_rem(micros.saturating_add(1)).unwrap_or_default()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_double_up_to_a_bound_and_end() {
        let pace = Pace::default();
        for (tries, whole) in [(1, 1), (2, 2), (3, 4), (10, 512), (12, 2048), (13, 3600), (39, 3600)] {
            for chance in [0, 1, 499_999, 7_654_321, u64::MAX] {
                let again = pace.again(tries, 40, chance).unwrap();
                assert!(
                    again >= Duration::from_secs(whole) / 2 && again <= Duration::from_secs(whole),
                    "{tries} {again:?}"
                );
            }
        }
        assert_ne!(pace.again(5, 40, 0), pace.again(5, 40, 1_234_567));
        assert_eq!((pace.again(40, 40, 0), pace.again(1, 1, 0), pace.again(u64::MAX, 40, 0)), (None, None, None));
    }

    /// What the page says: about a day at the default.
    #[test]
    fn forty_tries_take_about_a_day() {
        let pace = Pace::default();
        let least: Duration = (1..40).filter_map(|tries| pace.again(tries, 40, 0)).sum();
        let most: Duration = (1..40).filter_map(|tries| pace.again(tries, 40, u64::MAX)).map(|t| t * 2).sum();
        assert!(least > Duration::from_secs(14 * 3600) && most < Duration::from_secs(60 * 3600), "{least:?} {most:?}");
    }
}
