//! `windrow survey`: what this machine lets us read, and what can be judged with it.

use std::path::Path;

use serde::Serialize;
use windrow_model::channel::Channel;
use windrow_model::record::wire::Model;
use windrow_model::verdict::wrap;

use super::{print, print_json};
use crate::cli::SurveyArgs;
use crate::exit::Exit;
use crate::failure::Outcome;
use crate::output::Output;
use crate::sensors::linux;
use crate::sensors::{Finding, Inventory, State};

const WIDTH: usize = 79;
const INDENT: usize = 24;

#[derive(Debug, Serialize)]
struct SurveyJson<'a> {
    model: &'a Model,
    findings: Vec<FindingJson<'a>>,
    judgements: Vec<Judgeable>,
}

#[derive(Debug, Serialize)]
struct FindingJson<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    channel: Option<&'static str>,
    what: &'a str,
    state: &'static str,
    source: &'a str,
    judges: &'a str,
    note: &'a str,
}

/// What a check on this machine can judge.
#[derive(Debug, Serialize)]
struct Judgeable {
    about: &'static str,
    can_judge: bool,
    words: String,
}

pub(super) fn run(args: &SurveyArgs, output: &mut Output) -> Outcome {
    let root = args.root.as_deref().unwrap_or(Path::new("/"));
    let inventory = linux::survey(root);
    let model = linux::model(root);
    let judgements = judgeable(&inventory);
    if args.json {
        let findings = inventory.findings.iter().map(finding_json).collect();
        print_json(output, &SurveyJson { model: &model, findings, judgements })?;
    } else {
        print(output, &text(&inventory, &model, &judgements))?;
    }
    Ok(Exit::Done)
}

fn finding_json(f: &Finding) -> FindingJson<'_> {
    FindingJson {
        channel: f.channel.map(|c| c.spec().column),
        what: &f.what,
        state: match f.state {
            State::Found => "found",
            State::Absent => "absent",
            State::Denied => "denied",
        },
        source: &f.source,
        judges: f.judges,
        note: &f.note,
    }
}

fn text(inventory: &Inventory, model: &Model, judgements: &[Judgeable]) -> String {
    let mut lines = vec![model_line(model), String::new(), "Can be read".to_owned()];
    let found = |wanted: &State| inventory.findings.iter().filter(|f| f.state == *wanted).collect::<Vec<_>>();
    for f in found(&State::Found) {
        point(&mut lines, &f.what, &format!("{}: {}", f.source, f.judges));
        note(&mut lines, &f.note);
    }
    for (title, state) in
        [("There, but not for this user; would tell", State::Denied), ("Not here; would tell", State::Absent)]
    {
        let findings = found(&state);
        if findings.is_empty() {
            continue;
        }
        lines.extend([String::new(), title.to_owned()]);
        for f in findings {
            point(&mut lines, &f.what, f.judges);
            note(&mut lines, &f.note);
        }
    }
    lines.extend([String::new(), "What one check can judge here".to_owned()]);
    for j in judgements {
        point(&mut lines, j.about, &format!("{}{}", if j.can_judge { "yes: " } else { "no: " }, j.words));
    }
    lines.join("\n")
}

fn model_line(model: &Model) -> String {
    let name = [model.vendor.as_str(), model.product.as_str()];
    let name: Vec<&str> = name.into_iter().filter(|p| !p.is_empty() && *p != "unknown").collect();
    let name = if name.is_empty() { "A machine that doesn't name itself".to_owned() } else { name.join(" ") };
    let cpu = if model.cpu.is_empty() { String::new() } else { format!("{}, ", model.cpu) };
    let cpus = if model.logical_cpus == 1 {
        "1 logical CPU".into()
    } else {
        format!("{} logical CPUs", model.logical_cpus)
    };
    format!("{name}\n{cpu}{cpus}")
}

fn point(lines: &mut Vec<String>, what: &str, words: &str) {
    for (n, line) in wrap(words, WIDTH - INDENT).iter().enumerate() {
        let before = if n == 0 { format!("  {what:<w$}", w = INDENT - 2) } else { " ".repeat(INDENT) };
        lines.push(format!("{before}{line}"));
    }
}

fn note(lines: &mut Vec<String>, note: &str) {
    if !note.is_empty() {
        point(lines, "", note);
    }
}

fn judgeable(inventory: &Inventory) -> Vec<Judgeable> {
    let has = |c: Channel| inventory.channel(c).is_some_and(|f| f.state == State::Found);
    let any = |channels: &[Channel]| channels.iter().any(|&c| has(c));
    if !has(Channel::CpuTempC) {
        let words = "there is no CPU temperature; `windrow check --emulate` shows a check without sensors";
        return vec![Judgeable { about: "anything", can_judge: false, words: words.into() }];
    }
    let one = |about, can_judge, yes: &str, no: &str| Judgeable {
        about,
        can_judge,
        words: (if can_judge { yes } else { no }).to_owned(),
    };
    vec![
        one(
            "fan",
            any(&[Channel::Fan1Rpm, Channel::Fan2Rpm]),
            "stopped, late or uneven; whether it is weak takes a reference",
            "no fan speed is shown; listen to it",
        ),
        one(
            "contact",
            has(Channel::PackagePowerW),
            "gross faults; less takes a reference",
            "package power is not read; with it, kelvins per watt would tell",
        ),
        one(
            "throttling",
            true,
            if any(&[Channel::ThrottleCount, Channel::ThrottleMs]) {
                "whether it is drawn back, and whether for heat"
            } else {
                "whether it slows down, by the work it does; not always why"
            },
            "",
        ),
        one("vents", false, "", "never by one check alone; with a hub's reference or over several checks"),
    ]
}
