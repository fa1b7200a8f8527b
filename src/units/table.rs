//! The units of the subset: atoms with exact factors, what is recognised and refused, and ready-made
//! units for the codes that orders carry most.
//!
//! Factors: UCUM 2.2 (essence table). cal = cal_th = 4.184 J; \[gal_us] = 231 \[in_i]3, \[foz_us] = gal/128;
//! \[gal_br] = 4.54609 L, \[foz_br] = gal/160; \[lb_av] = 453.59237 g, \[oz_av] = lb/16; \[in_i] = 2.54 cm.

use super::{Dimension, Unit};
use crate::exact::Exact;
use std::borrow::Cow;

/// One symbol, prefix included.
#[derive(Clone, Copy)]
pub(super) struct Atom {
    pub(super) factor: Exact,
    pub(super) dimension: Dimension,
    pub(super) small_calorie: bool,
}

macro_rules! atoms {
    ($($code:literal = $factor:expr, $dimension:ident;)*) => {
        pub(super) fn atom(symbol: &str) -> Option<Atom> {
            let (factor, dimension) = match symbol {
                $($code => ($factor, Dimension::$dimension),)*
                _ => return None,
            };
            Some(Atom { factor, dimension, small_calorie: symbol == "cal" })
        }

        /// Every symbol of the subset, prefix included.
        pub const fn atom_codes() -> &'static [&'static str] {
            &[$($code),*]
        }
    };
}

atoms! {
    "mL" = Exact::ONE, VOLUME;
    "ml" = Exact::ONE, VOLUME;
    "L" = Exact::int(1_000), VOLUME;
    "l" = Exact::int(1_000), VOLUME;
    "dL" = Exact::int(100), VOLUME;
    "dl" = Exact::int(100), VOLUME;
    "cL" = Exact::int(10), VOLUME;
    "cl" = Exact::int(10), VOLUME;
    "uL" = Exact::ratio(1, 1_000), VOLUME;
    "ul" = Exact::ratio(1, 1_000), VOLUME;
    "[foz_us]" = Exact::decimal(295_735_295_625, 10), VOLUME;
    "[foz_br]" = Exact::decimal(284_130_625, 7), VOLUME;
    "[cup_us]" = Exact::decimal(2_365_882_365, 7), VOLUME;
    "[tbs_us]" = Exact::decimal(1_478_676_478_125, 11), VOLUME;
    "[tsp_us]" = Exact::decimal(492_892_159_375, 11), VOLUME;
    "g" = Exact::ONE, MASS;
    "kg" = Exact::int(1_000), MASS;
    "mg" = Exact::ratio(1, 1_000), MASS;
    "ug" = Exact::ratio(1, 1_000_000), MASS;
    "[lb_av]" = Exact::decimal(45_359_237, 5), MASS;
    "[oz_av]" = Exact::decimal(28_349_523_125, 9), MASS;
    "kcal" = Exact::ONE, ENERGY;
    "cal" = Exact::ratio(1, 1_000), ENERGY;
    "[Cal]" = Exact::ONE, ENERGY;
    "J" = Exact::ratio(1, 4_184), ENERGY;
    "kJ" = Exact::ratio(1_000, 4_184), ENERGY;
    "MJ" = Exact::ratio(1_000_000, 4_184), ENERGY;
    "s" = Exact::ONE, TIME;
    "min" = Exact::int(60), TIME;
    "h" = Exact::int(3_600), TIME;
    "d" = Exact::int(86_400), TIME;
    "wk" = Exact::int(604_800), TIME;
    "mol" = Exact::int(1_000), SUBSTANCE;
    "mmol" = Exact::ONE, SUBSTANCE;
    "umol" = Exact::ratio(1, 1_000), SUBSTANCE;
    "eq" = Exact::int(1_000), EQUIVALENTS;
    "meq" = Exact::ONE, EQUIVALENTS;
    "osm" = Exact::int(1_000), OSMOLES;
    "mosm" = Exact::ONE, OSMOLES;
    "m" = Exact::int(100), LENGTH;
    "cm" = Exact::ONE, LENGTH;
    "mm" = Exact::ratio(1, 10), LENGTH;
    "[in_i]" = Exact::decimal(254, 2), LENGTH;
    "[ft_i]" = Exact::decimal(3_048, 2), LENGTH;
    "[Ch]" = Exact::ratio(1, 30), LENGTH;
    "%" = Exact::ratio(1, 100), NUMBER;
}

const REFUSED: [(&str, &str); 4] = [
    ("mo", "a month has no fixed length"),
    ("a", "a year has no fixed length"),
    ("[drp]", "the size of a drop differs between tubes and sets"),
    ("Cel", "degrees Celsius do not start at zero"),
];

/// Symbols that are recognised and never computed with, with the reason.
pub const fn refused_codes() -> &'static [(&'static str, &'static str)] {
    &REFUSED
}

pub(super) fn refusal(symbol: &str) -> Option<&'static str> {
    REFUSED.iter().find(|(code, _)| *code == symbol).map(|(_, why)| *why)
}

macro_rules! common {
    ($($code:literal = $num:literal / $den:literal, $dimension:ident;)*) => {
        // Matched as bytes: the compiler makes a decision tree of byte patterns, but compares strings one by one.
        #[inline]
        pub(super) fn common(code: &str) -> Option<Unit> {
            let (code, factor, dimension) = match code.as_bytes() {
                $($code => (const { text($code) }, const { Exact::ratio($num, $den) }, Dimension::$dimension),)*
                _ => return None,
            };
            Some(Unit { code: Cow::Borrowed(code), factor, dimension, small_calories: 0, annotated: false })
        }

        /// The codes that [`Unit::parse`] knows without parsing.
        pub const fn common_codes() -> &'static [&'static str] {
            const { &[$(text($code)),*] }
        }
    };
}

const fn text(code: &'static [u8]) -> &'static str {
    match std::str::from_utf8(code) {
        Ok(text) => text,
        Err(_) => "",
    }
}

common! {
    b"mL" = 1 / 1, VOLUME;
    b"L" = 1_000 / 1, VOLUME;
    b"dL" = 100 / 1, VOLUME;
    b"ml" = 1 / 1, VOLUME;
    b"mL/h" = 1 / 3_600, VOLUME_RATE;
    b"ml/h" = 1 / 3_600, VOLUME_RATE;
    b"mL/min" = 1 / 60, VOLUME_RATE;
    b"mL/d" = 1 / 86_400, VOLUME_RATE;
    b"L/d" = 1_000 / 86_400, VOLUME_RATE;
    b"mL/kg" = 1 / 1_000, VOLUME_PER_MASS;
    b"mL/kg/h" = 1 / 3_600_000, VOLUME_RATE_PER_MASS;
    b"mL/kg/d" = 1 / 86_400_000, VOLUME_RATE_PER_MASS;
    b"mL/(kg.h)" = 1 / 3_600_000, VOLUME_RATE_PER_MASS;
    b"mL/(kg.d)" = 1 / 86_400_000, VOLUME_RATE_PER_MASS;
    b"kcal/mL" = 1 / 1, ENERGY_DENSITY;
    b"kcal/L" = 1 / 1_000, ENERGY_DENSITY;
    b"kcal/dL" = 1 / 100, ENERGY_DENSITY;
    b"kcal/(100.mL)" = 1 / 100, ENERGY_DENSITY;
    b"kJ/mL" = 1_000 / 4_184, ENERGY_DENSITY;
    b"kcal" = 1 / 1, ENERGY;
    b"kJ" = 1_000 / 4_184, ENERGY;
    b"kcal/d" = 1 / 86_400, ENERGY_RATE;
    b"kcal/kg/d" = 1 / 86_400_000, ENERGY_RATE_PER_MASS;
    b"kcal/(kg.d)" = 1 / 86_400_000, ENERGY_RATE_PER_MASS;
    b"g" = 1 / 1, MASS;
    b"kg" = 1_000 / 1, MASS;
    b"mg" = 1 / 1_000, MASS;
    b"ug" = 1 / 1_000_000, MASS;
    b"g/L" = 1 / 1_000, MASS_CONCENTRATION;
    b"g/dL" = 1 / 100, MASS_CONCENTRATION;
    b"mg/dL" = 1 / 100_000, MASS_CONCENTRATION;
    b"g/kg/d" = 1 / 86_400_000, MASS_RATE_PER_MASS;
    b"g/d" = 1 / 86_400, MASS_RATE;
    b"mg/d" = 1 / 86_400_000, MASS_RATE;
    b"mmol" = 1 / 1, SUBSTANCE;
    b"meq" = 1 / 1, EQUIVALENTS;
    b"mmol/L" = 1 / 1_000, SUBSTANCE_CONCENTRATION;
    b"umol/L" = 1 / 1_000_000, SUBSTANCE_CONCENTRATION;
    b"meq/L" = 1 / 1_000, EQUIVALENT_CONCENTRATION;
    b"s" = 1 / 1, TIME;
    b"min" = 60 / 1, TIME;
    b"h" = 3_600 / 1, TIME;
    b"d" = 86_400 / 1, TIME;
    b"wk" = 604_800 / 1, TIME;
    b"/d" = 1 / 86_400, PER_TIME;
    b"cm" = 1 / 1, LENGTH;
    b"m" = 100 / 1, LENGTH;
    b"kg/m2" = 1_000 / 10_000, MASS_PER_AREA;
    b"1" = 1 / 1, NUMBER;
    b"%" = 1 / 100, NUMBER;
}
