//! What is said before anything begins: how long, how loud, what is sent, and to whom.

use chrono::Utc;
use windrow_model::cautions;
use windrow_model::protocol::Protocol;
use windrow_model::verdict::wrap;

use super::plan::Plan;
use crate::held::Held;
use crate::hub::HubAddress;
use crate::output::Output;
use crate::state::StateDir;
use crate::wanted;

const WIDTH: usize = 79;
/// Watch and pulse before the settle phase, s.
const BEFORE_S: f64 = 20.0;

pub(super) fn announce(
    plan: &Plan,
    logical_cpus: u32,
    hub: Option<&HubAddress>,
    state: &StateDir,
    output: &mut Output,
) {
    // A wish that cannot be read is no reason against a check.
    if let Ok(Some(wanted)) = wanted::wanted(state) {
        say_wrapped(&wanted.words(Utc::now()), output);
    }
    let mut lines = what_happens(plan, logical_cpus);
    if plan.loads_this_machine() {
        let end = if plan.in_browser { "Its stop button or Ctrl-C" } else { "Ctrl-C" };
        lines.push(format!("Leave the laptop alone meanwhile, on mains power. {end} ends it at any time."));
        lines.extend(cautions::LOAD.iter().map(|c| (*c).to_owned()));
    }
    for line in lines.iter().chain(&what_is_sent(plan, hub, state)) {
        say_wrapped(line, output);
    }
    output.say("");
}

/// The administrator's hold and its caution.
pub(super) fn held(held: &Held, output: &mut Output) {
    for line in held.words() {
        say_wrapped(&line, output);
    }
    output.say("");
}

/// The attempt is a record too.
pub(super) fn no_sensors(plan: &Plan, hub: Option<&HubAddress>, state: &StateDir, output: &mut Output) {
    say_wrapped(
        "No CPU temperature can be read here, so no load is started. The attempt is recorded.",
        output,
    );
    for line in what_is_sent(plan, hub, state) {
        say_wrapped(&line, output);
    }
    output.say("");
}

pub(super) fn what_happens(plan: &Plan, logical_cpus: u32) -> Vec<String> {
    let p = &plan.protocol;
    if let Some(emulation) = plan.emulation.as_ref().filter(|e| !e.real_time) {
        let faults = emulation.faults.to_string();
        let with = if faults.is_empty() { "healthy".to_owned() } else { format!("with {faults}") };
        return vec![format!(
            "An emulated {} is checked, {with}, in virtual time: {:.0} s of load pass at once, and nothing here is loaded.",
            emulation.spec.model.product, p.load_s
        )];
    }
    let mut lines = vec![format!("This check takes {}:", duration(p))];
    if plan.emulation.is_some() {
        lines.insert(0, "The temperatures are those of an emulated laptop; the load is real.".into());
    }
    let rest = if p.settle_min_s < p.settle_max_s {
        format!("{:.0} to {:.0} s", p.settle_min_s, p.settle_max_s)
    } else {
        format!("{:.0} s", p.settle_max_s)
    };
    lines.push(format!("  rest      {rest}, until the temperature is steady"));
    lines.push(format!(
        "  load      {:.0} s, all {logical_cpus} logical CPUs busy: warm, and the fan will be heard",
        p.load_s
    ));
    lines.push(format!("  recovery  {:.0} s of rest", p.recovery_s));
    lines
}

/// In minutes, as people plan.
fn duration(p: &Protocol) -> String {
    let fixed_s = BEFORE_S + p.load_s + p.recovery_s;
    let minutes = |s: f64| (s / 60.0).ceil().max(1.0);
    let (short, long) = (minutes(fixed_s + p.settle_min_s), minutes(fixed_s + p.settle_max_s));
    if short < long { format!("{short:.0} to {long:.0} minutes") } else { format!("about {long:.0} min") }
}

pub(super) fn what_is_sent(plan: &Plan, hub: Option<&HubAddress>, state: &StateDir) -> Vec<String> {
    let what = "readings, circumstances, model name and firmware version, under a random device id; no user name, no host name, no serial number";
    let spool = state.spool();
    let to = match hub {
        Some(hub) => format!("One record is sent to {}: {what}.", hub.shown()),
        None => format!("Nothing is sent. One record is kept in {}: {what}.", spool.display()),
    };
    let see = if plan.in_browser || plan.show == super::plan::Show::Record {
        ""
    } else {
        " `--show-record` prints it."
    };
    vec![format!("{to}{see}")]
}

fn say_wrapped(line: &str, output: &mut Output) {
    let indent = line.len() - line.trim_start().len();
    let pad = " ".repeat(indent);
    if indent > 0 && line.chars().count() <= WIDTH {
        // Columns stay as they are.
        output.say(line);
        return;
    }
    for part in wrap(line, WIDTH - indent) {
        output.say(&format!("{pad}{part}"));
    }
}
