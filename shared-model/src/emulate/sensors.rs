//! Sensors of the emulated laptop: lag, noise, steps, and intervals of their own.

use super::random::Random;

/// How a sensor reads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensorSpec {
    /// First-order lag, s.
    pub lag_s: f64,
    /// Standard deviation of its noise, in its unit.
    pub noise: f64,
    /// Its step, in its unit; 0: none.
    pub step: f64,
    /// How often it has a new value, s; 0: whenever it is asked.
    pub interval_s: f64,
}

impl SensorSpec {
    /// A die sensor with 1 °C steps.
    pub const DIE_WHOLE: Self = Self { lag_s: 0.25, noise: 0.25, step: 1.0, interval_s: 0.0 };
    /// A die sensor with 1/8 °C steps.
    pub const DIE_FINE: Self = Self { lag_s: 0.3, noise: 0.3, step: 0.125, interval_s: 0.0 };
    /// A tachometer read through an embedded controller.
    pub const TACHO: Self = Self { lag_s: 0.5, noise: 8.0, step: 1.0, interval_s: 1.0 };
    /// A board or SSD sensor.
    pub const SLOW: Self = Self { lag_s: 3.0, noise: 0.1, step: 1.0, interval_s: 1.0 };
}

/// What can be read on a model of laptop.
#[derive(Debug, Clone, Copy, PartialEq)]
#[expect(clippy::struct_excessive_bools, reason = "one for each channel that a model may lack, not a state")]
pub struct SensorSet {
    /// CPU temperature.
    pub cpu: SensorSpec,
    /// Fan speed.
    pub rpm: Option<SensorSpec>,
    /// Package energy.
    pub power: bool,
    /// Fan duty.
    pub pwm: bool,
    /// Core clock.
    pub clock: bool,
    /// Throttle counters.
    pub throttle: bool,
    /// SSD temperature.
    pub ssd: Option<SensorSpec>,
    /// Board temperature.
    pub board: Option<SensorSpec>,
    /// Battery temperature.
    pub battery: Option<SensorSpec>,
    /// The sensor's own critical temperature, where it gives one.
    pub critical_c: Option<f64>,
}

/// A sensor's state.
#[derive(Debug, Clone)]
pub struct Sensor {
    spec: SensorSpec,
    felt: f64,
    next_at_s: f64,
    waiting: Option<f64>,
}

impl Sensor {
    /// A sensor that has felt `value` for long.
    pub fn new(spec: SensorSpec, value: f64) -> Self {
        Self { spec, felt: value, next_at_s: 0.0, waiting: None }
    }

    /// What it feels, without noise and steps.
    pub fn felt(&self) -> f64 {
        self.felt
    }

    /// Forgets the past.
    pub fn settle(&mut self, value: f64) {
        self.felt = value;
    }

    /// Begins a new time scale at 0.
    pub fn restart_clock(&mut self) {
        self.next_at_s = 0.0;
        self.waiting = None;
    }

    /// Lets it feel the true value for a while.
    pub fn step(&mut self, dt_s: f64, now_s: f64, truth: f64, random: &mut Random) {
        let share = if self.spec.lag_s > 0.0 { -(-dt_s / self.spec.lag_s).exp_m1() } else { 1.0 };
        self.felt += (truth - self.felt) * share;
        if self.spec.interval_s > 0.0 && now_s >= self.next_at_s {
            self.next_at_s = now_s + self.spec.interval_s;
            self.waiting = Some(self.shown(random));
        }
    }

    /// Its value; `None` when it has no new one since it was last asked.
    pub fn read(&mut self, random: &mut Random) -> Option<f64> {
        if self.spec.interval_s > 0.0 { self.waiting.take() } else { Some(self.shown(random)) }
    }

    fn shown(&self, random: &mut Random) -> f64 {
        let noisy = self.spec.noise.mul_add(random.normal(), self.felt);
        if self.spec.step > 0.0 { (noisy / self.spec.step).round() * self.spec.step } else { noisy }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slow_sensor_gives_each_value_once_and_in_its_steps() {
        let mut random = Random::new(1);
        let mut sensor = Sensor::new(SensorSpec { noise: 0.0, ..SensorSpec::SLOW }, 40.3);
        let mut values = Vec::new();
        for idx in 0..40 {
            sensor.step(0.25, f64::from(idx) * 0.25, 40.3, &mut random);
            values.extend(sensor.read(&mut random));
        }
        assert_eq!(values, [40.0; 10]);
    }

    #[test]
    fn lag_is_first_order() {
        let mut random = Random::new(1);
        let mut sensor = Sensor::new(SensorSpec { lag_s: 2.0, noise: 0.0, step: 0.0, interval_s: 0.0 }, 0.0);
        for idx in 0..40 {
            sensor.step(0.05, f64::from(idx) * 0.05, 1.0, &mut random);
        }
        assert!((sensor.felt() - (1.0 - (-1.0_f64).exp())).abs() < 1e-9);
    }
}
