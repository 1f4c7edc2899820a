//! From a trace to what the network fit needs: steps, the load's edges, and what the run tells beside the fit.

use serde::{Deserialize, Serialize};

use super::network::Step;
use super::stumbles::{self, Stumbles};
use crate::channel::Channel;
use crate::protocol::Phase;
use crate::trace::Trace;

/// What weighs a residual: K per 0.5 s of reading. It stands for the correlation of errors, not for sensor noise.
pub const SIGMA_K: f64 = 2.0;
/// Full rate this long after an edge of the load, s.
const FINE_S: f64 = 16.0;
/// Elsewhere readings are averaged over about this long, s.
const COARSE_S: f64 = 2.0;
/// Readings this near to an edge of the load are not compared, s: which sample is the first loaded one is uncertain.
const EDGE_BLIND_S: f64 = 0.8;
/// A longer gap in time is a sleep, s; where readings are rare, one of four of their usual steps.
const SLEEP_GAP_S: f64 = 4.0;
/// A live sensor this near to its highest reading under load may stand still: throttling holds it there, K.
const AT_LIMIT_K: f64 = 1.0;
/// A sleep is integrated as this long at the gap's power share, s.
const SLEEP_STEP_S: f64 = 4.0;
const SLEEP_POWER_SHARE: f64 = 0.3;
const AFTER_SLEEP_WEIGHT: f64 = 0.1;
/// Fewest samples that can be fitted.
const SAMPLES_MIN: usize = 40;
/// Load above this share is the load phase, %.
const LOADED_PCT: f64 = 60.0;
/// Unloaded samples tolerated inside the load phase.
const LOAD_HOLES: usize = 6;
/// A load phase shorter than this is the quick protocol, s.
const QUICK_LOAD_S: f64 = 100.0;

/// A point of the fan's history, every 2 s or so.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FanPoint {
    /// CPU temperature as the fan's controller follows it (4 s lag), °C.
    pub temp_c: f32,
    /// Speeds, rpm; NaN where not read.
    pub rpm: [f32; 2],
    /// Whether the load was on.
    pub loaded: bool,
    /// Length, s.
    pub dt_s: f32,
}

/// A run made ready for the network fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    /// Integration steps in order.
    pub steps: Vec<Step>,
    /// Median temperature of the first readings, °C.
    pub start_temp_c: f64,
    /// Whether power was read.
    pub has_power: bool,
    /// Whether a fan's speed was read.
    pub has_rpm: bool,
    /// Whether the load's own work rate stands in for the clock, since neither power nor clock was read.
    pub by_work_rate: bool,
    /// The fan's history.
    pub fan: Vec<FanPoint>,
    /// How often the fan stumbled under load, of two the one that did so more; `None` where no speed was read.
    pub stumbles: Option<Stumbles>,
    /// What the run tells beside the fit.
    pub facts: RunFacts,
}

/// What a run tells beside the fit; NaN where a channel is absent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunFacts {
    /// Length of the load phase, s.
    pub load_s: f64,
    /// The short protocol.
    pub quick: bool,
    /// Median temperature of the idle before the load, °C.
    pub idle_temp_c: f64,
    /// Slope of it, K/min.
    pub idle_slope_k_per_min: f64,
    /// SSD temperature at the start, °C.
    pub ssd_start_c: f64,
    /// Mean load outside the load phase, before and after, 0–1.
    pub busy_before: f64,
    /// As above, after.
    pub busy_after: f64,
    /// Median power in the last 30 s of load, W.
    pub power_w: f64,
    /// Median power from 5 to 15 s of load, W.
    pub burst_w: f64,
    /// Median power in the idle before the load, W.
    pub idle_w: f64,
    /// Median clock in the last 30 s of load, MHz; where the work rate stands in for it, that, in its own unit.
    pub clock_mhz: f64,
    /// Median clock from 5 to 15 s of load, likewise.
    pub burst_mhz: f64,
    /// Median speeds in the last 30 s of load, rpm.
    pub rpm: [f64; 2],
    /// Median temperature in the last 30 s of load, °C.
    pub hot_c: f64,
    /// Highest smoothed temperature, °C.
    pub peak_c: f64,
    /// The temperature stood still while the load stepped.
    pub sensor_stuck: bool,
    /// The machine slept during the run.
    pub slept: bool,
    /// Throttle events during the load per second; NaN where not counted.
    pub throttle_per_s: f64,
}

/// Reference values of the laptop's model that a run without power reading is scaled by.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ClockReference {
    /// Median sustained clock, MHz, or work rate.
    pub clock_mhz: f64,
    /// Power over sustained power in the burst.
    pub burst_ratio: f64,
}

/// Power taken for the sustained load where none is read, W: the network's other numbers scale with it.
pub const NOMINAL_LOAD_W: f64 = 20.0;
/// Power over clock at full load, and its rise with temperature per 100 K. Calibrated on simulated fleets;
/// the model's own fit corrects the exponent.
pub const CLOCK_EXPONENT: f64 = 2.7;
const LEAKAGE_PER_K: f64 = 0.003;
/// Idle power over burst power, the start value of the fit. Calibrated on simulated fleets.
const IDLE_SHARE: f64 = 0.055;
/// Background work's power over burst power, and the busy share from which it counts. Calibrated on simulated fleets.
const BACKGROUND_SHARE: f64 = 0.85;
const BACKGROUND_FROM: f64 = 0.08;
const BACKGROUND_ZERO: f64 = 0.02;

/// From this speed on a fan turns, rpm: below, what a tachometer shows is noise (common practice, no source).
const TURNING_RPM: f32 = 300.0;

impl Drive {
    /// Makes a run ready; `None` where it has no load phase, no temperature or too few samples.
    pub fn from_trace(trace: &Trace) -> Option<Self> {
        let raw = Raw::new(trace)?;
        let facts = raw.facts();
        let steps = raw.steps(&facts);
        let fan = raw.fan_points();
        Some(Self {
            start_temp_c: median(&raw.temp[..raw.temp.len().min(10)]),
            has_power: raw.power.is_some(),
            has_rpm: raw.rpm.iter().any(Option::is_some),
            by_work_rate: raw.by_work_rate,
            steps,
            fan,
            stumbles: raw.stumbles(trace),
            facts,
        })
    }

    /// From the load's start to the first reading of a turning fan, s (readings are 2 s apart). `None` where a fan
    /// turned before, or none was read.
    pub fn fan_start_delay_s(&self) -> Option<f64> {
        let speed = |p: &FanPoint| p.rpm.iter().copied().filter(|r| r.is_finite()).fold(f32::NAN, f32::max);
        let at = self.fan.iter().position(|p| p.loaded)?;
        let before = speed(&self.fan[at.saturating_sub(1)]);
        // False for a NaN too.
        let stood = before < TURNING_RPM;
        if !stood {
            return None;
        }
        let mut waited_s = 0.0;
        for p in self.fan[at..].iter().take_while(|p| p.loaded) {
            if speed(p) >= TURNING_RPM {
                return Some(waited_s);
            }
            waited_s += f64::from(p.dt_s);
        }
        // It never did.
        Some(waited_s)
    }

    /// Scatter of the speed between readings in the last third of the load, as a share of the speed: the robust
    /// standard deviation of differences over √2. The worse fan's.
    pub fn fan_flutter(&self) -> Option<f64> {
        let loaded: Vec<&FanPoint> = self.fan.iter().filter(|p| p.loaded).collect();
        let last = &loaded[loaded.len() * 2 / 3..];
        let of_fan = |idx: usize| {
            let rpm: Vec<f64> = last.iter().map(|p| f64::from(p.rpm[idx])).collect();
            let level = median(&rpm);
            let steps: Vec<f64> = rpm.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
            // False for a NaN too.
            let turns = level > f64::from(TURNING_RPM);
            (turns && steps.len() >= 4).then(|| 1.4826 * median(&steps) / level / 2.0_f64.sqrt())
        };
        let worst = [of_fan(0), of_fan(1)].into_iter().flatten().fold(f64::NAN, f64::max);
        worst.is_finite().then_some(worst)
    }

    /// Scales the speeds by the model's reference speed. Speeds are in rpm before, in its units after.
    pub fn scale_speed(&mut self, reference_rpm: f64) {
        for s in &mut self.steps {
            s.speed /= reference_rpm;
        }
    }

    /// Fills in the power from the clock, for models without a power reading.
    pub fn power_from_clock(&mut self, reference: &ClockReference) {
        let burst = reference.burst_ratio;
        for s in &mut self.steps {
            let clock = s.ln_clock.exp();
            let busy = s.extra_w;
            if s.idle > 0.5 {
                s.power_w = NOMINAL_LOAD_W * IDLE_SHARE * burst;
                s.ln_clock = 0.0;
                s.extra_w = if busy > BACKGROUND_FROM {
                    NOMINAL_LOAD_W * BACKGROUND_SHARE * burst * (busy - BACKGROUND_ZERO)
                } else {
                    0.0
                };
            } else {
                let ratio = if clock > 1.0 && reference.clock_mhz > 0.0 {
                    (clock / reference.clock_mhz).ln()
                } else {
                    0.0
                };
                let temp_c = if s.temp_c.is_finite() { s.temp_c } else { 70.0 };
                s.power_w = NOMINAL_LOAD_W * (CLOCK_EXPONENT * ratio + LEAKAGE_PER_K * (temp_c - 70.0)).exp();
                s.ln_clock = ratio;
                s.extra_w = 0.0;
            }
        }
    }
}

struct Raw<'a> {
    time: &'a [f64],
    /// Busy share, %: as measured, else the load that was asked for.
    busy: Vec<f64>,
    temp: Vec<f64>,
    /// A longer gap is a sleep, s.
    sleep_gap_s: f64,
    power: Option<Vec<f64>>,
    /// Clock, MHz, or the work rate in its place: under one and the same load it rises and falls with the clock.
    clock: Option<Vec<f64>>,
    by_work_rate: bool,
    rpm: [Option<Vec<f64>>; 2],
    ssd: Option<&'a [f64]>,
    throttle: Option<&'a [f64]>,
    load_from: usize,
    load_to: usize,
}

impl<'a> Raw<'a> {
    fn new(trace: &'a Trace) -> Option<Self> {
        let time = trace.time_s.as_slice();
        if time.len() < SAMPLES_MIN {
            return None;
        }
        let held = |c| trace.column(c).and_then(hold);
        let asked = held(Channel::LoadPct);
        let busy = held(Channel::BusyPct).or_else(|| asked.clone())?;
        let temp = trace.column(Channel::CpuTempC)?.to_vec();
        if temp.iter().filter(|t| t.is_finite()).count() < SAMPLES_MIN {
            return None;
        }
        let loaded: Vec<bool> = match &trace.phase {
            Some(phase) => phase.iter().map(|p| *p == Phase::Load).collect(),
            None => asked?.iter().map(|pct| *pct > LOADED_PCT).collect(),
        };
        let (load_from, load_to) = load_block(&loaded)?;
        let (power, clock) = (held(Channel::PackagePowerW), held(Channel::CoreClockMhz));
        let rate = if power.is_none() && clock.is_none() { held(Channel::WorkRate) } else { None };
        let steps_s: Vec<f64> = time.windows(2).map(|w| w[1] - w[0]).collect();
        Some(Self {
            time,
            busy,
            temp,
            sleep_gap_s: SLEEP_GAP_S.max(4.0 * median(&steps_s)),
            power,
            by_work_rate: rate.is_some(),
            clock: clock.or(rate),
            rpm: [held(Channel::Fan1Rpm), held(Channel::Fan2Rpm)],
            ssd: trace.column(Channel::SsdTempC),
            throttle: trace.column(Channel::ThrottleCount),
            load_from,
            load_to,
        })
    }

    fn n(&self) -> usize {
        self.time.len()
    }

    fn facts(&self) -> RunFacts {
        let (from, to) = (self.load_from, self.load_to);
        let load_s = self.time[to - 1] - self.time[from];
        let end = self.window(self.time[to - 1] - 30.0, self.time[to - 1] - 0.6);
        let burst = self.window(self.time[from] + 5.0, self.time[from] + 15.0);
        let idle = (from.saturating_sub(60), from.max(1));
        let of = |col: Option<&[f64]>, (a, b): (usize, usize)| col.map_or(f64::NAN, |c| median(&c[a..b]));
        let mean_load = |a: usize, b: usize| {
            if b > a { self.busy[a..b].iter().sum::<f64>() / (b - a) as f64 / 100.0 } else { 0.0 }
        };
        let temp = Some(self.temp.as_slice());
        RunFacts {
            load_s,
            quick: load_s < QUICK_LOAD_S,
            idle_temp_c: of(temp, idle),
            idle_slope_k_per_min: self.idle_slope(from),
            ssd_start_c: of(self.ssd, (0, 20.min(self.n()))),
            busy_before: mean_load(0, from.saturating_sub(1)),
            busy_after: mean_load((to + 2).min(self.n()), self.n()),
            power_w: of(self.power.as_deref(), end),
            burst_w: of(self.power.as_deref(), burst),
            idle_w: of(self.power.as_deref(), idle),
            clock_mhz: of(self.clock.as_deref(), end),
            burst_mhz: of(self.clock.as_deref(), burst),
            rpm: [of(self.rpm[0].as_deref(), end), of(self.rpm[1].as_deref(), end)],
            hot_c: of(temp, end),
            peak_c: self.temp[from..to].chunks(6).map(median).fold(f64::NAN, f64::max),
            sensor_stuck: self.stuck().is_some(),
            slept: self.time.windows(2).any(|w| w[1] - w[0] > self.sleep_gap_s),
            throttle_per_s: self.throttle.map_or(f64::NAN, |c| {
                let count = |at: usize| c[at..].iter().copied().find(|v| v.is_finite()).unwrap_or(f64::NAN);
                let n_events = count(to - 1) - count(from);
                if n_events.is_nan() { f64::NAN } else { (n_events / load_s.max(1.0)).max(0.0) }
            }),
        }
    }

    /// Sample range of a time window, never empty.
    fn window(&self, from_s: f64, to_s: f64) -> (usize, usize) {
        let a = self.time.partition_point(|&t| t < from_s).min(self.n() - 1);
        let b = self.time.partition_point(|&t| t <= to_s).max(a + 1);
        (a, b)
    }

    fn idle_slope(&self, before: usize) -> f64 {
        if before < 8 {
            return 0.0;
        }
        let third = before / 3;
        let rise = median(&self.temp[before - third..before]) - median(&self.temp[..third]);
        let span_s = (self.time[before - 1] - self.time[0]) * 2.0 / 3.0;
        if rise.is_finite() && span_s > 3.0 { 60.0 * rise / span_s } else { 0.0 }
    }

    /// Time span in which the temperature stood still although the load had just stepped.
    fn stuck(&self) -> Option<(f64, f64)> {
        let edges = [self.time[self.load_from], self.time[(self.load_to).min(self.n() - 1)]];
        let hottest_c = self.temp.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let at_limit =
            |i: usize| (self.load_from..self.load_to).contains(&i) && self.temp[i] >= hottest_c - AT_LIMIT_K;
        let mut start = 0;
        let mut found = None;
        for i in 1..=self.n() {
            let same = i < self.n() && (self.temp[i] == self.temp[start] || self.temp[i].is_nan());
            if same {
                continue;
            }
            let (a, b) = (self.time[start], self.time[i - 1]);
            for (n, e) in edges.into_iter().enumerate() {
                let within = (b.min(e + 12.0) - a.max(e + 0.7)).max(0.0);
                if within > 5.5 && !(n == 0 && at_limit(start)) {
                    found = Some((a, b));
                }
            }
            start = i;
        }
        found
    }

    fn steps(&self, facts: &RunFacts) -> Vec<Step> {
        let edges = [self.time[self.load_from], self.time[self.load_to.min(self.n() - 1)]];
        let stuck = if facts.sensor_stuck { self.stuck() } else { None };
        let mut steps = Vec::with_capacity(300);
        let mut trust = 1.0;
        let mut i = 1;
        while i < self.n() {
            let t0 = self.time[i - 1];
            if self.time[i] - t0 > self.sleep_gap_s {
                steps.push(self.sleep_step(i));
                trust = AFTER_SLEEP_WEIGHT;
                i += 1;
                continue;
            }
            let fine = edges.iter().any(|&e| t0 > e - 1.5 && t0 < e + FINE_S);
            let mut end = i + 1;
            while !fine
                && end < self.n()
                && self.time[end] - t0 <= COARSE_S + 0.1
                && self.time[end] - self.time[end - 1] <= self.sleep_gap_s
                && !edges.iter().any(|&e| self.time[end] > e - 1.5 && self.time[end] < e + FINE_S)
            {
                end += 1;
            }
            push_divided(&mut steps, self.step(i, end, edges, stuck, trust));
            i = end;
        }
        steps
    }

    fn sleep_step(&self, i: usize) -> Step {
        let mut s = self.step(i, i + 1, [f64::NAN; 2], None, 0.0);
        s.dt_s = SLEEP_STEP_S;
        s.power_w *= SLEEP_POWER_SHARE;
        s.weight = 0.0;
        s
    }

    /// The step over samples `from..to`; the sample before `from` is where it starts.
    fn step(&self, from: usize, to: usize, edges: [f64; 2], stuck: Option<(f64, f64)>, trust: f64) -> Step {
        let n = (to - from) as f64;
        let t0 = self.time[from - 1];
        let dt_s = self.time[to - 1] - t0;
        let mean = |c: &[f64]| c[from..to].iter().sum::<f64>() / n;
        let (mut sum_temp, mut sum_time, mut count) = (0.0, 0.0, 0.0);
        for i in from..to {
            let t = self.time[i];
            let blind = edges.iter().any(|e| (t - e).abs() < EDGE_BLIND_S)
                || stuck.is_some_and(|(a, b)| t > a + 0.1 && t <= b);
            if self.temp[i].is_finite() && !blind {
                sum_temp += self.temp[i];
                sum_time += t - t0;
                count += 1.0;
            }
        }
        let speeds: Vec<f64> = self.rpm.iter().flatten().map(|c| mean(c)).collect();
        let loaded = from >= self.load_from && from < self.load_to;
        let share = count / n;
        Step {
            dt_s,
            power_w: self.power.as_deref().map_or(0.0, mean),
            // Without power these carry clock and busy share until `power_from_clock` is called.
            ln_clock: if self.power.is_some() {
                0.0
            } else {
                self.clock.as_deref().map_or(0.0, |c| mean(c).max(1.0).ln())
            },
            idle: if self.power.is_some() || loaded { 0.0 } else { 1.0 },
            extra_w: if self.power.is_some() || loaded { 0.0 } else { self.busy_5s(from) },
            speed: if speeds.is_empty() { 0.0 } else { speeds.iter().sum::<f64>() / speeds.len() as f64 },
            temp_c: sum_temp / count,
            theta: if count > 0.0 { (sum_time / count / dt_s).clamp(0.0, 1.0) } else { 1.0 },
            weight: trust * share * (dt_s.min(COARSE_S + 0.5) / 0.5) / (SIGMA_K * SIGMA_K),
        }
    }

    fn busy_5s(&self, at: usize) -> f64 {
        let (a, b) = self.window(self.time[at] - 2.5, self.time[at] + 2.5);
        let idle: Vec<f64> =
            (a..b).filter(|i| *i < self.load_from || *i >= self.load_to).map(|i| self.busy[i]).collect();
        if idle.is_empty() { 0.0 } else { idle.iter().sum::<f64>() / idle.len() as f64 / 100.0 }
    }

    fn stumbles(&self, trace: &Trace) -> Option<Stumbles> {
        let load = self.load_from..self.load_to;
        let speeds = [Channel::Fan1Rpm, Channel::Fan2Rpm].into_iter().filter_map(|c| trace.column(c));
        speeds
            .map(|rpm| stumbles::count(&self.time[load.clone()], &rpm[load.clone()]))
            .max_by(|a, b| a.per_s().total_cmp(&b.per_s()).then(a.watched_s.total_cmp(&b.watched_s)))
    }

    fn fan_points(&self) -> Vec<FanPoint> {
        const LAG_S: f64 = 4.0;
        if self.rpm.iter().all(Option::is_none) {
            return Vec::new();
        }
        let mut out = Vec::with_capacity(self.n() / 4 + 1);
        let mut lagged = median(&self.temp[..self.n().min(10)]);
        let mut next = self.time[0];
        let mut last = self.time[0];
        for i in 1..self.n() {
            let dt = (self.time[i] - self.time[i - 1]).min(self.sleep_gap_s);
            if self.temp[i].is_finite() {
                lagged += (self.temp[i] - lagged) * (1.0 - (-dt / LAG_S).exp());
            }
            if self.time[i] < next {
                continue;
            }
            let read = |c: &Option<Vec<f64>>| c.as_ref().map_or(f32::NAN, |c| c[i] as f32);
            out.push(FanPoint {
                temp_c: lagged as f32,
                rpm: [read(&self.rpm[0]), read(&self.rpm[1])],
                loaded: i >= self.load_from && i < self.load_to,
                dt_s: (self.time[i] - last).min(self.sleep_gap_s) as f32,
            });
            last = self.time[i];
            next = self.time[i] + COARSE_S;
        }
        out
    }
}

/// A column with blanks filled by the last reading (the first reading before it); `None` where nothing was read.
fn hold(column: &[f64]) -> Option<Vec<f64>> {
    let mut last = column.iter().copied().find(|v| v.is_finite())?;
    Some(
        column
            .iter()
            .map(|v| {
                if v.is_finite() {
                    last = *v;
                }
                last
            })
            .collect(),
    )
}

/// The longest block of load, tolerating short holes.
fn load_block(loaded: &[bool]) -> Option<(usize, usize)> {
    let (mut best, mut start, mut last) = ((0, 0), None, 0);
    for i in (0..loaded.len()).filter(|i| loaded[*i]) {
        let from = match start {
            Some(from) if i - last <= LOAD_HOLES + 1 => from,
            _ => i,
        };
        start = Some(from);
        last = i;
        if i + 1 - from > best.1 - best.0 {
            best = (from, i + 1);
        }
    }
    (best.1 - best.0 >= 20 && best.0 > 0).then_some(best)
}

/// A step longer than the network integrates well is walked in equal parts, the reading at the end of the last.
fn push_divided(steps: &mut Vec<Step>, step: Step) {
    let n_parts = (step.dt_s / (COARSE_S + 0.5)).ceil().max(1.0);
    let part = Step { dt_s: step.dt_s / n_parts, ..step };
    for _ in 1..n_parts as usize {
        steps.push(Step { weight: 0.0, ..part });
    }
    // Within the last part, the reading's mean time may lie before its beginning.
    steps.push(Step { theta: (1.0 - (1.0 - step.theta) * n_parts).max(0.0), ..part });
}

/// Median of the finite values; NaN where there are none.
pub fn median(values: &[f64]) -> f64 {
    let mut v: Vec<f64> = values.iter().copied().filter(|x| x.is_finite()).collect();
    if v.is_empty() {
        return f64::NAN;
    }
    v.sort_by(f64::total_cmp);
    let mid = v.len() / 2;
    if v.len() % 2 == 1 { v[mid] } else { 0.5 * (v[mid - 1] + v[mid]) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DT_S: f64 = 0.5;

    /// 30 s of idle, 180 s of load and 90 s of recovery; the temperature is a function of time since the load's start.
    fn trace(dt_s: f64, temp_c: impl Fn(f64) -> f64) -> Trace {
        let mut trace = Trace::empty();
        trace.time_s = (0..(300.0 / dt_s) as usize).map(|i| i as f64 * dt_s).collect();
        let column = |f: &dyn Fn(f64) -> f64| trace.time_s.iter().map(|t| f(t - 30.0)).collect::<Vec<f64>>();
        let load = column(&|t| if (0.0..180.0).contains(&t) { 100.0 } else { 0.0 });
        let temp = column(&temp_c);
        let power = column(&|t| if (0.0..180.0).contains(&t) { 20.0 } else { 3.0 });
        trace.set_column(Channel::LoadPct, load);
        trace.set_column(Channel::CpuTempC, temp);
        trace.set_column(Channel::PackagePowerW, power);
        trace
    }

    /// A live sensor: up by 40 K with a time constant of 20 s, and down again.
    fn live(t: f64) -> f64 {
        let up = |t: f64| if t > 0.0 { 40.0 * (1.0 - (-t / 20.0).exp()) } else { 0.0 };
        35.0 + up(t) - up(t - 180.0)
    }

    #[test]
    fn a_sensor_that_throttling_holds_at_its_limit_is_no_stuck_one() {
        let held = |t: f64| {
            if (0.0..180.0).contains(&t) { (live(30.0 * t)).min(70.0) } else { live(t).min(70.0) }
        };
        let drive = Drive::from_trace(&trace(DT_S, held)).unwrap();
        assert!(!drive.facts.sensor_stuck);
        let weighed = |d: &Drive| d.steps.iter().filter(|s| s.weight > 0.0).count();
        assert!(weighed(&drive) > 60, "the load counts: {}", weighed(&drive));
        // The same stretch at the idle's temperature is a stuck one.
        let stuck = |t: f64| if (-5.0..60.0).contains(&t) { 35.0 } else { live(t) };
        assert!(Drive::from_trace(&trace(DT_S, stuck)).unwrap().facts.sensor_stuck);
        // And so is the limit when it goes on after the load.
        let after = |t: f64| if (20.0..200.0).contains(&t) { 70.0 } else { live(t).min(70.0) };
        assert!(Drive::from_trace(&trace(DT_S, after)).unwrap().facts.sensor_stuck);
    }

    #[test]
    fn the_phase_decides_where_it_is_recorded() {
        let mut weak = trace(DT_S, live);
        let asked: Vec<f64> = weak.column(Channel::LoadPct).unwrap().iter().map(|l| l * 0.5).collect();
        let phase = asked.iter().map(|l| if *l > 0.0 { Phase::Load } else { Phase::Settle }).collect();
        weak.set_column(Channel::LoadPct, asked);
        assert_eq!(Drive::from_trace(&weak), None, "half a load alone is none");
        weak.phase = Some(phase);
        let drive = Drive::from_trace(&weak).unwrap();
        assert!((drive.facts.load_s - 179.5).abs() < 1e-9, "{:?}", drive.facts);
    }

    #[test]
    fn the_work_rate_stands_in_where_neither_power_nor_clock_is_read() {
        let mut full = trace(DT_S, live);
        let mhz = |t: &f64| if *t < 58.0 { 3600.0 } else { 3000.0 };
        let clock: Vec<f64> = full.time_s.iter().map(mhz).collect();
        // Passes a second: the load's work goes with the clock.
        let rate = clock.iter().map(|c| c * 1234.0).collect();
        full.set_column(Channel::CoreClockMhz, clock);
        full.set_column(Channel::WorkRate, rate);
        let without = |gone: &[Channel]| {
            let mut trace = full.clone();
            for channel in gone {
                trace.set_column(*channel, vec![f64::NAN; full.time_s.len()]);
            }
            let mut drive = Drive::from_trace(&trace).unwrap();
            let (sustained, burst) = (drive.facts.clock_mhz, drive.facts.burst_mhz);
            let burst_ratio = (burst / sustained).powf(CLOCK_EXPONENT);
            drive.power_from_clock(&ClockReference { clock_mhz: sustained, burst_ratio });
            drive
        };
        let by_clock = without(&[Channel::PackagePowerW]);
        let by_rate = without(&[Channel::PackagePowerW, Channel::CoreClockMhz]);
        assert!(!by_clock.by_work_rate && by_rate.by_work_rate && !by_rate.has_power);
        for (a, b) in by_clock.steps.iter().zip(&by_rate.steps) {
            assert!((a.power_w - b.power_w).abs() < 1e-9, "{} {}", a.power_w, b.power_w);
        }
        let power: Vec<f64> = by_rate.steps.iter().map(|s| s.power_w).collect();
        assert!(power.iter().any(|w| *w > 1.5 * NOMINAL_LOAD_W), "the burst is seen: {power:?}");
    }

    #[test]
    fn other_work_is_read_off_the_busy_share_where_there_is_one() {
        let mut asked = trace(DT_S, live);
        assert_eq!(Drive::from_trace(&asked).unwrap().facts.busy_after, 0.0);
        let busy = asked.time_s.iter().map(|t| if *t > 210.0 { 25.0 } else { 100.0 }).collect();
        asked.set_column(Channel::BusyPct, busy);
        let facts = Drive::from_trace(&asked).unwrap().facts;
        assert!(
            (facts.busy_after - 0.25).abs() < 1e-9 && (facts.busy_before - 1.0).abs() < 1e-9,
            "{facts:?}"
        );
    }

    #[test]
    fn rare_readings_are_no_sleep_and_are_walked_in_short_steps() {
        let drive = Drive::from_trace(&trace(5.0, live)).unwrap();
        assert!(!drive.facts.slept);
        assert!(drive.steps.iter().all(|s| s.dt_s <= COARSE_S + 0.5));
        assert!((drive.steps.iter().map(|s| s.dt_s).sum::<f64>() - 295.0).abs() < 1e-9);
        let whole = Drive::from_trace(&trace(DT_S, live)).unwrap();
        let weight = |d: &Drive| d.steps.iter().map(|s| s.weight).sum::<f64>();
        assert!(weight(&drive) > 0.3 * weight(&whole), "{} of {}", weight(&drive), weight(&whole));
    }

    #[test]
    fn throttle_events_that_were_not_counted_are_not_none() {
        let mut counted = trace(DT_S, live);
        let n = counted.time_s.len();
        counted.set_column(Channel::ThrottleCount, vec![f64::NAN; n]);
        assert!(Drive::from_trace(&counted).unwrap().facts.throttle_per_s.is_nan());
        counted.set_column(Channel::ThrottleCount, (0..n).map(|i| i as f64).collect());
        assert!((Drive::from_trace(&counted).unwrap().facts.throttle_per_s - 2.0).abs() < 0.01);
    }
}
