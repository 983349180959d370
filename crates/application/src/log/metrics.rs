//! Figures of this process, in the text format of `OpenMetrics` 1.0. No label and no value is about
//! a person, a registration or a key.

use std::sync::atomic::AtomicU64;

use prometheus_client::encoding::text;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::{Histogram, exponential_buckets};
use prometheus_client::registry::Registry;

/// The media type of the text.
pub const MEDIA_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// The figures.
pub struct Metrics {
    registry: Registry,
    /// Entries that wait for the log.
    pub waiting: Gauge,
    /// How long the first of them has waited, in seconds.
    pub oldest_wait: Gauge<f64, AtomicU64>,
    /// Entries in the log.
    pub size: Gauge,
    /// Entries of the log that are published.
    pub published: Gauge,
    /// Entries that got their index in one round of this process.
    pub batch: Histogram,
    /// Rounds in which nothing could be signed.
    pub failed_rounds: Counter,
    /// Where the register differed from the log when they were last compared.
    pub differences: Gauge,
}

impl Metrics {
    /// All of them, at nothing.
    #[must_use]
    pub fn new() -> Self {
        let mut registry = Registry::with_prefix("wardbook_log");
        let (waiting, size, published) = (Gauge::default(), Gauge::default(), Gauge::default());
        let oldest_wait = Gauge::<f64, AtomicU64>::default();
        let batch = Histogram::new(exponential_buckets(1.0, 2.0, 12));
        let failed_rounds = Counter::default();
        registry.register("waiting_entries", "Entries that wait for the log", waiting.clone());
        registry.register("oldest_wait_seconds", "How long the first has waited", oldest_wait.clone());
        registry.register("size_entries", "Entries in the log", size.clone());
        registry.register("published_entries", "Entries that are published", published.clone());
        registry.register("batch_entries", "Entries of one round of this process", batch.clone());
        registry.register("failed_rounds", "Rounds in which nothing was signed", failed_rounds.clone());
        let differences = Gauge::default();
        let help = "Where the register differed from the log when they were last compared";
        registry.register("register_differences", help, differences.clone());
        Self { registry, waiting, oldest_wait, size, published, batch, failed_rounds, differences }
    }

    /// As text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        // Writing into a string does not fail.
        let _ = text::encode(&mut out, &self.registry);
        out
    }
}

impl Default for Metrics {
    fn default() -> Self {
        Self::new()
    }
}
