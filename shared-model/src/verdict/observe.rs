//! What the verdict needs of the trace beside the metrics: when it first came to the limit, how clock and power went.

use super::Case;
use super::limits::{AT_LIMIT_K, FAN_HYSTERESIS_K, FAN_SPUN_DOWN_S};
use crate::analysis::robust::median;
use crate::channel::Channel;
use crate::protocol::Phase;

/// First stretch of the load, s: the boost, before any limit of the long term acts.
const FIRST_S: (f64, f64) = (1.0, 8.0);
/// Last stretch of the load, s.
const LAST_S: f64 = 30.0;
/// The stretch before a fan's answer in which it stood, s.
const STOOD_S: f64 = 10.0;
/// A speed that counts as turning more than it did when it stood: this share more, and at least this many rpm.
const FASTER_SHARE: f64 = 1.15;
const TURNS_RPM: f64 = 300.0;

/// A quantity at the begin and at the end of the load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct FirstLast {
    pub(super) first: f64,
    pub(super) last: f64,
}

impl FirstLast {
    /// How much of it was lost, as a share of the first.
    pub(super) fn loss(self) -> f64 {
        if self.first > 0.0 { 1.0 - self.last / self.first } else { 0.0 }
    }
}

/// Evidence that a fan was due earlier than it came.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct StoodWhileHot {
    pub(super) stood_at_c: f64,
    pub(super) turned_at_c: f64,
}

#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Observed {
    /// Seconds from the load's start until it was first at the limit.
    pub(super) to_limit_s: Option<f64>,
    /// CPU temperature just before the load.
    pub(super) start_c: Option<f64>,
    pub(super) power_w: Option<FirstLast>,
    pub(super) clock_mhz: Option<FirstLast>,
    /// Highest clock of the run.
    pub(super) clock_max_mhz: Option<f64>,
    pub(super) stood_while_hot: Option<StoodWhileHot>,
}

impl Observed {
    pub(super) fn of(case: &Case<'_>) -> Self {
        let view = View { case };
        let clock = case.trace.column(Channel::CoreClockMhz).unwrap_or_default();
        Self {
            to_limit_s: view.to_limit_s(),
            start_c: view.start_c(),
            power_w: view.first_last(Channel::PackagePowerW),
            clock_mhz: view.first_last(Channel::CoreClockMhz),
            clock_max_mhz: clock.iter().copied().filter(|v| v.is_finite()).reduce(f64::max),
            stood_while_hot: view.stood_while_hot(),
        }
    }
}

struct View<'a> {
    case: &'a Case<'a>,
}

impl View<'_> {
    /// Readings of a channel between two times, each with its time.
    fn readings(&self, channel: Channel, from_s: f64, to_s: f64) -> impl Iterator<Item = (f64, f64)> + '_ {
        let values = self.case.trace.column(channel).unwrap_or_default();
        self.case.trace.time_s.iter().copied().zip(values.iter().copied()).filter(move |(t, v)| {
            // A reading that cannot be true decides nothing.
            *t >= from_s && *t <= to_s && channel.plausible(*v)
        })
    }

    fn median(&self, channel: Channel, from_s: f64, to_s: f64) -> Option<f64> {
        median(&self.readings(channel, from_s, to_s).map(|(_, v)| v).collect::<Vec<_>>())
    }

    /// Two readings on end, since a single one may be a jump.
    fn to_limit_s(&self) -> Option<f64> {
        let limit_c = self.case.limit?.limit_c;
        let phases = &self.case.analysis.phases;
        let hot: Vec<(f64, bool)> = self
            .readings(Channel::CpuTempC, phases.load_start_s, phases.load_end_s)
            .map(|(t, v)| (t, v >= limit_c - AT_LIMIT_K))
            .collect();
        let at = hot.windows(2).find(|w| w[0].1 && w[1].1)?[0].0;
        Some(at - phases.load_start_s)
    }

    fn start_c(&self) -> Option<f64> {
        let start_s = self.case.analysis.phases.load_start_s;
        self.median(Channel::CpuTempC, start_s - 5.0, start_s - 0.01)
    }

    fn first_last(&self, channel: Channel) -> Option<FirstLast> {
        let phases = &self.case.analysis.phases;
        if phases.load_length_s() < LAST_S + FIRST_S.1 {
            return None;
        }
        let (start_s, end_s) = (phases.load_start_s, phases.load_end_s);
        Some(FirstLast {
            first: self.median(channel, start_s + FIRST_S.0, start_s + FIRST_S.1)?,
            last: self.median(channel, end_s - LAST_S, end_s)?,
        })
    }

    /// The run as its own reference: late in recovery the fan turned at a temperature far below the one at which it
    /// had stood before it answered.
    fn stood_while_hot(&self) -> Option<StoodWhileHot> {
        let phases = &self.case.analysis.phases;
        let answered_s = phases.load_start_s + self.case.analysis.metrics.fan_delay_s.value()?;
        let stood = (answered_s - STOOD_S).max(phases.load_start_s + 1.0);
        let stood_at_c = self.median(Channel::CpuTempC, stood, answered_s)?;
        let stood_rpm = self.median(Channel::Fan1Rpm, stood, answered_s - 1.0)?;
        let recovery = phases.range(Phase::Recovery);
        let end_s = *self.case.trace.time_s.get(recovery.end.checked_sub(1)?)?;
        let from_s = phases.load_end_s + FAN_SPUN_DOWN_S;
        let turns_rpm = (stood_rpm * FASTER_SHARE).max(stood_rpm + TURNS_RPM);
        let turned: Vec<f64> = self
            .readings(Channel::Fan1Rpm, from_s, end_s)
            .filter(|(_, rpm)| *rpm >= turns_rpm)
            .filter_map(|(t, _)| self.median(Channel::CpuTempC, t - 1.0, t + 1.0))
            .collect();
        let turned_at_c = median(&turned)?;
        (stood_at_c - turned_at_c >= FAN_HYSTERESIS_K).then_some(StoodWhileHot { stood_at_c, turned_at_c })
    }
}
