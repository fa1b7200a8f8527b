//! Logging to standard error, spans for a collector of traces where there is one, and a panic hook that keeps data out of
//! both.

use crate::http::spans;
use crate::http::traces::Traces;
use clap::ValueEnum;
use tracing::Subscriber;
use tracing_subscriber::filter::{FilterExt as _, LevelFilter, filter_fn};
use tracing_subscriber::layer::{Layer, SubscriberExt as _};
use tracing_subscriber::registry::LookupSpan;
use tracing_subscriber::util::SubscriberInitExt as _;
use tracing_subscriber::{EnvFilter, Registry, fmt};

/// Form of the log.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
#[allow(missing_docs, reason = "plain names")]
pub enum LogFormat {
    #[default]
    Text,
    Json,
}

/// Sets up logging; in the demo every line says so. `ENTERAL_GATE_LOG` overrides `level` (a level, or filters as in `info,hyper=warn`).
pub fn start(format: LogFormat, level: &str, demo: bool) {
    start_with(format, level, demo, None);
}

/// The same, and spans go to a collector, whatever is logged.
pub fn start_with(format: LogFormat, level: &str, demo: bool, traces: Option<&Traces>) {
    let started = match traces {
        None => Registry::default().with(log(format, level)).try_init(),
        Some(traces) => {
            // Nothing but what is said there, in no other words than there: no place, thread, time of its own or event.
            let export = tracing_opentelemetry::layer()
                .with_tracer(traces.tracer())
                .with_context_activation(false)
                .with_location(false)
                .with_threads(false)
                .with_target(false)
                .with_level(false)
                .with_tracked_inactivity(false)
                .with_error_events_to_status(false)
                .with_error_events_to_exceptions(false)
                .with_error_records_to_exceptions(false)
                .with_error_fields_to_exceptions(false)
                .with_filter(filter_fn(spans::is_own).with_max_level_hint(LevelFilter::INFO));
            Registry::default().with(export).with(log(format, level)).try_init()
        }
    };
    drop(started);
    // The message of a panic may quote the order it happened on; its place cannot.
    std::panic::set_hook(Box::new(move |panic| {
        let place = panic.location().map_or_else(|| "an unknown place".to_owned(), ToString::to_string);
        tracing::error!(place, demo = demo.then_some(true), note = demo.then_some("invented data"), "panic");
    }));
}

/// What writes the log. Spans of requests are for the collector: no line is changed by them.
fn log<S>(format: LogFormat, level: &str) -> Box<dyn Layer<S> + Send + Sync>
where
    S: Subscriber + for<'s> LookupSpan<'s> + Send + Sync,
{
    let filter = EnvFilter::try_from_env("ENTERAL_GATE_LOG").unwrap_or_else(|_| EnvFilter::new(level));
    let filter = filter.and(filter_fn(|metadata| !spans::is_own(metadata)));
    let lines = fmt::layer().with_writer(std::io::stderr).with_target(false).with_ansi(false);
    match format {
        LogFormat::Text => lines.with_filter(filter).boxed(),
        LogFormat::Json => lines.json().flatten_event(true).with_filter(filter).boxed(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::http::spans::{Asked, Stage, stage};
    use http::Method;

    /// Where nothing collects them there is no span at all, however much is logged.
    #[test]
    fn without_a_collector_there_are_no_spans() {
        for format in [LogFormat::Text, LogFormat::Json] {
            tracing::subscriber::with_default(Registry::default().with(log(format, "trace")), || {
                assert!(tracing::enabled!(tracing::Level::TRACE), "that it is not for want of a log");
                assert!(Asked::begin(&Method::GET, Some("/livez")).is_none());
                assert!(Stage::ALL.into_iter().all(|one| stage(one).is_disabled()));
            });
        }
    }
}
