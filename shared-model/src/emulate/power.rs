//! Power management: what clock and power a load leads to.
//!
//! P = idle + leakage(T) + busy · full · (f / f_max)^2.7, within a short limit (PL2) while the running mean of the
//! power is under the long one (PL1), and with the clock drawn back at the throttle point.

/// Exponent of dynamic power in clock: between 2 and 3 as voltage follows the clock; 2.4–3.0 seen on simulated
/// fleets (docs/method.md).
const CLOCK_EXPONENT: f64 = 2.7;
/// Leakage grows by this share per kelvin: a doubling in some 45 K, near-exponential (De Vogeleer et al. 2014; size
/// common practice, no source).
const LEAKAGE_PER_K: f64 = 0.015;
/// Temperature at which `leakage_w` is meant.
const LEAKAGE_AT_C: f64 = 60.0;
/// How fast the clock is drawn back over the throttle point, share of full clock per kelvin and second.
const THROTTLE_GAIN: f64 = 0.06;
/// How fast it is let go under it.
const RELEASE_PER_S: f64 = 0.04;
/// Under this share of the clock allowed by the power limits it counts as throttled.
const THROTTLED_SHARE: f64 = 0.995;
/// How hard the allowance follows the running mean, W/W.
const ALLOWANCE_GAIN: f64 = 6.0;

/// A processor's power and clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerSpec {
    /// At rest without leakage, W.
    pub idle_w: f64,
    /// Dynamic power of all cores at full clock, W.
    pub full_w: f64,
    /// Leakage at 60 °C, W.
    pub leakage_w: f64,
    /// Long limit (PL1), W.
    pub sustained_w: f64,
    /// Short limit (PL2), W.
    pub boost_w: f64,
    /// Averaging window of the long limit, s.
    pub window_s: f64,
    /// Full clock, all cores, MHz.
    pub clock_max_mhz: f64,
    /// Lowest clock, MHz.
    pub clock_min_mhz: f64,
    /// Throttle point, °C.
    pub throttle_at_c: f64,
    /// Long limit on battery over that on mains.
    pub battery_share: f64,
    /// Loop iterations per second of the load at full clock.
    pub work_per_s: f64,
}

/// What is going on in the processor.
#[derive(Debug, Clone)]
pub struct Processor {
    spec: PowerSpec,
    mean_w: f64,
    /// Clock share that the throttle allows, 0–1.
    throttle: f64,
    /// Power, W.
    pub power_w: f64,
    /// Mean clock, MHz.
    pub clock_mhz: f64,
    /// Busy share of all logical CPUs, 0–1.
    pub busy: f64,
    /// Work of the check's load, iterations per second.
    pub work_rate: f64,
    /// Whether it is drawn back for heat at this moment.
    pub throttled: bool,
    /// Times it began to be, since boot.
    pub throttle_count: u64,
    /// Time it was, since boot, s.
    pub throttle_s: f64,
}

/// What is asked of the processor.
#[derive(Debug, Clone, Copy)]
pub struct Demand {
    /// Share of all CPUs that the check's load wants.
    pub load: f64,
    /// Power of other work, W, as far as the limits leave it.
    pub background_w: f64,
    /// Mains power.
    pub on_ac: bool,
}

impl Processor {
    /// At rest; a machine has a past, so the counters don't start at 0.
    pub fn new(spec: PowerSpec, throttle_count: u64) -> Self {
        Self {
            spec,
            mean_w: spec.idle_w,
            throttle: 1.0,
            power_w: spec.idle_w,
            clock_mhz: spec.clock_min_mhz,
            busy: 0.0,
            work_rate: 0.0,
            throttled: false,
            throttle_count,
            throttle_s: throttle_count as f64 * 1.7,
        }
    }

    /// Leakage at a die temperature, W.
    pub fn leakage_w(&self, die_c: f64) -> f64 {
        self.spec.leakage_w * (LEAKAGE_PER_K * (die_c.min(150.0) - LEAKAGE_AT_C)).exp()
    }

    /// One step at a die temperature.
    pub fn step(&mut self, dt_s: f64, demand: Demand, die_c: f64) {
        let static_w = self.spec.idle_w + self.leakage_w(die_c);
        let background_share = (demand.background_w / self.spec.full_w).min(1.0);
        let wanted_share = (demand.load + background_share).min(1.0);
        let limited = self.clock_within_limits(wanted_share, static_w, demand.on_ac);
        self.draw_back(dt_s, die_c, wanted_share);
        let clock_share = limited.min(self.throttle).max(self.spec.clock_min_mhz / self.spec.clock_max_mhz);
        self.count_throttling(dt_s, wanted_share > 0.5 && self.throttle < limited * THROTTLED_SHARE);

        self.power_w = (wanted_share * self.spec.full_w).mul_add(clock_share.powf(CLOCK_EXPONENT), static_w);
        self.mean_w += (self.power_w - self.mean_w) * (dt_s / self.spec.window_s).min(1.0);
        self.busy = wanted_share;
        self.clock_mhz = self.shown_clock_mhz(clock_share, wanted_share);
        let own_share = demand.load.min(wanted_share - background_share * demand.load);
        self.work_rate = own_share * clock_share * self.spec.work_per_s;
    }

    fn clock_within_limits(&self, wanted_share: f64, static_w: f64, on_ac: bool) -> f64 {
        let sustained_w = self.spec.sustained_w * if on_ac { 1.0 } else { self.spec.battery_share };
        let spare_w = ALLOWANCE_GAIN * (sustained_w - self.mean_w);
        let allowed_w = (sustained_w + spare_w).clamp(sustained_w, self.spec.boost_w.max(sustained_w));
        let dynamic_w = (allowed_w - static_w).max(0.1);
        let at_full_w = wanted_share * self.spec.full_w;
        if at_full_w <= dynamic_w { 1.0 } else { (dynamic_w / at_full_w).powf(CLOCK_EXPONENT.recip()) }
    }

    fn draw_back(&mut self, dt_s: f64, die_c: f64, wanted_share: f64) {
        let over_k = die_c - self.spec.throttle_at_c;
        let change = if over_k > 0.0 { -THROTTLE_GAIN * over_k.min(5.0) } else { RELEASE_PER_S };
        let least = self.spec.clock_min_mhz / self.spec.clock_max_mhz;
        self.throttle = (self.throttle + change * dt_s).clamp(least, 1.0);
        if wanted_share < 0.5 {
            self.throttle = 1.0;
        }
    }

    fn count_throttling(&mut self, dt_s: f64, throttled: bool) {
        if throttled {
            self.throttle_s += dt_s;
            self.throttle_count += u64::from(!self.throttled);
        }
        self.throttled = throttled;
    }

    /// At rest the mean clock is near the lowest one.
    fn shown_clock_mhz(&self, clock_share: f64, busy: f64) -> f64 {
        let lowest = self.spec.clock_min_mhz;
        (clock_share * self.spec.clock_max_mhz - lowest).mul_add(busy.min(1.0), lowest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPEC: PowerSpec = PowerSpec {
        idle_w: 2.0,
        full_w: 40.0,
        leakage_w: 1.0,
        sustained_w: 20.0,
        boost_w: 30.0,
        window_s: 28.0,
        clock_max_mhz: 4000.0,
        clock_min_mhz: 800.0,
        throttle_at_c: 98.0,
        battery_share: 0.7,
        work_per_s: 1e8,
    };

    const FULL: Demand = Demand { load: 1.0, background_w: 0.0, on_ac: true };

    fn after(seconds: f64, demand: Demand, die_c: f64) -> Processor {
        let mut cpu = Processor::new(SPEC, 0);
        for _ in 0..(seconds / 0.05) as usize {
            cpu.step(0.05, demand, die_c);
        }
        cpu
    }

    #[test]
    fn boosts_first_and_then_holds_the_long_limit() {
        assert!((after(5.0, FULL, 60.0).power_w - 30.0).abs() < 0.1);
        assert!((after(150.0, FULL, 60.0).power_w - 20.0).abs() < 0.3);
    }

    #[test]
    fn battery_lowers_the_limit_and_background_takes_work_away() {
        let battery = after(150.0, Demand { on_ac: false, ..FULL }, 60.0);
        assert!((battery.power_w - 14.0).abs() < 0.3, "{}", battery.power_w);
        let shared = after(150.0, Demand { background_w: 4.0, ..FULL }, 60.0);
        assert!(shared.work_rate < 0.95 * after(150.0, FULL, 60.0).work_rate);
        let idle = after(10.0, Demand { load: 0.0, background_w: 4.0, on_ac: true }, 60.0);
        assert!((idle.power_w - 7.0).abs() < 0.1, "{}", idle.power_w);
    }

    #[test]
    fn over_the_throttle_point_the_clock_falls_and_the_time_is_counted() {
        let hot = after(60.0, FULL, 99.0);
        assert!(hot.throttled && hot.throttle_count == 1 && hot.throttle_s > 40.0);
        assert!(hot.work_rate < 0.5 * after(60.0, FULL, 60.0).work_rate);
        assert_eq!(after(60.0, FULL, 90.0).throttle_count, 0);
    }

    #[test]
    fn hot_silicon_leaks_more() {
        let cpu = Processor::new(SPEC, 0);
        let ratio = cpu.leakage_w(85.0) / cpu.leakage_w(40.0);
        assert!(ratio > 1.8 && ratio < 2.2, "{ratio}");
    }
}
