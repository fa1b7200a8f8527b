//! A product of the institution's formulary, normalised to amounts per millilitre, kilocalorie, dose or gram.

use crate::exact::Exact;

/// Nutrients that are totalled. Macronutrients, fibre in g; water in mL; minerals in mg.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[allow(missing_docs, reason = "plain names")]
pub enum Nutrient {
    Protein,
    Carbohydrate,
    Fat,
    Fibre,
    Water,
    Sodium,
    Potassium,
    Chloride,
    Calcium,
    Phosphorus,
    Magnesium,
}

/// How many nutrients there are.
pub const NUTRIENTS: usize = 11;

impl Nutrient {
    /// All, in the order of [`Product::per_unit`].
    pub const ALL: [Self; NUTRIENTS] = [
        Self::Protein,
        Self::Carbohydrate,
        Self::Fat,
        Self::Fibre,
        Self::Water,
        Self::Sodium,
        Self::Potassium,
        Self::Chloride,
        Self::Calcium,
        Self::Phosphorus,
        Self::Magnesium,
    ];

    /// Name for people.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Protein => "protein",
            Self::Carbohydrate => "carbohydrate",
            Self::Fat => "fat",
            Self::Fibre => "fibre",
            Self::Water => "water",
            Self::Sodium => "sodium",
            Self::Potassium => "potassium",
            Self::Chloride => "chloride",
            Self::Calcium => "calcium",
            Self::Phosphorus => "phosphorus",
            Self::Magnesium => "magnesium",
        }
    }

    /// UCUM code of the unit it is totalled in.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Protein | Self::Carbohydrate | Self::Fat | Self::Fibre => "g",
            Self::Water => "mL",
            _ => "mg",
        }
    }

    /// Atomic mass, g/mol, for minerals (Na 22.990, K 39.098, Cl 35.45,
    /// Ca 40.078, P 30.974, Mg 24.305; IUPAC abridged standard atomic weights).
    pub const fn atomic_mass(self) -> Option<Exact> {
        match self {
            Self::Sodium => Some(Exact::decimal(22_990, 3)),
            Self::Potassium => Some(Exact::decimal(39_098, 3)),
            Self::Chloride => Some(Exact::decimal(35_450, 3)),
            Self::Calcium => Some(Exact::decimal(40_078, 3)),
            Self::Phosphorus => Some(Exact::decimal(30_974, 3)),
            Self::Magnesium => Some(Exact::decimal(24_305, 3)),
            _ => None,
        }
    }
}

/// What a product is, physically.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Form {
    /// Closed, ready to hang.
    ReadyToHang,
    /// Sterile liquid, decanted.
    Decanted,
    /// Powder, reconstituted.
    Powder,
    /// Blenderised food.
    Blenderised,
    /// Human milk.
    HumanMilk,
    /// Water or another flush fluid.
    Water,
    /// Single-nutrient additive, per dose or per gram.
    Modular,
    /// Multi-nutrient additive for milk, per unit.
    Fortifier,
    /// Plain milk of an animal, no formula.
    AnimalMilk,
    /// Drink made of plants, no formula.
    PlantDrink,
    /// Thickener, added to a feed.
    Thickener,
    /// Dye, added to a feed.
    Dye,
    /// Given by vein: parenteral nutrition, glucose, fat, a medicine in fat.
    Infusion,
    /// Not stated; only for a product that was sent with an order.
    NotStated,
}

impl Form {
    /// The forms that can be stated.
    pub const ALL: [Self; 13] = [
        Self::ReadyToHang,
        Self::Decanted,
        Self::Powder,
        Self::Blenderised,
        Self::HumanMilk,
        Self::Water,
        Self::Modular,
        Self::Fortifier,
        Self::AnimalMilk,
        Self::PlantDrink,
        Self::Thickener,
        Self::Dye,
        Self::Infusion,
    ];

    /// The word used in the formulary.
    pub const fn word(self) -> &'static str {
        match self {
            Self::ReadyToHang => "ready-to-hang",
            Self::Decanted => "decanted",
            Self::Powder => "powder",
            Self::Blenderised => "blenderised",
            Self::HumanMilk => "human-milk",
            Self::Water => "water",
            Self::Modular => "modular",
            Self::Fortifier => "fortifier",
            Self::AnimalMilk => "animal-milk",
            Self::PlantDrink => "plant-drink",
            Self::Thickener => "thickener",
            Self::Dye => "dye",
            Self::Infusion => "infusion",
            Self::NotStated => "not-stated",
        }
    }

    /// Whether it is known to be given as a feed, not added to one or used to flush.
    pub const fn is_feed(self) -> bool {
        matches!(
            self,
            Self::ReadyToHang
                | Self::Decanted
                | Self::Powder
                | Self::Blenderised
                | Self::HumanMilk
                | Self::AnimalMilk
                | Self::PlantDrink
        )
    }
}

/// What the figures in [`Product::per_unit`] are per.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Basis {
    /// Per mL of the product as given.
    Millilitre,
    /// Per kcal: the density comes from the order (powders mixed to a strength).
    Kilocalorie,
    /// Per dose, packet or unit (modulars, fortifiers).
    Dose,
    /// Per gram (modulars).
    Gram,
}

/// Age class of a product.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[allow(missing_docs, reason = "plain names")]
pub enum AgeClass {
    Preterm,
    Infant,
    Paediatric,
    Adult,
    Any,
    /// Not stated, which is not [`AgeClass::Any`]; only for a product that was sent with an order.
    NotStated,
}

impl AgeClass {
    /// The classes that can be stated.
    pub const ALL: [Self; 5] = [Self::Preterm, Self::Infant, Self::Paediatric, Self::Adult, Self::Any];

    /// The word used in the formulary.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Preterm => "preterm",
            Self::Infant => "infant",
            Self::Paediatric => "paediatric",
            Self::Adult => "adult",
            Self::Any => "any",
            Self::NotStated => "not-stated",
        }
    }
}

/// Where a product's figures came from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Provenance {
    /// File, or `NutritionProduct/<id>` of the request's own bundle.
    pub file: String,
    /// Line of the file, 1-based.
    pub line: u32,
    /// The institution's word on the source of the composition (label, maker's sheet, analysis) and its date.
    pub stated: String,
}

/// One product.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Product {
    /// The institution's own key, unique in the formulary.
    pub key: String,
    /// Name as the institution writes it.
    pub name: String,
    /// Further exact names.
    pub aliases: Vec<String>,
    /// Codes: (system, code).
    pub codes: Vec<(String, String)>,
    /// Identifiers: (system, value).
    pub identifiers: Vec<(String, String)>,
    /// Form.
    pub form: Form,
    /// Basis of the figures.
    pub basis: Basis,
    /// kcal per mL, dose or gram; `None` for [`Basis::Kilocalorie`] or when not stated.
    pub energy: Option<Exact>,
    /// Amount per unit of the basis, in the order of [`Nutrient::ALL`]; `None`: not stated, which is not zero.
    pub per_unit: [Option<Exact>; NUTRIENTS],
    /// Osmolality, mOsm/kg water.
    pub osmolality: Option<Exact>,
    /// Volume one unit adds to the mix, mL (fortifiers, modulars); `None`: not stated.
    pub displacement: Option<Exact>,
    /// Age class.
    pub age: AgeClass,
    /// Allergen and ingredient flags stated: (name, contains).
    pub flags: Vec<(String, bool)>,
    /// Viscosity class as stated (`thin`, `thick`).
    pub viscosity: Option<String>,
    /// Container sizes, mL, ascending.
    pub containers: Vec<Exact>,
    /// Where the figures came from.
    pub provenance: Provenance,
}

impl Product {
    /// The figure for a nutrient per unit of the basis.
    pub fn nutrient(&self, n: Nutrient) -> Option<Exact> {
        self.per_unit.get(n as usize).copied().flatten()
    }
}
