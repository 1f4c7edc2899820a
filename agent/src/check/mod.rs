//! One check: pre-checks, settle, load, recovery, and the safety stops over all of it.

mod pre;
mod recorder;
mod runner;
pub mod safety;
pub mod settle;

pub use crate::stop::{StopFlag, StopReason};
pub(crate) use pre::PULSE_S;
pub(crate) use runner::AMBIENT_PRIOR;
pub use runner::run;

use chrono::{DateTime, Utc};
use windrow_model::protocol::{Phase, Protocol};
use windrow_model::record::wire;
use windrow_model::trace::Trace;

use crate::machine::Reading;

/// What a check is asked to do.
#[derive(Debug, Clone)]
pub struct CheckRequest {
    /// Phase lengths.
    pub protocol: Protocol,
    /// Room temperature that a person told.
    pub ambient: Option<wire::Ambient>,
    /// A person's answer: stands on a hard flat surface. `None`: not asked.
    pub hard_surface: Option<bool>,
    /// A person's answer: battery or case bulges. `None`: not asked.
    pub bulging: Option<bool>,
    /// Started by a person at the machine.
    pub attended: bool,
    /// The administrator's hold, with its reason.
    pub hold: Option<String>,
    /// Busy share below which the machine counts as idle, %; `None`: the default. The one gate that a bench may
    /// move: an emulated processor is never quiet. It decides whether the numbers can be trusted, not safety.
    pub busy_max_pct: Option<f64>,
}

/// A finished check, before it is signed. A failed pre-check is one too, with an empty trace.
#[derive(Debug, Clone)]
pub struct CheckRun {
    /// Start by the wall clock.
    pub started_at: DateTime<Utc>,
    /// Kernel boot id.
    pub boot_id: String,
    /// Where the run came from.
    pub provenance: wire::Provenance,
    /// What was emulated.
    pub emulation: Option<wire::Emulation>,
    /// Model and firmware.
    pub model: wire::Model,
    /// Operating system and processor architecture.
    pub platform: wire::Platform,
    /// The load program.
    pub load_mix: wire::LoadMix,
    /// Phase lengths as asked for.
    pub protocol: Protocol,
    /// How it ended.
    pub outcome: wire::Outcome,
    /// Pre-checks in order.
    pub pre_checks: Vec<wire::PreCheck>,
    /// Circumstances.
    pub context: wire::Context,
    /// What was read, and from where.
    pub sources: Vec<wire::Source>,
    /// The limit, where a sensor was found.
    pub limit: Option<wire::Limit>,
    /// Safety stops and gaps.
    pub events: Vec<wire::Event>,
    /// All samples.
    pub trace: Trace,
}

/// What is done before the phases.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Preparing {
    /// Looking whether the machine is at rest.
    Watch,
    /// A short pulse of load: does the sensor follow?
    Pulse,
}

/// Told of a check's progress: a progress bar, plain lines, a page or nothing.
pub trait Observer {
    /// A step before the phases begins; `longest_s` is how long it can last.
    fn preparing(&mut self, _step: Preparing, _longest_s: f64) {}
    /// A sweep before the phases, `in_step_s` seconds into the step.
    fn preparing_sample(&mut self, _step: Preparing, _in_step_s: f64, _reading: &Reading) {}
    /// A pre-check was made.
    fn pre_check(&mut self, check: &wire::PreCheck);
    /// A phase begins; `longest_s` is how long it can last.
    fn phase(&mut self, phase: Phase, longest_s: f64);
    /// A sample was taken, `in_phase_s` seconds into the phase.
    fn sample(&mut self, phase: Phase, in_phase_s: f64, reading: &Reading);
    /// Something happened.
    fn event(&mut self, event: &wire::Event);
}

/// Tells two observers.
#[derive(Debug)]
pub struct Both<'a, A, B>(pub &'a mut A, pub B);

impl<A: Observer, B: Observer> Observer for Both<'_, A, B> {
    fn preparing(&mut self, step: Preparing, longest_s: f64) {
        self.0.preparing(step, longest_s);
        self.1.preparing(step, longest_s);
    }

    fn preparing_sample(&mut self, step: Preparing, in_step_s: f64, reading: &Reading) {
        self.0.preparing_sample(step, in_step_s, reading);
        self.1.preparing_sample(step, in_step_s, reading);
    }

    fn pre_check(&mut self, check: &wire::PreCheck) {
        self.0.pre_check(check);
        self.1.pre_check(check);
    }

    fn phase(&mut self, phase: Phase, longest_s: f64) {
        self.0.phase(phase, longest_s);
        self.1.phase(phase, longest_s);
    }

    fn sample(&mut self, phase: Phase, in_phase_s: f64, reading: &Reading) {
        self.0.sample(phase, in_phase_s, reading);
        self.1.sample(phase, in_phase_s, reading);
    }

    fn event(&mut self, event: &wire::Event) {
        self.0.event(event);
        self.1.event(event);
    }
}
