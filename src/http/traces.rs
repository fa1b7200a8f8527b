//! Spans on their way to a collector: OTLP over HTTP, in protobuf. What waits is bounded, nothing that is answered waits
//! for it, and what could not be delivered is counted, told in the log now and then, and lost.
//!
//! The SDK's batch processor has a thread of its own for it. The requests are sent from here and not by the SDK's exporter:
//! as all others that go out (no redirect, no proxy, no address that is not allowed), with no variable of the environment
//! read, and with what the collector says of spans that it did not take.

use super::callback::outward::{Outward, no_answer};
use super::metrics::Counters;
use super::spans::ATTRIBUTES;
use http::{HeaderMap, HeaderValue, header};
use opentelemetry::trace::{SpanContext, Status, TraceState, TracerProvider as _};
use opentelemetry::{Context, KeyValue};
use opentelemetry_proto::tonic::collector::trace::v1::{ExportTraceServiceRequest, ExportTraceServiceResponse};
use opentelemetry_proto::transform::common::tonic::ResourceAttributesWithSchema;
use opentelemetry_proto::transform::trace::tonic::group_spans_by_resource_and_scope;
use opentelemetry_sdk::Resource;
use opentelemetry_sdk::error::{OTelSdkError, OTelSdkResult};
use opentelemetry_sdk::trace::{
    BatchConfigBuilder, BatchSpanProcessor, RandomIdGenerator, Sampler, SdkTracer, SdkTracerProvider, Span, SpanData,
    SpanExporter, SpanLimits, SpanProcessor,
};
use prost::Message as _;
use std::fmt::{self, Write as _};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::runtime::Handle;

/// Spans that wait at most; more are dropped.
pub const WAITING: usize = 4096;
/// Spans of one request at most.
const BATCH: usize = 512;
/// For how long spans are gathered.
const GATHERED: Duration = Duration::from_secs(1);
/// For one request to the collector, from the first packet to the last.
const TIME: Duration = Duration::from_secs(5);
/// For what is left when the service stops.
pub const LAST: Duration = Duration::from_secs(3);
/// Bytes of an answer that are read.
const MOST_OF_AN_ANSWER: usize = 16 << 10;
/// Between two lines of the log.
const TOLD_AGAIN: Duration = Duration::from_secs(60);

/// Counter of spans, and of requests that failed.
const SPANS: &str = "enteral_gate_traces_spans_total";
const FAILED: &str = "enteral_gate_traces_failures_total";
const COUNTERS: [(&str, &str); 2] = [
    (
        SPANS,
        "Spans: exported, dropped (too many waited), failed (their request to the collector did), rejected (by the collector).",
    ),
    (FAILED, "Requests to the collector of traces that failed, by reason."),
];

/// Where spans go.
#[derive(Clone, Debug)]
pub struct Collector {
    /// The whole address that takes traces, in the form of [`crate::settings::normal_base`].
    pub endpoint: String,
    /// Whether its name may lead to private and loopback addresses.
    pub private_addresses: bool,
    /// What is sent with every request, as a token; each value marked as one that is not shown.
    pub headers: HeaderMap,
    /// Of so many traces that begin here one is exported; 1 at least.
    pub one_in: u32,
}

/// What became of spans.
#[derive(Default)]
struct Counts {
    counters: Counters,
    waiting: AtomicUsize,
    /// When the log was last told, and how many were lost since.
    told: Mutex<(Option<Instant>, usize)>,
}

impl Counts {
    fn lost(&self, result: &str, spans: usize, reason: &str) {
        self.counters.add(SPANS, format!("result=\"{result}\""), spans);
        let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        told.1 += spans;
        if spans > 0 && told.0.is_none_or(|at| at.elapsed() >= TOLD_AGAIN) {
            let lost = told.1;
            *told = (Some(Instant::now()), 0);
            drop(told);
            tracing::warn!(reason, spans = lost, "spans did not reach the collector of traces; nothing waits for it");
        }
    }
}

/// The export of spans, as long as the service runs.
pub struct Traces {
    provider: SdkTracerProvider,
    counts: Arc<Counts>,
}

impl Traces {
    /// Begins it; requests are sent on `runtime`. The collector is not called yet.
    pub fn start(to: &Collector, runtime: Handle) -> Self {
        let counts = Arc::<Counts>::default();
        let outward = Outward::new(&to.endpoint, to.private_addresses, 1, |client| client.timeout(TIME));
        let mut headers = to.headers.clone();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/x-protobuf"));
        let resource = ResourceAttributesWithSchema::default();
        let exporter = Exporter { to: outward, headers, runtime, resource, counts: counts.clone() };
        // Everything is said here, so that no variable of the environment says otherwise.
        let batches = BatchConfigBuilder::default()
            .with_max_queue_size(WAITING)
            .with_max_export_batch_size(BATCH)
            .with_scheduled_delay(GATHERED)
            .build();
        let inner = BatchSpanProcessor::new(exporter, batches);
        let sampler = match to.one_in {
            0 | 1 => Sampler::AlwaysOn,
            n => Sampler::TraceIdRatioBased(f64::from(n).recip()),
        };
        let instance = uuid::Uuid::new_v4().to_string();
        let resource = Resource::builder_empty().with_attributes([
            KeyValue::new("service.name", env!("CARGO_PKG_NAME")),
            KeyValue::new("service.version", env!("CARGO_PKG_VERSION")),
            KeyValue::new("service.instance.id", instance),
        ]);
        let provider = SdkTracerProvider::builder()
            .with_span_processor(Bounded { inner, counts: counts.clone() })
            .with_sampler(Sampler::ParentBased(Box::new(sampler)))
            .with_id_generator(RandomIdGenerator::default())
            .with_span_limits(SpanLimits::default())
            .with_resource(resource.build())
            .build();
        Self { provider, counts }
    }

    /// What makes spans of those of [`super::spans`].
    pub fn tracer(&self) -> SdkTracer {
        self.provider.tracer(env!("CARGO_PKG_NAME"))
    }

    /// Exports what waits, for [`LAST`] at most, and no more after that.
    pub async fn stop(&self) {
        let provider = self.provider.clone();
        let stopped = tokio::task::spawn_blocking(move || provider.shutdown_with_timeout(LAST)).await;
        if !matches!(stopped, Ok(Ok(()))) {
            let spans = self.counts.waiting.load(Ordering::Relaxed);
            tracing::warn!(spans, "stopped before all spans had reached the collector of traces");
        }
    }

    /// In Prometheus text format.
    pub fn metrics(&self, out: &mut String) {
        const NOW: &str = "enteral_gate_traces_spans_waiting";
        let waiting = self.counts.waiting.load(Ordering::Relaxed);
        let _ = write!(out, "# HELP {NOW} Spans that wait to be exported.\n# TYPE {NOW} gauge\n{NOW} {waiting}\n");
        self.counts.counters.write(out, &COUNTERS);
    }
}

/// The SDK's processor, of which it is known what it drops: it has room for all that are handed to it.
#[derive(Debug)]
struct Bounded {
    inner: BatchSpanProcessor,
    counts: Arc<Counts>,
}

impl fmt::Debug for Counts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("counts")
    }
}

impl SpanProcessor for Bounded {
    fn on_start(&self, _: &mut Span, _: &Context) {}

    fn on_end(&self, mut span: SpanData) {
        if !span.span_context.is_sampled() {
            return;
        }
        let free = |waiting: usize| (waiting < WAITING).then_some(waiting + 1);
        if self.counts.waiting.fetch_update(Ordering::Relaxed, Ordering::Relaxed, free).is_err() {
            self.counts.lost("dropped", 1, "too many wait");
            return;
        }
        only_known(&mut span);
        self.inner.on_end(span);
    }

    fn force_flush(&self) -> OTelSdkResult {
        self.inner.force_flush()
    }

    fn shutdown_with_timeout(&self, time: Duration) -> OTelSdkResult {
        self.inner.shutdown_with_timeout(time)
    }

    fn set_resource(&mut self, resource: &Resource) {
        self.inner.set_resource(resource);
    }
}

/// Takes out what no span of [`super::spans`] has, so that a span that somebody adds elsewhere has nothing with it.
fn only_known(span: &mut SpanData) {
    span.attributes.retain(|attribute| ATTRIBUTES.contains(&attribute.key.as_str()));
    span.events = Default::default();
    span.links = Default::default();
    if let Status::Error { .. } = span.status {
        span.status = Status::error("");
    }
    let own = &span.span_context;
    let (trace, id, flags) = (own.trace_id(), own.span_id(), own.trace_flags());
    span.span_context = SpanContext::new(trace, id, flags, own.is_remote(), TraceState::NONE);
}

/// Sends batches to the collector.
struct Exporter {
    to: Outward,
    headers: HeaderMap,
    runtime: Handle,
    resource: ResourceAttributesWithSchema,
    counts: Arc<Counts>,
}

impl fmt::Debug for Exporter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("exporter")
    }
}

impl SpanExporter for Exporter {
    async fn export(&self, batch: Vec<SpanData>) -> OTelSdkResult {
        let spans = batch.len();
        self.counts.waiting.fetch_sub(spans, Ordering::Relaxed);
        let resource_spans = group_spans_by_resource_and_scope(batch, &self.resource);
        let body = ExportTraceServiceRequest { resource_spans }.encode_to_vec();
        // The thread that asks for it is none of the runtime's.
        let sending = self.runtime.spawn(send(self.to.clone(), self.headers.clone(), body));
        let sent = sending.await.unwrap_or_else(|_| Err("interrupted".to_owned()));
        match sent {
            Ok(rejected) => {
                let rejected = rejected.min(spans);
                self.counts.counters.add(SPANS, "result=\"exported\"".to_owned(), spans - rejected);
                self.counts.lost("rejected", rejected, "rejected");
                Ok(())
            }
            Err(reason) => {
                self.counts.counters.add(FAILED, format!("reason=\"{reason}\""), 1);
                self.counts.lost("failed", spans, &reason);
                Err(OTelSdkError::InternalFailure(reason))
            }
        }
    }

    fn set_resource(&mut self, resource: &Resource) {
        self.resource = resource.into();
    }
}

/// One request; how many of its spans the collector did not take.
async fn send(to: Outward, headers: HeaderMap, body: Vec<u8>) -> Result<usize, String> {
    let (Some(client), Some(url)) = (to.client(), to.at()) else { return Err("address".to_owned()) };
    if !to.written_address_is_allowed() {
        return Err("address".to_owned());
    }
    let sent = client.post(url.clone()).headers(headers).body(body).send().await;
    let mut answer = sent.map_err(|error| no_answer(&error).to_owned())?;
    let status = answer.status();
    if !status.is_success() {
        return Err(if status.is_redirection() {
            "redirect".to_owned()
        } else {
            format!("status-{}", status.as_u16())
        });
    }
    let mut said = Vec::new();
    while let Some(chunk) = answer.chunk().await.map_err(|error| no_answer(&error).to_owned())? {
        said.extend_from_slice(&chunk);
        if said.len() > MOST_OF_AN_ANSWER {
            return Err("answer".to_owned());
        }
    }
    // What answers with something else is no collector. What it says in words is not looked at.
    let answer = ExportTraceServiceResponse::decode(&*said).map_err(|_| "answer".to_owned())?;
    let rejected = answer.partial_success.map_or(0, |partial| partial.rejected_spans);
    Ok(usize::try_from(rejected).unwrap_or(0))
}
