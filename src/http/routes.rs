//! Every route on one page.

use super::refusal::Refusal;
use super::stack::stack;
use super::{App, definitions, hooks, metrics, operations, pages};
use axum::Router;
use axum::middleware::from_fn_with_state;
use axum::routing::{MethodRouter, get, post};
use std::sync::Arc;

/// One route: method, path as in the OpenAPI description, handler.
pub type Route = (&'static str, &'static str, MethodRouter<Arc<App>>);

/// All routes. The router is built from this list, and a test holds `openapi.json` against it.
pub fn table() -> Vec<Route> {
    vec![
        ("GET", "/", get(pages::home)),
        ("GET", "/page.css", get(pages::style)),
        ("GET", "/livez", get(pages::alive)),
        ("GET", "/readyz", get(pages::ready)),
        ("GET", "/metrics", get(metrics::metrics)),
        ("GET", "/openapi.json", get(pages::openapi)),
        ("GET", "/demo/orders/{name}", get(pages::sample)),
        ("GET", "/cds-services", get(hooks::discovery)),
        ("POST", "/cds-services/{id}", post(hooks::call)),
        ("POST", "/cds-services/{id}/feedback", post(hooks::feedback)),
        ("POST", "/fhir/{version}", post(operations::batch)),
        ("GET", "/fhir/{version}/metadata", get(definitions::metadata)),
        ("POST", "/fhir/{version}/$validate", post(operations::validate)),
        ("POST", "/fhir/{version}/Bundle/$validate", post(operations::validate_bundle)),
        ("POST", "/fhir/{version}/NutritionOrder/$validate", post(operations::validate_order)),
        ("POST", "/fhir/{version}/NutritionOrder/$appraise", post(operations::appraise_order)),
        ("GET", "/fhir/{version}/OperationDefinition/{id}", get(definitions::operation)),
        ("GET", "/fhir/{version}/StructureDefinition/{id}", get(definitions::structure)),
        ("GET", "/fhir/{version}/CodeSystem/{id}", get(definitions::code_system)),
    ]
}

/// The router with its stack.
pub fn router(app: Arc<App>) -> Router {
    table()
        .into_iter()
        .fold(Router::new(), |router, (_, path, handler)| router.route(path, handler))
        // Clients that join a base and an empty path.
        .route("/fhir/{version}/", post(operations::batch))
        .fallback(nothing_here)
        .method_not_allowed_fallback(wrong_method)
        .layer(from_fn_with_state(app.clone(), stack))
        .with_state(app)
}

async fn nothing_here() -> Refusal {
    Refusal::NotFound(
        "Nothing is at this address. GET / says what this service offers, GET /openapi.json describes it.".to_owned(),
    )
}

async fn wrong_method() -> Refusal {
    Refusal::MethodNotAllowed
}
