//! `GET /metrics`: the hub's own figures in Prometheus' text form (0.0.4).

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use prometheus::proto::MetricFamily;
use prometheus::{Encoder, IntCounterVec, IntGauge, IntGaugeVec, Opts, Registry, TextEncoder};
use windrow_model::METHOD_VERSION;

use super::openapi::Operation;
use super::{Hub, Problem};
use crate::access::Viewer;
use crate::scoring::Band;
use crate::store::notices::StoredReceiver;
use crate::store::{Store, StoreError};

/// What the document says of this route.
pub(super) fn operations() -> Vec<Operation> {
    let text = serde_json::json!({"type": "string"});
    vec![Operation::new("GET", "/metrics", "The hub's own figures, for Prometheus").answer_as(
        200,
        "text form 0.0.4",
        "text/plain",
        text,
    )]
}

pub(super) async fn serve<S: Store>(State(hub): State<Hub<S>>, viewer: Viewer) -> Result<Response, Problem> {
    let now = Now::read(&hub.store).await.map_err(|e| Problem::of_store(&e))?;
    let text = stored(&hub, &viewer, &now).and_then(|stored| {
        let mut text = Vec::new();
        TextEncoder::new().encode(&[hub.meters.gather(), stored].concat(), &mut text)?;
        Ok(text)
    });
    let text = text.map_err(|e| {
        tracing::error!(error = %e, "the hub's figures could not be written");
        Problem::internal()
    })?;
    Ok(([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text).into_response())
}

/// What the store says now.
struct Now {
    refusals: Vec<(String, u64)>,
    n_leaves: u64,
    n_runs_unmeasured: u64,
    receivers: Vec<StoredReceiver>,
}

impl Now {
    async fn read<S: Store>(store: &S) -> Result<Self, StoreError> {
        Ok(Self {
            refusals: store.refusal_list().await?,
            n_leaves: store.ledger_size().await?,
            n_runs_unmeasured: store.run_count_unmeasured(METHOD_VERSION).await?,
            receivers: store.notice_receiver_list().await?,
        })
    }
}

/// What isn't counted but is so now. Laptops are those that the viewer may see.
fn stored<S: Store>(hub: &Hub<S>, viewer: &Viewer, now: &Now) -> prometheus::Result<Vec<MetricFamily>> {
    let registry = Registry::new();
    let build =
        int_gauges(&registry, "windrow_build_info", "Versions; always 1", &["version", "method_version"])?;
    build.with_label_values(&[env!("CARGO_PKG_VERSION"), METHOD_VERSION]).set(1);

    let laptops = int_gauges(&registry, "windrow_laptops", "Laptops judged, by service band", &["band"])?;
    for band in Band::ALL {
        laptops.with_label_values(&[band.name()]);
    }
    if let Some(shown) = hub.showroom.now() {
        for entry in shown.fleet.laptops.iter().filter(|e| viewer.sees(&e.site)) {
            laptops.with_label_values(&[entry.band.name()]).inc();
        }
        let help = "When the fleet was last judged, seconds since the Unix epoch";
        int_gauge(&registry, "windrow_fleet_judged_timestamp_seconds", help, shown.fleet.as_of_ms / 1000)?;
    }

    let refusals = IntCounterVec::new(
        Opts::new(
            "windrow_refusals_total",
            "Enrolments and records refused, by the problem's code; kept over restarts",
        ),
        &["reason"],
    )?;
    registry.register(Box::new(refusals.clone()))?;
    for (reason, n) in &now.refusals {
        refusals.with_label_values(&[reason.as_str()]).inc_by(*n);
    }

    let waiting = hub.store.writes_waiting();
    int_gauge(&registry, "windrow_writes_waiting", "Writes that wait for the disk", waiting.n)?;
    let help = "Writes that may wait; at this many, callers are told to come again";
    int_gauge(&registry, "windrow_writes_waiting_limit", help, waiting.limit)?;
    int_gauge(&registry, "windrow_runs_unmeasured", "Runs whose metrics are due", now.n_runs_unmeasured)?;
    int_gauge(&registry, "windrow_ledger_leaves", "Leaves of the ledger", now.n_leaves)?;
    notices(&registry, &now.receivers)?;
    Ok(registry.gather())
}

/// What became of notices of band changes; no series where nobody is told.
fn notices(registry: &Registry, receivers: &[StoredReceiver]) -> prometheus::Result<()> {
    let waiting = int_gauges(
        registry,
        "windrow_notices_waiting",
        "Notices of band changes that wait to be taken",
        &["receiver"],
    )?;
    let ended = IntCounterVec::new(
        Opts::new(
            "windrow_notices_total",
            "Notices of band changes, by what became of them; kept over restarts",
        ),
        &["receiver", "state"],
    )?;
    registry.register(Box::new(ended.clone()))?;
    for r in receivers {
        let name = r.receiver.as_str();
        waiting.with_label_values(&[name]).set(r.n_waiting.try_into().unwrap_or(i64::MAX));
        ended.with_label_values(&[name, "taken"]).inc_by(r.n_sent);
        ended.with_label_values(&[name, "given_up"]).inc_by(r.n_given_up);
    }
    Ok(())
}

fn int_gauges(
    registry: &Registry,
    name: &str,
    help: &str,
    labels: &[&str],
) -> prometheus::Result<IntGaugeVec> {
    let gauges = IntGaugeVec::new(Opts::new(name, help), labels)?;
    registry.register(Box::new(gauges.clone()))?;
    Ok(gauges)
}

fn int_gauge(
    registry: &Registry,
    name: &str,
    help: &str,
    value: impl TryInto<i64>,
) -> prometheus::Result<()> {
    let gauge = IntGauge::new(name, help)?;
    gauge.set(value.try_into().unwrap_or(i64::MAX));
    registry.register(Box::new(gauge))
}

#[cfg(test)]
mod tests {
    use crate::access::Role;
    use crate::http::Limits;
    use crate::store::LedgerStore as _;
    use crate::testing::TestHub;

    fn value(text: &str, series: &str) -> Option<f64> {
        text.lines().find_map(|line| line.strip_prefix(series)?.trim().parse().ok())
    }

    #[tokio::test]
    async fn they_count_what_came_in_and_what_was_refused() {
        let hub = TestHub::start(Limits::default()).await;
        let token = format!("Authorization: Bearer {}", hub.grant(Role::Auditor, None).await);
        assert_eq!(hub.get("/metrics").await.status, 401);
        let read = async || hub.request("GET", "/metrics", &[&token], b"").await;
        let before = read().await;
        assert!(before.head.contains("content-type: text/plain; version=0.0.4"), "{}", before.head);
        assert_eq!(value(&before.body, "windrow_records_total{state=\"stored\"}"), Some(0.0));
        assert_eq!(value(&before.body, "windrow_laptops{band=\"pull_now\"}"), Some(0.0));

        let mut laptop = hub.joined(1).await;
        let record = laptop.check();
        hub.post_record(&record.bytes).await;
        hub.post_record(&record.bytes).await;
        hub.post_record(b"{").await;
        hub.refresh().await;
        let after = read().await.body;
        for (series, expected) in [
            ("windrow_records_total{state=\"stored\"}", 1.0),
            ("windrow_records_total{state=\"known\"}", 1.0),
            ("windrow_records_total{state=\"refused\"}", 1.0),
            ("windrow_refusals_total{reason=\"syntax\"}", 1.0),
            ("windrow_ledger_leaves", hub.store.ledger_size().await.unwrap() as f64),
            ("windrow_writes_waiting", 0.0),
            ("windrow_writes_waiting_limit", 1024.0),
        ] {
            assert_eq!(value(&after, series), Some(expected), "{series}: {after}");
        }
        let n_laptops: f64 = after
            .lines()
            .filter(|line| line.starts_with("windrow_laptops{"))
            .filter_map(|line| line.split(' ').next_back()?.parse::<f64>().ok())
            .sum();
        assert_eq!(n_laptops, 1.0, "{after}");
        hub.stop().await;
    }
}
