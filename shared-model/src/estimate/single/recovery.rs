//! The two-node fit against a three-node laptop whose truth is known.
//!
//! The laptop here is written apart from the estimator and from the emulated laptop: die, sink and chassis,
//! integrated in small explicit steps, with a thermostat fan, a boosting power limit and a stepped sensor.

use super::{Param, Priors, RunFit, estimate};
use crate::channel::Channel;
use crate::estimate::input::{Equipment, prepare};
use crate::measured::Measured;
use crate::record::wire::{Ambient, AmbientSource};
use crate::trace::Trace;

#[derive(Clone, Copy)]
struct Laptop {
    airflow: f64,
    contact: f64,
    ambient_c: f64,
    sensor_step_k: f64,
    settle_s: f64,
    load_s: f64,
    recovery_s: f64,
    seed: u64,
    noise_k: f64,
}

const HEALTHY: Laptop = Laptop {
    airflow: 1.0,
    contact: 1.0,
    ambient_c: 24.0,
    sensor_step_k: 0.0,
    settle_s: 60.0,
    load_s: 180.0,
    recovery_s: 150.0,
    seed: 1,
    noise_k: 0.0,
};

/// Values of the network in the method's own design study: R 0.9 K/W; C 6, 90 and 900 J/K; G 0.12 + 0.50 W/K at
/// 5000 rpm; sink to chassis 0.10, chassis to room 0.40 W/K.
const CONTACT_K_W: f64 = 0.9;
const REFERENCE_RPM: f64 = 5000.0;

impl Laptop {
    fn record(&self) -> Trace {
        let mut state = Run3::at_idle(self);
        let total_s = self.settle_s + self.load_s + self.recovery_s;
        let n = (total_s * 4.0) as usize;
        let mut columns: [Vec<f64>; 5] = Default::default();
        let mut noise = Noise(self.seed);
        for i in 0..n {
            let t_s = i as f64 / 4.0;
            let since_s = t_s - self.settle_s;
            let loaded = (0.0..self.load_s).contains(&since_s);
            let power_w = match since_s {
                _ if !loaded => 3.0,
                s if s < 28.0 => 28.0,
                _ => 20.0,
            };
            state.advance_quarter(self, power_w);
            let seen_c = state.die_c + self.noise_k * noise.normal();
            let stepped_c = if self.sensor_step_k > 0.0 {
                (seen_c / self.sensor_step_k).round() * self.sensor_step_k
            } else {
                seen_c
            };
            let load_pct = if loaded { 100.0 } else { 0.0 };
            for (column, value) in columns.iter_mut().zip([t_s, load_pct, stepped_c, power_w, state.rpm]) {
                column.push(value);
            }
        }
        let [time_s, load, temp, power, rpm] = columns;
        let mut trace = Trace::empty();
        trace.time_s = time_s;
        trace.set_column(Channel::LoadPct, load);
        trace.set_column(Channel::CpuTempC, temp);
        trace.set_column(Channel::PackagePowerW, power);
        trace.set_column(Channel::Fan1Rpm, rpm);
        trace
    }
}

struct Run3 {
    die_c: f64,
    sink_c: f64,
    chassis_c: f64,
    rpm: f64,
    fan_on: bool,
}

impl Run3 {
    /// After half an hour of idling.
    fn at_idle(laptop: &Laptop) -> Self {
        let room = laptop.ambient_c;
        let mut state =
            Self { die_c: room + 10.0, sink_c: room + 8.0, chassis_c: room + 2.0, rpm: 0.0, fan_on: false };
        for _ in 0..4 * 1800 {
            state.advance_quarter(laptop, 3.0);
        }
        state
    }

    fn advance_quarter(&mut self, laptop: &Laptop, power_w: f64) {
        for _ in 0..25 {
            self.advance(laptop, power_w, 0.01);
        }
    }

    fn advance(&mut self, laptop: &Laptop, power_w: f64, dt_s: f64) {
        self.fan_on = self.die_c > 50.0 || (self.fan_on && self.die_c > 44.0);
        let share = ((self.die_c - 50.0) / 40.0).clamp(0.0, 1.0);
        let due = if self.fan_on { 2200.0 + 2800.0 * share } else { 0.0 };
        self.rpm += (due - self.rpm) / 4.0 * dt_s;
        let flow = laptop.airflow * self.rpm / REFERENCE_RPM;
        let air_w_k = if flow > 0.01 { 0.50 * flow.powf(0.7) } else { 0.0 };
        let up_w = (self.die_c - self.sink_c) / (CONTACT_K_W * laptop.contact);
        let out_w = (0.12 + air_w_k) * (self.sink_c - laptop.ambient_c);
        let chassis_w = 0.10 * (self.sink_c - self.chassis_c);
        let room_w = 0.40 * (self.chassis_c - laptop.ambient_c);
        self.die_c += (power_w - up_w) / 6.0 * dt_s;
        self.sink_c += (up_w - out_w - chassis_w) / 90.0 * dt_s;
        self.chassis_c += (chassis_w - room_w) / 900.0 * dt_s;
    }
}

/// A small generator for repeatable noise: SplitMix64, summed to a near-normal number.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

fn room(value_c: f64, sd_k: f64) -> Ambient {
    Ambient { value_c, sd_k, source: AmbientSource::Told }
}

/// What belongs to the model of laptop, not to the run.
const HARDWARE: [Param; 7] = [
    Param::LnContact,
    Param::LnCapacity,
    Param::LnPassive,
    Param::LnAir,
    Param::LnLag,
    Param::Exponent,
    Param::ExtraHeat,
];

fn fit(laptop: &Laptop, ambient: &Ambient, model: Option<&Priors>) -> RunFit {
    let equipment = Equipment { n_ref_rpm: Some(REFERENCE_RPM), ..Equipment::default() };
    let run = prepare(&laptop.record(), &equipment).expect("a whole run");
    let mut priors = Priors::handbook(&run, Some(ambient));
    for param in HARDWARE {
        if let Some(model) = model {
            priors.set(param, (model.mean[param as usize], model.sd[param as usize]));
        }
    }
    RunFit::of(&run, &priors, &estimate(&run, &priors).expect("a fit"))
}

fn value(measured: Measured) -> f64 {
    measured.value().unwrap_or_else(|| panic!("{measured:?}"))
}

/// What the model's healthy unit shows becomes the prior: hardware pinned, air and contact left free.
fn model_of(healthy: &RunFit) -> Priors {
    let estimate = healthy.estimate.expect("a healthy run's fit");
    let mut priors = Priors { mean: estimate.params, sd: [0.5; super::N_PARAMS] };
    for (param, sd) in [
        (Param::LnCapacity, 0.04),
        (Param::LnPassive, 0.10),
        (Param::Exponent, 0.02),
        (Param::ExtraHeat, 0.2),
        (Param::LnAir, 1.0),
    ] {
        priors.set(param, (estimate.get(param), sd));
    }
    priors
}

fn airflow(fit: &RunFit, healthy: &RunFit) -> f64 {
    let (a, b) = (fit.estimate.expect("fit"), healthy.estimate.expect("fit"));
    ((a.get(Param::LnAir) - b.get(Param::LnAir)) / b.get(Param::Exponent)).exp()
}

#[test]
fn airflow_of_a_clogged_laptop_comes_back() {
    let ambient = room(24.0, 0.3);
    let healthy = fit(&HEALTHY, &ambient, None);
    let model = model_of(&healthy);
    for truth in [0.70, 0.45] {
        let clogged = fit(&Laptop { airflow: truth, ..HEALTHY }, &ambient, Some(&model));
        let got = airflow(&clogged, &healthy);
        assert!((got - truth).abs() < 0.03, "airflow {truth} came back as {got}: {clogged:?}");
    }
}

#[test]
fn contact_of_dried_paste_comes_back() {
    let ambient = room(24.0, 0.3);
    let healthy = fit(&HEALTHY, &ambient, None);
    let worn = fit(&Laptop { contact: 1.8, ..HEALTHY }, &ambient, Some(&model_of(&healthy)));
    let ratio = value(worn.r_contact_k_w) / value(healthy.r_contact_k_w);
    assert!((ratio - 1.8).abs() < 0.03, "contact 1.8 came back as {ratio}: {worn:?}");
}
