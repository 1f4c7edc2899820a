//! The safety stops: a state machine that sees every sample and says when the load must end.
//!
//! It knows no clock, no sensor and no thread, so that every stop is tested at its border. Whoever asks it acts at
//! once; there is no second opinion.

use windrow_model::record::wire::EventKind;

/// From this far below the limit on, time counts as spent at the limit.
pub const NEAR_LIMIT_K: f64 = 1.0;
/// Time at the limit that is tolerated in all: some models run there by design.
pub const AT_LIMIT_TOLERATED_S: f64 = 20.0;
/// Over the limit by more than this: at once.
pub const OVER_LIMIT_K: f64 = 2.0;
/// Longest time without a CPU temperature.
pub const SENSOR_LOST_S: f64 = 3.0;
/// A CPU temperature that hasn't moved for so long is suspect...
pub const STUCK_AFTER_S: f64 = 10.0;
/// ...if meanwhile power or work changed by at least this share of the larger value. A resting processor that
/// starts to work changes by 80 % and more; noise stays under a fifth (common practice, no source).
pub const STEP_SHARE: f64 = 0.5;
/// Hottest battery, °C (common practice, no source).
pub const BATTERY_MAX_C: f64 = 45.0;
/// Largest rise of the battery within a run, K (common practice, no source).
pub const BATTERY_RISE_MAX_K: f64 = 3.0;
/// Longest time between two samples while loaded: beyond it the sampler isn't watching.
pub const SAMPLE_GAP_MAX_S: f64 = 1.0;
/// Longest time that the load may do no work: beyond it its threads have ended or were never there.
pub const NO_WORK_S: f64 = 3.0;
/// Time that the machine slept from which on the load must not go on.
pub const SLEPT_S: f64 = 0.5;

/// What the guard sees of a sample. `None`: not read this time.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Sample {
    /// Seconds on a clock that counts sleep.
    pub at_s: f64,
    /// Of these, how many the machine slept since the last sample.
    pub slept_s: f64,
    /// CPU temperature.
    pub cpu_c: Option<f64>,
    /// Fan speeds.
    pub fans_rpm: [Option<f64>; 2],
    /// Package power.
    pub power_w: Option<f64>,
    /// Work rate of the load.
    pub work_rate: Option<f64>,
    /// Mains power.
    pub on_ac: Option<bool>,
    /// Lid closed.
    pub lid_closed: Option<bool>,
    /// Battery temperature.
    pub battery_c: Option<f64>,
}

/// Why the load must end.
#[derive(Debug, Clone, PartialEq)]
pub struct Stop {
    /// Which stop.
    pub kind: EventKind,
    /// In words, with the values.
    pub detail: String,
}

/// Watches over the run.
#[derive(Debug, Clone)]
pub struct Guard {
    limit_c: f64,
    loading: bool,
    at_limit_s: f64,
    last_at_s: Option<f64>,
    last_cpu_at_s: Option<f64>,
    last_on_ac_at_s: Option<f64>,
    last_work_at_s: f64,
    fan_seen_turning: [bool; 2],
    fans_rpm: [Option<f64>; 2],
    battery_first_c: Option<f64>,
    lid_closed_at_start: Option<bool>,
    stillness: Stillness,
}

/// Since when the temperature hasn't moved, and what power and work did meanwhile.
#[derive(Debug, Clone, Copy, Default)]
struct Stillness {
    cpu_c: Option<f64>,
    since_s: f64,
    power: Extremes,
    work: Extremes,
}

#[derive(Debug, Clone, Copy)]
struct Extremes {
    min: f64,
    max: f64,
}

impl Default for Extremes {
    fn default() -> Self {
        Self { min: f64::INFINITY, max: f64::NEG_INFINITY }
    }
}

impl Extremes {
    fn see(&mut self, value: Option<f64>) {
        if let Some(v) = value {
            self.min = self.min.min(v);
            self.max = self.max.max(v);
        }
    }

    fn stepped(&self) -> bool {
        self.max > 0.0 && (self.max - self.min) >= STEP_SHARE * self.max
    }
}

impl Guard {
    /// A guard for this limit, °C.
    pub fn new(limit_c: f64) -> Self {
        Self {
            limit_c,
            loading: false,
            at_limit_s: 0.0,
            last_at_s: None,
            last_cpu_at_s: None,
            last_on_ac_at_s: None,
            last_work_at_s: 0.0,
            fan_seen_turning: [false; 2],
            fans_rpm: [None; 2],
            battery_first_c: None,
            lid_closed_at_start: None,
            stillness: Stillness::default(),
        }
    }

    /// Tells it that the load begins or has ended.
    pub fn set_loading(&mut self, loading: bool, at_s: f64) {
        self.loading = loading;
        if loading {
            self.last_at_s = Some(at_s);
            // A sensor whose last value is older than the load's start gets its three seconds from here.
            self.last_cpu_at_s = Some(self.last_cpu_at_s.map_or(at_s, |t| t.max(at_s)));
            // A rested machine's temperature may have stood still for minutes: what counts is from the step on.
            self.stillness.since_s = at_s;
            self.last_work_at_s = at_s;
        }
    }

    /// Sees a sample; says whether the load must end, or may not begin.
    pub fn observe(&mut self, sample: &Sample) -> Option<Stop> {
        let passed_s = self.last_at_s.map_or(0.0, |t| sample.at_s - t);
        self.last_at_s = Some(sample.at_s);
        self.remember(sample);
        let by_supply = self.supply(sample);
        let by_time = self.time(sample, passed_s);
        let by_sensor = self.sensor(sample);
        let by_heat = self.heat(sample, passed_s);
        by_heat.or(by_supply).or(by_time).or(by_sensor)
    }

    fn remember(&mut self, sample: &Sample) {
        for idx in 0..2 {
            if let Some(rpm) = sample.fans_rpm[idx] {
                self.fans_rpm[idx] = Some(rpm);
                self.fan_seen_turning[idx] |= rpm > 0.0;
            }
        }
        if self.battery_first_c.is_none() {
            self.battery_first_c = sample.battery_c;
        }
        if self.lid_closed_at_start.is_none() {
            self.lid_closed_at_start = sample.lid_closed;
        }
        if sample.on_ac == Some(true) {
            self.last_on_ac_at_s = Some(sample.at_s);
        }
        if sample.work_rate.is_none_or(|rate| rate > 0.0) {
            self.last_work_at_s = sample.at_s;
        }
    }

    fn heat(&mut self, sample: &Sample, passed_s: f64) -> Option<Stop> {
        let cpu_c = sample.cpu_c?;
        let limit_c = self.limit_c;
        if cpu_c > limit_c + OVER_LIMIT_K {
            return Some(stop(EventKind::OverLimit, format!("{cpu_c:.1} °C, limit {limit_c:.0} °C")));
        }
        if cpu_c >= limit_c
            && let Some(fan) = (0..2).find(|&i| self.fan_seen_turning[i] && self.fans_rpm[i] == Some(0.0))
        {
            let detail = format!("{cpu_c:.1} °C and fan {} stands", fan + 1);
            return Some(stop(EventKind::FanStoppedAtLimit, detail));
        }
        if self.loading && cpu_c >= limit_c - NEAR_LIMIT_K {
            self.at_limit_s += passed_s;
            if self.at_limit_s >= AT_LIMIT_TOLERATED_S {
                let detail = format!("{:.0} s at {:.0} °C or more", self.at_limit_s, limit_c - NEAR_LIMIT_K);
                return Some(stop(EventKind::AtLimit, detail));
            }
        }
        None
    }

    fn supply(&self, sample: &Sample) -> Option<Stop> {
        if sample.on_ac == Some(false) {
            return Some(stop(EventKind::AcLost, "mains power is gone".to_owned()));
        }
        // A supply that vanishes with its cable says nothing any more instead of "off".
        let mains_silent_s = self.last_on_ac_at_s.map_or(0.0, |t| sample.at_s - t);
        if mains_silent_s >= SENSOR_LOST_S && sample.slept_s <= SLEPT_S {
            let detail = format!("mains power not readable for {mains_silent_s:.1} s");
            return Some(stop(EventKind::AcLost, detail));
        }
        if sample.lid_closed == Some(true) && self.lid_closed_at_start == Some(false) {
            return Some(stop(EventKind::LidClosed, "the lid was closed".to_owned()));
        }
        let battery_c = sample.battery_c?;
        if battery_c > BATTERY_MAX_C {
            return Some(stop(EventKind::BatteryHot, format!("battery at {battery_c:.1} °C")));
        }
        let rise_k = battery_c - self.battery_first_c?;
        if rise_k > BATTERY_RISE_MAX_K {
            return Some(stop(EventKind::BatteryHot, format!("battery warmed by {rise_k:.1} K")));
        }
        None
    }

    fn time(&self, sample: &Sample, passed_s: f64) -> Option<Stop> {
        if !self.loading {
            return None;
        }
        if sample.slept_s > SLEPT_S {
            return Some(stop(EventKind::Slept, format!("the machine slept for {:.1} s", sample.slept_s)));
        }
        if passed_s > SAMPLE_GAP_MAX_S {
            return Some(stop(EventKind::Deadline, format!("no sample for {passed_s:.1} s")));
        }
        let idle_s = sample.at_s - self.last_work_at_s;
        if idle_s >= NO_WORK_S {
            return Some(stop(EventKind::LoadFault, format!("the load did no work for {idle_s:.1} s")));
        }
        None
    }

    fn sensor(&mut self, sample: &Sample) -> Option<Stop> {
        if sample.cpu_c.is_some() {
            self.last_cpu_at_s = Some(sample.at_s);
        }
        let silent_s = sample.at_s - *self.last_cpu_at_s.get_or_insert(sample.at_s);
        if silent_s >= SENSOR_LOST_S {
            return Some(stop(EventKind::SensorLost, format!("no CPU temperature for {silent_s:.1} s")));
        }
        self.stuck(sample)
    }

    /// A temperature that stands still while power or work steps. At the limit it may: there the firmware holds it.
    fn stuck(&mut self, sample: &Sample) -> Option<Stop> {
        if let Some(cpu_c) = sample.cpu_c
            && self.stillness.cpu_c != Some(cpu_c)
        {
            self.stillness = Stillness { cpu_c: Some(cpu_c), since_s: sample.at_s, ..Stillness::default() };
        }
        let still = &mut self.stillness;
        still.power.see(sample.power_w);
        still.work.see(sample.work_rate);
        let held_by_firmware = still.cpu_c.is_some_and(|c| c >= self.limit_c - NEAR_LIMIT_K);
        let still_s = sample.at_s - still.since_s;
        let stepped = still.power.stepped() || still.work.stepped();
        if self.loading && !held_by_firmware && still_s >= STUCK_AFTER_S && stepped {
            return Some(stop(
                EventKind::SensorStuck,
                format!("CPU temperature unchanged for {still_s:.0} s under load"),
            ));
        }
        None
    }
}

fn stop(kind: EventKind, detail: String) -> Stop {
    Stop { kind, detail }
}

#[cfg(test)]
mod tests;
