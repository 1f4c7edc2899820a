//! Blower, system curve and fan controller.
//!
//! A fan moves the air at which its curve meets the system's (fan engineering's operating point). The blower's
//! curve is taken as straight, Δp = p₀ (n/n₀)² (1 − φ), where φ is the flow over the free flow at that speed; the
//! system is Δp = K qˢ. A healthy laptop is taken at mid-flow, φ = ½. Lint and blocked inlets raise K.

/// Flow over free flow of a healthy system: mid-curve, a common design point (common practice, no source).
pub const FLOW_HEALTHY: f64 = 0.5;
/// Share of the system's resistance that lies in the inlet openings (common practice, no source).
const INLET_SHARE: f64 = 0.3;
/// How much faster a blower spins at fixed drive when its flow is shut off, as a share: the direction is that of
/// HVAC teaching notes (a restricted centrifugal blower unloads), the size is ours.
const UNLOADING: f64 = 0.08;
/// What a bearing that sticks for a moment leaves of the speed (ours).
const STICKING_LEAVES: f64 = 0.65;
/// The golden ratio, by whose multiples such moments are spread unevenly.
const GOLDEN: f64 = 0.618_033_988_749_894_9;
/// Under this share of full speed a blower stands.
const STALL_SHARE: f64 = 0.04;

/// Flow over free flow where the curves meet: (1 − φ) = κ φˢ with κ = `k_multiple` times that of a healthy system.
///
/// `speed_ratio` is n/n₀; with s = 2 the answer does not depend on it (fan laws), with s < 2 it does.
pub fn operating_flow(k_multiple: f64, system_exponent: f64, speed_ratio: f64) -> f64 {
    // Newton from above: κφˢ + φ − 1 is convex and rising, so it never overshoots.
    const ITERATIONS: usize = 40;
    let healthy = (1.0 - FLOW_HEALTHY) / FLOW_HEALTHY.powf(system_exponent);
    let kappa = healthy * k_multiple * speed_ratio.max(1e-3).powf(system_exponent - 2.0);
    let mut flow = 1.0_f64;
    for _ in 0..ITERATIONS {
        let resisted = kappa * flow.powf(system_exponent);
        let step = (resisted + flow - 1.0) / (system_exponent * resisted / flow + 1.0);
        flow -= step;
        if step < 1e-13 {
            break;
        }
    }
    flow
}

/// Airflow against a healthy system at equal speed.
pub fn airflow_fraction(k_multiple: f64, system_exponent: f64) -> f64 {
    operating_flow(k_multiple, system_exponent, 1.0) / FLOW_HEALTHY
}

/// The multiple of K at which that airflow fraction remains: the inverse of [`airflow_fraction`].
pub fn k_multiple_for(airflow_fraction: f64, system_exponent: f64) -> f64 {
    let flow = airflow_fraction * FLOW_HEALTHY;
    let healthy = (1.0 - FLOW_HEALTHY) / FLOW_HEALTHY.powf(system_exponent);
    (1.0 - flow) / flow.powf(system_exponent) / healthy
}

/// The multiple of K with that share of the inlet's area covered: an opening's resistance goes with 1/area²
/// (orifice equation).
pub fn k_multiple_of_inlet(covered_share: f64) -> f64 {
    let open = (1.0 - covered_share).max(0.01);
    INLET_SHARE.mul_add(open.powi(-2) - 1.0, 1.0)
}

/// How speed is controlled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drive {
    /// The duty follows from the wished speed, and what speed comes of it comes of it.
    OpenLoop,
    /// The speed is held at the wish while the duty, which has this much to spare, suffices.
    ClosedLoop {
        /// Spare drive over full speed, as a share.
        headroom: f64,
    },
}

/// The fan table of a model.
#[derive(Debug, Clone, PartialEq)]
pub struct FanTable {
    /// Lowest speed that is driven.
    pub rpm_min: f64,
    /// Speed at and above `full_at_c`.
    pub rpm_max: f64,
    /// Temperature at which the fan leaves its lowest speed, or starts.
    pub on_at_c: f64,
    /// Temperature of full speed.
    pub full_at_c: f64,
    /// The fall that is needed before the speed falls.
    pub hysteresis_k: f64,
    /// Number of speed steps; 0: continuous.
    pub steps: u32,
    /// Whether it stands when cool.
    pub stops_when_cool: bool,
    /// Fastest change of the wished speed.
    pub slew_rpm_per_s: f64,
    /// The motor's time constant.
    pub motor_tau_s: f64,
    /// How speed is controlled.
    pub drive: Drive,
}

impl FanTable {
    /// The speed due at a temperature.
    pub fn due_rpm(&self, temp_c: f64) -> f64 {
        if temp_c < self.on_at_c {
            return if self.stops_when_cool { 0.0 } else { self.rpm_min };
        }
        let share = ((temp_c - self.on_at_c) / (self.full_at_c - self.on_at_c)).min(1.0);
        let share = if self.steps > 0 {
            (share * f64::from(self.steps)).floor() / f64::from(self.steps)
        } else {
            share
        };
        share.mul_add(self.rpm_max - self.rpm_min, self.rpm_min)
    }
}

/// What ails one fan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FanFault {
    /// Speed reached over speed due; 0 is seized.
    pub rpm_factor: f64,
    /// Extra delay before it answers a rising wish, s.
    pub late_s: f64,
    /// Amplitude of the speed's wandering, as a share.
    pub flutter: f64,
    /// How often a minute its bearing sticks for a moment and takes a third of its speed.
    pub stumble_per_min: f64,
    /// Stops for good at this time, s.
    pub stops_at_s: f64,
}

impl FanFault {
    /// A healthy fan.
    pub const NONE: Self =
        Self { rpm_factor: 1.0, late_s: 0.0, flutter: 0.0, stumble_per_min: 0.0, stops_at_s: f64::INFINITY };
}

/// A blower with its controller's state.
#[derive(Debug, Clone)]
pub struct Blower {
    table: FanTable,
    fault: FanFault,
    k_multiple: f64,
    system_exponent: f64,
    /// The controller's temperature behind its hysteresis.
    held_c: f64,
    wish_rpm: f64,
    waited_s: f64,
    flow: f64,
    /// Speed, rpm.
    pub rpm: f64,
    /// Duty, 0–1.
    pub duty: f64,
}

impl Blower {
    /// A blower at rest.
    pub fn new(table: FanTable, fault: FanFault, k_multiple: f64, system_exponent: f64) -> Self {
        let flow = operating_flow(k_multiple, system_exponent, 1.0);
        Self {
            table,
            fault,
            k_multiple,
            system_exponent,
            held_c: f64::NEG_INFINITY,
            wish_rpm: 0.0,
            waited_s: 0.0,
            flow,
            rpm: 0.0,
            duty: 0.0,
        }
    }

    /// Volume flow over that of a healthy system at full speed.
    pub fn flow_ratio(&self) -> f64 {
        self.rpm / self.table.rpm_max * self.flow / FLOW_HEALTHY
    }

    /// Takes it to what it would do after long at this temperature.
    pub fn settle(&mut self, temp_c: f64) {
        self.held_c = temp_c;
        self.wish_rpm = self.table.due_rpm(temp_c);
        self.waited_s = self.fault.late_s;
        self.meet_system_curve();
        self.rpm = self.driven_rpm();
    }

    /// One step at the controller's temperature.
    pub fn step(&mut self, dt_s: f64, now_s: f64, temp_c: f64) {
        self.follow_table(dt_s, temp_c);
        self.meet_system_curve();
        let mut goal_rpm = self.driven_rpm() * self.flutter_factor(now_s);
        if now_s >= self.fault.stops_at_s {
            goal_rpm = 0.0;
        }
        self.rpm += (goal_rpm - self.rpm) * (-dt_s / self.table.motor_tau_s).exp_m1().abs();
        if self.sticks_within(now_s - dt_s, now_s) {
            self.rpm *= STICKING_LEAVES;
        }
        if self.rpm < STALL_SHARE * self.table.rpm_max && goal_rpm == 0.0 {
            self.rpm = 0.0;
        }
    }

    fn follow_table(&mut self, dt_s: f64, temp_c: f64) {
        // Play operator: rises are followed at once, falls only beyond the hysteresis.
        self.held_c = self.held_c.max(temp_c).min(temp_c + self.table.hysteresis_k);
        let due_rpm = self.table.due_rpm(self.held_c);
        let rest_rpm = self.table.due_rpm(f64::NEG_INFINITY);
        self.waited_s = if due_rpm > rest_rpm { self.waited_s + dt_s } else { 0.0 };
        let wished = if self.waited_s < self.fault.late_s { rest_rpm } else { due_rpm };
        let most = self.table.slew_rpm_per_s * dt_s;
        self.wish_rpm += (wished - self.wish_rpm).clamp(-most, most);
        // A motor that is to start gets at least the lowest drive at once.
        if wished >= self.table.rpm_min && self.wish_rpm < self.table.rpm_min {
            self.wish_rpm = self.table.rpm_min;
        } else if wished == 0.0 && self.wish_rpm < self.table.rpm_min {
            self.wish_rpm = 0.0;
        }
    }

    /// With a quadratic system the operating point is the same at each speed; else it moves with it.
    fn meet_system_curve(&mut self) {
        if self.system_exponent != 2.0 {
            let speed_ratio = self.rpm / self.table.rpm_max;
            self.flow = operating_flow(self.k_multiple, self.system_exponent, speed_ratio);
        }
    }

    fn driven_rpm(&mut self) -> f64 {
        let unloaded = UNLOADING.mul_add(1.0 - self.flow / FLOW_HEALTHY, 1.0);
        let rpm_per_duty = match self.table.drive {
            Drive::OpenLoop => self.table.rpm_max * unloaded,
            Drive::ClosedLoop { headroom } => self.table.rpm_max * (1.0 + headroom) * unloaded,
        } * self.fault.rpm_factor;
        self.duty = match self.table.drive {
            Drive::OpenLoop => self.wish_rpm / self.table.rpm_max,
            Drive::ClosedLoop { .. } if self.wish_rpm == 0.0 => 0.0,
            Drive::ClosedLoop { .. } => (self.wish_rpm / rpm_per_duty.max(1.0)).min(1.0),
        };
        self.duty * rpm_per_duty
    }

    /// Once in each of equal stretches of time, not too near to its ends.
    fn sticks_within(&self, from_s: f64, to_s: f64) -> bool {
        let per_s = self.fault.stumble_per_min / 60.0;
        if per_s <= 0.0 {
            return false;
        }
        let stretch = (to_s * per_s).floor();
        let at_s = 0.75_f64.mul_add((stretch * GOLDEN).fract(), stretch + 0.1) / per_s;
        from_s < at_s && at_s <= to_s
    }

    /// Two waves that don't repeat together: a bearing that grips and lets go.
    fn flutter_factor(&self, now_s: f64) -> f64 {
        let waves = (now_s * std::f64::consts::TAU / 5.3).sin() + (now_s * std::f64::consts::TAU / 3.1).sin();
        (self.fault.flutter / 2.0).mul_add(waves, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> FanTable {
        FanTable {
            rpm_min: 2200.0,
            rpm_max: 5000.0,
            on_at_c: 50.0,
            full_at_c: 90.0,
            hysteresis_k: 6.0,
            steps: 0,
            stops_when_cool: true,
            slew_rpm_per_s: 600.0,
            motor_tau_s: 1.0,
            drive: Drive::OpenLoop,
        }
    }

    fn run(blower: &mut Blower, seconds: f64, temp_c: f64) {
        let steps = (seconds / 0.05).round() as usize;
        for idx in 0..steps {
            blower.step(0.05, idx as f64 * 0.05, temp_c);
        }
    }

    /// Airflow left when K is multiplied, straight fan curve, healthy at mid-flow; closed forms:
    /// n = 1: 2 / (1 + k); n = 2: the root of 2k φ² + φ − 1 = 0, doubled.
    #[test]
    fn airflow_falls_with_the_system_curve() {
        let quadratic = [0.87, 0.78, 0.67, 0.59, 0.50, 0.44, 0.32];
        let linear = [0.80, 0.67, 0.50, 0.40, 0.29, 0.22, 0.12];
        for (idx, k) in [1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 16.0].into_iter().enumerate() {
            assert!((airflow_fraction(k, 2.0) - quadratic[idx]).abs() < 0.006, "k {k}");
            assert!((airflow_fraction(k, 1.0) - linear[idx]).abs() < 0.006, "k {k}");
            assert!((airflow_fraction(k, 1.0) - 2.0 / (1.0 + k)).abs() < 1e-9, "k {k}");
            for s in [1.0, 1.6, 2.0] {
                assert!((k_multiple_for(airflow_fraction(k, s), s) / k - 1.0).abs() < 1e-9, "k {k} s {s}");
            }
        }
    }

    /// Fan laws: flow ∝ n, pressure ∝ n² at one quadratic system curve (Bureau of Energy Efficiency, Energy
    /// Efficiency in Electrical Utilities, ch. 5; ratios as the laws give them).
    #[test]
    fn fan_laws_hold_on_a_quadratic_system() {
        for ratio in [0.5, 0.6, 0.7, 0.8, 0.9, 1.1, 1.2] {
            for k in [1.0, 4.0] {
                let full = operating_flow(k, 2.0, 1.0);
                let flow_ratio = ratio * operating_flow(k, 2.0, ratio) / full;
                let pressure = |n: f64, phi: f64| n * n * (1.0 - phi);
                let pressure_ratio = pressure(ratio, operating_flow(k, 2.0, ratio)) / pressure(1.0, full);
                assert!((flow_ratio - ratio).abs() < 1e-9);
                assert!((pressure_ratio - ratio * ratio).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn a_restricted_blower_spins_a_little_faster_and_moves_less() {
        let mut free = Blower::new(table(), FanFault::NONE, 1.0, 2.0);
        let mut clogged = Blower::new(table(), FanFault::NONE, k_multiple_for(0.5, 2.0), 2.0);
        run(&mut free, 60.0, 70.0);
        run(&mut clogged, 60.0, 70.0);
        let faster = clogged.rpm / free.rpm;
        assert!(faster > 1.01 && faster < 1.08, "{faster}");
        assert!((clogged.flow_ratio() / free.flow_ratio() / faster - 0.5).abs() < 1e-6);
    }

    #[test]
    fn hysteresis_keeps_the_speed_until_the_fall_is_large_enough() {
        let mut blower = Blower::new(table(), FanFault::NONE, 1.0, 2.0);
        run(&mut blower, 60.0, 70.0);
        let at_70 = blower.rpm;
        run(&mut blower, 60.0, 65.0);
        assert!((blower.rpm - at_70).abs() < 1.0);
        run(&mut blower, 60.0, 60.0);
        assert!(blower.rpm < at_70 - 100.0);
        run(&mut blower, 60.0, 40.0);
        assert_eq!(blower.rpm, 0.0);
    }

    #[test]
    fn faults_show_in_the_speed() {
        let with = |fault: FanFault| {
            let mut blower = Blower::new(table(), fault, 1.0, 2.0);
            run(&mut blower, 20.0, 70.0);
            blower.rpm
        };
        let healthy = with(FanFault::NONE);
        assert!((with(FanFault { rpm_factor: 0.7, ..FanFault::NONE }) / healthy - 0.7).abs() < 0.01);
        assert_eq!(with(FanFault { rpm_factor: 0.0, ..FanFault::NONE }), 0.0);
        assert_eq!(with(FanFault { late_s: 25.0, ..FanFault::NONE }), 0.0);
        assert_eq!(with(FanFault { stops_at_s: 5.0, ..FanFault::NONE }), 0.0);
    }

    #[test]
    fn a_sticking_bearing_takes_a_third_of_the_speed_as_often_as_was_asked_and_lets_go() {
        let fault = FanFault { stumble_per_min: 3.0, ..FanFault::NONE };
        let mut blower = Blower::new(table(), fault, 1.0, 2.0);
        blower.settle(70.0);
        let steady_rpm = blower.rpm;
        let speeds: Vec<f64> = (1..=12_000)
            .map(|idx| {
                blower.step(0.05, f64::from(idx) * 0.05, 70.0);
                blower.rpm
            })
            .collect();
        let n_falls = speeds.windows(2).filter(|w| w[1] < 0.9 * w[0]).count();
        assert_eq!(n_falls, 30);
        assert!(speeds.iter().copied().fold(f64::INFINITY, f64::min) > 0.64 * steady_rpm);
        let n_steady = speeds.iter().filter(|rpm| (*rpm / steady_rpm - 1.0).abs() < 0.01).count();
        assert!(n_steady > 9_000, "{n_steady}");
    }

    #[test]
    fn closed_loop_hides_wear_until_the_drive_runs_out() {
        let closed = FanTable { drive: Drive::ClosedLoop { headroom: 0.15 }, ..table() };
        let worn = FanFault { rpm_factor: 0.8, ..FanFault::NONE };
        let mut healthy = Blower::new(closed.clone(), FanFault::NONE, 1.0, 2.0);
        let mut wearing = Blower::new(closed, worn, 1.0, 2.0);
        run(&mut healthy, 60.0, 65.0);
        run(&mut wearing, 60.0, 65.0);
        assert!((wearing.rpm / healthy.rpm - 1.0).abs() < 0.001);
        assert!(wearing.duty > healthy.duty * 1.2);
        run(&mut healthy, 60.0, 95.0);
        run(&mut wearing, 60.0, 95.0);
        assert!((wearing.rpm / healthy.rpm - 0.92).abs() < 0.01);
    }
}
