//! The machine to check: this one, a captured tree, or an emulated laptop.

use std::fmt::Debug;
use std::path::Path;

use chrono::Utc;
use windrow_model::emulate::{Room, Start};
use windrow_model::record::limits::MAX_STRING_BYTES;
use windrow_model::record::wire::{
    Context, Emulation, Outcome, PreCheck, PreCheckKind, PreCheckResult, Provenance,
};
use windrow_model::trace::Trace;

use super::plan::{EmulationPlan, Plan};
use super::progress::Progress;
use super::{Checkable, Given, request};
use crate::browser::Window;
use crate::check::{self, Both, CheckRun, StopFlag};
use crate::clock::BootClock;
use crate::emulated::{self, Emulated};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::load::{RealLoad, machine_is_virtual};
use crate::machine::{Clock, Load, Machine, Sensors};
use crate::output::Output;
use crate::sensors::{NoSensors, linux};

/// What was found.
pub(super) enum Opened {
    /// It can be checked.
    Machine(Box<dyn Checkable>),
    /// It shows no CPU temperature. That is an attempt, and recorded as one: an auditor counts it.
    NoSensors(Box<CheckRun>),
}

/// Opens the machine that the plan names.
///
/// # Errors
/// An emulation in real time where nothing would watch the real machine.
pub(super) fn open(plan: &Plan) -> Result<Opened, Failure> {
    match &plan.emulation {
        Some(emulation) if emulation.real_time => in_real_time(emulation).map(Opened::Machine),
        Some(emulation) => {
            Ok(Opened::Machine(Box::new(emulated::in_virtual_time(&what(emulation), Utc::now()))))
        }
        None => Ok(match linux::open(&plan.root) {
            Ok(sensors) => Opened::Machine(Box::new(real(sensors, &plan.root))),
            Err(none) => Opened::NoSensors(Box::new(attempt(plan, &none))),
        }),
    }
}

fn real(sensors: linux::LinuxSensors, root: &Path) -> Machine<linux::LinuxSensors, RealLoad, BootClock> {
    let (provenance, emulation) = origin(root);
    Machine {
        sensors,
        load: RealLoad::new(),
        clock: BootClock,
        provenance,
        emulation,
        boot_id: boot_id(root),
        platform: linux::platform(root),
    }
}

/// Another root than the machine's own may hold anything: a record of it never counts as measured.
fn origin(root: &Path) -> (Provenance, Option<Emulation>) {
    if root == Path::new("/") {
        return (Provenance::Measured, None);
    }
    let emulation = Emulation { faults: "captured tree".into(), seed: 0, virtual_time: false };
    (Provenance::Emulated, Some(emulation))
}

fn boot_id(root: &Path) -> String {
    linux::boot_id(root).unwrap_or_else(|| "unknown".into())
}

fn what(plan: &EmulationPlan) -> Emulated {
    Emulated {
        spec: plan.spec.clone(),
        faults: plan.faults,
        room: Room::default(),
        start: Start::Idle,
        seed: plan.seed,
    }
}

/// The load is real and the temperatures are not: nothing would end it when the real machine gets hot. A virtual
/// machine has no heat of its own, and its host looks after itself.
fn in_real_time(plan: &EmulationPlan) -> Result<Box<dyn Checkable>, Failure> {
    if !machine_is_virtual(Path::new("/")) {
        return Err(Failure::new(
            "an emulated laptop under a real load is for virtual machines only: nothing would watch this one's heat",
        )
        .remedy("leave `--real-time` out, or run `windrow check` without `--emulate`")
        .exit(Exit::NotChecked));
    }
    Ok(Box::new(emulated::in_real_time(&what(plan), RealLoad::new(), BootClock)))
}

fn attempt(plan: &Plan, none: &NoSensors) -> CheckRun {
    let (provenance, emulation) = origin(&plan.root);
    let mut detail = none.to_string();
    while detail.len() > MAX_STRING_BYTES {
        detail.pop();
    }
    CheckRun {
        started_at: Utc::now(),
        boot_id: boot_id(&plan.root),
        provenance,
        emulation,
        model: linux::model(&plan.root),
        platform: linux::platform(&plan.root),
        load_mix: RealLoad::new().mix(),
        protocol: plan.protocol,
        outcome: Outcome::NotStarted,
        pre_checks: vec![PreCheck { check: PreCheckKind::Sensors, result: PreCheckResult::Failed, detail }],
        context: Context { ambient: plan.ambient, ..Context::default() },
        sources: Vec::new(),
        limit: None,
        events: Vec::new(),
        trace: Trace::empty(),
    }
}

impl<S, L, C> Checkable for Machine<S, L, C>
where
    S: Sensors + Debug,
    L: Load + Debug,
    C: Clock + Debug,
{
    fn logical_cpus(&self) -> u32 {
        self.sensors.model().logical_cpus
    }

    fn product(&self) -> String {
        self.sensors.model().product
    }

    fn check(
        mut self: Box<Self>,
        plan: &Plan,
        given: Given,
        stop: &StopFlag,
        output: &mut Output,
        window: Option<&Window>,
    ) -> CheckRun {
        let virtual_time = self.emulation.as_ref().is_some_and(|e| e.virtual_time);
        let mut progress = Progress::new(output, plan.protocol, virtual_time);
        let request = request(plan, given);
        let run = match window {
            None => check::run(&mut *self, &request, stop, &mut progress),
            Some(window) => {
                let mut both = Both(&mut progress, window.observer(plan.protocol));
                check::run(&mut *self, &request, stop, &mut both)
            }
        };
        progress.finish();
        run
    }
}
