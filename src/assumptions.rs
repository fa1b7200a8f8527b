//! The readings taken where the standard or the order leaves a choice. Each has a stable id, is listed in
//! `docs/assumptions.md`, and is named in every answer that rests on it.

#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::unreachable,
        clippy::indexing_slicing,
        clippy::string_slice,
        clippy::float_arithmetic,
        clippy::print_stdout,
        clippy::print_stderr,
        clippy::disallowed_methods,
    )
)]

macro_rules! assumptions {
    ($($name:ident = $id:literal, $text:literal;)*) => {
        /// A reading taken where a choice was left.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        #[allow(missing_docs, reason = "the text is the documentation")]
        pub enum Assumption { $($name),* }

        impl Assumption {
            /// All, in order of id.
            pub const ALL: &'static [Self] = &[$(Self::$name),*];

            /// Stable id, e.g. `A-01`.
            pub const fn id(self) -> &'static str {
                match self { $(Self::$name => $id),* }
            }

            /// Id and sentence.
            pub const fn line(self) -> &'static str {
                match self { $(Self::$name => concat!($id, " ", $text)),* }
            }

            /// One sentence for people.
            pub const fn text(self) -> &'static str {
                match self { $(Self::$name => $text),* }
            }
        }
    };
}

assumptions! {
    QuantityPerOccurrence = "A-01", "The quantity is the volume of each feed of the schedule, not of the day.";
    StepsOfOneFeed = "A-02", "Entries that differ only by when they start are steps of one feed: each ends where the next begins.";
    EntriesAddUp = "A-03", "Entries that are not steps of one feed are given beside each other and add up.";
    CalorieIsKilocalorie = "A-04", "The energy density is coded in small calories (UCUM cal) and was read as kilocalories, because only that is plausible.";
    CapPerDay = "A-05", "The maximum volume has no period and was read as a maximum per day.";
    ElapsedDay = "A-06", "A day is 24 elapsed hours; clock changes add or remove nothing, and feeds at clock times are counted by the clock.";
    EvenlySpaced = "A-07", "Feeds given so many times in a period, without clock times, are spaced evenly.";
    StartFromOrder = "A-08", "The schedule states no start; it is reckoned from the order's own date and the start of the feeding day.";
    DateIsMidnight = "A-09", "A start without a clock time is midnight, and an end without one the end of that day, at the institution.";
    RateRunsOn = "A-10", "A rate without a schedule or an end runs around the clock.";
    HourlyIsContinuous = "A-11", "A rate repeated at least every hour without a duration is a continuous feed.";
    EventTimes = "A-12", "The timing code names an event without a clock time configured here: it is counted, its time of day is not known.";
    OrderDensity = "A-13", "The order's energy density was used, not the formulary's: the order is the instruction.";
    StrengthScales = "A-14", "The product is mixed to the ordered strength: its nutrients were scaled with the energy density.";
    WaterFromDensity = "A-15", "The formulary states no water for the product; it was read off the usual water content at that energy density.";
    MilkComposition = "A-16", "The composition of human milk is assumed, not measured.";
    VolumeIsMix = "A-17", "The ordered volume, and an ordered energy density, are those of the finished mix, additives included.";
    WeightLatest = "A-18", "The dosing weight is the latest usable weight up to the time of the order.";
    UnitAlias = "A-19", "A unit that is not valid UCUM was read through the table of known spellings.";
    AsNeeded = "A-20", "A feed given as needed counts from none to all of it.";
    FinishedFeeds = "A-21", "A feed that begins before the schedule ends is given in full.";
    CapScaled = "A-22", "On a civil day longer than 24 hours the maximum volume is scaled up to its length.";
    RepeatingCycle = "A-23", "The schedule does not repeat every day; the steady day is the mean over its cycle, with the range of its days.";
    FrequencyOnce = "A-24", "A period without a frequency means once per period.";
    NoonOfDate = "A-25", "The order's date has no clock time; ages are reckoned at noon of that day.";
    EnergyFactors = "A-26", "Shares of energy use 4 kcal per g of protein and carbohydrate and 9 per g of fat, over their sum.";
    AdditivePer = "A-27", "The additive's amount was read per the unit it states (a day, a feed or a volume of feed).";
    ClockSteps = "A-28", "On civil days, intervals that divide 24 hours keep their clock times when the clocks change.";
    CapFormulaOnly = "A-29", "The maximum volume limits the feed, not the water flushes.";
    FlushWithRun = "A-30", "A flush with each feed counts every feed that has a beginning in the day; a feed around the clock has none.";
    DemoData = "A-31", "Formulary, orders and patients of the demonstration are invented.";
    SentProduct = "A-32", "The product's composition was sent with the order and is not from the institution's formulary.";
    CodeTimes = "A-33", "A timing code means so many times a day at times that the institution sets.";
    CrossedDuration = "A-34", "Overlapping runs of one pump entry count once: a pump does not run twice at the same time.";
    AdditiveOnTop = "A-35", "An additive without a countable amount comes on top of the ordered volume: what is counted is the least.";
    CapAnyStretch = "A-36", "A maximum volume per another time than a day limits what is given in any stretch of that length.";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_unique_and_in_order() {
        let ids: Vec<_> = Assumption::ALL.iter().map(|a| a.id()).collect();
        let mut sorted = ids.clone();
        sorted.sort_unstable();
        sorted.dedup();
        assert_eq!(ids, sorted);
    }
}
