//! What spoils part of a run, found from the run itself, and how much of its evidence is left.

use super::Series;
use super::heat::fill_forwards;
use crate::channel::Channel;
use crate::measured::Reason;
use crate::trace::Trace;

/// Something that spoils a stretch of a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spoil {
    /// What.
    pub kind: SpoilKind,
    /// Begin of the stretch, in the run's time, s.
    pub from_s: f64,
    /// End of the stretch, s.
    pub to_s: f64,
}

/// What spoils it, and what was done about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[non_exhaustive]
pub enum SpoilKind {
    /// The machine slept: what follows counts a tenth, since nobody knows what it did meanwhile.
    SleepGap,
    /// The sensor stood still after an edge of the load: masked, and nothing is told of the network.
    SensorStuck,
    /// Other work ran while the machine should have been idle: counts a tenth without measured power, half with, and
    /// widens what is told.
    BackgroundLoad,
    /// Still warming or cooling when the run began: nothing is masked, since the sink's start is fitted.
    NotSettled,
    /// So warm from earlier work that the case cools beside the sink: the slow branch is told less surely.
    WarmStart,
    /// Brought in from the cold, so that the case warms beside the sink: likewise.
    ColdSoak,
    /// On battery: other power limits, another fan table. The slow branch is told less surely.
    OnBattery,
    /// In a profile that lowers power and fan: likewise.
    QuietProfile,
    /// Throttled under load: nothing is masked, since power is measured.
    Throttled,
}

pub(super) struct Judged {
    /// Share of each sample's evidence that is left, 0 to 1.
    pub(super) weight: Vec<f64>,
    pub(super) spoils: Vec<Spoil>,
}

/// A longer step between samples is a sleep, s; at least four usual steps.
const SLEEP_GAP_S: f64 = 4.0;
/// Evidence left after a sleep, or with unmeasured background work.
const TENTH: f64 = 0.1;
/// Evidence left with background work whose power is measured: part of its heat comes from elsewhere.
const HALF: f64 = 0.5;
/// A reading that stays the same for longer than this just after an edge is stuck, s.
const STUCK_FOR_S: f64 = 5.5;
/// Where to look for that, from the edge, s: a live sensor moves at once and keeps moving.
const STUCK_WITHIN_S: (f64, f64) = (0.7, 12.0);
/// Mean busy share over 5 s above which an idle machine isn't idle, %.
const BUSY_PCT: f64 = 8.0;
/// Window of that mean, s.
const BUSY_WINDOW_S: f64 = 5.0;
/// An idle machine that changes faster is not settled, K/min (twice the gate of a check).
const SETTLED_K_PER_MIN: f64 = 1.0;
/// One that cools faster was at work before, K/min; of a whole run, and of a quick one, in whose short settle phase a
/// single step of a 1 °C sensor is 6 K/min. Calibrated on simulated fleets.
const COOLS_FROM_K_PER_MIN: (f64, f64) = (2.5, 7.0);
/// One that warms faster came in from the cold, K/min. Calibrated on simulated fleets: of undisturbed runs one in
/// twenty warms by 3 K/min.
const WARMS_FROM_K_PER_MIN: (f64, f64) = (4.0, 8.0);
/// A shorter load is a quick run's, s.
const QUICK_LOAD_S: f64 = 100.0;

pub(super) fn judge(trace: &Trace, series: &Series<'_>) -> Result<Judged, Reason> {
    if never_moves(series) {
        return Err(Reason::SensorStuck);
    }
    let mut judged = Judged { weight: vec![1.0; series.len()], spoils: Vec::new() };
    judged.sleep_gaps(series);
    judged.stuck_after_edges(series);
    judged.background_load(trace, series);
    judged.spoils.extend(not_settled(series));
    judged.spoils.extend(throttled(trace, series));
    Ok(judged)
}

fn never_moves(series: &Series<'_>) -> bool {
    let mut readings = series.temp_c.iter().filter(|t| !t.is_nan());
    let first = readings.next();
    readings.all(|t| Some(t) == first)
}

impl Judged {
    fn spoil(&mut self, series: &Series<'_>, kind: SpoilKind, range: std::ops::Range<usize>, left: f64) {
        let (from_s, to_s) = (series.time_s[range.start], series.time_s[range.end - 1]);
        for weight in &mut self.weight[range] {
            *weight = weight.min(left);
        }
        self.spoils.push(Spoil { kind, from_s, to_s });
    }

    fn sleep_gaps(&mut self, series: &Series<'_>) {
        let gap_s = SLEEP_GAP_S.max(4.0 * series.usual_dt_s());
        let slept = (1..series.len()).find(|&i| series.time_s[i] - series.time_s[i - 1] > gap_s);
        if let Some(i) = slept {
            self.spoil(series, SpoilKind::SleepGap, i..series.len(), TENTH);
        }
    }

    fn stuck_after_edges(&mut self, series: &Series<'_>) {
        for edge_s in series.edges_s() {
            if let Some(range) = stuck_range(series, edge_s) {
                self.spoil(series, SpoilKind::SensorStuck, range, 0.0);
            }
        }
    }

    fn background_load(&mut self, trace: &Trace, series: &Series<'_>) {
        // In a trace from elsewhere the load column is what was measured.
        let column = trace.column(Channel::BusyPct).or_else(|| trace.column(Channel::LoadPct));
        let Some(busy) = column else { return };
        let left = if trace.column(Channel::PackagePowerW).is_some() { HALF } else { TENTH };
        let busy = running_mean(series, &busy[..series.len()]);
        let is_busy = |i: usize| !series.loaded[i] && busy[i] > BUSY_PCT && !just_after_load(series, i);
        let mut i = 0;
        while i < series.len() {
            let end = (i..series.len()).find(|&k| !is_busy(k)).unwrap_or(series.len());
            if end > i && series.span_s(i..end) > BUSY_WINDOW_S {
                self.spoil(series, SpoilKind::BackgroundLoad, i..end, left);
            }
            i = end.max(i + 1);
        }
    }
}

/// The running mean still holds some of the load itself.
fn just_after_load(series: &Series<'_>, i: usize) -> bool {
    let end_s = series.time_s[series.load_end - 1];
    i >= series.load_end && series.time_s[i] - end_s <= BUSY_WINDOW_S + 1.0
}

/// The longest stretch of equal readings in the window after an edge, if it is too long for a live sensor.
fn stuck_range(series: &Series<'_>, edge_s: f64) -> Option<std::ops::Range<usize>> {
    let from = series.time_s.partition_point(|t| *t < edge_s + STUCK_WITHIN_S.0);
    let to = series.time_s.partition_point(|t| *t <= edge_s + STUCK_WITHIN_S.1);
    let mut best: Option<std::ops::Range<usize>> = None;
    let mut begin = from;
    for i in from..=to {
        let same = i < to && (series.temp_c[i] == series.temp_c[begin] || series.temp_c[i].is_nan());
        if same {
            continue;
        }
        let longer = best.as_ref().is_none_or(|b| series.span_s(begin..i) > series.span_s(b.clone()));
        if i > begin && longer {
            best = Some(begin..i);
        }
        begin = i;
    }
    let hottest_c = series.temp_c.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    // Held at its limit by throttling, a live sensor stands still too.
    let at_limit = |i: usize| series.loaded[i] && series.temp_c[i] >= hottest_c - 1.0;
    let found = best.filter(|b| series.span_s(b.clone()) > STUCK_FOR_S && !at_limit(b.start))?;
    // It may have stood on beyond the window.
    let stands = |i: &usize| series.temp_c[*i] == series.temp_c[found.start] || series.temp_c[*i].is_nan();
    Some(found.start..(found.end..series.len()).take_while(stands).last().map_or(found.end, |i| i + 1))
}

/// Mean over the window that ends at each sample.
fn running_mean(series: &Series<'_>, column: &[f64]) -> Vec<f64> {
    let mut filled = column.to_vec();
    fill_forwards(&mut filled);
    let (mut sum, mut begin) = (0.0, 0);
    let mut next = |i: usize| {
        sum += filled[i];
        while series.time_s[i] - series.time_s[begin] > BUSY_WINDOW_S {
            sum -= filled[begin];
            begin += 1;
        }
        sum / (i + 1 - begin) as f64
    };
    (0..filled.len()).map(&mut next).collect()
}

/// How the temperature moved before the load: not settled, and beyond that warm from work or in from the cold.
fn not_settled(series: &Series<'_>) -> Vec<Spoil> {
    let Some(k_per_min) = idle_slope_k_per_min(series) else { return Vec::new() };
    let is_quick = series.span_s(series.load_start..series.load_end) < QUICK_LOAD_S;
    let of = |(usual, quick): (f64, f64)| if is_quick { quick } else { usual };
    let kinds = [
        (SpoilKind::NotSettled, k_per_min.abs() > SETTLED_K_PER_MIN),
        (SpoilKind::WarmStart, k_per_min < -of(COOLS_FROM_K_PER_MIN)),
        (SpoilKind::ColdSoak, k_per_min > of(WARMS_FROM_K_PER_MIN)),
    ];
    let to_s = series.time_s[series.load_start.saturating_sub(1)];
    let found = kinds.into_iter().filter(|(_, is_there)| *is_there);
    found.map(|(kind, _)| Spoil { kind, from_s: series.time_s[0], to_s }).collect()
}

/// Mean of the idle stretch's last third against its first, as a slope.
fn idle_slope_k_per_min(series: &Series<'_>) -> Option<f64> {
    let idle = 0..series.load_start;
    let third = idle.len() / 3;
    let span_s = series.span_s(idle.clone());
    if third < 3 || span_s < 10.0 {
        return None;
    }
    let mean_c = |range: std::ops::Range<usize>| {
        super::mean(series.temp_c[range].iter().copied().filter(|t| !t.is_nan()))
    };
    let change_k = mean_c(idle.end - third..idle.end) - mean_c(0..third);
    Some(change_k / (span_s * 2.0 / 3.0) * 60.0)
}

/// Throttle counters that rise under load.
fn throttled(trace: &Trace, series: &Series<'_>) -> Option<Spoil> {
    let rises = |channel| {
        let column = trace.column(channel)?.get(series.load_start..series.load_end)?;
        let mut read = column.iter().enumerate().filter(|(_, v)| !v.is_nan());
        let (_, first) = read.next()?;
        read.find(|(_, v)| *v > first).map(|(i, _)| series.load_start + i)
    };
    let at = rises(Channel::ThrottleMs).or_else(|| rises(Channel::ThrottleCount))?;
    Some(Spoil {
        kind: SpoilKind::Throttled,
        from_s: series.time_s[at],
        to_s: series.time_s[series.load_end - 1],
    })
}
