//! The services, and what they ask a client to send along (CDS Hooks 2.0, "Discovery" and "Prefetch Template").

use super::fetch;
use super::prefetch::{KEYS, Key};
use crate::settings::{FhirServer, Hooks};
use serde_json::{Value, json};

/// One service.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Service {
    /// The hook it is called at.
    pub hook: &'static str,
    /// Its id, the last part of its address.
    pub id: &'static str,
    /// Its name for people.
    pub title: &'static str,
    /// What it does.
    pub description: &'static str,
    /// Whether only selected orders are judged.
    pub selects: bool,
}

/// All services.
pub const SERVICES: [Service; 2] = [
    Service {
        hook: "order-sign",
        id: "tube-feeding-order-sign",
        title: "Tube-feeding orders, before signing",
        description: "Works out what each draft tube-feeding order (NutritionOrder) delivers over a day, and says what contradicts itself, is missing, or lies outside the institution's limits. It supports, and does not replace, the judgement of licensed practitioners.",
        selects: false,
    },
    Service {
        hook: "order-select",
        id: "tube-feeding-order-select",
        title: "Tube-feeding orders, when selected",
        description: "The same for the tube-feeding orders among the selected ones; the other drafts are looked at as orders beside them.",
        selects: true,
    },
];

/// The service of that id.
pub fn by_id(id: &str) -> Option<&'static Service> {
    SERVICES.iter().find(|service| service.id == id)
}

/// The service for a hook.
pub fn by_hook(hook: &str) -> Option<&'static Service> {
    SERVICES.iter().find(|service| service.hook == hook)
}

/// Whose templates discovery gives: those of the FHIR server that is named; of the only one that is listed where none is;
/// else the services' own. `Err` for a server that is not listed.
pub fn discovery_of<'h>(hooks: &'h Hooks, named: Option<&str>) -> Result<Option<&'h FhirServer>, NotListed> {
    match (named, hooks.servers.as_slice()) {
        (Some(named), _) => hooks.server(named).map(Some).ok_or(NotListed),
        (None, [only]) => Ok(Some(only)),
        (None, _) => Ok(None),
    }
}

/// A FHIR server that the institution does not list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotListed;

/// The answer to `GET /cds-services`, with the templates of a client's server where one is given.
pub fn discovery(hooks: &Hooks, server: Option<&FhirServer>) -> Value {
    let version = server.and_then(|server| server.fhir).unwrap_or(hooks.fhir);
    // What is left out of fetching is asked for all the same: a client that does not send it leaves rules not evaluated.
    let asked = |key: &Key| {
        let own = server.and_then(|server| server.templates.get(key.name)).cloned();
        (key.name.to_owned(), json!(own.unwrap_or_else(|| key.template(version))))
    };
    let services: Vec<Value> = SERVICES
        .iter()
        .map(|service| {
            let prefetch: serde_json::Map<String, Value> = KEYS.iter().map(asked).collect();
            json!({
                "hook": service.hook,
                "id": service.id,
                "title": service.title,
                "description": service.description,
                "prefetch": prefetch,
                "usageRequirements": format!("Resources are read as FHIR {}. Every prefetch key is optional; what is not sent is not checked, and the answer says so. {}", version.name(), fetch::said(hooks)),
            })
        })
        .collect();
    json!({ "services": services })
}
