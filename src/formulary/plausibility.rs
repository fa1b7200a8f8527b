//! Whether a product's figures can be true together. Judges each product by arithmetic alone; no clinical
//! limits here.
//!
//! Refusals are what cannot be: more mass than fits, a density no feed has. Warnings carry the rule NUT-09:
//! stated energy against 4 kcal/g protein, 9 fat (8.3 its medium-chain part), 4 carbohydrate (from memory;
//! the general factors of food labelling) and stated water against an estimate from partial specific
//! volumes (derived: water = 1 − (0.73 P + 1.08 F + 0.62 C)/1000, g/L).

use super::problem::{Column, FormularyProblem, Level};
use super::product::{Basis, Form, Nutrient, Product};
use crate::exact::Exact;

/// How the institution wrote the figures, so that a message shows the numbers that it wrote.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stated {
    /// What the written figures are per: `L`, `100 mL`, `dose`, …
    pub per: &'static str,
    /// Written figure = figure per unit of the basis × this.
    pub scale: Exact,
}

impl Stated {
    /// The usual way to write figures of a basis.
    pub const fn of(basis: Basis) -> Self {
        match basis {
            Basis::Millilitre => Self { per: "L", scale: Exact::int(1000) },
            Basis::Kilocalorie => Self { per: "100 kcal", scale: Exact::int(100) },
            Basis::Dose => Self { per: "dose", scale: Exact::ONE },
            Basis::Gram => Self { per: "g", scale: Exact::ONE },
        }
    }
}

const PROTEIN: Exact = Exact::int(4);
const FAT: Exact = Exact::int(9);
const CARBOHYDRATE: Exact = Exact::int(4);
/// Glucose monohydrate (3.4 kcal/g), as it is weighed for infusions, and fat with the glycerol of a 10 % emulsion (11 kcal/g): from memory.
const GLUCOSE_BY_VEIN: Exact = Exact::decimal(34, 1);
const FAT_BY_VEIN: Exact = Exact::int(11);
const MEDIUM_CHAIN: Exact = Exact::decimal(83, 1);
/// Fermentable fibre: 0 in some labelling, 2 in other (from memory); both are accepted.
const FIBRE: Exact = Exact::int(2);
/// Stated energy may differ from the sum by this share of the sum.
const ENERGY_TOLERANCE: Exact = Exact::decimal(5, 2);
/// Stated water may differ from the estimate by this, mL per mL.
const WATER_TOLERANCE: Exact = Exact::decimal(4, 2);
/// Macronutrients of 1 mL cannot take more than this, mL: 1 and the uncertainty of the estimate (pure oil
/// comes out at 1.004).
const MOST_VOLUME: Exact = Exact::decimal(104, 2);
/// Densities a feed can have, kcal/mL.
const LEAST_DENSITY: Exact = Exact::decimal(3, 1);
const MOST_DENSITY: Exact = Exact::decimal(25, 1);

/// Everything wrong with a product's figures. `medium_chain_fat`: g per unit of the basis, part of the fat.
pub fn judge(product: &Product, medium_chain_fat: Option<Exact>, stated: &Stated) -> Vec<FormularyProblem> {
    let mut judged = Judged { product, stated, problems: Vec::new() };
    judged.signs();
    judged.shape();
    judged.mass(medium_chain_fat);
    judged.density();
    judged.energy(medium_chain_fat);
    judged.water();
    judged.minerals();
    judged.problems
}

struct Judged<'p> {
    product: &'p Product,
    stated: &'p Stated,
    problems: Vec<FormularyProblem>,
}

impl Judged<'_> {
    fn report(&mut self, level: Level, code: &'static str, column: Option<&'static str>, text: String) {
        self.problems.push(FormularyProblem {
            file: self.product.provenance.file.clone(),
            line: Some(self.product.provenance.line),
            column: column.map(|name| Column { name: name.to_owned(), number: None }),
            product: Some(self.product.key.clone()),
            level,
            code,
            text,
        });
    }

    fn refuse(&mut self, code: &'static str, column: &'static str, text: String) {
        self.report(Level::Refusal, code, Some(column), text);
    }

    /// A figure as the institution wrote it.
    fn written(&self, x: Exact) -> String {
        x.mul(self.stated.scale).unwrap_or(x).short(3)
    }

    fn signs(&mut self) {
        let p = self.product;
        let figures = Nutrient::ALL.into_iter().map(|n| (column_of(n), p.nutrient(n))).chain([
            ("energy_kcal", p.energy),
            ("osmolality_mOsm_per_kg", p.osmolality),
            ("displacement_mL", p.displacement),
        ]);
        for (column, value) in figures {
            if value.is_some_and(Exact::is_negative) {
                self.refuse("negative", column, "a composition cannot be negative; 0 or more is expected".to_owned());
            }
        }
        if p.containers.iter().any(|size| !size.is_positive()) {
            self.refuse("negative", "containers_mL", "a container of 0 mL or less; more than 0 is expected".to_owned());
        }
    }

    /// What a form or basis rules out.
    fn shape(&mut self) {
        let p = self.product;
        let by_volume = p.basis == Basis::Millilitre;
        let liquid = p.form.is_feed() && p.form != Form::Powder || matches!(p.form, Form::Water | Form::Infusion);
        if liquid
            && !by_volume
            && !(p.basis == Basis::Kilocalorie && matches!(p.form, Form::ReadyToHang | Form::Decanted))
        {
            let text = format!(
                "{} is given by volume, but its figures are per {}; mL, 100 mL or L is expected",
                p.form.word(),
                self.stated.per
            );
            self.refuse("basis", "basis", text);
        }
        if p.form == Form::Fortifier && !matches!(p.basis, Basis::Dose | Basis::Millilitre | Basis::Gram) {
            self.refuse("basis", "basis", "a fortifier is added by the unit; dose, mL or g is expected".to_owned());
        }
        if p.form == Form::Water && p.energy.is_some_and(Exact::is_positive) {
            self.refuse(
                "impossible",
                "energy_kcal",
                "water or a flush fluid carries no energy; 0 is expected".to_owned(),
            );
        }
        if p.basis == Basis::Kilocalorie {
            for (column, given) in [
                ("water_mL", p.nutrient(Nutrient::Water).is_some()),
                ("osmolality_mOsm_per_kg", p.osmolality.is_some()),
            ] {
                if given {
                    let text = "depends on the strength the product is mixed to, so it cannot be stated per 100 kcal; leave it empty".to_owned();
                    self.refuse("impossible", column, text);
                }
            }
        }
        if p.energy.is_none() && p.basis != Basis::Kilocalorie {
            let text = "no energy: what an order of it delivers is only known when the order gives an energy density"
                .to_owned();
            self.report(Level::Warning, "not-stated", Some("energy_kcal"), text);
        }
    }

    /// Protein, fat and carbohydrate must fit into the volume or mass they are in.
    fn mass(&mut self, medium_chain_fat: Option<Exact>) {
        let p = self.product;
        let part = |n| p.nutrient(n).unwrap_or(Exact::ZERO);
        let (protein, fat, carbohydrate) = (part(Nutrient::Protein), part(Nutrient::Fat), part(Nutrient::Carbohydrate));
        if let Some(medium) = medium_chain_fat
            && p.nutrient(Nutrient::Fat).is_none_or(|fat| medium > fat)
        {
            let text = format!(
                "{} g medium-chain fat per {} is not part of {} g fat",
                self.written(medium),
                self.stated.per,
                p.nutrient(Nutrient::Fat).map_or("unstated".to_owned(), |f| self.written(f))
            );
            self.refuse("impossible", "mct_g", text);
        }
        match p.basis {
            Basis::Millilitre => {
                if let Some(volume) = solids_volume(protein, fat, carbohydrate)
                    && volume > MOST_VOLUME
                {
                    let text = format!(
                        "{} g protein, {} g fat and {} g carbohydrate do not fit into {}",
                        self.written(protein),
                        self.written(fat),
                        self.written(carbohydrate),
                        one(self.stated.per)
                    );
                    self.report(Level::Refusal, "impossible", None, text);
                }
            }
            Basis::Gram => {
                let sum = protein.add(fat).and_then(|s| s.add(carbohydrate));
                if sum.is_some_and(|s| s > Exact::ONE) {
                    let text = format!(
                        "{} g protein, {} g fat and {} g carbohydrate are more than 1 g",
                        self.written(protein),
                        self.written(fat),
                        self.written(carbohydrate)
                    );
                    self.report(Level::Refusal, "impossible", None, text);
                }
            }
            Basis::Dose | Basis::Kilocalorie => {}
        }
        if matches!(p.basis, Basis::Millilitre | Basis::Gram)
            && p.nutrient(Nutrient::Water).is_some_and(|w| w > Exact::ONE)
        {
            let text =
                format!("{} mL water does not fit into {}", self.written(part(Nutrient::Water)), one(self.stated.per));
            self.refuse("impossible", "water_mL", text);
        }
    }

    fn density(&mut self) {
        let p = self.product;
        if !p.form.is_feed() || p.basis != Basis::Millilitre {
            return;
        }
        if let Some(energy) = p.energy
            && (energy < LEAST_DENSITY || energy > MOST_DENSITY)
        {
            let text = format!(
                "{} kcal per {} is {} kcal/mL; a feed has 0.3 to 2.5 kcal/mL (is the basis right?)",
                self.written(energy),
                self.stated.per,
                energy.short(4)
            );
            self.refuse("density", "energy_kcal", text);
        }
    }

    fn energy(&mut self, medium_chain_fat: Option<Exact>) {
        let p = self.product;
        let stated = match p.basis {
            Basis::Kilocalorie => Some(Exact::ONE),
            _ => p.energy,
        };
        let Some(stated) = stated else { return };
        let parts = [Nutrient::Protein, Nutrient::Fat, Nutrient::Carbohydrate].map(|n| p.nutrient(n));
        let complete = parts.iter().all(Option::is_some);
        let [protein, fat, carbohydrate] = parts.map(|x| x.unwrap_or(Exact::ZERO));
        let medium = medium_chain_fat.unwrap_or(Exact::ZERO);
        if p.form == Form::Infusion {
            self.energy_by_vein(stated, [protein, fat, carbohydrate], complete);
            return;
        }
        let sum = (|| {
            let long = fat.sub(medium)?;
            protein
                .mul(PROTEIN)?
                .add(long.mul(FAT)?)?
                .add(medium.mul(MEDIUM_CHAIN)?)?
                .add(carbohydrate.mul(CARBOHYDRATE)?)
        })();
        let fibre = p.nutrient(Nutrient::Fibre).and_then(|f| f.mul(FIBRE)).unwrap_or(Exact::ZERO);
        let Some((low, high)) = sum.and_then(|low| Some((low, low.add(fibre)?))) else { return };
        // The distance to the nearer end of what fibre may add, as a share of the sum.
        let (gap, against) = if stated < low {
            (low.sub(stated), low)
        } else if stated > high && complete {
            (stated.sub(high), high)
        } else {
            return;
        };
        let (Some(gap), Some(allowed)) = (gap, against.mul(ENERGY_TOLERANCE)) else { return };
        if gap <= allowed {
            return;
        }
        let mut terms = vec![format!("4 × {}", self.written(protein))];
        if medium.is_zero() {
            terms.push(format!("9 × {}", self.written(fat)));
        } else {
            terms.push(format!("9 × {}", self.written(fat.sub(medium).unwrap_or(fat))));
            terms.push(format!("8.3 × {}", self.written(medium)));
        }
        terms.push(format!("4 × {}", self.written(carbohydrate)));
        if against != low {
            terms.push(format!("2 × {}", self.written(p.nutrient(Nutrient::Fibre).unwrap_or(Exact::ZERO))));
        }
        let share = match gap.mul(Exact::int(100)).and_then(|g| g.div(against)) {
            Some(share) => format!("{} % apart, more than 5 %", share.rounded(1)),
            None => "but nothing that carries energy".to_owned(),
        };
        let text = format!(
            "stated energy {} kcal per {}, but protein, fat and carbohydrate give {} = {} kcal{}: {share}",
            self.written(stated),
            self.stated.per,
            terms.join(" + "),
            self.written(against),
            if complete { "" } else { " already without what is not stated" },
        );
        self.report(Level::Warning, "NUT-09", Some("energy_kcal"), text);
    }

    /// By vein glucose counts with its water of crystallisation or without, fat with the glycerol of its emulsion or without.
    fn energy_by_vein(&mut self, stated: Exact, [protein, fat, carbohydrate]: [Exact; 3], complete: bool) {
        let sum = |per_fat: Exact, per_glucose: Exact| {
            protein.mul(PROTEIN)?.add(fat.mul(per_fat)?)?.add(carbohydrate.mul(per_glucose)?)
        };
        let (Some(low), Some(high)) = (sum(FAT, GLUCOSE_BY_VEIN), sum(FAT_BY_VEIN, CARBOHYDRATE)) else { return };
        let (gap, against) = match (low.sub(stated), stated.sub(high)) {
            (Some(under), _) if under.is_positive() => (under, low),
            (_, Some(over)) if over.is_positive() && complete => (over, high),
            _ => return,
        };
        if against.mul(ENERGY_TOLERANCE).is_none_or(|allowed| gap <= allowed) {
            return;
        }
        let text = format!(
            "stated energy {} kcal per {}, but {} g amino acids at 4, {} g fat at 9 to 11 and {} g glucose at 3.4 to 4 kcal/g give {} to {} kcal: more than 5 % apart",
            self.written(stated),
            self.stated.per,
            self.written(protein),
            self.written(fat),
            self.written(carbohydrate),
            self.written(low),
            self.written(high),
        );
        self.report(Level::Warning, "NUT-09", Some("energy_kcal"), text);
    }

    /// A mineral of a feed that is too low as mg and usual as mmol.
    fn minerals(&mut self) {
        let p = self.product;
        if !p.form.is_feed() || p.basis != Basis::Millilitre {
            return;
        }
        for (nutrient, least, most) in USUAL_MINERALS {
            let (Some(mass), Some(per_litre)) =
                (nutrient.atomic_mass(), p.nutrient(nutrient).and_then(|x| x.mul(Exact::int(1000))))
            else {
                continue;
            };
            let Some(as_mmol) = per_litre.mul(mass) else { continue };
            if per_litre.is_positive() && per_litre < least && least <= as_mmol && as_mmol <= most {
                let text = format!(
                    "{} {} mg per L is unusually low for a feed; {} mmol would be {} mg: were mmol entered as mg?",
                    nutrient.name(),
                    per_litre.short(2),
                    per_litre.short(2),
                    as_mmol.short(0)
                );
                self.report(Level::Warning, "unit-slip", Some(column_of(nutrient)), text);
            }
        }
    }

    fn water(&mut self) {
        let p = self.product;
        if p.basis != Basis::Millilitre || p.form == Form::Modular {
            return;
        }
        let (Some(water), Some(protein), Some(fat), Some(carbohydrate)) = (
            p.nutrient(Nutrient::Water),
            p.nutrient(Nutrient::Protein),
            p.nutrient(Nutrient::Fat),
            p.nutrient(Nutrient::Carbohydrate),
        ) else {
            return;
        };
        let Some(estimate) = solids_volume(protein, fat, carbohydrate).and_then(|v| Exact::ONE.sub(v)) else { return };
        let Some(apart) = water.sub(estimate).map(Exact::abs) else { return };
        if apart > WATER_TOLERANCE {
            let text = format!(
                "stated water {} mL per mL, but 1 − (0.73 × {} + 1.08 × {} + 0.62 × {}) with g per mL gives {}: {} apart, more than 0.04",
                water.short(4),
                protein.short(4),
                fat.short(4),
                carbohydrate.short(4),
                estimate.short(4),
                apart.short(4)
            );
            self.report(Level::Warning, "NUT-09", Some("water_mL"), text);
        }
    }
}

/// Minerals of a feed, mg per L, that are nothing unusual; wider than any class of feed (from memory). Only
/// used to notice mmol entered as mg.
const USUAL_MINERALS: [(Nutrient, Exact, Exact); 6] = [
    (Nutrient::Sodium, Exact::int(100), Exact::int(3000)),
    (Nutrient::Potassium, Exact::int(100), Exact::int(5000)),
    (Nutrient::Chloride, Exact::int(100), Exact::int(4000)),
    (Nutrient::Calcium, Exact::int(80), Exact::int(3000)),
    (Nutrient::Phosphorus, Exact::int(60), Exact::int(2500)),
    (Nutrient::Magnesium, Exact::int(20), Exact::int(1000)),
];

/// `1 L`, `100 mL`.
fn one(per: &str) -> String {
    if per.starts_with(|c: char| c.is_ascii_digit()) { per.to_owned() } else { format!("1 {per}") }
}

/// Volume of the macronutrients, mL, from g: partial specific volumes 0.73, 1.08 and 0.62 mL/g.
fn solids_volume(protein: Exact, fat: Exact, carbohydrate: Exact) -> Option<Exact> {
    let p = protein.mul(Exact::decimal(73, 2))?;
    let f = fat.mul(Exact::decimal(108, 2))?;
    let c = carbohydrate.mul(Exact::decimal(62, 2))?;
    p.add(f)?.add(c)
}

/// The column a nutrient's figure stands in.
pub(super) const fn column_of(nutrient: Nutrient) -> &'static str {
    match nutrient {
        Nutrient::Protein => "protein_g",
        Nutrient::Carbohydrate => "carbohydrate_g",
        Nutrient::Fat => "fat_g",
        Nutrient::Fibre => "fibre_g",
        Nutrient::Water => "water_mL",
        Nutrient::Sodium => "sodium_mg",
        Nutrient::Potassium => "potassium_mg",
        Nutrient::Chloride => "chloride_mg",
        Nutrient::Calcium => "calcium_mg",
        Nutrient::Phosphorus => "phosphorus_mg",
        Nutrient::Magnesium => "magnesium_mg",
    }
}
