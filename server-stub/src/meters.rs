//! What the hub counts of its own work while it runs. What the store keeps is read when somebody asks.

use std::fmt;

use prometheus::{Histogram, HistogramOpts, IntCounter, IntCounterVec, Opts, Registry};

/// Upper ends of the classes of a judgement's length, seconds: a small fleet's to that of 100,000 laptops.
const JUDGEMENT_CLASSES_S: [f64; 9] = [0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 120.0];

/// What became of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RecordState {
    /// On disk now.
    Stored,
    /// It was there before.
    Known,
    /// Refused for what it is.
    Refused,
    /// The hub could not; it will be posted again.
    NotStored,
}

impl RecordState {
    const ALL: [Self; 4] = [Self::Stored, Self::Known, Self::Refused, Self::NotStored];

    const fn name(self) -> &'static str {
        match self {
            Self::Stored => "stored",
            Self::Known => "known",
            Self::Refused => "refused",
            Self::NotStored => "not_stored",
        }
    }
}

/// Counters of one hub, from its start.
pub struct Meters {
    registry: Registry,
    records: IntCounterVec,
    turned_away: IntCounter,
    judgement_s: Histogram,
}

impl fmt::Debug for Meters {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Meters").finish_non_exhaustive()
    }
}

impl Default for Meters {
    fn default() -> Self {
        Self::new().expect("the meters' own names are good and differ")
    }
}

impl Meters {
    fn new() -> prometheus::Result<Self> {
        let registry = Registry::new();
        let records = IntCounterVec::new(
            Opts::new("windrow_records_total", "Records posted, by what became of them"),
            &["state"],
        )?;
        for state in RecordState::ALL {
            // A counter that was never raised is 0, not absent.
            records.with_label_values(&[state.name()]);
        }
        let turned_away = IntCounter::new(
            "windrow_requests_turned_away_total",
            "Requests turned away because too many were worked on",
        )?;
        let judgement_s = Histogram::with_opts(
            HistogramOpts::new("windrow_judgement_seconds", "Time to judge the whole fleet")
                .buckets(JUDGEMENT_CLASSES_S.to_vec()),
        )?;
        registry.register(Box::new(records.clone()))?;
        registry.register(Box::new(turned_away.clone()))?;
        registry.register(Box::new(judgement_s.clone()))?;
        Ok(Self { registry, records, turned_away, judgement_s })
    }

    /// A record was worked through.
    pub fn record(&self, state: RecordState) {
        self.records.with_label_values(&[state.name()]).inc();
    }

    /// A request was turned away.
    pub fn turned_away(&self) {
        self.turned_away.inc();
    }

    /// The fleet was judged.
    pub fn judged(&self, took: std::time::Duration) {
        self.judgement_s.observe(took.as_secs_f64());
    }

    /// All of them now.
    pub(crate) fn gather(&self) -> Vec<prometheus::proto::MetricFamily> {
        self.registry.gather()
    }
}
