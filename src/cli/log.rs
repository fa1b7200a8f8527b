//! Logging to standard error, and a panic hook that keeps data out of it.

use clap::ValueEnum;
use tracing_subscriber::EnvFilter;

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
    let filter = EnvFilter::try_from_env("ENTERAL_GATE_LOG").unwrap_or_else(|_| EnvFilter::new(level));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_target(false)
        .with_ansi(false);
    let started = match format {
        LogFormat::Text => log.try_init(),
        LogFormat::Json => log.json().flatten_event(true).try_init(),
    };
    drop(started);
    // The message of a panic may quote the order it happened on; its place cannot.
    std::panic::set_hook(Box::new(move |panic| {
        let place = panic.location().map_or_else(|| "an unknown place".to_owned(), ToString::to_string);
        tracing::error!(place, demo = demo.then_some(true), note = demo.then_some("invented data"), "panic");
    }));
}
