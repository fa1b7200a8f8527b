//! What one millilitre of a feed holds.

use crate::amount::{Amount, Why};
use crate::assumptions::Assumption;
use crate::exact::Exact;
use crate::formulary::product::{Basis, Form, NUTRIENTS, Nutrient, Product};
use crate::intake::order::At;

/// Where a product's figures were taken from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum From {
    /// The institution's formulary, by index.
    Formulary(usize),
    /// A NutritionProduct sent with the order, by index.
    Sent(usize),
    /// No product is known.
    Nowhere,
}

/// Which energy density was used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Density {
    /// The order's, kcal/mL, with its place.
    Order(Exact, At),
    /// The product's, kcal/mL.
    Product(Exact),
    /// Worked out from the mix with its additives, kcal/mL.
    Mixed(Exact),
    /// None is known.
    None,
}

/// What one mL of a feed as given holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Content {
    /// Name for people.
    pub label: String,
    /// Where the figures come from.
    pub from: From,
    /// Energy density used.
    pub density: Density,
    /// kcal per mL.
    pub energy: Amount,
    /// Nutrients per mL, in the order of [`Nutrient::ALL`].
    pub per_ml: [Amount; NUTRIENTS],
    /// mOsm/kg, only where stated for exactly what is given.
    pub osmolality: Amount,
    /// Container sizes, mL.
    pub containers: Vec<Exact>,
    /// Form, when the product is known.
    pub form: Option<Form>,
    /// Readings taken.
    pub assumptions: Vec<Assumption>,
    /// Order and product, with what is mixed in, have different densities: (order, product), kcal/mL.
    pub density_conflict: Option<(Exact, Exact)>,
    /// Why the order's density cannot be compared with that of the mix.
    pub density_not_compared: Vec<Why>,
    /// Additives mixed in: (units per mL of the base before mixing, label, source).
    pub mixed: Vec<Mixed>,
}

/// An additive mixed into the feed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mixed {
    /// Name for people.
    pub label: String,
    /// Units (doses, g or mL, by the product's basis) per mL of base.
    pub per_ml: Exact,
    /// Where its figures come from.
    pub from: From,
}

impl Content {
    /// The amount of a nutrient per mL.
    pub fn nutrient(&self, n: Nutrient) -> &Amount {
        static UNKNOWN: Amount = Amount::Unknown(Vec::new());
        self.per_ml.get(n as usize).unwrap_or(&UNKNOWN)
    }

    /// Plain water.
    pub fn water(label: String, from: From) -> Self {
        let mut per_ml: [Amount; NUTRIENTS] = std::array::from_fn(|_| Amount::ZERO);
        if let Some(w) = per_ml.get_mut(Nutrient::Water as usize) {
            *w = Amount::Known(Exact::ONE);
        }
        Self {
            label,
            from,
            density: Density::None,
            energy: Amount::ZERO,
            per_ml,
            osmolality: Amount::ZERO,
            containers: Vec::new(),
            form: Some(Form::Water),
            assumptions: Vec::new(),
            density_conflict: None,
            density_not_compared: Vec::new(),
            mixed: Vec::new(),
        }
    }
}

/// Water content per mL at a density, where the formulary states none.
///
/// Points 1.0: 0.84, 1.2: 0.81, 1.5: 0.76, 2.0: 0.70 mL/mL, linear between, nothing outside. Usual figures of
/// pharmacotherapy textbooks and web explainers (secondary; 0.83–0.85, 0.81–0.82, 0.76–0.78, 0.69–0.72).
pub fn water_from_density(density: Exact) -> Option<Exact> {
    const POINTS: [(Exact, Exact); 4] = [
        (Exact::ratio(1, 1), Exact::ratio(84, 100)),
        (Exact::ratio(12, 10), Exact::ratio(81, 100)),
        (Exact::ratio(15, 10), Exact::ratio(76, 100)),
        (Exact::ratio(2, 1), Exact::ratio(70, 100)),
    ];
    for pair in POINTS.windows(2) {
        if let [(x0, y0), (x1, y1)] = pair
            && density >= *x0
            && density <= *x1
        {
            let share = density.sub(*x0)?.div(x1.sub(*x0)?)?;
            return y0.add(y1.sub(*y0)?.mul(share)?);
        }
    }
    None
}

/// What goes into one content.
#[derive(Clone, Copy, Debug)]
pub struct Ingredients<'p> {
    /// Name for people when no product is known.
    pub label: &'p str,
    /// The product with its source, when matched.
    pub product: Option<(&'p Product, From)>,
    /// The order's density, kcal/mL, with its place.
    pub order_density: Option<(Exact, At)>,
    /// The order states a density that cannot be used.
    pub density_unusable: bool,
}

/// A computable additive that is mixed in: units per mL of base.
pub type MixedIn<'p> = (&'p Product, From, Exact);

/// Works out what one mL as given holds.
///
/// Order of precedence for energy: the order's density (of the finished mix), else the product's with its
/// additives. `uncounted` names additives whose amount cannot be counted: every figure then is "at least".
pub fn content(base: Ingredients<'_>, mixed: &[MixedIn<'_>], uncounted: &[String]) -> Content {
    let mut assumptions = Vec::new();
    let mut conflict = None;
    let order = base.order_density;
    let Some((product, from)) = base.product else {
        let unknown = || Amount::unknown(Why::ProductUnknown);
        let (energy, density) = match order {
            Some((d, at)) => (Amount::Known(d), Density::Order(d, at)),
            None if base.density_unusable => (
                Amount::unknown(Why::Unreadable("the order's energy density cannot be used".to_owned())),
                Density::None,
            ),
            None => (Amount::unknown(Why::NoDensity), Density::None),
        };
        let mut out = Content {
            label: base.label.to_owned(),
            from: From::Nowhere,
            density,
            energy,
            per_ml: std::array::from_fn(|_| unknown()),
            osmolality: unknown(),
            containers: Vec::new(),
            form: None,
            assumptions,
            density_conflict: None,
            density_not_compared: Vec::new(),
            mixed: Vec::new(),
        };
        mix(&mut out, mixed);
        not_all_counted(&mut out, uncounted);
        return out;
    };
    // Water and other flush fluids carry no energy; what else they hold is as stated.
    let fluid = product.form == Form::Water;
    let own_energy = if fluid { product.energy.or(Some(Exact::ZERO)) } else { product.energy };
    let added = (!mixed.is_empty()).then(|| added(mixed));
    let mut not_compared = Vec::new();
    // What an ordered density, which is that of the mix, leaves for one mL before anything is mixed in.
    let left = order.map(|(d, _)| added.as_ref().map_or(Ok(d), |added| added.left_of(d)));
    // Strength: how much of the product's figures one mL carries.
    let (energy, density, factor) = match (product.basis, own_energy, order) {
        (Basis::Kilocalorie, _, Some((d, at))) => {
            assumptions.push(Assumption::StrengthScales);
            (Amount::Known(d), Density::Order(d, at), left.clone().unwrap_or(Ok(d)))
        }
        (Basis::Kilocalorie, ..) => (no_density(base), Density::None, Err(vec![Why::NoDensity])),
        (Basis::Millilitre, Some(own), Some((d, at))) => {
            let mut factor = Ok(Exact::ONE);
            let usual = added.as_ref().map_or(Ok(own), |added| added.strength_of(own));
            if usual != Ok(d) {
                match usual {
                    Ok(usual) => conflict = Some((d, usual)),
                    Err(why) => not_compared = why,
                }
                assumptions.push(Assumption::OrderDensity);
                if product.form == Form::Powder {
                    let over =
                        |left: Exact| left.div(own).ok_or_else(|| vec![Why::ZeroDenominator("the product's energy")]);
                    factor = left.clone().unwrap_or(Ok(d)).and_then(over);
                    assumptions.push(Assumption::StrengthScales);
                }
            }
            (Amount::Known(d), Density::Order(d, at), factor)
        }
        (Basis::Millilitre, None, Some((d, at))) => (Amount::Known(d), Density::Order(d, at), Ok(Exact::ONE)),
        (Basis::Millilitre, Some(own), None) if !base.density_unusable => {
            let density = if fluid { Density::None } else { Density::Product(own) };
            (Amount::Known(own), density, Ok(Exact::ONE))
        }
        (Basis::Millilitre, Some(_), None) => {
            // The order states a density that cannot be read: the product's may not be what is meant.
            (
                Amount::unknown(Why::Unreadable("the order's energy density cannot be used".to_owned())),
                Density::None,
                Ok(Exact::ONE),
            )
        }
        (Basis::Millilitre, None, None) => (no_density(base), Density::None, Ok(Exact::ONE)),
        (Basis::Dose | Basis::Gram, ..) => (
            Amount::unknown(Why::Unreadable(format!("{} is given per dose or gram, not by volume", product.name))),
            Density::None,
            Err(vec![Why::NoDensity]),
        ),
    };
    let mut per_ml: [Amount; NUTRIENTS] = std::array::from_fn(|i| {
        let name = Nutrient::ALL.get(i).map_or("", |n| n.name());
        match (product.per_unit.get(i).copied().flatten(), &factor) {
            (Some(x), Ok(f)) => x.mul(*f).map_or_else(|| Amount::unknown(Why::Range), Amount::Known),
            (Some(_), Err(why)) => Amount::Unknown(why.clone()),
            (None, _) => Amount::unknown(Why::NotStated(product.name.clone(), name)),
        }
    });
    if fluid {
        for n in [Nutrient::Protein, Nutrient::Carbohydrate, Nutrient::Fat, Nutrient::Fibre, Nutrient::Water] {
            if let Some(slot) = per_ml.get_mut(n as usize)
                && slot.known().is_none()
            {
                *slot = Amount::Known(if n == Nutrient::Water { Exact::ONE } else { Exact::ZERO });
            }
        }
    }
    // A strength other than the product's changes its water in a way the figures do not tell.
    let rescaled = match &factor {
        Ok(f) => *f != Exact::ONE || product.basis == Basis::Kilocalorie,
        Err(_) => product.form == Form::Powder || product.basis == Basis::Kilocalorie,
    };
    let strength = match left {
        Some(left) => left.ok(),
        None => energy.known(),
    };
    if let Some(w) = per_ml.get_mut(Nutrient::Water as usize) {
        if rescaled {
            *w = Amount::unknown(Why::NotStated(format!("{} at the ordered strength", product.name), "water"));
        } else if product.nutrient(Nutrient::Water).is_none()
            && let Some(x) = strength.and_then(water_from_density)
        {
            assumptions.push(Assumption::WaterFromDensity);
            *w = Amount::Known(x);
        }
    }
    if product.form == Form::HumanMilk {
        assumptions.push(Assumption::MilkComposition);
    }
    if matches!(from, From::Sent(_)) {
        assumptions.push(Assumption::SentProduct);
    }
    let osmolality = match product.osmolality {
        _ if !mixed.is_empty() => {
            Amount::unknown(Why::Osmolality("the osmolality of a mix is not the sum of its parts".to_owned()))
        }
        _ if rescaled || conflict.is_some() => {
            Amount::unknown(Why::Osmolality("the stated osmolality is of another strength".to_owned()))
        }
        Some(x) => Amount::Known(x),
        None => Amount::unknown(Why::NotStated(product.name.clone(), "osmolality")),
    };
    let mut out = Content {
        label: product.name.clone(),
        from,
        density,
        energy,
        per_ml,
        osmolality,
        containers: product.containers.clone(),
        form: Some(if fluid && (!mixed.is_empty() || !uncounted.is_empty() || conflict.is_some()) {
            // No longer plain: it is fed.
            Form::NotStated
        } else {
            product.form
        }),
        assumptions,
        density_conflict: conflict,
        density_not_compared: not_compared,
        mixed: Vec::new(),
    };
    mix(&mut out, mixed);
    not_all_counted(&mut out, uncounted);
    out
}

fn no_density(base: Ingredients<'_>) -> Amount {
    if base.density_unusable {
        Amount::unknown(Why::Unreadable("the order's energy density cannot be used".to_owned()))
    } else {
        Amount::unknown(Why::NoDensity)
    }
}

/// What is mixed into one mL of the base.
struct Added {
    /// mL of mix that it makes of one mL.
    volume: Amount,
    /// kcal that it brings.
    energy: Amount,
}

impl Added {
    fn known(&self) -> Result<(Exact, Exact), Vec<Why>> {
        match (&self.volume, &self.energy) {
            (Amount::Known(volume), Amount::Known(energy)) => Ok((*volume, *energy)),
            (volume, energy) => Err(volume.why().iter().chain(energy.why()).cloned().collect()),
        }
    }

    /// Density of the mix of a base with its own, kcal/mL.
    fn strength_of(&self, own: Exact) -> Result<Exact, Vec<Why>> {
        let (volume, energy) = self.known()?;
        own.add(energy).and_then(|sum| sum.div(volume)).ok_or_else(|| vec![Why::Range])
    }

    /// What a density of the mix leaves for one mL of the base, kcal.
    fn left_of(&self, density: Exact) -> Result<Exact, Vec<Why>> {
        let (volume, energy) = self.known()?;
        let left = density.mul(volume).and_then(|all| all.sub(energy)).ok_or_else(|| vec![Why::Range])?;
        if left.is_positive() {
            Ok(left)
        } else {
            let why = "the additives alone hold all the energy of the ordered density, or more";
            Err(vec![Why::OutOfDomain(why.to_owned())])
        }
    }
}

fn added(mixed: &[MixedIn<'_>]) -> Added {
    let mut out = Added { volume: Amount::Known(Exact::ONE), energy: Amount::ZERO };
    for (product, _, n) in mixed {
        let displaced = match (product.basis, product.displacement) {
            (Basis::Millilitre, _) => Amount::Known(*n),
            (_, Some(d)) => d.mul(*n).map_or_else(|| Amount::unknown(Why::Range), Amount::Known),
            (_, None) => Amount::unknown(Why::NotStated(product.name.clone(), "the volume it adds")),
        };
        out.volume = out.volume.plus(&displaced);
        out.energy = out.energy.plus(&per_unit(product.energy, *n, &product.name, "energy"));
    }
    out
}

/// Mixes additives into the base: per mL of mix = (base + n × unit) ÷ (1 + n × displacement).
fn mix(out: &mut Content, mixed: &[MixedIn<'_>]) {
    if mixed.is_empty() {
        return;
    }
    out.assumptions.push(Assumption::VolumeIsMix);
    let Added { volume, energy } = added(mixed);
    for (product, from, n) in mixed {
        for (slot, nutrient) in out.per_ml.iter_mut().zip(Nutrient::ALL) {
            *slot = slot.plus(&per_unit(product.nutrient(nutrient), *n, &product.name, nutrient.name()));
        }
        out.mixed.push(Mixed { label: product.name.clone(), per_ml: *n, from: *from });
    }
    let share = |x: &Amount| x.over(&volume, "the volume of the mix");
    if !matches!(out.density, Density::Order(..)) {
        out.energy = share(&out.energy.plus(&energy));
        out.density = out.energy.known().map_or(Density::None, Density::Mixed);
    }
    for slot in &mut out.per_ml {
        *slot = share(slot);
    }
}

fn per_unit(figure: Option<Exact>, n: Exact, product: &str, nutrient: &'static str) -> Amount {
    match figure {
        Some(x) => x.mul(n).map_or_else(|| Amount::unknown(Why::Range), Amount::Known),
        None => Amount::unknown(Why::NotStated(product.to_owned(), nutrient)),
    }
}

/// Additives without a countable amount: every figure is "at least", and the osmolality is not known.
fn not_all_counted(out: &mut Content, uncounted: &[String]) {
    for name in uncounted {
        if !out.assumptions.contains(&Assumption::AdditiveOnTop) {
            out.assumptions.push(Assumption::AdditiveOnTop);
        }
        let more = Amount::unknown(Why::AdditiveAmount(name.clone()));
        out.energy = out.energy.plus(&more);
        for slot in &mut out.per_ml {
            *slot = slot.plus(&more);
        }
        out.osmolality = more;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn water_is_read_off_the_density_and_refused_outside() {
        // Interpolated by hand: 1.3 kcal/mL, w = 0.7933, 1,200 mL → 952.0 mL.
        let w = water_from_density(Exact::ratio(13, 10)).expect("inside");
        assert_eq!(w.rounded(4), "0.7933");
        assert_eq!(w.mul(Exact::int(1200)), Some(Exact::int(952)));
        assert_eq!(water_from_density(Exact::ratio(99, 100)), None);
        assert_eq!(water_from_density(Exact::ratio(201, 100)), None);
        assert_eq!(water_from_density(Exact::int(2)), Some(Exact::ratio(7, 10)));
    }
}
