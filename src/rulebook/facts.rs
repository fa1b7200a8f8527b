//! The list of facts offered to limits.

use super::value::{Fact, Need, Type};
use crate::nutrition::measure::Measure;
use crate::settings::ContextKind;
use crate::units::Dimension;

const CORE: Need = Need::Core;
const HISTORY: Need = Need::Context(ContextKind::History);
const LABS: Need = Need::Context(ContextKind::Labs);
const CONDITIONS: Need = Need::Context(ContextKind::Conditions);
const ALLERGIES: Need = Need::Context(ContextKind::Allergies);
const MEDICINES: Need = Need::Context(ContextKind::Medicines);
const DEVICES: Need = Need::Context(ContextKind::Devices);
const PROCEDURES: Need = Need::Context(ContextKind::Procedures);
const OTHER_ORDERS: Need = Need::Context(ContextKind::OtherOrders);
const OTHER_FLUIDS: Need = Need::Context(ContextKind::OtherFluids);

const OPEN: &[&str] = &[];
const SEXES: &[&str] = &["female", "male"];
const SETTINGS: &[&str] = &["icu", "picu", "nicu", "ward", "home", "long-term"];
const ROUTES: &[&str] = &["gastric", "post-pyloric", "oral", "unknown", "not-enteral"];
const METHODS: &[&str] = &["continuous", "cyclic", "intermittent", "bolus", "mixed", "volume-based"];
const AGE_CLASSES: &[&str] = &["preterm", "infant", "paediatric", "adult", "any"];
const FORMS: &[&str] = &[
    "ready-to-hang",
    "decanted",
    "powder",
    "blenderised",
    "human-milk",
    "water",
    "modular",
    "fortifier",
    "animal-milk",
    "plant-drink",
    "thickener",
    "dye",
    "infusion",
];

/// What a fact is taken from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Source {
    /// A measure of the typical day, or the highest of any day ([`of_any_day`]).
    Typical(Measure),
    /// A measure of the first day.
    First(Measure),
    /// Anything else.
    Other(Name),
}

/// Whether limits look at the highest of all days: a feed or a rate that is too much on one day is too much.
pub(super) const fn of_any_day(measure: Measure) -> bool {
    matches!(
        measure,
        Measure::LargestFeed
            | Measure::LargestFeedPerKg
            | Measure::HighestRate
            | Measure::CarbohydrateRateFeeding
            | Measure::FeedDuration
            | Measure::HangTime
    )
}

macro_rules! facts {
    (
        measures { $($measure:ident, $code:literal, $dimension:ident, $unit:literal, $title:literal;)* }
        others { $($name:ident, $word:literal, $kind:expr, $other_unit:literal, $need:ident, $sentence:literal;)* }
    ) => {
        /// Facts that are no measures.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub(super) enum Name { $($name),* }

        use Type::{Keys, Quantity, Truth, Word};

        /// Every fact, in the order of the published list.
        pub static FACTS: &[Fact] = {
            use dimensions::*;
            &[
                $(Fact { name: $word, kind: $kind, unit: $other_unit, need: $need, title: $sentence },)*
                $(Fact {
                    name: $code, kind: Quantity($dimension), unit: $unit, need: CORE,
                    title: if of_any_day(Measure::$measure) {
                        concat!($title, ", highest of any day of the order")
                    } else {
                        concat!($title, ", typical day")
                    },
                },)*
                $(Fact {
                    name: concat!("first_day_", $code), kind: Quantity($dimension), unit: $unit, need: CORE,
                    title: concat!($title, ", first day"),
                },)*
            ]
        };

        /// What each is taken from, parallel to [`FACTS`].
        pub(super) static SOURCES: &[Source] = &[
            $(Source::Other(Name::$name),)*
            $(Source::Typical(Measure::$measure),)*
            $(Source::First(Measure::$measure),)*
        ];
    };
}

/// Dimensions by their short names.
mod dimensions {
    use super::Dimension;
    pub(super) const ENERGY_DENSITY: Dimension = Dimension::ENERGY_DENSITY;
    pub(super) const ENERGY_PER_MASS: Dimension = Dimension::ENERGY_PER_MASS;
    pub(super) const ENERGY_RATE: Dimension = Dimension::ENERGY_RATE;
    pub(super) const ENERGY_RATE_PER_MASS: Dimension = Dimension::ENERGY_RATE_PER_MASS;
    pub(super) const LENGTH: Dimension = Dimension::LENGTH;
    pub(super) const MASS: Dimension = Dimension::MASS;
    pub(super) const MASS_PER_AREA: Dimension = Dimension::MASS_PER_AREA;
    pub(super) const MASS_PER_ENERGY: Dimension = Dimension::MASS_PER_ENERGY;
    pub(super) const MASS_RATE: Dimension = Dimension::MASS_RATE;
    pub(super) const MASS_RATE_PER_MASS: Dimension = Dimension::MASS_RATE_PER_MASS;
    pub(super) const NUMBER: Dimension = Dimension::NUMBER;
    pub(super) const OSMOLALITY: Dimension = Dimension::OSMOLALITY;
    pub(super) const OSMOLES_PER_ENERGY: Dimension = Dimension::OSMOLES_PER_ENERGY;
    pub(super) const OSMOLE_RATE: Dimension = Dimension::OSMOLE_RATE;
    pub(super) const OSMOLE_RATE_PER_MASS: Dimension = Dimension::OSMOLE_RATE_PER_MASS;
    pub(super) const PER_TIME: Dimension = Dimension::PER_TIME;
    pub(super) const SUBSTANCE_CONCENTRATION: Dimension = Dimension::SUBSTANCE_CONCENTRATION;
    pub(super) const SUBSTANCE_RATE: Dimension = Dimension::SUBSTANCE_RATE;
    pub(super) const SUBSTANCE_RATE_PER_MASS: Dimension = Dimension::SUBSTANCE_RATE_PER_MASS;
    pub(super) const TIME: Dimension = Dimension::TIME;
    pub(super) const VOLUME: Dimension = Dimension::VOLUME;
    pub(super) const VOLUME_PER_ENERGY: Dimension = Dimension::VOLUME_PER_ENERGY;
    pub(super) const VOLUME_PER_MASS: Dimension = Dimension::VOLUME_PER_MASS;
    pub(super) const VOLUME_RATE: Dimension = Dimension::VOLUME_RATE;
    pub(super) const VOLUME_RATE_PER_MASS: Dimension = Dimension::VOLUME_RATE_PER_MASS;
}

facts! {
    measures {
        Volume, "volume", VOLUME_RATE, "mL/d", "Total volume";
        FormulaVolume, "formula_volume", VOLUME_RATE, "mL/d", "Feed volume";
        FlushVolume, "flush_volume", VOLUME_RATE, "mL/d", "Water flushes";
        AdditiveVolume, "additive_volume", VOLUME_RATE, "mL/d", "Liquid additives given apart";
        Energy, "energy", ENERGY_RATE, "kcal/d", "Energy";
        Protein, "protein", MASS_RATE, "g/d", "Protein";
        Carbohydrate, "carbohydrate", MASS_RATE, "g/d", "Carbohydrate";
        Fat, "fat", MASS_RATE, "g/d", "Fat";
        Fibre, "fibre", MASS_RATE, "g/d", "Fibre";
        FreeWater, "free_water", VOLUME_RATE, "mL/d", "Free water";
        FreeWaterFeed, "free_water_formula", VOLUME_RATE, "mL/d", "Free water from the feed";
        Sodium, "sodium", MASS_RATE, "mg/d", "Sodium";
        Potassium, "potassium", MASS_RATE, "mg/d", "Potassium";
        Chloride, "chloride", MASS_RATE, "mg/d", "Chloride";
        Calcium, "calcium", MASS_RATE, "mg/d", "Calcium";
        Phosphorus, "phosphorus", MASS_RATE, "mg/d", "Phosphorus";
        Magnesium, "magnesium", MASS_RATE, "mg/d", "Magnesium";
        SodiumMoles, "sodium_mmol", SUBSTANCE_RATE, "mmol/d", "Sodium";
        PotassiumMoles, "potassium_mmol", SUBSTANCE_RATE, "mmol/d", "Potassium";
        ChlorideMoles, "chloride_mmol", SUBSTANCE_RATE, "mmol/d", "Chloride";
        CalciumMoles, "calcium_mmol", SUBSTANCE_RATE, "mmol/d", "Calcium";
        PhosphorusMoles, "phosphorus_mmol", SUBSTANCE_RATE, "mmol/d", "Phosphorus";
        MagnesiumMoles, "magnesium_mmol", SUBSTANCE_RATE, "mmol/d", "Magnesium";
        VolumePerKg, "volume_per_kg", VOLUME_RATE_PER_MASS, "mL/kg/d", "Total volume per kg";
        FormulaVolumePerKg, "formula_volume_per_kg", VOLUME_RATE_PER_MASS, "mL/kg/d", "Feed volume per kg";
        EnergyPerKg, "energy_per_kg", ENERGY_RATE_PER_MASS, "kcal/kg/d", "Energy per kg";
        ProteinPerKg, "protein_per_kg", MASS_RATE_PER_MASS, "g/kg/d", "Protein per kg";
        CarbohydratePerKg, "carbohydrate_per_kg", MASS_RATE_PER_MASS, "g/kg/d", "Carbohydrate per kg";
        FatPerKg, "fat_per_kg", MASS_RATE_PER_MASS, "g/kg/d", "Fat per kg";
        FreeWaterPerKg, "free_water_per_kg", VOLUME_RATE_PER_MASS, "mL/kg/d", "Free water per kg";
        SodiumPerKg, "sodium_per_kg", SUBSTANCE_RATE_PER_MASS, "mmol/kg/d", "Sodium per kg";
        PotassiumPerKg, "potassium_per_kg", SUBSTANCE_RATE_PER_MASS, "mmol/kg/d", "Potassium per kg";
        ChloridePerKg, "chloride_per_kg", SUBSTANCE_RATE_PER_MASS, "mmol/kg/d", "Chloride per kg";
        CalciumPerKg, "calcium_per_kg", MASS_RATE_PER_MASS, "mg/kg/d", "Calcium per kg";
        PhosphorusPerKg, "phosphorus_per_kg", MASS_RATE_PER_MASS, "mg/kg/d", "Phosphorus per kg";
        MagnesiumPerKg, "magnesium_per_kg", MASS_RATE_PER_MASS, "mg/kg/d", "Magnesium per kg";
        ProteinEnergyShare, "protein_energy_share", NUMBER, "%", "Energy from protein";
        FatEnergyShare, "fat_energy_share", NUMBER, "%", "Energy from fat";
        CarbohydrateEnergyShare, "carbohydrate_energy_share", NUMBER, "%", "Energy from carbohydrate";
        NonProteinEnergyPerNitrogen, "non_protein_energy_per_nitrogen", ENERGY_PER_MASS, "kcal/g", "Non-protein energy per g of nitrogen";
        ProteinPerEnergy, "protein_per_energy", MASS_PER_ENERGY, "g/(100.kcal)", "Protein per 100 kcal";
        CarbohydrateRate, "carbohydrate_rate", MASS_RATE_PER_MASS, "mg/kg/min", "Carbohydrate delivery, mean of the day";
        CarbohydrateRateFeeding, "carbohydrate_rate_feeding", MASS_RATE_PER_MASS, "mg/kg/min", "Carbohydrate delivery while feeding, highest";
        RenalSoluteLoad, "renal_solute_load", OSMOLE_RATE, "mosm/d", "Potential renal solute load";
        RenalSoluteLoadPerKg, "renal_solute_load_per_kg", OSMOLE_RATE_PER_MASS, "mosm/kg/d", "Potential renal solute load per kg";
        RenalSoluteLoadPerEnergy, "renal_solute_load_per_energy", OSMOLES_PER_ENERGY, "mosm/(100.kcal)", "Potential renal solute load per 100 kcal";
        WaterPerEnergy, "free_water_per_energy", VOLUME_PER_ENERGY, "mL/kcal", "Free water per kcal";
        EnergyDensity, "energy_density", ENERGY_DENSITY, "kcal/mL", "Energy density of the feed as given";
        Osmolality, "osmolality", OSMOLALITY, "mosm/kg", "Osmolality of the feed";
        FeedsPerDay, "feeds", PER_TIME, "/d", "Feeds";
        LargestFeed, "largest_feed", VOLUME, "mL", "Largest single feed";
        LargestFeedPerKg, "largest_feed_per_kg", VOLUME_PER_MASS, "mL/kg", "Largest single feed per kg";
        FeedDuration, "feed_duration", TIME, "h", "Longest single feed";
        FeedInterval, "feed_interval", TIME, "h", "Shortest interval between feeds (a day, where there is one)";
        FeedingTime, "feeding_time", NUMBER, "h/d", "Time the pump or feed runs";
        HighestRate, "highest_rate", VOLUME_RATE, "mL/h", "Highest rate";
        HangTime, "hang_time", TIME, "h", "Longest time one container hangs";
        TimeToGoal, "time_to_goal", TIME, "h", "Time from the first to the last step";
    }
    others {
        Age, "age", Quantity(TIME), "a", CORE, "Age in whole days; from the first birthday in completed months, a year being 365.25 d";
        CorrectedAge, "corrected_age", Quantity(TIME), "wk", CORE, "Age corrected for prematurity up to 24 months; a range where the gestation is not known";
        PostmenstrualAge, "postmenstrual_age", Quantity(TIME), "wk", HISTORY, "Gestation at birth plus age; from 20 to 45 weeks plus age where the gestation is not known";
        Gestation, "gestation", Quantity(TIME), "wk", HISTORY, "Gestational age at birth";
        Sex, "sex", Word(SEXES), "", HISTORY, "Sex, as far as the administrative gender names it";
        Weight, "weight", Quantity(MASS), "kg", CORE, "Dosing weight: the latest weight before the order";
        WeightAge, "weight_age", Quantity(TIME), "d", CORE, "Time from the dosing weight to the order";
        BirthWeight, "birth_weight", Quantity(MASS), "kg", HISTORY, "Birth weight";
        LastWeight, "last_weight", Quantity(MASS), "kg", HISTORY, "The weight before the dosing weight";
        LastWeightAge, "last_weight_age", Quantity(TIME), "d", HISTORY, "Time between the dosing weight and the one before";
        Height, "height", Quantity(LENGTH), "cm", HISTORY, "Height or length";
        BodyMassIndex, "bmi", Quantity(MASS_PER_AREA), "kg/m2", HISTORY, "Body-mass index of the dosing weight and the height";
        WeightZ, "weight_z", Quantity(NUMBER), "{SD}", HISTORY, "Weight-for-age z score (WHO, to 5 years, at the corrected age)";
        Setting, "setting", Word(SETTINGS), "", HISTORY, "Where the patient is cared for, by the encounter's class and location";
        Ward, "ward", Word(OPEN), "", HISTORY, "Ward: the encounter's current location";
        Stay, "stay", Quantity(TIME), "d", HISTORY, "Time since the encounter began";

        Route, "route", Word(ROUTES), "", CORE, "Where the feed enters";
        Method, "method", Word(METHODS), "", CORE, "How the feed is given; mixed: single feeds and one around the clock or for part of the day";
        ProductAgeClass, "product_age_class", Word(AGE_CLASSES), "", CORE, "Age class of the main product";
        ProductForm, "product_form", Word(FORMS), "", CORE, "Form of the main product";
        ProductContains, "product_contains", Keys, "", CORE, "Ingredients stated to be in any product of the order";
        ProductFreeFrom, "product_free_from", Keys, "", CORE, "Ingredients stated to be in no product of the order";
        ProductViscosity, "product_viscosity", Word(OPEN), "", CORE, "Viscosity class of the main product, as the formulary states it";
        CompositionSent, "composition_sent", Truth, "", CORE, "The composition of the main product was sent with the order";
        Density, "density", Quantity(ENERGY_DENSITY), "kcal/mL", CORE, "Energy density of the main feed as mixed";
        EnergyStated, "energy_stated", Quantity(ENERGY_DENSITY), "kcal/mL", CORE, "Energy density as the order states it";
        Container, "container", Quantity(VOLUME), "mL", CORE, "Largest container of the main product";
        Steps, "steps", Quantity(NUMBER), "", CORE, "Number of different rates or volumes one after the other";
        FirstRate, "first_rate", Quantity(VOLUME_RATE), "mL/h", CORE, "Rate of the first step";
        LargestStep, "largest_step", Quantity(VOLUME_RATE), "mL/h", CORE, "Largest rise of the rate from one step to the next";
        ShortestStepTime, "shortest_step_time", Quantity(TIME), "h", CORE, "Shortest time between two rises of the rate";
        RunningRate, "running_rate", Quantity(VOLUME_RATE), "mL/h", CORE, "Highest rate of what runs around the clock or for part of the day, of any day";
        SingleFeedRate, "single_feed_rate", Quantity(VOLUME_RATE), "mL/h", CORE, "Highest rate at which a single feed runs in, of any day";
        ShortestFeed, "shortest_feed", Quantity(TIME), "h", CORE, "Shortest time that a single feed takes, of any day";
        AtGoalAtOnce, "at_goal_at_once", Truth, "", CORE, "The order begins at its highest rate or volume";
        HasFlush, "has_flush", Truth, "", CORE, "The order has a water flush";
        SingleFlush, "single_flush", Quantity(VOLUME), "mL", CORE, "Largest single flush";
        FlushInterval, "flush_interval", Quantity(TIME), "h", CORE, "Longest time from one flush to the next";
        StartsAsNew, "starts_as_new", Truth, "", OTHER_ORDERS, "No other tube feed of the patient was sent, and other orders were asked for";
        OtherOrders, "other_orders", Quantity(NUMBER), "", OTHER_ORDERS, "Number of other feeding orders of the patient";
        Eats, "eats", Truth, "", OTHER_ORDERS, "A diet or a supplement by mouth is ordered as well, in this order or in another that stands";
        Additives, "additives", Quantity(NUMBER), "", CORE, "Number of additives mixed into the feed or given apart";
        AdditivesMixedIn, "additives_mixed_in", Quantity(NUMBER), "", CORE, "Number of additives mixed into the feed; those ordered by the day or by the feed are given apart";
        AdditiveEnergy, "additive_energy", Quantity(ENERGY_RATE), "kcal/d", CORE, "Energy of the additives given apart, typical day";
        AdditiveCarbohydrate, "additive_carbohydrate", Quantity(MASS_RATE), "g/d", CORE, "Carbohydrate of the additives given apart, typical day";
        LowestRate, "lowest_rate", Quantity(VOLUME_RATE), "mL/h", CORE, "Lowest rate at which feed runs, of any day";
        Fortified, "fortified", Truth, "", CORE, "A milk fortifier is mixed into the feed or given apart";
        Thickened, "thickened", Truth, "", CORE, "A thickener is mixed into the feed or given apart";
        Dyed, "dyed", Truth, "", CORE, "A dye is mixed into the feed or given apart";
        Cap, "cap", Quantity(VOLUME_RATE), "mL/d", CORE, "Maximum volume to deliver a day";
        FluidLimit, "fluid_limit", Quantity(VOLUME_RATE), "mL/d", OTHER_FLUIDS, "Fluid limit ordered";
        Lasts, "lasts", Quantity(TIME), "d", CORE, "Time from the start to the last end stated";
        InfusionVolume, "infusion_volume", Quantity(VOLUME_RATE), "mL/d", OTHER_FLUIDS, "Volume of the infusions by vein that are in the formulary, typical day";
        InfusionEnergy, "infusion_energy", Quantity(ENERGY_RATE), "kcal/d", OTHER_FLUIDS, "Energy of these infusions, typical day";
        InfusionProtein, "infusion_protein", Quantity(MASS_RATE), "g/d", OTHER_FLUIDS, "Protein (amino acids) of these infusions, typical day";
        InfusionCarbohydrate, "infusion_carbohydrate", Quantity(MASS_RATE), "g/d", OTHER_FLUIDS, "Carbohydrate (glucose) of these infusions, typical day";
        InfusionFat, "infusion_fat", Quantity(MASS_RATE), "g/d", OTHER_FLUIDS, "Fat of these infusions, typical day";
        HasInfusion, "has_infusion", Truth, "", OTHER_FLUIDS, "One of these infusions brings something on a day of the feed";
        Infusions, "infusions", Keys, "", MEDICINES, "Medicines that are among these infusions, by the rulebook's concepts";

        HollidaySegar, "holliday_segar", Quantity(VOLUME_RATE), "mL/d", CORE, "Maintenance fluid by weight (Holliday and Segar)";
        RestingEnergy, "resting_energy", Quantity(ENERGY_RATE), "kcal/d", HISTORY, "Resting energy estimated (Schofield under 18 years, Mifflin from 18)";
        IdealWeight, "ideal_weight", Quantity(MASS), "kg", HISTORY, "Ideal weight of an adult by height and sex";
        AdjustedWeight, "adjusted_weight", Quantity(MASS), "kg", HISTORY, "Ideal weight and a quarter of what the weight is over it";

        Conditions, "conditions", Keys, "", CONDITIONS, "Active conditions, by the rulebook's concepts";
        Allergies, "allergies", Keys, "", ALLERGIES, "Allergies and intolerances, by the rulebook's concepts; foods that the order excludes are counted as such";
        Refused, "refused", Keys, "", CORE, "What the order says that the patient does not eat (preferences and foods that it excludes), by the rulebook's concepts of diets";
        Medicines, "medicines", Keys, "", MEDICINES, "Current medicines, by the rulebook's concepts";
        TubeForms, "tube_forms", Keys, "", MEDICINES, "Dose forms of the medicines that are given through the tube, by the rulebook's concepts";
        TubeMedicines, "tube_medicines", Keys, "", MEDICINES, "Medicines that are given through the tube, by the rulebook's concepts";
        Potassium, "serum_potassium", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "Potassium in serum or plasma";
        Sodium, "serum_sodium", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "Sodium in serum or plasma";
        Phosphate, "serum_phosphate", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "Phosphate in serum or plasma";
        Magnesium, "serum_magnesium", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "Magnesium in serum or plasma";
        Glucose, "glucose", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "Glucose in blood, serum or plasma";
        Urea, "urea", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "Urea in serum or plasma";
        Creatinine, "creatinine", Quantity(SUBSTANCE_CONCENTRATION), "umol/L", LABS, "Creatinine in serum or plasma";
        FiltrationRate, "egfr", Quantity(VOLUME_RATE), "mL/min/{1.73_m2}", LABS, "Estimated filtration rate, per 1.73 m2 of body surface";
        Triglycerides, "triglycerides", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "Triglycerides in serum or plasma";
        Lactate, "lactate", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "Lactate in serum, plasma or blood";
        EarlierPotassium, "earlier_serum_potassium", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "The potassium before the latest";
        EarlierPhosphate, "earlier_serum_phosphate", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "The phosphate before the latest";
        EarlierMagnesium, "earlier_serum_magnesium", Quantity(SUBSTANCE_CONCENTRATION), "mmol/L", LABS, "The magnesium before the latest";
        TubeSize, "tube_size", Quantity(LENGTH), "[Ch]", DEVICES, "Outer diameter of the feeding tube";
        NasalTube, "nasal_tube", Truth, "", DEVICES, "A feeding tube through the nose is in use, by its device or by the route of the order";
        NasalTubeAge, "nasal_tube_age", Quantity(TIME), "wk", DEVICES, "Time since the nasal feeding tube was placed; of several the one placed last";
        NewGastrostomy, "new_gastrostomy", Truth, "", PROCEDURES, "A gastrostomy was made in the 7 days before the order";
        FeedAfterGastrostomy, "feed_after_gastrostomy", Quantity(TIME), "h", PROCEDURES, "Time from the latest gastrostomy of the 7 days before the order to the start of the feed, or the time since it where the feed began before";
        PumpRateStep, "pump_rate_step", Quantity(VOLUME_RATE), "mL/h", CORE, "Step in which the pump's rate is set";
        PumpLowestRate, "pump_lowest_rate", Quantity(VOLUME_RATE), "mL/h", CORE, "Lowest rate of the pump";
        PumpHighestRate, "pump_highest_rate", Quantity(VOLUME_RATE), "mL/h", CORE, "Highest rate of the pump";
        PumpVolumeStep, "pump_volume_step", Quantity(VOLUME), "mL", CORE, "Step in which the pump's volume is set";
    }
}

/// Whether a fact is what a typical day gives.
pub(super) fn is_of_a_day(ix: usize) -> bool {
    matches!(SOURCES.get(ix), Some(Source::Typical(measure) | Source::First(measure)) if !of_any_day(*measure))
}

/// Whether a fact is a laboratory value.
pub(super) fn is_of_the_laboratory(ix: usize) -> bool {
    FACTS.get(ix).is_some_and(|fact| fact.need == LABS)
}

/// Whether a fact is of a feed: an order of water alone has none.
pub(super) fn is_of_feed(ix: usize) -> bool {
    match SOURCES.get(ix) {
        Some(Source::Typical(measure) | Source::First(measure)) => !matches!(
            measure,
            Measure::Volume
                | Measure::VolumePerKg
                | Measure::FlushVolume
                | Measure::FreeWater
                | Measure::FreeWaterPerKg
                | Measure::Sodium
                | Measure::SodiumMoles
                | Measure::SodiumPerKg
                | Measure::Chloride
                | Measure::ChlorideMoles
                | Measure::ChloridePerKg
        ),
        Some(Source::Other(name)) => matches!(
            name,
            Name::Method
                | Name::ProductAgeClass
                | Name::ProductForm
                | Name::ProductContains
                | Name::ProductFreeFrom
                | Name::ProductViscosity
                | Name::CompositionSent
                | Name::Density
                | Name::EnergyStated
                | Name::Container
                | Name::Steps
                | Name::FirstRate
                | Name::LargestStep
                | Name::ShortestStepTime
                | Name::RunningRate
                | Name::SingleFeedRate
                | Name::ShortestFeed
                | Name::AtGoalAtOnce
                | Name::LowestRate
                | Name::Fortified
        ),
        None => false,
    }
}

/// Whether a fact is worked out from the dosing weight, or is that weight.
pub fn rests_on_weight(ix: usize) -> bool {
    match SOURCES.get(ix) {
        Some(Source::Typical(_) | Source::First(_)) => FACTS.get(ix).is_some_and(|fact| {
            matches!(
                fact.kind,
                Type::Quantity(
                    Dimension::VOLUME_PER_MASS
                        | Dimension::VOLUME_RATE_PER_MASS
                        | Dimension::ENERGY_RATE_PER_MASS
                        | Dimension::MASS_RATE_PER_MASS
                        | Dimension::SUBSTANCE_RATE_PER_MASS
                        | Dimension::OSMOLE_RATE_PER_MASS
                )
            )
        }),
        Some(Source::Other(name)) => matches!(
            name,
            Name::Weight
                | Name::BodyMassIndex
                | Name::WeightZ
                | Name::HollidaySegar
                | Name::RestingEnergy
                | Name::AdjustedWeight
        ),
        None => false,
    }
}

/// Whether a fact is worked out from the height, or is that height.
pub fn rests_on_height(ix: usize) -> bool {
    let names = [Name::Height, Name::BodyMassIndex, Name::IdealWeight, Name::AdjustedWeight, Name::RestingEnergy];
    matches!(SOURCES.get(ix), Some(Source::Other(name)) if names.contains(name))
}

/// Whether a fact is an amount of the order, or follows from one: volume, energy, nutrients, their densities, and what
/// they come to in a time or per kilogram. A body weight, a share and a length of time are none.
pub fn is_an_amount(ix: usize) -> bool {
    FACTS.get(ix).is_some_and(|fact| {
        fact.need == CORE
            && matches!(
                fact.kind,
                Type::Quantity(
                    Dimension::VOLUME
                        | Dimension::VOLUME_PER_MASS
                        | Dimension::VOLUME_PER_ENERGY
                        | Dimension::VOLUME_RATE
                        | Dimension::VOLUME_RATE_PER_MASS
                        | Dimension::ENERGY_DENSITY
                        | Dimension::ENERGY_PER_MASS
                        | Dimension::ENERGY_RATE
                        | Dimension::ENERGY_RATE_PER_MASS
                        | Dimension::MASS_RATE
                        | Dimension::MASS_RATE_PER_MASS
                        | Dimension::MASS_PER_ENERGY
                        | Dimension::SUBSTANCE_RATE
                        | Dimension::SUBSTANCE_RATE_PER_MASS
                        | Dimension::OSMOLE_RATE
                        | Dimension::OSMOLE_RATE_PER_MASS
                        | Dimension::OSMOLES_PER_ENERGY
                )
            )
    })
}

/// The index of a fact by its name.
pub fn find(name: &str) -> Option<usize> {
    FACTS.iter().position(|fact| fact.name == name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Unit;

    #[test]
    fn every_unit_is_of_its_facts_dimension_and_every_name_is_there_once() {
        for (ix, fact) in FACTS.iter().enumerate() {
            assert_eq!(find(fact.name), Some(ix), "{} twice", fact.name);
            match fact.kind {
                Type::Quantity(Dimension::NUMBER) if fact.unit.is_empty() => {}
                // A year has no fixed length in the units room; the age says how it counts.
                Type::Quantity(Dimension::TIME) if fact.unit == "a" => {}
                Type::Quantity(dimension) => {
                    let unit = Unit::parse(fact.unit).unwrap_or_else(|e| panic!("{}: {e}", fact.name));
                    assert_eq!(unit.dimension, dimension, "{}", fact.name);
                }
                _ => assert_eq!(fact.unit, "", "{}", fact.name),
            }
        }
        assert_eq!(FACTS.len(), SOURCES.len());
        for (ix, source) in SOURCES.iter().enumerate() {
            if let Source::Other(name) = source {
                assert_eq!(*name as usize, ix, "{name:?}: facts that are no measures come first");
            }
        }
    }

    #[test]
    fn every_measure_is_a_fact_of_the_typical_and_the_first_day() {
        for measure in Measure::ALL {
            let name = measure.code().replace('-', "_");
            for (name, source) in
                [(name.clone(), Source::Typical(*measure)), (format!("first_day_{name}"), Source::First(*measure))]
            {
                let ix = find(&name).unwrap_or_else(|| panic!("{name}"));
                assert_eq!(SOURCES[ix], source);
                assert_eq!(FACTS[ix].unit, measure.unit());
            }
        }
    }
}
