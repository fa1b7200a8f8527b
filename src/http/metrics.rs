//! `GET /metrics`: counters and states in Prometheus text format. Nothing of a person or an order.

use super::App;
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, header};
use std::fmt::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// The dispositions that are counted, as answers give them.
const DISPOSITIONS: [&str; 4] = ["clear", "flagged", "not-fully-checked", "refused"];

/// Appraisals since the start by disposition, entries of batches included.
#[derive(Debug, Default)]
pub struct ByDisposition([AtomicU64; DISPOSITIONS.len()]);

impl ByDisposition {
    /// Counts one appraisal.
    pub fn count(&self, disposition: &str) {
        let counted = DISPOSITIONS.iter().zip(&self.0).find(|(name, _)| **name == disposition);
        if let Some((_, count)) = counted {
            count.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// `GET /metrics`
pub async fn metrics(State(app): State<Arc<App>>) -> Response {
    let mut out = String::with_capacity(4 << 10);
    app.appraiser.metrics(&mut out);
    out.push_str(
        "# HELP enteral_gate_appraisals_total Inputs appraised, by disposition.\n# TYPE enteral_gate_appraisals_total counter\n",
    );
    for (name, count) in DISPOSITIONS.iter().zip(&app.appraised.0) {
        let count = count.load(Ordering::Relaxed);
        let _ = writeln!(out, "enteral_gate_appraisals_total{{disposition=\"{name}\"}} {count}");
    }
    let _ = write!(
        out,
        "# HELP enteral_gate_panics_total Requests that ended in a fault of the program.\n# TYPE enteral_gate_panics_total counter\nenteral_gate_panics_total {}\n",
        app.panics()
    );
    let kind = HeaderValue::from_static("text/plain; version=0.0.4; charset=utf-8");
    ([(header::CONTENT_TYPE, kind)], out).into_response()
}
