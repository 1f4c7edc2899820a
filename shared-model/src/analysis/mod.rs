//! Run analysis: from a trace to phases, data quality and metrics.
//!
//! Everything here looks at one run alone. Nothing panics on a trace that came from outside: what cannot be
//! determined is [`Measured::No`] with its reason. docs/method.md gives every equation with its source.

pub mod phases;
pub mod quality;
pub mod robust;

use crate::measured::{Measured, Reason};
use crate::protocol::Protocol;
use crate::record::wire;
use crate::trace::Trace;

pub use phases::{PhaseSource, Phases, find_phases};
pub use quality::Finding;

/// What is known about a run beside its trace. The default knows nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RunContext {
    /// Room temperature, where known.
    pub ambient: Option<wire::Ambient>,
    /// Phase lengths as asked for.
    pub protocol: Option<Protocol>,
    /// Temperature at which the load ends, °C.
    pub limit_c: Option<f64>,
    /// On mains power.
    pub on_ac: Option<bool>,
    /// Safety stops, gaps and other events.
    pub events: Vec<wire::Event>,
}

impl RunContext {
    /// What a record's header says.
    pub fn from_header(header: &wire::Header) -> Self {
        Self {
            ambient: header.context.ambient,
            protocol: Some(header.protocol),
            limit_c: header.limit.as_ref().map(|l| l.limit_c),
            on_ac: header.context.on_ac,
            events: header.events.clone(),
        }
    }
}

/// What a run says.
#[derive(Debug, Clone, PartialEq)]
pub struct RunAnalysis {
    /// Where each phase lies.
    pub phases: Phases,
    /// What is wrong with the data or the circumstances.
    pub quality: Vec<Finding>,
    /// The method's metrics.
    pub metrics: wire::Metrics,
}

/// Analyses one run.
pub fn analyse(trace: &Trace, context: &RunContext) -> RunAnalysis {
    let phases = find_phases(trace);
    let quality = quality::circumstances(context);
    let mut metrics = undetermined(Reason::NoPhase);
    metrics.quality = quality::to_wire(&quality);
    RunAnalysis { phases, quality, metrics }
}

/// Metrics of which none is determinable, for one reason: the start of every analysis, and the whole of an
/// attempt that never loaded.
pub fn undetermined(reason: Reason) -> wire::Metrics {
    let no = Measured::no(reason);
    wire::Metrics {
        baseline_c: no,
        rise_rate_early_k_per_s: no,
        rise_rate_sustained_k_per_s: no,
        peak_c: no,
        rise_k: no,
        recovery_half_s: no,
        recovery_slow_half_s: no,
        recovery_to_tenth_s: no,
        fan_delay_s: no,
        fan_gain_rpm: no,
        fan_gain_rpm_per_k: no,
        fan_to_ninety_s: no,
        fan_max_rpm: no,
        fan_flutter_rpm: no,
        fan_spin_down_s: no,
        throttle_first_s: no,
        throttled_load_share: no,
        work_rate_loss: no,
        power_sustained_w: no,
        r_contact_k_per_w: no,
        c_sink_j_per_k: no,
        g_air_w_per_k: no,
        tau_slow_s: no,
        quality: std::collections::BTreeMap::new(),
    }
}
