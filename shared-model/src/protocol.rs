//! The check's protocol: its phases and how long each lasts.

use serde::{Deserialize, Serialize};

/// A phase of the check.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Phase {
    /// Idle before the load.
    Settle,
    /// All logical CPUs at full load.
    Load,
    /// Idle after the load.
    Recovery,
}

impl Phase {
    /// Its name in trace files and records.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Settle => "settle",
            Self::Load => "load",
            Self::Recovery => "recovery",
        }
    }
}

/// Which protocol was followed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ProtocolKind {
    /// 180 s load, 150 s recovery.
    Standard,
    /// 60 s load, 150 s recovery: judges fan and contact, and vents only with a known room temperature.
    Quick,
    /// Lengths chosen by hand.
    Custom,
}

/// Phase lengths as asked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Protocol {
    /// Which protocol.
    pub kind: ProtocolKind,
    /// Shortest settle phase.
    pub settle_min_s: f64,
    /// Longest settle phase.
    pub settle_max_s: f64,
    /// Load phase.
    pub load_s: f64,
    /// Recovery phase.
    pub recovery_s: f64,
    /// Samples per second.
    pub sample_hz: f64,
}

impl Protocol {
    /// The default check.
    pub const STANDARD: Self = Self {
        kind: ProtocolKind::Standard,
        settle_min_s: 30.0,
        settle_max_s: 180.0,
        load_s: 180.0,
        recovery_s: 150.0,
        sample_hz: 4.0,
    };
    /// The short check.
    pub const QUICK: Self = Self { kind: ProtocolKind::Quick, load_s: 60.0, ..Self::STANDARD };

    /// How long what comes after a phase takes, s.
    pub const fn after_s(&self, phase: Phase) -> f64 {
        match phase {
            Phase::Settle => self.load_s + self.recovery_s,
            Phase::Load => self.recovery_s,
            Phase::Recovery => 0.0,
        }
    }
}
