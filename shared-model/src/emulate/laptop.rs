//! One emulated laptop, stepped through time.

use super::fan::{Blower, FanFault, k_multiple_for, k_multiple_of_inlet};
use super::faults::Faults;
use super::network::{Link, Network, Node};
use super::power::{Demand, Processor};
use super::random::Random;
use super::sensors::{Sensor, SensorSpec};
use super::spec::{LaptopSpec, Room, ThermalSpec, air_density_ratio};
use crate::channel::{Channel, N_CHANNELS};
use crate::record::wire;

/// Longest inner step, s: a fifth of the fastest time constant in the catalogue.
const STEP_MAX_S: f64 = 0.05;
/// The embedded controller averages the die sensor over about this time before it looks into its fan table
/// (common practice, no source).
const CONTROLLER_LAG_S: f64 = 2.0;
/// What bedding leaves of airflow and of the case's own cooling (common practice, no source).
const BEDDING_SHARE: f64 = 0.5;
/// How fast a failing battery heats, K/s: past a stop of 3 K within the run.
const BATTERY_HEATING_K_PER_S: f64 = 0.2;
/// Standard deviation of idle power's wandering, as a share of it.
const IDLE_WANDER_SHARE: f64 = 0.15;
/// Its correlation time, s.
const IDLE_WANDER_S: f64 = 3.0;

const DIE: usize = 0;
const SINK: usize = 1;
const CASE: usize = 2;
const BOARD: usize = 3;

/// In what state a laptop is met.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Start {
    /// Idle for long.
    Idle,
    /// Everything at room temperature.
    Cold,
    /// Worked at this load for so long, then left alone for a minute.
    Worked {
        /// Load before, 0–1.
        load: f64,
        /// For how long, s.
        for_s: f64,
    },
}

/// What the sensors say, in the order of the channel table; NaN: not read this time or no such sensor.
#[derive(Debug, Clone, Copy)]
pub struct Reading {
    /// The values.
    pub values: [f64; N_CHANNELS],
    /// Mains power.
    pub on_ac: bool,
}

/// What really is, for comparison with an estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// Die, °C.
    pub die_c: f64,
    /// Sink, °C.
    pub sink_c: f64,
    /// Case, °C.
    pub case_c: f64,
    /// Board with SSD, °C.
    pub board_c: f64,
    /// Room, °C.
    pub ambient_c: f64,
    /// Package power, W.
    pub power_w: f64,
    /// Sink to air, W/K.
    pub air_w_per_k: f64,
    /// Die to sink, K/W.
    pub contact_k_per_w: f64,
    /// Speed of each fan.
    pub rpm: Vec<f64>,
    /// Whether the clock is drawn back for heat.
    pub throttled: bool,
}

/// An emulated laptop.
#[derive(Debug, Clone)]
pub struct Laptop {
    spec: LaptopSpec,
    faults: Faults,
    ambient_c: f64,
    density_ratio: f64,
    now_s: f64,
    network: Network,
    processor: Processor,
    blowers: Vec<Blower>,
    controller_c: f64,
    idle_wander: f64,
    energy_j: f64,
    work_done: f64,
    cpu: Sensor,
    stuck_c: Option<f64>,
    tachos: Vec<Sensor>,
    slow: Vec<(Channel, Sensor)>,
    random: Random,
    last: LastRead,
}

/// Counters at the last reading: rates are differences.
#[derive(Debug, Clone, Copy, Default)]
struct LastRead {
    at_s: f64,
    energy_j: f64,
    work_done: f64,
    load_s: f64,
    busy_s: f64,
    load_s_now: f64,
    busy_s_now: f64,
}

impl Laptop {
    /// A laptop of this model with these faults, idle for long in this room.
    pub fn new(spec: &LaptopSpec, faults: &Faults, room: Room, seed: u64) -> Self {
        let mut random = Random::new(seed);
        let boots_past = random.next_u64() % 40;
        let ambient_c = faults.ambient_c.unwrap_or(room.ambient_c);
        let network = build_network(&spec.thermal, faults, ambient_c);
        let mut laptop = Self {
            spec: spec.clone(),
            faults: *faults,
            ambient_c,
            density_ratio: air_density_ratio(room.altitude_m.clamp(-400.0, 9_000.0)),
            now_s: 0.0,
            network,
            processor: Processor::new(spec.power, boots_past),
            blowers: build_blowers(spec, faults),
            controller_c: ambient_c,
            idle_wander: 0.0,
            energy_j: 0.0,
            work_done: 0.0,
            cpu: Sensor::new(spec.sensors.cpu, ambient_c),
            stuck_c: None,
            tachos: build_tachos(spec),
            slow: build_slow(spec, ambient_c),
            random,
            last: LastRead::default(),
        };
        laptop.settle();
        laptop
    }

    /// The same laptop met in another state.
    #[must_use]
    pub fn met(mut self, start: Start) -> Self {
        match start {
            Start::Idle => {}
            Start::Cold => {
                for node in &mut self.network.nodes {
                    node.temp_c = self.ambient_c;
                }
                self.feel_again();
            }
            Start::Worked { load, for_s } => {
                self.step(for_s.clamp(0.0, 7_200.0), load);
                self.step(60.0, 0.0);
            }
        }
        self.restart_clock();
        self
    }

    /// Seconds since it was met.
    pub fn now_s(&self) -> f64 {
        self.now_s
    }

    /// The model it is of.
    pub fn spec(&self) -> &LaptopSpec {
        &self.spec
    }

    /// Loop iterations done by the load since it was met.
    pub fn work_done(&self) -> u64 {
        self.work_done as u64
    }

    /// Whether it has mains power.
    pub fn on_ac(&self) -> bool {
        !self.faults.battery && self.faults.ac_lost_at_s.is_none_or(|at_s| self.now_s < at_s)
    }

    /// The temperature at which a load should end.
    pub fn limit(&self) -> wire::Limit {
        match self.spec.sensors.critical_c {
            Some(limit_c) => wire::Limit { limit_c, source: wire::LimitSource::SensorCritical },
            None => wire::Limit { limit_c: 90.0, source: wire::LimitSource::Default },
        }
    }

    /// Lets time pass with the check's load on this share of all CPUs. Not finite or negative counts as 0.
    pub fn step(&mut self, dt_s: f64, load: f64) {
        if !(dt_s > 0.0 && dt_s.is_finite()) {
            return;
        }
        let load = if load.is_finite() { load.clamp(0.0, 1.0) } else { 0.0 };
        let n_steps = (dt_s / STEP_MAX_S).ceil().max(1.0);
        for _ in 0..n_steps as u64 {
            self.inner_step(dt_s / n_steps, load);
        }
    }

    /// Reads all sensors.
    pub fn reading(&mut self) -> Reading {
        let mut values = [f64::NAN; N_CHANNELS];
        let mut put = |channel: Channel, value: f64| values[channel as usize] = value;
        let passed_s = self.now_s - self.last.at_s;
        let rate = |now: f64, before: f64| if passed_s > 0.0 { (now - before) / passed_s } else { f64::NAN };
        put(Channel::LoadPct, percent(rate(self.last.load_s_now, self.last.load_s)));
        put(Channel::BusyPct, percent(rate(self.last.busy_s_now, self.last.busy_s)));
        put(Channel::WorkRate, rate(self.work_done, self.last.work_done).round());
        if self.spec.sensors.power {
            put(Channel::PackagePowerW, rate(self.energy_j, self.last.energy_j));
        }
        if let Some(value) = self.cpu_reading() {
            put(Channel::CpuTempC, value);
        }
        for (channel, tacho) in [Channel::Fan1Rpm, Channel::Fan2Rpm].into_iter().zip(&mut self.tachos) {
            if let Some(value) = tacho.read(&mut self.random) {
                let stands = tacho.felt() < 30.0;
                put(channel, if stands { 0.0 } else { value.max(0.0) });
            }
        }
        if self.spec.sensors.pwm {
            for (channel, blower) in [Channel::Pwm1, Channel::Pwm2].into_iter().zip(&self.blowers) {
                put(channel, (255.0 * blower.duty).round());
            }
        }
        if self.spec.sensors.clock {
            let noisy = self.processor.clock_mhz * 0.004_f64.mul_add(self.random.normal(), 1.0);
            put(Channel::CoreClockMhz, noisy.round());
        }
        if self.spec.sensors.throttle {
            put(Channel::ThrottleCount, self.processor.throttle_count as f64);
            put(Channel::ThrottleMs, (self.processor.throttle_s * 1000.0).round());
        }
        for (channel, sensor) in &mut self.slow {
            if let Some(value) = sensor.read(&mut self.random) {
                put(*channel, value);
            }
        }
        self.last = LastRead {
            at_s: self.now_s,
            energy_j: self.energy_j,
            work_done: self.work_done,
            load_s: self.last.load_s_now,
            busy_s: self.last.busy_s_now,
            ..self.last
        };
        Reading { values, on_ac: self.on_ac() }
    }

    /// What really is.
    pub fn truth(&self) -> Truth {
        let temp = |idx: usize| self.network.nodes[idx].temp_c;
        Truth {
            die_c: temp(DIE),
            sink_c: temp(SINK),
            case_c: temp(CASE),
            board_c: temp(BOARD),
            ambient_c: self.ambient_c,
            power_w: self.processor.power_w,
            air_w_per_k: self.network.nodes[SINK].to_air_w_per_k,
            contact_k_per_w: self.network.links[0].w_per_k.recip(),
            rpm: self.blowers.iter().map(|b| b.rpm).collect(),
            throttled: self.processor.throttled,
        }
    }

    /// Heat given to the room, W; at rest it equals what the nodes are given.
    pub fn heat_to_room_w(&self) -> f64 {
        self.network.heat_to_air_w(self.ambient_c)
    }

    fn inner_step(&mut self, dt_s: f64, load: f64) {
        self.now_s += dt_s;
        let die_c = self.network.nodes[DIE].temp_c;
        let demand = Demand { load, background_w: self.faults.background_w, on_ac: self.on_ac() };
        self.processor.step(dt_s, demand, die_c);
        let package_w = self.processor.power_w + self.wander_w(dt_s);
        self.controller_c += (self.cpu.felt() - self.controller_c) * (dt_s / CONTROLLER_LAG_S).min(1.0);
        for blower in &mut self.blowers {
            blower.step(dt_s, self.now_s, self.controller_c);
        }
        self.network.nodes[DIE].heat_w = package_w;
        self.network.nodes[SINK].to_air_w_per_k = self.air_w_per_k();
        self.network.step(dt_s, self.ambient_c);
        self.energy_j += package_w * dt_s;
        self.work_done += self.processor.work_rate * dt_s;
        self.last.load_s_now += load * dt_s;
        self.last.busy_s_now += self.busy_share() * dt_s;
        self.feel(dt_s);
    }

    /// Something always runs a little.
    fn busy_share(&self) -> f64 {
        (self.processor.busy + 0.01 * (1.0 + self.idle_wander)).clamp(0.0, 1.0)
    }

    /// Ornstein–Uhlenbeck noise on idle power: a machine at rest isn't dead.
    fn wander_w(&mut self, dt_s: f64) -> f64 {
        let decay = (-dt_s / IDLE_WANDER_S).exp();
        self.idle_wander =
            decay.mul_add(self.idle_wander, (1.0 - decay * decay).sqrt() * self.random.normal());
        let wander = IDLE_WANDER_SHARE * self.spec.power.idle_w * self.idle_wander;
        wander.max(-0.5 * self.spec.power.idle_w)
    }

    /// G = G₀ + g · (mass flow over as-new mass flow at full speed)^m, the fans' flows added.
    fn air_w_per_k(&self) -> f64 {
        let thermal = &self.spec.thermal;
        if self.blowers.is_empty() {
            return thermal.passive_w_per_k;
        }
        let flow: f64 = self.blowers.iter().map(Blower::flow_ratio).sum::<f64>() / self.blowers.len() as f64;
        let mass_flow = (flow * self.density_ratio).max(0.0);
        thermal.forced_w_per_k.mul_add(mass_flow.powf(thermal.flow_exponent), thermal.passive_w_per_k)
    }

    fn feel(&mut self, dt_s: f64) {
        let (now_s, random) = (self.now_s, &mut self.random);
        self.cpu.step(dt_s, now_s, self.network.nodes[DIE].temp_c, random);
        for (tacho, blower) in self.tachos.iter_mut().zip(&self.blowers) {
            tacho.step(dt_s, now_s, blower.rpm, random);
        }
        let heating_s = self.faults.battery_hot_at_s.map_or(0.0, |at_s| (now_s - at_s).max(0.0));
        for (channel, sensor) in &mut self.slow {
            let truth = match channel {
                Channel::BatteryTempC => {
                    BATTERY_HEATING_K_PER_S.mul_add(heating_s, self.network.nodes[CASE].temp_c)
                }
                Channel::SsdTempC => self.network.nodes[BOARD].temp_c + 3.0,
                _ => self.network.nodes[BOARD].temp_c,
            };
            sensor.step(dt_s, now_s, truth, random);
        }
    }

    fn cpu_reading(&mut self) -> Option<f64> {
        let past = |at_s: Option<f64>| at_s.is_some_and(|at_s| self.now_s >= at_s);
        if past(self.faults.sensor_lost_at_s) {
            return None;
        }
        if past(self.faults.sensor_stuck_at_s) {
            let shown = self.cpu.read(&mut self.random);
            self.stuck_c = self.stuck_c.or(shown);
            return self.stuck_c;
        }
        self.cpu.read(&mut self.random)
    }

    /// Idle for long: power, fan and temperatures depend on each other, so they are found by turns, damped.
    fn settle(&mut self) {
        const TURNS: usize = 60;
        for _ in 0..TURNS {
            let die_c = self.network.nodes[DIE].temp_c;
            let demand = Demand { load: 0.0, background_w: self.faults.background_w, on_ac: self.on_ac() };
            self.processor.step(STEP_MAX_S, demand, die_c);
            for blower in &mut self.blowers {
                blower.settle(die_c);
            }
            let air = self.air_w_per_k();
            let sink = &mut self.network.nodes[SINK];
            sink.to_air_w_per_k = f64::midpoint(sink.to_air_w_per_k, air);
            self.network.nodes[DIE].heat_w = self.processor.power_w;
            self.network.settle(self.ambient_c);
        }
        self.feel_again();
        // The controller's hysteresis has a past too.
        self.step(300.0, 0.0);
        self.restart_clock();
    }

    fn feel_again(&mut self) {
        let die_c = self.network.nodes[DIE].temp_c;
        self.cpu.settle(die_c);
        self.controller_c = die_c;
        for blower in &mut self.blowers {
            blower.settle(die_c);
        }
        for (tacho, blower) in self.tachos.iter_mut().zip(&self.blowers) {
            tacho.settle(blower.rpm);
        }
        for (_, sensor) in &mut self.slow {
            sensor.settle(self.network.nodes[BOARD].temp_c);
        }
    }

    fn restart_clock(&mut self) {
        self.now_s = 0.0;
        self.energy_j = 0.0;
        self.work_done = 0.0;
        self.last = LastRead::default();
        self.stuck_c = None;
        self.tachos.iter_mut().for_each(Sensor::restart_clock);
        self.slow.iter_mut().for_each(|(_, s)| s.restart_clock());
        self.cpu.restart_clock();
    }
}

/// A share as a percentage on a grid of hundredths; a NaN stays one.
fn percent(share: f64) -> f64 {
    (share * 10_000.0).round().clamp(0.0, 10_000.0) / 100.0
}

fn build_network(thermal: &ThermalSpec, faults: &Faults, ambient_c: f64) -> Network {
    let node = |capacity_j_per_k: f64, to_air_w_per_k: f64, heat_w: f64| Node {
        capacity_j_per_k,
        to_air_w_per_k,
        heat_w,
        temp_c: ambient_c,
    };
    let case_share = if faults.bedding { BEDDING_SHARE } else { 1.0 };
    let paste = thermal.paste_share.mul_add(faults.paste - 1.0, 1.0);
    Network {
        nodes: vec![
            node(thermal.die_j_per_k, 0.0, 0.0),
            node(thermal.sink_j_per_k, thermal.passive_w_per_k, 0.0),
            node(thermal.case_j_per_k, thermal.case_air_w_per_k * case_share, 0.0),
            node(thermal.board_j_per_k, 0.0, thermal.board_w),
        ],
        links: vec![
            Link { a: DIE, b: SINK, w_per_k: (thermal.contact_k_per_w * paste).recip() },
            Link { a: SINK, b: CASE, w_per_k: thermal.sink_case_w_per_k },
            Link { a: SINK, b: BOARD, w_per_k: thermal.sink_board_w_per_k },
            Link { a: BOARD, b: CASE, w_per_k: thermal.board_case_w_per_k },
        ],
    }
}

/// Lint, bedding and a covered inlet lie one behind the other: what each adds to K is added.
fn build_blowers(spec: &LaptopSpec, faults: &Faults) -> Vec<Blower> {
    let exponent = spec.thermal.system_exponent;
    let bedding = if faults.bedding { BEDDING_SHARE } else { 1.0 };
    let k_multiple = k_multiple_for(faults.airflow, exponent)
        + k_multiple_for(bedding, exponent)
        + k_multiple_of_inlet(faults.blocked)
        - 2.0;
    let fault_of = |idx: usize| match idx {
        0 => FanFault {
            rpm_factor: faults.fan,
            late_s: faults.fan_late_s,
            flutter: faults.flutter,
            stumble_per_min: faults.stumble_per_min,
            stops_at_s: faults.fan_stops_at_s.unwrap_or(f64::INFINITY),
        },
        _ => FanFault { rpm_factor: faults.fan2, ..FanFault::NONE },
    };
    let build = |(idx, table): (usize, &super::fan::FanTable)| {
        Blower::new(table.clone(), fault_of(idx), k_multiple, exponent)
    };
    spec.fans.iter().enumerate().map(build).collect()
}

fn build_tachos(spec: &LaptopSpec) -> Vec<Sensor> {
    let Some(tacho) = spec.sensors.rpm else { return Vec::new() };
    spec.fans.iter().take(2).map(|_| Sensor::new(tacho, 0.0)).collect()
}

fn build_slow(spec: &LaptopSpec, ambient_c: f64) -> Vec<(Channel, Sensor)> {
    let set = &spec.sensors;
    let built = |channel: Channel, sensor: Option<SensorSpec>| {
        sensor.map(|spec| (channel, Sensor::new(spec, ambient_c)))
    };
    [
        built(Channel::SsdTempC, set.ssd),
        built(Channel::BoardTempC, set.board),
        built(Channel::BatteryTempC, set.battery),
    ]
    .into_iter()
    .flatten()
    .collect()
}
