//! The yardstick for the load measurement: an axum handler that parses the same body into
//! `serde_json::Value` and answers with a fixed body or a fixed card; with the allocator that every program has by itself.
//! `parse_only ADDR:PORT`.

use axum::Router;
use axum::body::Bytes;
use axum::http::StatusCode;
use axum::routing::post;
use tokio::net::TcpListener;

const ANSWER: &str =
    r#"{"resourceType":"OperationOutcome","issue":[{"severity":"information","code":"informational"}]}"#;

const CARD: &str = r#"{"cards":[{"uuid":"4e0a3a1e-3283-4575-ab82-028d55fe2719","summary":"A fixed card","indicator":"info","source":{"label":"yardstick"}}]}"#;

async fn parse(body: Bytes) -> (StatusCode, &'static str) {
    match serde_json::from_slice::<serde_json::Value>(&body) {
        Ok(value) if value["resourceType"] == "Bundle" => (StatusCode::OK, ANSWER),
        _ => (StatusCode::BAD_REQUEST, ANSWER),
    }
}

/// The same for a hook's request, with one fixed card.
async fn card(body: Bytes) -> (StatusCode, [(&'static str, &'static str); 1], &'static str) {
    let json = [("content-type", "application/json")];
    match serde_json::from_slice::<serde_json::Value>(&body) {
        Ok(value) if value["hook"] == "order-sign" => (StatusCode::OK, json, CARD),
        _ => (StatusCode::BAD_REQUEST, json, CARD),
    }
}

async fn fixed(_: Bytes) -> &'static str {
    ANSWER
}

/// Serves until it is stopped.
pub fn main() {
    let address = std::env::args().nth(1).unwrap_or_else(|| "127.0.0.1:0".to_owned());
    // Under `cargo test --benches` there is nothing to measure.
    if address.starts_with("--") {
        return;
    }
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let listener = TcpListener::bind(&address).await.expect("the address is free");
        println!("listening on http://{}", listener.local_addr().expect("bound"));
        let app = Router::new().route("/parse", post(parse)).route("/hook", post(card)).route("/fixed", post(fixed));
        axum::serve(listener, app).await.expect("served");
    });
}
