//! The verdict: what one check says, in words, with the evidence, and what it cannot say.
//!
//! One run without a reference can honestly say: the fan stands, is late or absent; the laptop ran at its limit; the
//! contact is suspect; nothing else was seen. Of the vents it cannot tell, since a healthy heat sink of another model
//! looks like a clogged one of this, and says what would tell. There is no peak-temperature threshold here: a hot
//! room moves the peak by 7 K where a third of the airflow moves it by 2 K, so a threshold would rank rooms.
//!
//! Terminal, page and JSON show the same words. Every number that decides stands in [`limits`] with its source.

mod attempt;
mod change;
mod contact;
mod data;
mod fan;
pub mod limits;
mod observe;
mod peers;
mod text;
mod throttling;
mod vents;

use schemars::JsonSchema;
use serde::Serialize;

use crate::analysis::RunAnalysis;
use crate::cautions;
use crate::protocol::Protocol;
use crate::record::wire::{Ambient, AmbientSource, Context, Event, Limit, Outcome, PreCheck};
use crate::trace::Trace;

pub use attempt::{event_words, pre_check_failure, pre_check_name, pre_check_remedy};
pub use change::with_change;
pub use peers::with_peers;
pub use text::{Figure, figures, to_text, wrap};

use observe::Observed;

/// Where a run came from, for the words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin<'a> {
    /// This machine's sensors.
    Measured,
    /// The emulated laptop, with these faults.
    Emulated {
        /// As asked for; empty for a healthy one.
        faults: &'a str,
    },
    /// A trace file from elsewhere.
    Imported,
}

/// A run to be judged.
#[derive(Debug, Clone, Copy)]
pub struct Case<'a> {
    /// Where it came from.
    pub origin: Origin<'a>,
    /// The run.
    pub trace: &'a Trace,
    /// What its analysis says.
    pub analysis: &'a RunAnalysis,
    /// The temperature at which the load ends, where known.
    pub limit: Option<&'a Limit>,
    /// Phase lengths, where it was a check.
    pub protocol: Option<&'a Protocol>,
    /// Circumstances, where they were recorded.
    pub context: Option<&'a Context>,
    /// How it ended.
    pub outcome: Outcome,
    /// Safety stops and gaps.
    pub events: &'a [Event],
    /// Pre-checks.
    pub pre_checks: &'a [PreCheck],
}

impl Case<'_> {
    /// Room temperature that is so much better than the indoor guess that another would not tell more.
    fn ambient_is_known(&self) -> bool {
        let is_good = |a: Ambient| a.source != AmbientSource::Prior && a.sd_k <= limits::AMBIENT_GOOD_SD_K;
        self.context.and_then(|c| c.ambient).is_some_and(is_good)
    }
}

/// What a finding is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename = "RunAbout")]
pub enum About {
    /// Fan.
    Fan,
    /// Paste and mounting.
    Contact,
    /// Throttling and the limit.
    Throttling,
    /// Vents and fins.
    Vents,
    /// What changed since earlier checks.
    Change,
    /// The data themselves and the circumstances.
    Data,
}

impl About {
    /// As a person reads it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Fan => "fan",
            Self::Contact => "contact",
            Self::Throttling => "throttling",
            Self::Vents => "vents",
            Self::Change => "change",
            Self::Data => "data",
        }
    }
}

/// How sure and how grave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename = "RunJudgement")]
pub enum Judgement {
    /// Judged, and in order as far as this check can see.
    NothingSeen,
    /// Odd, with an innocent explanation as likely.
    Watch,
    /// A fault is likelier than an innocent explanation.
    Suspect,
    /// A fault.
    Fault,
}

impl Judgement {
    /// As a person reads it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::NothingSeen => "nothing seen",
            Self::Watch => "watch",
            Self::Suspect => "suspect",
            Self::Fault => "fault",
        }
    }

    /// Whether it asks for attention.
    pub const fn asks_for_attention(self) -> bool {
        matches!(self, Self::Suspect | Self::Fault)
    }
}

/// Something that was judged.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[schemars(rename = "RunFinding")]
pub struct Finding {
    /// About what.
    pub about: About,
    /// How sure and how grave.
    pub judgement: Judgement,
    /// What was found, a sentence or two.
    pub words: String,
    /// The numbers behind it.
    pub evidence: Vec<String>,
    /// What to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
    /// Whether that means opening or servicing the laptop: then the cautions belong beside it.
    pub is_service: bool,
}

impl Finding {
    fn new(about: About, judgement: Judgement, words: impl Into<String>) -> Self {
        let (evidence, next) = (Vec::new(), None);
        Self { about, judgement, words: words.into(), evidence, next, is_service: false }
    }

    fn evidence(mut self, line: impl Into<String>) -> Self {
        self.evidence.push(line.into());
        self
    }

    fn evidence_all(mut self, lines: impl IntoIterator<Item = String>) -> Self {
        self.evidence.extend(lines);
        self
    }

    fn next(mut self, next: impl Into<String>) -> Self {
        self.next = Some(next.into());
        self
    }

    fn service(self, next: impl Into<String>) -> Self {
        Self { is_service: true, ..self.next(next) }
    }
}

/// Something that could not be judged.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[schemars(rename = "RunUnjudged")]
pub struct Unjudged {
    /// What.
    pub about: About,
    /// Why not.
    pub because: String,
    /// What would tell.
    pub would_tell: Vec<String>,
    /// What was measured all the same.
    pub evidence: Vec<String>,
}

/// The whole in one word, for programs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename = "RunStanding")]
pub enum Standing {
    /// A fault was found.
    Fault,
    /// A fault is suspected.
    Suspect,
    /// Something odd, nothing to do yet.
    Watch,
    /// Nothing seen in what could be judged.
    NothingSeen,
    /// Nothing could be judged.
    CannotTell,
    /// The check was not made.
    NotChecked,
}

/// What one check says.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[schemars(rename = "RunVerdict")]
pub struct Verdict {
    /// The whole in one word.
    pub standing: Standing,
    /// The whole in a sentence.
    pub headline: String,
    /// Said first where it isn't this machine's own sensors that were read.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub notice: Option<String>,
    /// What was judged, gravest first.
    pub findings: Vec<Finding>,
    /// What could not be judged.
    pub unjudged: Vec<Unjudged>,
    /// What to do next, in order.
    pub next: Vec<String>,
    /// Cautions, where a service is advised.
    pub cautions: Vec<&'static str>,
}

/// What a room has to say of its subject.
enum Judged {
    Finding(Finding),
    Unjudged(Unjudged),
}

impl From<Finding> for Judged {
    fn from(finding: Finding) -> Self {
        Self::Finding(finding)
    }
}

impl From<Unjudged> for Judged {
    fn from(unjudged: Unjudged) -> Self {
        Self::Unjudged(unjudged)
    }
}

/// Judges one run.
pub fn judge(case: &Case<'_>) -> Verdict {
    let notice = notice(case.origin);
    if case.outcome == Outcome::NotStarted {
        return Verdict { notice, ..attempt::not_checked(case) };
    }
    let seen = Observed::of(case);
    let mut findings = data::findings(case);
    let mut unjudged = Vec::new();
    let rooms = [fan::judge(case, &seen), contact::judge(case, &seen), throttling::judge(case, &seen)];
    for judged in rooms.into_iter().flatten().chain([vents::judge(case)]) {
        match judged {
            Judged::Finding(f) => findings.push(f),
            Judged::Unjudged(u) => unjudged.push(u),
        }
    }
    findings.sort_by(|a, b| b.judgement.cmp(&a.judgement).then(a.about.cmp(&b.about)));
    let standing = standing(&findings);
    let mut headline = headline(standing, &findings, &unjudged);
    if case.outcome == Outcome::StoppedEarly && matches!(standing, Standing::NothingSeen | Standing::Watch) {
        headline.push_str(if load_was_whole(case) {
            "; the recovery ended early"
        } else {
            "; the load ended early"
        });
    }
    let next = next_steps(case.outcome, standing, &findings);
    let cautions = cautions_beside(&findings);
    Verdict { standing, headline, notice, findings, unjudged, next, cautions }
}

fn notice(origin: Origin<'_>) -> Option<String> {
    match origin {
        Origin::Measured => None,
        Origin::Imported => Some("From a trace file: nobody vouches for where it was recorded.".into()),
        Origin::Emulated { faults: "" } => {
            Some("Emulated laptop, healthy: this says nothing about the machine you sit at.".into())
        }
        Origin::Emulated { faults } => {
            Some(format!("Emulated laptop with `{faults}`: this says nothing about the machine you sit at."))
        }
    }
}

/// A sampling step: a load that lasted so nearly as long as planned was not cut short.
const LOAD_SLACK_S: f64 = 1.0;

fn load_was_whole(case: &Case<'_>) -> bool {
    case.protocol.is_some_and(|p| case.analysis.phases.load_length_s() >= p.load_s - LOAD_SLACK_S)
}

fn standing(findings: &[Finding]) -> Standing {
    // Data alone are no judgement of the cooling.
    let cooling = findings.iter().filter(|f| f.about != About::Data);
    match cooling.map(|f| f.judgement).max() {
        Some(Judgement::Fault) => Standing::Fault,
        Some(Judgement::Suspect) => Standing::Suspect,
        Some(Judgement::Watch) => Standing::Watch,
        Some(Judgement::NothingSeen) => Standing::NothingSeen,
        None => Standing::CannotTell,
    }
}

fn headline(standing: Standing, findings: &[Finding], unjudged: &[Unjudged]) -> String {
    let named = |judgement| {
        let mut names: Vec<&str> =
            findings.iter().filter(|f| f.judgement == judgement).map(|f| f.about.name()).collect();
        names.dedup();
        names.join(" and ")
    };
    let open: Vec<&str> = unjudged.iter().map(|u| u.about.name()).collect();
    let but = match open.as_slice() {
        [] => String::new(),
        open => format!("; {} cannot be judged from this check alone", open.join(", ")),
    };
    match standing {
        Standing::Fault => format!("a fault: {}", named(Judgement::Fault)),
        Standing::Suspect => format!("suspect: {}{but}", named(Judgement::Suspect)),
        Standing::Watch => format!("nothing to service yet, but watch: {}{but}", named(Judgement::Watch)),
        Standing::NothingSeen => {
            let judged: Vec<&str> =
                findings.iter().filter(|f| f.about != About::Data).map(|f| f.about.name()).collect();
            format!("nothing wrong seen ({}){but}", judged.join(", "))
        }
        Standing::CannotTell => "cannot tell: nothing about the cooling could be judged".into(),
        Standing::NotChecked => "the check was not made".into(),
    }
}

fn cautions_beside(findings: &[Finding]) -> Vec<&'static str> {
    if findings.iter().any(|f| f.is_service) { cautions::SERVICE.to_vec() } else { Vec::new() }
}

fn next_steps(outcome: Outcome, standing: Standing, findings: &[Finding]) -> Vec<String> {
    let mut steps: Vec<String> = Vec::new();
    for step in findings.iter().filter_map(|f| f.next.clone()) {
        if !steps.contains(&step) {
            steps.push(step);
        }
    }
    if findings.iter().any(|f| f.is_service) {
        steps.push(cautions::USER.to_owned());
        steps.push(
            "After the service, check again in the same place: the difference says whether it helped."
                .to_owned(),
        );
    }
    if steps.is_empty() && standing == Standing::NothingSeen && outcome == Outcome::Complete {
        steps.push(
            "Nothing needs doing by what could be judged. Check again in some months, in the same place: the change over time says more than one check."
                .to_owned(),
        );
    }
    steps
}

#[cfg(test)]
mod tests;
