//! `GET /metrics`: counters and states in Prometheus text format. Nothing of a person or an order.

use super::App;
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, header};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

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

impl ByDisposition {
    /// Each with its count.
    pub fn shown(&self) -> Vec<(&'static str, u64)> {
        DISPOSITIONS.iter().zip(&self.0).map(|(name, count)| (*name, count.load(Ordering::Relaxed))).collect()
    }
}

/// Counters: name, labels, count. The labels are words of the program, so there are few of them.
#[derive(Debug, Default)]
pub struct Counters(Mutex<BTreeMap<(&'static str, String), u64>>);

/// What each of those of CDS Hooks is.
const HOOKS: [(&str, &str); 8] = [
    ("enteral_gate_hook_orders_total", "Draft NutritionOrders in hook requests, by what became of them."),
    ("enteral_gate_hook_cards_total", "Cards, by indicator."),
    (
        "enteral_gate_hook_findings_total",
        "Findings of hook requests: on a card, reminders, or for others than the prescriber.",
    ),
    ("enteral_gate_hook_suggestions_total", "Corrections tried: offered, or withheld because they did not hold."),
    ("enteral_gate_hook_prefetch_total", "Prefetch keys by state."),
    ("enteral_gate_hook_fetch_total", "Prefetch keys that were to be fetched from the client's server, by outcome."),
    ("enteral_gate_hook_gave_up_total", "Hook requests answered with a card that nothing was checked, by reason."),
    ("enteral_gate_hook_feedback_total", "Feedback on cards, by outcome."),
];

impl Counters {
    /// Adds to a counter; `labels` as in the text format, without braces.
    pub fn add(&self, name: &'static str, labels: String, n: usize) {
        if n == 0 {
            return;
        }
        let mut counts = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        *counts.entry((name, labels)).or_default() += n as u64;
    }

    /// Appends these in Prometheus text format: name and what it is.
    pub fn write(&self, out: &mut String, what: &[(&str, &str)]) {
        let counts = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        for (name, help) in what {
            let _ = write!(out, "# HELP {name} {help}\n# TYPE {name} counter\n");
            for ((_, labels), count) in counts.iter().filter(|((own, _), _)| own == name) {
                let _ = writeln!(out, "{name}{{{labels}}} {count}");
            }
        }
    }
}

/// Answers since the start, by the route's template (never an address as sent) and status.
#[derive(Debug, Default)]
pub struct ByRoute(Mutex<BTreeMap<String, BTreeMap<u16, u64>>>);

impl ByRoute {
    /// Counts one answer.
    pub fn count(&self, route: &str, status: u16) {
        let mut counts = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if !counts.contains_key(route) {
            counts.insert(route.to_owned(), BTreeMap::new());
        }
        if let Some(of_route) = counts.get_mut(route) {
            *of_route.entry(status).or_default() += 1;
        }
    }

    fn write(&self, out: &mut String) {
        const NAME: &str = "enteral_gate_requests_total";
        let _ = write!(out, "# HELP {NAME} Answers, by route and status.\n# TYPE {NAME} counter\n");
        let counts = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        for (route, of_route) in &*counts {
            for (status, count) in of_route {
                let _ = writeln!(out, "{NAME}{{route={route:?},status=\"{status}\"}} {count}");
            }
        }
    }
}

/// How long it took to fetch what requests did not hold.
#[derive(Debug, Default)]
pub struct Durations {
    /// At most as long as the bound of the same place; the last is any time.
    counts: [AtomicU64; BOUNDS.len() + 1],
    micros: AtomicU64,
}

/// Bounds in milliseconds, and in seconds as they are written.
const BOUNDS: [(u128, &str); 8] =
    [(25, "0.025"), (50, "0.05"), (100, "0.1"), (200, "0.2"), (350, "0.35"), (700, "0.7"), (1500, "1.5"), (5000, "5")];

impl Durations {
    /// Counts one.
    pub fn count(&self, time: std::time::Duration) {
        let place = BOUNDS.iter().position(|(bound, _)| time.as_millis() < *bound).unwrap_or(BOUNDS.len());
        if let Some(count) = self.counts.get(place) {
            count.fetch_add(1, Ordering::Relaxed);
        }
        self.micros.fetch_add(u64::try_from(time.as_micros()).unwrap_or(u64::MAX), Ordering::Relaxed);
    }

    fn write(&self, out: &mut String) {
        const NAME: &str = "enteral_gate_hook_fetch_seconds";
        let _ =
            write!(out, "# HELP {NAME} Time for fetching what a hook request did not hold.\n# TYPE {NAME} histogram\n");
        let mut sum = 0;
        for (nth, count) in self.counts.iter().enumerate() {
            sum += count.load(Ordering::Relaxed);
            let bound = BOUNDS.get(nth).map_or("+Inf", |(_, text)| text);
            let _ = writeln!(out, "{NAME}_bucket{{le=\"{bound}\"}} {sum}");
        }
        let micros = self.micros.load(Ordering::Relaxed);
        let _ = writeln!(out, "{NAME}_sum {}.{:06}\n{NAME}_count {sum}", micros / 1_000_000, micros % 1_000_000);
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
    app.answered.write(&mut out);
    app.connections.metrics(&mut out);
    app.hooks.write(&mut out, &HOOKS);
    app.callback.durations.write(&mut out);
    super::keeping::metrics(&app, &app.kept, &mut out);
    crate::background::metrics(&app.faults(), &mut out);
    if let Some(notices) = &app.doors.notices {
        notices.metrics(&mut out);
    }
    if let Some(gate) = &app.doors.gate {
        gate.metrics(&mut out);
    }
    if let Some(certificates) = &app.doors.certificates {
        certificates.metrics(&mut out);
    }
    if let Some(trail) = &app.doors.trail {
        trail.metrics(&mut out);
    }
    if let Some(traces) = &app.doors.traces {
        traces.metrics(&mut out);
    }
    let kind = HeaderValue::from_static("text/plain; version=0.0.4; charset=utf-8");
    ([(header::CONTENT_TYPE, kind)], out).into_response()
}
