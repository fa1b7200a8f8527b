//! What is searched for, word by word. A date of birth is kept as `1960-02-02`, and people write it as their country does.

use jiff::civil::Date;

/// Words of a search that count.
const MOST: usize = 10;

/// Each word of a search with everything that it may mean, in small letters: what fits has one of these of every word.
pub(super) fn words(search: &str) -> Vec<Vec<String>> {
    search.split_whitespace().take(MOST).map(readings).collect()
}

/// A word as it stands, and the dates that it may be: `2.2.1960` has its day first; of `02/03/1960` nobody knows which is the
/// day, so it is both.
fn readings(word: &str) -> Vec<String> {
    let mut out = vec![word.to_lowercase()];
    for (mark, either) in [('.', false), ('/', true)] {
        let parts: Vec<&str> = word.split(mark).collect();
        let [first, second, year] = parts[..] else { continue };
        let digits = |text: &str, most: usize| text.len() <= most && text.bytes().all(|b| b.is_ascii_digit());
        if !digits(first, 2) || !digits(second, 2) || year.len() != 4 || !digits(year, 4) {
            continue;
        }
        let date = |day: &str, month: &str| Date::new(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?).ok();
        let dates = [date(first, second), either.then(|| date(second, first)).flatten()];
        out.extend(dates.into_iter().flatten().map(|date| date.to_string()));
    }
    out.dedup();
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_date_is_read_as_countries_write_it() {
        let of = |word: &str| words(word).concat();
        assert_eq!(of("02.02.1960"), ["02.02.1960", "1960-02-02"]);
        assert_eq!(of("2.12.1960"), ["2.12.1960", "1960-12-02"]);
        assert_eq!(of("02/03/1960"), ["02/03/1960", "1960-03-02", "1960-02-03"]);
        assert_eq!(of("2/2/1960"), ["2/2/1960", "1960-02-02"]);
        assert_eq!(of("31/12/1960"), ["31/12/1960", "1960-12-31"]);
        assert_eq!(of("12/31/1960"), ["12/31/1960", "1960-12-31"]);
        // What is no date is a word: of a day that there is not, without a year of four digits, of a reference.
        for word in
            ["12.31.1960", "31.02.1960", "02.02.60", "1.2", "1.2.3.1960", "+1.2.1960", "patient/1/1960", "..1960"]
        {
            assert_eq!(of(word), [word], "{word}");
        }
        assert_eq!(words("Harald  2.2.1960"), [vec!["harald"], vec!["2.2.1960", "1960-02-02"]]);
    }
}
