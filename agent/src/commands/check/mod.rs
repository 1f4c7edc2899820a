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
    Event, EventKind, Outcome as RunOutcome, PreCheck, PreCheckKind, PreCheckResult, Provenance,
};
use windrow_model::verdict::Standing;

use crate::browser::{self, Window};
use crate::check::{CheckRun, StopFlag};
use crate::cli::CheckArgs;
use crate::commands::post::held_now;
use crate::commands::{kept, signals};
use crate::due::Due;
use crate::exit::Exit;
use crate::failure::{Failure, Outcome};
use crate::held::Held;
use crate::hub::HubAddress;
use crate::identity::{self, Made};
use crate::output::Output;
use crate::spool::{self, Spool};
use crate::state::StateDir;
use crate::wanted;

use ask::Answers;
use conclude::After;
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
    if let Some(days) = args.if_due
        && let Some(why) = not_due(&plan, &state, &spool, days)?
    {
        output.say(&why);
        return Ok(Exit::Done);
    }
    spool::check_room(&spool)?;
    let identity = identity::load_or_make(&state, &identity::fingerprint(Path::new("/")), Utc::now())?;
    if identity.made == Some(Made::MachineChanged) {
        output.say("This is another machine than before: it gets a new identity and joins its hub anew.");
    }
    let stop = StopFlag::new();
    let held = held_now(&state, hub.as_ref(), &stop)?;
    if let Some(held) = &held {
        announce::held(held, output);
    }
    let mut window = None;
    // Before anybody is asked to sit still for a check that cannot be made.
    let mut run = match machine::open(&plan)? {
        Opened::NoSensors(attempt) => {
            announce::no_sensors(&plan, hub.as_ref(), &state, output);
            signals::raise_on_signals(&stop)?;
            *attempt
        }
        Opened::Machine(machine) => {
            let logical_cpus = logical_cpus(&plan, &*machine);
            announce::announce(&plan, logical_cpus, hub.as_ref(), &state, output);
            let asked = if plan.in_browser {
                signals::raise_on_signals(&stop)?;
                let ready = ready(&plan, &machine.product(), logical_cpus, hub.as_ref(), &state);
                let opened = window.insert(Window::open(ready, &stop, state.root(), output)?);
                opened.wait_for_start(&stop).map(Answers::from)
            } else if held.is_some() {
                // Nobody is asked to sit still for it; the attempt is recorded, and its acknowledgement tells how it stands.
                Some(Answers::NOBODY)
            } else {
                ask::ask(&plan, output)?
            };
            let Some(answers) = asked else {
                output.say("Not now. Nothing was loaded, nothing is sent.");
                return Ok(Exit::NotChecked);
            };
            if !plan.in_browser {
                // From here on; a question is left by Ctrl-C at once, as everywhere.
                signals::raise_on_signals(&stop)?;
            }
            machine.check(&plan, Given { answers, held }, &stop, output, window.as_ref())
        }
    };
    run.pre_checks.push(spool_pre_check());
    let after = After {
        state: &state,
        spool: &spool,
        signing: &identity.signing,
        hub: hub.as_ref(),
        stop: &stop,
        window: window.as_ref(),
    };
    let concluded = conclude::conclude(&plan, &run, &after, output);
    if let Some(window) = window {
        window.wait_until_closed(&stop, output);
    }
    concluded
}

/// What the page tells before the start: what the terminal tells.
fn ready(
    plan: &Plan,
    model: &str,
    logical_cpus: u32,
    hub: Option<&HubAddress>,
    state: &StateDir,
) -> browser::Ready {
    browser::Ready {
        model: model.to_owned(),
        what_happens: announce::what_happens(plan, logical_cpus),
        what_is_sent: announce::what_is_sent(plan, hub, state),
    }
}

/// Why no check is due, where none is.
fn not_due(plan: &Plan, state: &StateDir, spool: &Spool, every_days: u32) -> Result<Option<String>, Failure> {
    let provenance = if plan.emulation.is_some() { Provenance::Emulated } else { Provenance::Measured };
    let now = Utc::now();
    let due = Due::of(now, kept::last_whole(spool, provenance)?, every_days, wanted::wanted(state)?);
    Ok((!due.now()).then(|| due.words(now)))
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

/// What is known before the check from people: at the laptop, and its administrator.
struct Given {
    answers: Answers,
    held: Option<Held>,
}

/// All of it and the plan together as the check wants them.
fn request(plan: &Plan, given: Given) -> crate::check::CheckRequest {
    let Given { answers, held } = given;
    crate::check::CheckRequest {
        protocol: plan.protocol,
        ambient: plan.ambient,
        hard_surface: answers.hard_surface,
        bulging: answers.bulging,
        attended: answers.attended,
        hold: held.map(|held| held.why),
        busy_max_pct: plan.busy_max_pct,
    }
}

/// What a machine that was opened can do.
trait Checkable {
    fn logical_cpus(&self) -> u32;
    fn product(&self) -> String;
    fn check(
        self: Box<Self>,
        plan: &Plan,
        given: Given,
        stop: &StopFlag,
        output: &mut Output,
        window: Option<&Window>,
    ) -> CheckRun;
}
