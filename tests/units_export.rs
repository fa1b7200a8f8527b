//! Writes down everything that the units claim, for the check against an independent UCUM library in
//! `tests/outside-units`: which codes are valid, every conversion factor, what is refused.
//!
//! The file goes to the path in `UNITS_EXPORT`, or under the target folder.

use enteral_gate::exact::Exact;
use enteral_gate::formulary::product::Nutrient;
use enteral_gate::units::{
    Dimension, ElementUnit, Unit, aliases, atom_codes, common_codes, convert_element, refused_codes, valence,
};
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// Composed codes, each form that the grammar knows among them.
const COMPOSED: &str = "mL/(4.h) /(4.h) 1000.mL/(24.h) mL/(24.h) mL/kg/24.h mL/4.h kcal/100.mL kcal/kg.d mL.h-1 mL.kg-1.h-1 m+2 m-2 cm3 mm3 m3 dL/wk uL/s \
cL/min [foz_us]/d [foz_br]/d [cup_us]/d [tsp_us]/h [tbs_us]/h cal/mL cal/[foz_us] kcal/[foz_us] kcal/[foz_br] [Cal]/mL [Cal]/[foz_us] kJ/L kJ/dL kJ/(100.mL) MJ/L J/mL \
kcal/g kcal/kg kJ/g cal/g kcal/min MJ/d kJ/d kJ/kg/d kJ/(kg.d) MJ/kg/wk g/(100.mL) mg/mL mg/L mg/(100.mL) ug/mL kg/L g/[foz_us] mg/kg/min mg/kg/h mg/(kg.min) ug/kg/min g/kg \
mg/kg g/(kg.d) g/h mg/min kg/wk [lb_av]/d [oz_av]/h mol/L mmol/mL mmol/dL umol/mL meq/mL eq/L meq/dL mosm/L osm/L mosm/mL mosm/kg osm/kg mmol/kg mmol/kg/d mmol/(kg.d) \
meq/kg meq/kg/d meq/(kg.d) mmol/d meq/d meq/h mmol/h mosm/d umol/kg/min mL/m2 mL/m2/d mL/(m2.d) g/m2 [lb_av]/[in_i]2 m2 cm2 [ft_i]2 [in_i]3 {feed} {can}/d {feed}/d mL/{feed} mL{milk} \
1{feed} 24 100.% %/d d-1 1/d /h /min /wk 3/d h/h min/d g/g mg/g L/L mL/L mL/kg/min L/kg/d mL/[lb_av]/d mL/g ((mL)) (((mL/h))) mL/(kg.(h)) mL/(kg/h) 2.mL mL.2 24.h 7.d 30.min mL/024.h";

/// Codes that are refused; the library's verdict on each is compared, and every difference must be listed.
const REFUSED: &str = "ml/hr mL/hr mL/day Cal kCal Kcal KCAL cc mls mLs oz mEq mEq/L mEQ MEQ mcg mcL lb lbs LB in inch hr hrs hour day days min. mins week wks Kg KG kgs gm gms sec ounce \
pound milliliter kcal/oz kcal/100mL g/100mL mL/24h 24h 2mL 5g mL/ mL// mL//h / . .mL mL. () (mL mL) (/h) mL/(/h) (mL)2 [foz_us foz_us] foz_us lb_av [foz] [lb] [oz] [CAL] [cal] [FOZ_US] \
mL{ mL} {a{b}} -1 mL/-h 1e3.mL 1.5.mL kcalmL mLh m2m mOsm Osm mosmol UL MOL mMol mmoL MMOL MIN D S M KCAL/ML ML/HR kgm mL/hour Cal/mL mL/kg/day \
ML Mg MG H G kG Gg hL kL pL nL km dm ng pg Gcal Mcal mcal cal_th cal_IT kmol nmol keq ueq kosm [gal_us] [pt_us] [cup_m] [car_m] u[lb_av] [IU] [iU] 10*3 10^3 10*3/uL pt ft g% mg% \
ms ks Ms (mL){x} mL/0 0.mL m0 m10 m99 {a} {} d9.d9 ((((((mL)))))) rad deg bar Pa mm[Hg] K [degF] W mo_j mo_s a_j a_t t st ar bit By kat U mU B dB Hz N V";

fn text(x: Exact) -> String {
    let (num, den) = x.parts();
    format!("{num}/{den}")
}

/// Whether UCUM would give two dimensions as one that are two here: amounts of substance, equivalents and
/// osmoles, or a mass above the line and one below it.
fn one_in_ucum(a: Dimension, b: Dimension) -> bool {
    let amounts = [Dimension::SUBSTANCE, Dimension::EQUIVALENTS, Dimension::OSMOLES];
    let Some(quotient) = a.per(b) else { return false };
    (0..=4).any(|k| {
        let masses = Dimension::MASS_PER_MASS.power(k).unwrap();
        amounts.iter().any(|x| amounts.iter().any(|y| x.per(*y).and_then(|r| r.times(masses)) == Some(quotient)))
    })
}

#[test]
fn write_down_what_is_claimed() {
    let codes: BTreeSet<&str> =
        atom_codes().iter().chain(common_codes()).copied().chain(COMPOSED.split_whitespace()).collect();
    let units: Vec<Unit> =
        codes.iter().map(|code| Unit::parse(code).unwrap_or_else(|why| panic!("{code}: {why}"))).collect();
    let mut conversions = Vec::new();
    let mut apart = Vec::new();
    for a in &units {
        for b in &units {
            match a.convert(Exact::ONE, b) {
                Some(factor) => conversions.push(json!([a.code(), b.code(), text(factor)])),
                None => apart.push(json!([a.code(), b.code(), one_in_ucum(a.dimension, b.dimension)])),
            }
        }
    }
    let refused: Vec<Value> = REFUSED
        .split_whitespace()
        .map(|code| json!([code, Unit::parse(code).is_ok()]))
        .chain(
            [" mL", "mL ", "m L", "fl oz", "µg", "μg", "µL", "m²", "kсal", ""]
                .iter()
                .map(|code| json!([code, Unit::parse(code).is_ok()])),
        )
        .collect();
    let mut elements = Vec::new();
    for nutrient in Nutrient::ALL {
        let Some(mass) = nutrient.atomic_mass() else { continue };
        for from in ElementUnit::ALL {
            for to in ElementUnit::ALL {
                if let Ok(factor) = convert_element(Exact::ONE, from, to, nutrient) {
                    elements.push(json!([
                        nutrient.name(),
                        text(mass),
                        valence(nutrient),
                        from.code(),
                        to.code(),
                        text(factor)
                    ]));
                }
            }
        }
    }
    let all = json!({
        "valid": codes,
        "conversions": conversions,
        "apart": apart,
        "refused": refused,
        "known_not_computed": refused_codes().iter().map(|(code, _)| code).collect::<Vec<_>>(),
        "aliases": aliases().iter().map(|a| json!([a.given, a.read_as, a.in_code])).collect::<Vec<_>>(),
        "elements": elements,
    });
    let path = std::env::var_os("UNITS_EXPORT")
        .map_or_else(|| std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("units.json"), Into::into);
    std::fs::write(path, all.to_string()).unwrap();
}
