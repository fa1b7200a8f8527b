//! Where a feed enters.

use crate::intake::order::Concept;
use crate::settings::{Settings, Site};

/// Where the tip lies, from the route's codes (FHIR's enteral-route value set and the codes beside it in its
/// code system), then from the institution's map of codes and texts.
pub fn site(settings: &Settings, concept: &Concept<'_>) -> Site {
    const ROUTES: &str = "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration";
    let map = &settings.routes;
    for coding in &concept.codings {
        let (system, code) = (coding.system.as_deref().unwrap_or(""), coding.code.as_deref().unwrap_or(""));
        if !map.is_empty()
            && let Some(site) = map.get(&(system.to_owned(), code.to_owned()))
        {
            return *site;
        }
        if system == ROUTES {
            let known = match code {
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
            };
            if let Some(site) = known {
                return site;
            }
        }
    }
    let text = concept.text.as_deref().map(|t| t.trim().to_lowercase()).unwrap_or_default();
    map.get(&(String::new(), text)).copied().unwrap_or(Site::Unknown)
}
