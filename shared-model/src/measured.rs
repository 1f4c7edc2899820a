//! A number that may honestly be missing.

use serde::{Deserialize, Serialize};

/// A measured quantity: a value with its standard error, a bound where the phase was too short, or the reason
/// why nothing can be said. The unit is in the name of the field that holds it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(untagged, deny_unknown_fields)]
pub enum Measured {
    /// A value and its standard error, both in the field's unit.
    Value {
        /// The estimate.
        value: f64,
        /// Its standard error.
        se: f64,
    },
    /// The true value is larger than this: the phase ended first.
    Over {
        /// Lower bound.
        over: f64,
    },
    /// Not determinable.
    No {
        /// Why.
        not_determinable: Reason,
    },
}

/// Why a quantity is not determinable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Reason {
    /// The channel that it needs wasn't read.
    NoChannel,
    /// Too few readings in the stretch that it needs.
    TooFewReadings,
    /// The run has no such phase.
    NoPhase,
    /// The phase ended before it showed.
    PhaseTooShort,
    /// The rise is too small against the sensor's step and noise.
    RiseTooSmall,
    /// The sensor stood still while power and work moved.
    SensorStuck,
    /// The machine slept in the stretch that it needs.
    SleepGap,
    /// Other work ran in the stretch that it needs.
    BackgroundLoad,
    /// The fan never turned.
    FanStill,
    /// The fan did not change speed, so that its response cannot be seen.
    FanConstant,
    /// The fit did not converge or two parameters cannot be told apart.
    FitFailed,
    /// The load was ended before the stretch that it needs.
    StoppedEarly,
    /// The method doesn't give this quantity for such a run.
    NotApplicable,
}

impl Measured {
    /// The value, where there is one.
    pub fn value(&self) -> Option<f64> {
        match *self {
            Self::Value { value, .. } => Some(value),
            _ => None,
        }
    }

    /// The standard error, where there is a value.
    pub fn se(&self) -> Option<f64> {
        match *self {
            Self::Value { se, .. } => Some(se),
            _ => None,
        }
    }

    /// Not determinable, for this reason.
    pub const fn no(reason: Reason) -> Self {
        Self::No { not_determinable: reason }
    }
}
