//! Dimensions: what kind of quantity a unit measures.

use std::borrow::Cow;
use std::fmt;

/// Exponents of the base units cm, g, kcal, s, mmol, meq, mosm. A volume is a length cubed.
///
/// Mass above the line and mass below it are counted apart and never cancel: g/kg is a dose per body
/// weight, not a number. Exponents stay within ±[`Dimension::LARGEST`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Dimension {
    length: i8,
    mass: i8,
    per_mass: i8,
    energy: i8,
    time: i8,
    substance: i8,
    equivalents: i8,
    osmoles: i8,
}

const NONE: Dimension =
    Dimension { length: 0, mass: 0, per_mass: 0, energy: 0, time: 0, substance: 0, equivalents: 0, osmoles: 0 };

impl Dimension {
    /// Largest exponent either way.
    pub const LARGEST: i8 = 9;

    /// A pure number.
    pub const NUMBER: Self = NONE;
    /// Base unit cm.
    pub const LENGTH: Self = Self { length: 1, ..NONE };
    /// Base unit cm2.
    pub const AREA: Self = Self { length: 2, ..NONE };
    /// Base unit mL.
    pub const VOLUME: Self = Self { length: 3, ..NONE };
    /// Base unit g.
    pub const MASS: Self = Self { mass: 1, ..NONE };
    /// Base unit kcal.
    pub const ENERGY: Self = Self { energy: 1, ..NONE };
    /// Base unit s.
    pub const TIME: Self = Self { time: 1, ..NONE };
    /// Base unit mmol.
    pub const SUBSTANCE: Self = Self { substance: 1, ..NONE };
    /// Base unit meq.
    pub const EQUIVALENTS: Self = Self { equivalents: 1, ..NONE };
    /// Base unit mosm.
    pub const OSMOLES: Self = Self { osmoles: 1, ..NONE };
    /// Base unit 1/s.
    pub const PER_TIME: Self = Self { time: -1, ..NONE };
    /// Base unit 1/mL.
    pub const PER_VOLUME: Self = Self { length: -3, ..NONE };
    /// Base unit mL/s.
    pub const VOLUME_RATE: Self = Self { length: 3, time: -1, ..NONE };
    /// Base unit mL/g.
    pub const VOLUME_PER_MASS: Self = Self { length: 3, per_mass: 1, ..NONE };
    /// Base unit mL/g/s.
    pub const VOLUME_RATE_PER_MASS: Self = Self { length: 3, per_mass: 1, time: -1, ..NONE };
    /// Base unit kcal/mL.
    pub const ENERGY_DENSITY: Self = Self { energy: 1, length: -3, ..NONE };
    /// Base unit kcal/g.
    pub const ENERGY_PER_MASS: Self = Self { energy: 1, per_mass: 1, ..NONE };
    /// Base unit kcal/s.
    pub const ENERGY_RATE: Self = Self { energy: 1, time: -1, ..NONE };
    /// Base unit kcal/g/s.
    pub const ENERGY_RATE_PER_MASS: Self = Self { energy: 1, per_mass: 1, time: -1, ..NONE };
    /// Base unit g/s.
    pub const MASS_RATE: Self = Self { mass: 1, time: -1, ..NONE };
    /// Base unit g/g.
    pub const MASS_PER_MASS: Self = Self { mass: 1, per_mass: 1, ..NONE };
    /// Base unit g/g/s.
    pub const MASS_RATE_PER_MASS: Self = Self { mass: 1, per_mass: 1, time: -1, ..NONE };
    /// Base unit g/mL.
    pub const MASS_CONCENTRATION: Self = Self { mass: 1, length: -3, ..NONE };
    /// Base unit mmol/mL.
    pub const SUBSTANCE_CONCENTRATION: Self = Self { substance: 1, length: -3, ..NONE };
    /// Base unit meq/mL.
    pub const EQUIVALENT_CONCENTRATION: Self = Self { equivalents: 1, length: -3, ..NONE };
    /// Base unit mosm/mL.
    pub const OSMOLARITY: Self = Self { osmoles: 1, length: -3, ..NONE };
    /// Base unit mosm/g.
    pub const OSMOLALITY: Self = Self { osmoles: 1, per_mass: 1, ..NONE };
    /// Base unit g/cm2 (body-mass index).
    pub const MASS_PER_AREA: Self = Self { mass: 1, length: -2, ..NONE };

    /// Base unit mmol/s.
    pub const SUBSTANCE_RATE: Self = Self { substance: 1, time: -1, ..NONE };
    /// Base unit mmol/g/s.
    pub const SUBSTANCE_RATE_PER_MASS: Self = Self { substance: 1, per_mass: 1, time: -1, ..NONE };
    /// Base unit mosm/s.
    pub const OSMOLE_RATE: Self = Self { osmoles: 1, time: -1, ..NONE };
    /// Base unit mosm/g/s.
    pub const OSMOLE_RATE_PER_MASS: Self = Self { osmoles: 1, per_mass: 1, time: -1, ..NONE };
    /// Base unit mosm/kcal.
    pub const OSMOLES_PER_ENERGY: Self = Self { osmoles: 1, energy: -1, ..NONE };
    /// Base unit g/kcal.
    pub const MASS_PER_ENERGY: Self = Self { mass: 1, energy: -1, ..NONE };
    /// Base unit mL/kcal.
    pub const VOLUME_PER_ENERGY: Self = Self { length: 3, energy: -1, ..NONE };

    const NAMED: [(Self, &'static str); 26] = [
        (Self::NUMBER, "a number"),
        (Self::LENGTH, "length"),
        (Self::AREA, "area"),
        (Self::VOLUME, "volume"),
        (Self::MASS, "mass"),
        (Self::ENERGY, "energy"),
        (Self::TIME, "time"),
        (Self::SUBSTANCE, "amount of substance"),
        (Self::EQUIVALENTS, "equivalents"),
        (Self::OSMOLES, "osmoles"),
        (Self::PER_TIME, "frequency (per time)"),
        (Self::PER_VOLUME, "per volume"),
        (Self::VOLUME_RATE, "volume per time"),
        (Self::VOLUME_PER_MASS, "volume per mass"),
        (Self::VOLUME_RATE_PER_MASS, "volume per mass and time"),
        (Self::ENERGY_DENSITY, "energy per volume"),
        (Self::ENERGY_PER_MASS, "energy per mass"),
        (Self::ENERGY_RATE, "energy per time"),
        (Self::ENERGY_RATE_PER_MASS, "energy per mass and time"),
        (Self::MASS_RATE, "mass per time"),
        (Self::MASS_PER_MASS, "mass per mass"),
        (Self::MASS_RATE_PER_MASS, "mass per mass and time"),
        (Self::MASS_CONCENTRATION, "mass per volume"),
        (Self::SUBSTANCE_CONCENTRATION, "amount of substance per volume"),
        (Self::OSMOLALITY, "osmoles per mass"),
        (Self::MASS_PER_AREA, "mass per area"),
    ];

    /// Name for people: `volume per time`, or the parts multiplied out where there is no usual name
    /// (`volume × time per mass`).
    pub fn name(self) -> Cow<'static, str> {
        match Self::NAMED.iter().find(|(dimension, _)| *dimension == self) {
            Some((_, name)) => Cow::Borrowed(name),
            None => Cow::Owned(self.spelled()),
        }
    }

    fn spelled(self) -> String {
        let (mut over, mut under) = (Vec::new(), Vec::new());
        let mut part = |name: &str, exponent: i8| {
            let list = if exponent < 0 { &mut under } else { &mut over };
            match exponent.unsigned_abs() {
                0 => {}
                1 => list.push(name.to_owned()),
                n => list.push(format!("{name}^{n}")),
            }
        };
        part("energy", self.energy);
        if self.length.checked_rem(3) == Some(0) {
            part("volume", self.length.checked_div(3).unwrap_or(0));
        } else {
            part("length", self.length);
        }
        part("mass", self.mass);
        part("mass", self.per_mass.saturating_neg());
        part("amount of substance", self.substance);
        part("equivalents", self.equivalents);
        part("osmoles", self.osmoles);
        part("time", self.time);
        let over = over.join(" × ");
        if under.is_empty() {
            return over;
        }
        let under = under.join(" and ");
        if over.is_empty() { format!("per {under}") } else { format!("{over} per {under}") }
    }

    /// The product; `None` when an exponent would leave the range.
    pub fn times(self, other: Self) -> Option<Self> {
        self.each(other, i8::checked_add)
    }

    /// The quotient; `None` when an exponent would leave the range.
    pub fn per(self, other: Self) -> Option<Self> {
        self.times(other.power(-1)?)
    }

    /// The power; `None` when an exponent would leave the range.
    pub fn power(self, n: i8) -> Option<Self> {
        // A negative power turns the fraction over: mass above the line goes below it.
        let turned = if n < 0 { Self { mass: self.per_mass, per_mass: self.mass, ..self } } else { self };
        let by = |exponent: i8| exponent.checked_mul(n).filter(within);
        let mass_by = |exponent: i8| exponent.checked_mul(n.checked_abs()?).filter(within);
        Some(Self {
            length: by(turned.length)?,
            mass: mass_by(turned.mass)?,
            per_mass: mass_by(turned.per_mass)?,
            energy: by(turned.energy)?,
            time: by(turned.time)?,
            substance: by(turned.substance)?,
            equivalents: by(turned.equivalents)?,
            osmoles: by(turned.osmoles)?,
        })
    }

    /// The product as expressions mean it: an amount per mass times a plain mass is the amount. `None` when an
    /// exponent would leave the range.
    pub fn product(self, other: Self) -> Option<Self> {
        let dose = |a: Self, b: Self| (b == Self::MASS && a.per_mass > 0).then_some(a);
        match dose(self, other).or_else(|| dose(other, self)) {
            Some(dose) => Some(Self { per_mass: dose.per_mass.checked_sub(1)?, ..dose }),
            None => self.times(other),
        }
    }

    /// The quotient as expressions mean it: by a plain mass it is an amount per mass, otherwise equal parts of
    /// mass cancel. `None` when an exponent would leave the range.
    pub fn quotient(self, other: Self) -> Option<Self> {
        let whole = self.per(other)?;
        if other == Self::MASS {
            return Some(whole);
        }
        let equal = self.mass.min(other.mass).max(0).checked_add(self.per_mass.min(other.per_mass).max(0))?;
        Some(Self { mass: whole.mass.checked_sub(equal)?, per_mass: whole.per_mass.checked_sub(equal)?, ..whole })
    }

    fn each(self, other: Self, f: impl Fn(i8, i8) -> Option<i8>) -> Option<Self> {
        let f = |a, b| f(a, b).filter(within);
        Some(Self {
            length: f(self.length, other.length)?,
            mass: f(self.mass, other.mass)?,
            per_mass: f(self.per_mass, other.per_mass)?,
            energy: f(self.energy, other.energy)?,
            time: f(self.time, other.time)?,
            substance: f(self.substance, other.substance)?,
            equivalents: f(self.equivalents, other.equivalents)?,
            osmoles: f(self.osmoles, other.osmoles)?,
        })
    }

    pub(super) const fn has_time_above(self) -> bool {
        self.time > 0
    }

    pub(super) const fn has_energy(self) -> bool {
        self.energy != 0
    }
}

fn within(exponent: &i8) -> bool {
    (-Dimension::LARGEST..=Dimension::LARGEST).contains(exponent)
}

impl fmt::Display for Dimension {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name())
    }
}
