//! `windrow check`: settings, announcement, the run, the record, the verdict, the page, the post.
//!
//! The order is the promise: everything that can fail without a load (settings, files, folder, room, questions) comes
//! before it, and the record is safely in the spool before anything is shown or sent.

mod announce;
mod ask;
mod conclude;
mod machine;
mod plan;
mod progress;

use std::path::Path;

use chrono::Utc;
use windrow_model::record::wire::{
    Event, EventKind, Outcome as RunOutcome, PreCheck, PreCheckKind, PreCheckResult,
};
use windrow_model::verdict::Standing;

use crate::check::{CheckRun, StopFlag};
use crate::cli::CheckArgs;
use crate::exit::Exit;
use crate::failure::{Failure, Outcome};
use crate::identity::{self, Made};
use crate::output::Output;
use crate::spool::{self, Spool};
use crate::state::StateDir;

use ask::Answers;
use machine::Opened;
use plan::Plan;

pub(super) fn run(
    args: &CheckArgs,
    open: impl FnOnce() -> Result<StateDir, Failure>,
    output: &mut Output,
) -> Outcome {
    let plan = Plan::of(args)?;
    let state = open()?;
    let hub = plan.hub(&state)?;
    let _lock = state.lock()?;
    let spool = Spool::new(&state);
    spool::check_room(&spool)?;
    let identity = identity::load_or_make(&state, &identity::fingerprint(Path::new("/")), Utc::now())?;
    if identity.made == Some(Made::MachineChanged) {
        output.say("This is another machine than before: it gets a new identity and joins its hub anew.");
    }
    // Before anybody is asked to sit still for a check that cannot be made.
    let mut run = match machine::open(&plan)? {
        Opened::NoSensors(attempt) => {
            announce::no_sensors(&plan, hub.as_ref(), &state, output);
            *attempt
        }
        Opened::Machine(machine) => {
            announce::announce(&plan, logical_cpus(&plan, &*machine), hub.as_ref(), &state, output);
            let Some(answers) = ask::ask(&plan, output)? else {
                output.say("Not now. Nothing was loaded, nothing is sent.");
                return Ok(Exit::NotChecked);
            };
            machine.check(&plan, answers, &stop_on_signals()?, output)
        }
    };
    run.pre_checks.push(spool_pre_check());
    conclude::conclude(&plan, &run, &spool, &identity.signing, hub.as_ref(), output)
}

/// How many CPUs will be busy: an emulated laptop's own count says nothing about a load that is real.
fn logical_cpus(plan: &Plan, machine: &dyn Checkable) -> u32 {
    let here = || std::thread::available_parallelism().map_or(1, |n| n.get() as u32);
    if plan.emulation.is_some() { here() } else { machine.logical_cpus() }
}

/// What was made sure of before the run, for the record.
fn spool_pre_check() -> PreCheck {
    let detail = format!("took a test file of {} bytes", spool::ROOM_BYTES);
    PreCheck { check: PreCheckKind::Spool, result: PreCheckResult::Passed, detail }
}

/// Ctrl-C and the system's wish to end raise the flag; the check looks at it many times a second.
fn stop_on_signals() -> Result<StopFlag, Failure> {
    use crate::check::StopReason;
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
    let flag = StopFlag::new();
    let signals = signal_hook::iterator::Signals::new([SIGINT, SIGTERM, SIGHUP]);
    let mut signals =
        signals.map_err(|e| Failure::new(format!("cannot listen for Ctrl-C: {e}; no load is started")))?;
    let raised = flag.clone();
    std::thread::Builder::new()
        .name("signals".into())
        .spawn(move || {
            for signal in signals.forever() {
                raised.raise(if signal == SIGINT { StopReason::Interrupt } else { StopReason::Terminate });
            }
        })
        .map_err(|e| Failure::new(format!("cannot listen for Ctrl-C: {e}; no load is started")))?;
    Ok(flag)
}

/// The exit code of a verdict. An interrupted check gives no verdict on which a script may build.
pub(super) fn exit_of_verdict(standing: Standing, outcome: RunOutcome, events: &[Event]) -> Exit {
    let cut_short = |e: &Event| e.kind.ends_load() && !is_a_finding(e.kind);
    match standing {
        Standing::Fault | Standing::Suspect => Exit::Attention,
        Standing::NotChecked => Exit::NotChecked,
        _ if outcome != RunOutcome::Complete && events.iter().any(cut_short) => Exit::NotChecked,
        Standing::Watch | Standing::NothingSeen | Standing::CannotTell => Exit::Done,
    }
}

const fn is_a_finding(kind: EventKind) -> bool {
    matches!(kind, EventKind::AtLimit | EventKind::OverLimit | EventKind::FanStoppedAtLimit)
}

/// Answers and plan together as the check wants them.
fn request(plan: &Plan, answers: Answers) -> crate::check::CheckRequest {
    crate::check::CheckRequest {
        protocol: plan.protocol,
        ambient: plan.ambient,
        hard_surface: answers.hard_surface,
        bulging: answers.bulging,
        attended: answers.attended,
        hold: None,
        busy_max_pct: plan.busy_max_pct,
    }
}

/// What a machine that was opened can do.
trait Checkable {
    fn logical_cpus(&self) -> u32;
    fn check(
        self: Box<Self>,
        plan: &Plan,
        answers: Answers,
        stop: &StopFlag,
        output: &mut Output,
    ) -> CheckRun;
}
