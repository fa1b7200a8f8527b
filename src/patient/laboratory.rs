//! Which laboratory codes stand for which test. Data, so that an institution's codes can stand beside them.

use crate::exact::Exact;
use crate::units::Dimension;
use std::borrow::Cow;
use std::sync::LazyLock;

/// A code of a test.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LabCode {
    /// LOINC code.
    pub code: Cow<'static, str>,
    /// g/mol of what a mass under this code is the mass of; `None`: a mass is not read.
    pub molar_mass: Option<Exact>,
}

/// A laboratory test.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LabTest {
    /// The fact it becomes.
    pub fact: &'static str,
    /// Name for people.
    pub name: &'static str,
    /// What it measures.
    pub dimension: Dimension,
    /// Charge of the ion, for equivalents.
    pub charge: Option<i64>,
    /// Its codes.
    pub codes: Vec<LabCode>,
}

impl LabTest {
    /// The code, when it is one of the test's.
    pub fn code(&self, code: &str) -> Option<&LabCode> {
        self.codes.iter().find(|c| c.code == code)
    }
}

const fn code(code: &'static str, molar_mass: Option<Exact>) -> LabCode {
    LabCode { code: Cow::Borrowed(code), molar_mass }
}

fn substance(fact: &'static str, name: &'static str, charge: Option<i64>, codes: Vec<LabCode>) -> LabTest {
    LabTest { fact, name, dimension: Dimension::SUBSTANCE_CONCENTRATION, charge, codes }
}

// Molar masses, g/mol: elements as the formulary has them (IUPAC abridged standard atomic weights); molecules
// are sums of the same weights (H 1.008, C 12.011, N 14.007, O 15.999). Phosphate is reported as phosphorus,
// urea nitrogen as the two nitrogens of one urea.
const SODIUM: Option<Exact> = Some(Exact::decimal(22_990, 3));
const POTASSIUM: Option<Exact> = Some(Exact::decimal(39_098, 3));
const PHOSPHORUS: Option<Exact> = Some(Exact::decimal(30_974, 3));
const MAGNESIUM: Option<Exact> = Some(Exact::decimal(24_305, 3));
const GLUCOSE: Option<Exact> = Some(Exact::decimal(180_156, 3));
const UREA: Option<Exact> = Some(Exact::decimal(60_056, 3));
const UREA_NITROGEN: Option<Exact> = Some(Exact::decimal(28_014, 3));
const CREATININE: Option<Exact> = Some(Exact::decimal(113_120, 3));
const LACTATE: Option<Exact> = Some(Exact::decimal(90_078, 3));
/// Triolein, which laboratories take for the mixture (from memory).
const TRIGLYCERIDE: Option<Exact> = Some(Exact::decimal(885_432, 3));

// LOINC codes: in use for these tests in public sources (secondary); not compared with LOINC's own table.
// Both codes of a test take both kinds of unit: the unit says which it is.

/// The tests, with the codes known to the program.
pub static TESTS: LazyLock<Vec<LabTest>> = LazyLock::new(|| {
    vec![
        substance("serum_potassium", "potassium", Some(1), vec![code("2823-3", POTASSIUM)]),
        substance("serum_sodium", "sodium", Some(1), vec![code("2951-2", SODIUM)]),
        substance("serum_phosphate", "phosphate", None, vec![code("2777-1", PHOSPHORUS), code("14879-1", PHOSPHORUS)]),
        substance("serum_magnesium", "magnesium", Some(2), vec![code("19123-9", MAGNESIUM), code("2601-3", MAGNESIUM)]),
        substance(
            "glucose",
            "glucose",
            None,
            vec![code("2345-7", GLUCOSE), code("14749-6", GLUCOSE), code("15074-8", GLUCOSE), code("2339-0", GLUCOSE)],
        ),
        substance(
            "urea",
            "urea",
            None,
            vec![code("22664-7", UREA), code("3091-6", UREA), code("3094-0", UREA_NITROGEN)],
        ),
        substance("creatinine", "creatinine", None, vec![code("2160-0", CREATININE), code("14682-9", CREATININE)]),
        LabTest {
            fact: "egfr",
            name: "filtration rate",
            dimension: Dimension::VOLUME_RATE,
            charge: None,
            codes: vec![code("33914-3", None), code("62238-1", None), code("98979-8", None)],
        },
        substance(
            "triglycerides",
            "triglycerides",
            None,
            vec![code("2571-8", TRIGLYCERIDE), code("14927-8", TRIGLYCERIDE)],
        ),
        substance("lactate", "lactate", None, vec![code("2524-7", LACTATE), code("32693-4", LACTATE)]),
    ]
});
