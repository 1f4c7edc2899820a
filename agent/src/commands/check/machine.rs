//! The machine to check: this one, a captured tree, or an emulated laptop.

use std::fmt::Debug;

use chrono::Utc;
use windrow_model::emulate::{Room, Start};

use super::ask::Answers;
use super::plan::{EmulationPlan, Plan};
use super::progress::Progress;
use super::{Checkable, request};
use crate::check::{self, CheckRun, StopFlag};
use crate::clock::BootClock;
use crate::emulated::{self, Emulated};
use crate::failure::Failure;
use crate::load::RealLoad;
use crate::machine::{Clock, Load, Machine, Sensors};
use crate::output::Output;
use crate::sensors::linux;
use windrow_model::record::wire::Provenance;

/// Opens the machine that the plan names.
///
/// # Errors
/// No sensors here.
pub(super) fn open(plan: &Plan) -> Result<Box<dyn Checkable>, Failure> {
    match &plan.emulation {
        Some(emulation) => Ok(emulated(emulation)),
        None => real(plan),
    }
}

/// This machine, or the tree of files that stands for one.
fn real(plan: &Plan) -> Result<Box<dyn Checkable>, Failure> {
    let root = plan.root.as_path();
    let sensors = linux::open(root).map_err(|e| {
        Failure::new(e.to_string())
            .remedy("run `windrow survey` for what is here, or try `windrow check --emulate \"\"` on an emulated laptop")
    })?;
    Ok(Box::new(Machine {
        sensors,
        load: RealLoad::new(),
        clock: BootClock,
        provenance: Provenance::Measured,
        emulation: None,
        boot_id: linux::boot_id(root).unwrap_or_else(|| "unknown".to_owned()),
        platform: linux::platform(root),
    }))
}

fn emulated(plan: &EmulationPlan) -> Box<dyn Checkable> {
    let what = Emulated {
        spec: plan.spec.clone(),
        faults: plan.faults,
        room: Room::default(),
        start: Start::Idle,
        seed: plan.seed,
    };
    Box::new(emulated::in_virtual_time(&what, Utc::now()))
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

    fn check(
        mut self: Box<Self>,
        plan: &Plan,
        answers: &Answers,
        stop: &StopFlag,
        output: &mut Output,
    ) -> CheckRun {
        let virtual_time = self.emulation.as_ref().is_some_and(|e| e.virtual_time);
        let mut progress = Progress::new(output, plan.protocol, virtual_time);
        let run = check::run(&mut *self, &request(plan, answers), stop, &mut progress);
        progress.finish();
        run
    }
}
