//! The measures of a day, with their names, units and display.

use crate::formulary::product::Nutrient;

macro_rules! measures {
    ($($name:ident = $code:literal, $unit:literal, $places:literal, $label:literal;)*) => {
        /// One measure of a day.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        #[allow(missing_docs, reason = "the label is the documentation")]
        pub enum Measure { $($name),* }

        impl Measure {
            /// All, in the order in which they are reported.
            pub const ALL: &'static [Self] = &[$(Self::$name),*];
            /// How many.
            pub const COUNT: usize = Self::ALL.len();

            /// Code in the measure code system, and name of the part in the answer.
            pub const fn code(self) -> &'static str {
                match self { $(Self::$name => $code),* }
            }

            /// UCUM code of its unit.
            pub const fn unit(self) -> &'static str {
                match self { $(Self::$name => $unit),* }
            }

            /// Its unit as people write it.
            pub fn unit_text(self) -> &'static str {
                spelled(self.unit())
            }

            /// Decimals shown to people.
            pub const fn places(self) -> u32 {
                match self { $(Self::$name => $places),* }
            }

            /// Name for people.
            pub const fn label(self) -> &'static str {
                match self { $(Self::$name => $label),* }
            }
        }
    };
}

measures! {
    Volume = "volume", "mL/d", 0, "total volume";
    FormulaVolume = "formula-volume", "mL/d", 0, "feed volume";
    FlushVolume = "flush-volume", "mL/d", 0, "water flushes";
    AdditiveVolume = "additive-volume", "mL/d", 0, "liquid additives given apart";
    Energy = "energy", "kcal/d", 0, "energy";
    Protein = "protein", "g/d", 1, "protein";
    Carbohydrate = "carbohydrate", "g/d", 1, "carbohydrate";
    Fat = "fat", "g/d", 1, "fat";
    Fibre = "fibre", "g/d", 1, "fibre";
    FreeWater = "free-water", "mL/d", 0, "free water";
    FreeWaterFeed = "free-water-formula", "mL/d", 0, "free water from the feed";
    Sodium = "sodium", "mg/d", 0, "sodium";
    Potassium = "potassium", "mg/d", 0, "potassium";
    Chloride = "chloride", "mg/d", 0, "chloride";
    Calcium = "calcium", "mg/d", 0, "calcium";
    Phosphorus = "phosphorus", "mg/d", 0, "phosphorus";
    Magnesium = "magnesium", "mg/d", 0, "magnesium";
    SodiumMoles = "sodium-mmol", "mmol/d", 1, "sodium";
    PotassiumMoles = "potassium-mmol", "mmol/d", 1, "potassium";
    ChlorideMoles = "chloride-mmol", "mmol/d", 1, "chloride";
    CalciumMoles = "calcium-mmol", "mmol/d", 1, "calcium";
    PhosphorusMoles = "phosphorus-mmol", "mmol/d", 1, "phosphorus";
    MagnesiumMoles = "magnesium-mmol", "mmol/d", 1, "magnesium";
    VolumePerKg = "volume-per-kg", "mL/kg/d", 1, "total volume per kg";
    FormulaVolumePerKg = "formula-volume-per-kg", "mL/kg/d", 1, "feed volume per kg";
    EnergyPerKg = "energy-per-kg", "kcal/kg/d", 1, "energy per kg";
    ProteinPerKg = "protein-per-kg", "g/kg/d", 2, "protein per kg";
    CarbohydratePerKg = "carbohydrate-per-kg", "g/kg/d", 2, "carbohydrate per kg";
    FatPerKg = "fat-per-kg", "g/kg/d", 2, "fat per kg";
    FreeWaterPerKg = "free-water-per-kg", "mL/kg/d", 1, "free water per kg";
    SodiumPerKg = "sodium-per-kg", "mmol/kg/d", 2, "sodium per kg";
    PotassiumPerKg = "potassium-per-kg", "mmol/kg/d", 2, "potassium per kg";
    ChloridePerKg = "chloride-per-kg", "mmol/kg/d", 2, "chloride per kg";
    CalciumPerKg = "calcium-per-kg", "mg/kg/d", 0, "calcium per kg";
    PhosphorusPerKg = "phosphorus-per-kg", "mg/kg/d", 0, "phosphorus per kg";
    MagnesiumPerKg = "magnesium-per-kg", "mg/kg/d", 1, "magnesium per kg";
    ProteinEnergyShare = "protein-energy-share", "%", 1, "energy from protein";
    FatEnergyShare = "fat-energy-share", "%", 1, "energy from fat";
    CarbohydrateEnergyShare = "carbohydrate-energy-share", "%", 1, "energy from carbohydrate";
    NonProteinEnergyPerNitrogen = "non-protein-energy-per-nitrogen", "kcal/g", 1, "non-protein energy per g of nitrogen";
    ProteinPerEnergy = "protein-per-energy", "g/(100.kcal)", 2, "protein per 100 kcal";
    CarbohydrateRate = "carbohydrate-rate", "mg/kg/min", 2, "carbohydrate delivery, mean of the day";
    CarbohydrateRateFeeding = "carbohydrate-rate-feeding", "mg/kg/min", 2, "carbohydrate delivery while feeding, highest";
    RenalSoluteLoad = "renal-solute-load", "mosm/d", 0, "potential renal solute load";
    RenalSoluteLoadPerKg = "renal-solute-load-per-kg", "mosm/kg/d", 1, "potential renal solute load per kg";
    RenalSoluteLoadPerEnergy = "renal-solute-load-per-energy", "mosm/(100.kcal)", 1, "potential renal solute load per 100 kcal";
    WaterPerEnergy = "free-water-per-energy", "mL/kcal", 2, "free water per kcal";
    EnergyDensity = "energy-density", "kcal/mL", 3, "energy density of the feed as given";
    Osmolality = "osmolality", "mosm/kg", 0, "osmolality of the feed";
    FeedsPerDay = "feeds", "/d", 1, "feeds";
    LargestFeed = "largest-feed", "mL", 1, "largest single feed";
    LargestFeedPerKg = "largest-feed-per-kg", "mL/kg", 1, "largest single feed per kg";
    FeedDuration = "feed-duration", "h", 2, "longest feed";
    FeedInterval = "feed-interval", "h", 2, "shortest interval between feeds";
    FeedingTime = "feeding-time", "h/d", 1, "time the pump or feed runs";
    HighestRate = "highest-rate", "mL/h", 1, "highest rate";
    HangTime = "hang-time", "h", 1, "longest time one container hangs";
    TimeToGoal = "time-to-goal", "h", 1, "time from the first to the last step";
}

/// A unit of the answers as people write it, for texts and for `Quantity.unit`; the UCUM code where people
/// write the same.
pub fn spelled(code: &str) -> &str {
    match code {
        "g/(100.kcal)" => "g/100 kcal",
        "mosm/(100.kcal)" => "mOsm/100 kcal",
        "mosm/d" => "mOsm/d",
        "mosm/kg" => "mOsm/kg",
        "mosm/kg/d" => "mOsm/kg/d",
        "/d" => "per day",
        "%/Cel" => "% per °C",
        "Cel" => "°C",
        "{SD}" => "SD",
        "m2" => "m²",
        "kg/m2" => "kg/m²",
        "a" => "years",
        "mo" => "months",
        "wk" => "weeks",
        other => other,
    }
}

/// How a day's measure follows from others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Recipe {
    /// Sum over what is given, mL.
    Volume(Given),
    /// Sum over what is given of its energy.
    Energy,
    /// Sum over what is given of a nutrient; `feed_only`: flushes and doses left out.
    Nutrient {
        /// Which.
        nutrient: Nutrient,
        /// Only from the feed.
        feed_only: bool,
    },
    /// Another measure in mg over the atomic mass.
    Moles(Measure, Nutrient),
    /// Another measure over the dosing weight.
    PerKg(Measure),
    /// A ratio worked out on the parts given.
    Ratio(Quotient),
    /// Worked out from the schedule.
    Schedule,
}

/// What a volume sums.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "plain names")]
pub enum Given {
    All,
    Feed,
    Flush,
    Additive,
}

/// Ratios of two sums over the same parts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "plain names")]
pub enum Quotient {
    ProteinShare,
    FatShare,
    CarbohydrateShare,
    NonProteinPerNitrogen,
    ProteinPerEnergy,
    SolutePerEnergy,
    WaterPerEnergy,
    EnergyPerVolume,
}

impl Measure {
    /// How it is worked out.
    pub const fn recipe(self) -> Recipe {
        use Measure as M;
        use Nutrient as N;
        const fn nutrient(nutrient: Nutrient) -> Recipe {
            Recipe::Nutrient { nutrient, feed_only: false }
        }
        match self {
            M::Volume => Recipe::Volume(Given::All),
            M::FormulaVolume => Recipe::Volume(Given::Feed),
            M::FlushVolume => Recipe::Volume(Given::Flush),
            M::AdditiveVolume => Recipe::Volume(Given::Additive),
            M::Energy => Recipe::Energy,
            M::Protein => nutrient(N::Protein),
            M::Carbohydrate => nutrient(N::Carbohydrate),
            M::Fat => nutrient(N::Fat),
            M::Fibre => nutrient(N::Fibre),
            M::FreeWater => nutrient(N::Water),
            M::FreeWaterFeed => Recipe::Nutrient { nutrient: N::Water, feed_only: true },
            M::Sodium => nutrient(N::Sodium),
            M::Potassium => nutrient(N::Potassium),
            M::Chloride => nutrient(N::Chloride),
            M::Calcium => nutrient(N::Calcium),
            M::Phosphorus => nutrient(N::Phosphorus),
            M::Magnesium => nutrient(N::Magnesium),
            M::SodiumMoles => Recipe::Moles(M::Sodium, N::Sodium),
            M::PotassiumMoles => Recipe::Moles(M::Potassium, N::Potassium),
            M::ChlorideMoles => Recipe::Moles(M::Chloride, N::Chloride),
            M::CalciumMoles => Recipe::Moles(M::Calcium, N::Calcium),
            M::PhosphorusMoles => Recipe::Moles(M::Phosphorus, N::Phosphorus),
            M::MagnesiumMoles => Recipe::Moles(M::Magnesium, N::Magnesium),
            M::VolumePerKg => Recipe::PerKg(M::Volume),
            M::FormulaVolumePerKg => Recipe::PerKg(M::FormulaVolume),
            M::EnergyPerKg => Recipe::PerKg(M::Energy),
            M::ProteinPerKg => Recipe::PerKg(M::Protein),
            M::CarbohydratePerKg => Recipe::PerKg(M::Carbohydrate),
            M::FatPerKg => Recipe::PerKg(M::Fat),
            M::FreeWaterPerKg => Recipe::PerKg(M::FreeWater),
            M::SodiumPerKg => Recipe::PerKg(M::SodiumMoles),
            M::PotassiumPerKg => Recipe::PerKg(M::PotassiumMoles),
            M::ChloridePerKg => Recipe::PerKg(M::ChlorideMoles),
            M::CalciumPerKg => Recipe::PerKg(M::Calcium),
            M::PhosphorusPerKg => Recipe::PerKg(M::Phosphorus),
            M::MagnesiumPerKg => Recipe::PerKg(M::Magnesium),
            M::LargestFeedPerKg => Recipe::PerKg(M::LargestFeed),
            M::RenalSoluteLoadPerKg => Recipe::PerKg(M::RenalSoluteLoad),
            M::ProteinEnergyShare => Recipe::Ratio(Quotient::ProteinShare),
            M::FatEnergyShare => Recipe::Ratio(Quotient::FatShare),
            M::CarbohydrateEnergyShare => Recipe::Ratio(Quotient::CarbohydrateShare),
            M::NonProteinEnergyPerNitrogen => Recipe::Ratio(Quotient::NonProteinPerNitrogen),
            M::ProteinPerEnergy => Recipe::Ratio(Quotient::ProteinPerEnergy),
            M::RenalSoluteLoadPerEnergy => Recipe::Ratio(Quotient::SolutePerEnergy),
            M::WaterPerEnergy => Recipe::Ratio(Quotient::WaterPerEnergy),
            M::EnergyDensity => Recipe::Ratio(Quotient::EnergyPerVolume),
            M::CarbohydrateRate
            | M::CarbohydrateRateFeeding
            | M::RenalSoluteLoad
            | M::Osmolality
            | M::FeedsPerDay
            | M::LargestFeed
            | M::FeedDuration
            | M::FeedInterval
            | M::FeedingTime
            | M::HighestRate
            | M::HangTime
            | M::TimeToGoal => Recipe::Schedule,
        }
    }

    /// The measure from which this one is worked out, where there is one.
    pub const fn rests_on(self) -> Option<Self> {
        match (self, self.recipe()) {
            (Measure::CarbohydrateRate, _) => Some(Measure::Carbohydrate),
            (_, Recipe::PerKg(of) | Recipe::Moles(of, _)) => Some(of),
            _ => None,
        }
    }

    /// Where the formula comes from.
    pub const fn source(self) -> &'static str {
        use Measure as M;
        match self {
            M::RenalSoluteLoad | M::RenalSoluteLoadPerKg | M::RenalSoluteLoadPerEnergy => {
                "Fomon and Ziegler: N/28 + Na + K + Cl + P (mg nitrogen; mmol), all nitrogen taken as urea"
            }
            M::SodiumMoles
            | M::PotassiumMoles
            | M::ChlorideMoles
            | M::CalciumMoles
            | M::PhosphorusMoles
            | M::MagnesiumMoles
            | M::SodiumPerKg
            | M::PotassiumPerKg
            | M::ChloridePerKg => {
                "IUPAC abridged standard atomic weights (Na 22.990, K 39.098, Cl 35.45, Ca 40.078, P 30.974, Mg 24.305)"
            }
            M::ProteinEnergyShare | M::FatEnergyShare | M::CarbohydrateEnergyShare => {
                "energy factors 4, 9 and 4 kcal/g (from memory: Atwater general factors)"
            }
            M::NonProteinEnergyPerNitrogen => "protein ÷ 6.25 = nitrogen (common practice, no source)",
            _ => "arithmetic",
        }
    }

    /// Index in [`Measure::ALL`].
    pub const fn index(self) -> usize {
        self as usize
    }
}
