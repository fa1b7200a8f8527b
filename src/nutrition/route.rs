//! Where a feed enters.

use crate::intake::order::{Coding, Concept};
use crate::settings::{Settings, Site};

/// What the codes and the text of a route say together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tip {
    /// They agree, or only one of them is known.
    At(Site),
    /// Two of them name different sites; nothing says which is meant.
    Differ(Site, Site),
}

/// Where the tip lies, from every code of the route (the institution's map, else FHIR's enteral-route value set and the codes
/// beside it in its code system) and from its text in that map. One that is not into the gut counts before all others. A code
/// for a tube whose tip it does not tell goes with one that tells it.
pub fn tip(settings: &Settings, concept: &Concept<'_>) -> Tip {
    let map = &settings.routes;
    let text = match &concept.text {
        Some(text) if !map.is_empty() => map.get(&(String::new(), text.trim().to_lowercase())).copied(),
        _ => None,
    };
    let mut said = None;
    for site in concept.codings.iter().filter_map(|coding| of_code(settings, coding)).chain(text) {
        said = Some(match (said, site) {
            (_, Site::NotEnteral) => return Tip::At(Site::NotEnteral),
            (None | Some(Tip::At(Site::Unknown)), Site::Gastric | Site::PostPyloric) => Tip::At(site),
            (Some(before @ Tip::At(Site::Gastric | Site::PostPyloric)), Site::Unknown) => before,
            (None, site) => Tip::At(site),
            (Some(Tip::At(before)), site) if before != site => Tip::Differ(before, site),
            (Some(before), _) => before,
        });
    }
    said.unwrap_or(Tip::At(Site::Unknown))
}

fn of_code(settings: &Settings, coding: &Coding<'_>) -> Option<Site> {
    const ROUTES: &str = "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration";
    let (system, code) = (coding.system.as_deref().unwrap_or(""), coding.code.as_deref().unwrap_or(""));
    let known = if system == ROUTES {
        match code {
            "GT" | "NGT" | "OGT" | "IGASTINSTIL" | "NASOGASINSTIL" => Some(Site::Gastric),
            "JJTINSTL" | "OJJ" | "IDUODINSTIL" => Some(Site::PostPyloric),
            "GJT" | "EFT" | "ENTINSTL" => Some(Site::Unknown),
            "PO" => Some(Site::Oral),
            // Intravenous routes of every method begin so (IVINJ, IVINFUSC, IVPUSH, …).
            "IM" | "IMD" | "IMZ" | "SQ" | "SQINFUS" | "ITINJ" | "EPI" | "IPINJ" | "IARTINJ" | "IARTINF" => {
                Some(Site::NotEnteral)
            }
            code if code.starts_with("IV") => Some(Site::NotEnteral),
            _ => None,
        }
    } else if system == "http://snomed.info/sct" {
        // Intravenous route, central, peripheral. From memory, to be confirmed.
        matches!(code, "47625008" | "418114005" | "419993007").then_some(Site::NotEnteral)
    } else {
        None
    };
    let map = &settings.routes;
    // What is not into the gut is so whatever is set.
    if map.is_empty() || known == Some(Site::NotEnteral) {
        return known;
    }
    map.get(&(system.to_owned(), code.to_owned())).copied().or(known)
}
