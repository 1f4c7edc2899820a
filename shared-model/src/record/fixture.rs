//! A small record with everything in it, for the tests and for the worked example of docs/record.md.

use std::collections::BTreeMap;

use super::wire::{
    Ambient, AmbientSource, Context, Event, EventKind, Header, Limit, LimitSource, LoadMix, Metrics, Model,
    Outcome, PhaseStart, Platform, PowerLimit, PreCheck, PreCheckKind, PreCheckResult, Provenance, Source,
    WireTrace,
};
use super::{SignedRecord, SigningIdentity, chain};
use crate::measured::{Measured, Reason};
use crate::protocol::{Phase, Protocol};

/// The test key's 32 secret bytes, 0x00 to 0x1f. Everybody knows it.
pub(super) fn test_secret() -> [u8; 32] {
    std::array::from_fn(|idx| idx as u8)
}

pub(super) fn identity() -> SigningIdentity {
    SigningIdentity::from_secret("00112233445566778899aabbccddeeff", &test_secret()).expect("a device id")
}

pub(super) fn header() -> Header {
    let identity = identity();
    Header {
        schema: String::new(),
        device_id: String::new(),
        key_id: String::new(),
        sequence: 1,
        previous_digest: chain::root(identity.device_id(), &identity.public_key()).to_hex(),
        boot_id: "5f0c6a52-7d1e-4b0c-9a52-3c1f3f0e9b11".to_owned(),
        started_at: "2026-01-31T08:15:00Z".to_owned(),
        provenance: Provenance::Measured,
        emulation: None,
        model: Model {
            vendor: "Halden".to_owned(),
            product: "Fjordbook 14".to_owned(),
            sku: "FB14-2".to_owned(),
            cpu: "8-core 28 W".to_owned(),
            logical_cpus: 8,
            firmware: "1.07".to_owned(),
        },
        platform: Platform { os: "linux".into(), kernel: "6.12.0".into(), arch: "x86_64".into() },
        agent_version: "0.1.0".to_owned(),
        method_version: "1".to_owned(),
        load_mix: LoadMix { version: "1".into(), target: "x86_64".into(), compiler: "1.95.0".into() },
        protocol: Protocol::QUICK,
        outcome: Outcome::StoppedEarly,
        pre_checks: vec![PreCheck {
            check: PreCheckKind::AcPower,
            result: PreCheckResult::Passed,
            detail: String::new(),
        }],
        context: Context {
            on_ac: Some(true),
            battery_pct: Some(87.5),
            ambient: Some(Ambient { value_c: 21.5, sd_k: 0.5, source: AmbientSource::Told }),
            power_limits: vec![PowerLimit { name: "long_term".into(), limit_w: 28.0, window_s: Some(28.0) }],
            settled: true,
            attended: true,
            ..Context::default()
        },
        sources: vec![Source {
            channel: "cpu_temp_c".to_owned(),
            source: "coretemp/Package id 0".to_owned(),
        }],
        limit: Some(Limit { limit_c: 100.0, source: LimitSource::SensorCritical }),
        events: vec![Event { at_ms: 500, kind: EventKind::Interrupted, detail: "interrupt signal".into() }],
        metrics: Some(metrics()),
        trace_digest: String::new(),
        ext: serde_json::Map::new(),
        digest: String::new(),
        signature: String::new(),
    }
}

fn metrics() -> Metrics {
    let short = Measured::no(Reason::PhaseTooShort);
    Metrics {
        baseline_c: Measured::Value { value: 41.25, se: 0.1 },
        rise_rate_early_k_per_s: short,
        rise_rate_sustained_k_per_s: short,
        peak_c: Measured::Value { value: 68.0, se: 0.5 },
        rise_k: Measured::Value { value: 26.75, se: 0.51 },
        recovery_half_s: Measured::Over { over: 0.25 },
        recovery_slow_half_s: short,
        recovery_to_tenth_s: short,
        fan_delay_s: short,
        fan_gain_rpm: short,
        fan_gain_rpm_per_k: short,
        fan_to_ninety_s: short,
        fan_max_rpm: short,
        fan_flutter_rpm: short,
        fan_spin_down_s: short,
        throttle_first_s: Measured::no(Reason::NoChannel),
        throttled_load_share: Measured::no(Reason::NoChannel),
        work_rate_loss: short,
        power_sustained_w: short,
        r_contact_k_per_w: short,
        c_sink_j_per_k: short,
        g_air_w_per_k: short,
        tau_slow_s: short,
        quality: BTreeMap::from([("stopped_early".to_owned(), 1.0)]),
    }
}

pub(super) fn trace() -> WireTrace {
    let columns = [
        ("load_pct", vec![Some(0), Some(10_000), Some(0)]),
        ("cpu_temp_c", vec![Some(41_250), Some(68_000), Some(55_500)]),
        ("package_power_w", vec![Some(3_100), None, Some(4_000)]),
        ("fan1_rpm", vec![Some(0), Some(2_150), Some(2_310)]),
    ];
    WireTrace {
        time_ms: vec![0, 250, 500],
        phases: vec![
            PhaseStart { from_sample: 0, phase: Phase::Settle },
            PhaseStart { from_sample: 1, phase: Phase::Load },
            PhaseStart { from_sample: 2, phase: Phase::Recovery },
        ],
        columns: columns.into_iter().map(|(name, cells)| (name.to_owned(), cells)).collect(),
    }
}

pub(super) fn signed() -> SignedRecord {
    identity().sign_record(header(), trace()).expect("the fixture is a good record")
}
