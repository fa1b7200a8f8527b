//! The expected word that a wrong word was probably meant to be. For messages only; never used to read.

/// The closest of the expected words, if it is close: the same but for case, spaces, `-` and `_`, or at
/// most two letters away (one in words of up to four letters).
pub fn closest<'w>(given: &str, expected: impl IntoIterator<Item = &'w str>) -> Option<&'w str> {
    let plain = |text: &str| -> Vec<char> {
        text.chars().filter(|c| c.is_alphanumeric() || *c == '%').flat_map(char::to_lowercase).take(64).collect()
    };
    let given = plain(given);
    if given.is_empty() {
        return None;
    }
    let mut best: Option<(usize, &str)> = None;
    for word in expected {
        let letters = plain(word);
        let allowed = if letters.len().min(given.len()) <= 4 { 1 } else { 2 };
        // Two letters in each other's place are one slip.
        let distance = if swapped(&given, &letters) { 1 } else { distance(&given, &letters) };
        if distance <= allowed && best.is_none_or(|(least, _)| distance < least) {
            best = Some((distance, word));
        }
    }
    best.map(|(_, word)| word)
}

/// Whether one is the other with two neighbouring letters swapped.
fn swapped(a: &[char], b: &[char]) -> bool {
    let apart: Vec<usize> = (0..a.len()).filter(|at| a.get(*at) != b.get(*at)).collect();
    a.len() == b.len()
        && matches!(apart.as_slice(), [x, y] if x + 1 == *y && a.get(*x) == b.get(*y) && a.get(*y) == b.get(*x))
}

/// Levenshtein distance.
fn distance(a: &[char], b: &[char]) -> usize {
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.iter().enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        for (cell, y) in row.iter_mut().skip(1).zip(b) {
            let here = if x == y { diagonal } else { 1 + diagonal.min(left).min(*cell) };
            diagonal = *cell;
            *cell = here;
            left = here;
        }
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
    }
    row.last().copied().unwrap_or(0)
}

/// ` (did you mean …?)`, or nothing.
pub fn hint<'w>(given: &str, expected: impl IntoIterator<Item = &'w str>) -> String {
    closest(given, expected).map_or_else(String::new, |word| format!(" (did you mean “{word}”?)"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_words_are_suggested_and_far_ones_are_not() {
        let words = ["paediatric", "adult", "any", "energy_kcal", "water_mL"];
        assert_eq!(closest("pediatric", words), Some("paediatric"));
        assert_eq!(closest("Adults", words), Some("adult"));
        assert_eq!(closest("Energy (kcal)", words), Some("energy_kcal"));
        assert_eq!(closest("water ml", words), Some("water_mL"));
        assert_eq!(closest("geriatric", words), None);
        assert_eq!(closest("", words), None);
    }

    #[test]
    fn the_distance_is_the_number_of_edits() {
        let d = |a: &str, b: &str| distance(&a.chars().collect::<Vec<_>>(), &b.chars().collect::<Vec<_>>());
        assert_eq!(d("kitten", "sitting"), 3);
        assert_eq!(d("", "abc"), 3);
        assert_eq!(d("abc", "abc"), 0);
    }
}
