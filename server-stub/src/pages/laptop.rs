//! One laptop: the verdict and its reason first, then what they rest on.

use chrono::NaiveDate;
use maud::{Markup, PreEscaped, html};
use schemars::JsonSchema;
use serde::Serialize;
use windrow_model::analysis::RunAnalysis;
use windrow_model::cautions;
use windrow_model::chart::{PeersBand, Width, peers_bands, run_chart};
use windrow_model::record::wire::Header;
use windrow_model::trace::Trace;
use windrow_model::trace::fleet::ServiceAction;
use windrow_model::verdict::{Finding, Judgement, Unjudged, Verdict, figures};

use super::behind::{self, Behind};
use super::fleet::Entry;
use super::gauge;
use super::history;
use super::layout::{Reader, form_token};
use super::service_list::{Overlay, where_it_is};
use super::words;
use crate::effects::{PartEffect, VisitEffect};
use crate::scoring::Band;
use crate::store::EpochMs;
use crate::store::facts::Visit;
use crate::store::runs::RunLine;

/// The last run that has a curve, read again by the hub.
#[derive(Debug)]
pub struct ShownRun {
    /// The record's header; `None` for an imported run.
    pub header: Option<Header>,
    /// Its digest.
    pub digest: String,
    /// When it was tested.
    pub tested_at_ms: EpochMs,
    /// The run.
    pub trace: Trace,
    /// Its analysis.
    pub analysis: RunAnalysis,
    /// What it says by itself, in the agent's words.
    pub verdict: Verdict,
}

/// Where the peers' curves lie.
#[derive(Debug, Clone)]
pub struct Peers {
    /// How many laptops.
    pub n_laptops: usize,
    /// The band.
    pub band: PeersBand,
}

/// When a number will have passed its limit.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct Outlook {
    /// Of which part: `vents`, `fan` or `paste`.
    pub what: &'static str,
    /// Even odds by then.
    pub even_on: NaiveDate,
    /// One in twenty by then.
    pub early_on: NaiveDate,
    /// Nineteen in twenty by then; `None`: later than can be said.
    pub late_on: Option<NaiveDate>,
}

/// A service of the laptop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ServiceDay {
    /// The day.
    pub on: NaiveDate,
    /// What was done.
    pub actions: Vec<ServiceAction>,
}

/// All that the page shows.
#[derive(Debug)]
pub struct View<'a> {
    /// Its line in the list.
    pub entry: &'a Entry,
    /// What its judgement doesn't know yet.
    pub behind: Option<Behind>,
    /// Holds, snoozes, wanted checks.
    pub overlay: &'a Overlay,
    /// How many laptops are ranked.
    pub n_ranked: usize,
    /// What the judgement rests on, strongest first, in words.
    pub evidence: &'a [String],
    /// Expected benefit of a visit now, money, in words.
    pub visit_benefit: Option<String>,
    /// Runs that the condition rests on.
    pub n_fitted_runs: usize,
    /// When a limit will be passed.
    pub outlook: Option<&'a Outlook>,
    /// Condition after each run.
    pub history: &'a [history::Point],
    /// Services, earliest first.
    pub services: &'a [ServiceDay],
    /// Entries of its log of visits, earliest first.
    pub visits: &'a [Visit],
    /// What the last service did.
    pub effect: Option<&'a VisitEffect>,
    /// The last run with a curve.
    pub run: Option<&'a ShownRun>,
    /// The peers' band.
    pub peers: Option<&'a Peers>,
    /// Runs, latest first.
    pub runs: &'a [RunLine],
    /// Today.
    pub today: NaiveDate,
}

/// The laptop's page, without its frame.
pub fn body(view: &View<'_>, reader: &Reader) -> Markup {
    html! {
        (facts(view))
        (super::service_list::marks(&view.entry.provenance, view.overlay))
        (behind::notice(view.behind, &format!("/laptops/{}", view.entry.device_id)))
        (verdict(view))
        (condition(view))
        @if let Some(run) = view.run { (curves(view, run)) }
        (over_time(view))
        @if let Some(effect) = view.effect { (before_and_after(effect)) }
        @if let Some(run) = view.run {
            div.columns {
                (last_check(run))
                (table_of_figures(run))
            }
        }
        (runs(view))
        @if !view.visits.is_empty() { (visits(view.visits)) }
        (cautions_box())
        @if reader.may_change { (visit(view, reader)) (acts(view, reader)) }
    }
}

fn facts(view: &View<'_>) -> Markup {
    let e = view.entry;
    html! {
        dl.facts {
            div { dt { "Model" } dd { (e.model) } }
            div { dt { "Where" } dd { (where_it_is(&e.site, &e.place)) } }
            @if let Some(header) = view.run.and_then(|r| r.header.as_ref()) {
                @if !header.model.vendor.is_empty() { div { dt { "Maker" } dd { (header.model.vendor) } } }
                @if !header.model.cpu.is_empty() { div { dt { "Processor" } dd { (header.model.cpu) } } }
                @if !header.model.firmware.is_empty() { div { dt { "Firmware" } dd { (header.model.firmware) } } }
            }
            div { dt { "Last check" } dd {
                @match e.checked_at_ms { Some(at_ms) => (words::minute_of(at_ms)), None => "never" }
                @if let Some(at_ms) = e.failed_at_ms { "; the last attempt failed on " (words::minute_of(at_ms)) }
            } }
            @if let Some(service) = view.services.last() {
                div { dt { "Last service" } dd { (words::day(service.on)) ", " (actions(&service.actions)) } }
            }
            div { dt { "Device" } dd { code.digest { (e.device_id) } } }
        }
    }
}

/// Actions in words.
pub fn actions(actions: &[ServiceAction]) -> String {
    let words: Vec<&str> = actions.iter().map(|a| action_words(*a)).collect();
    words.join(", ")
}

/// An action in words.
pub const fn action_words(action: ServiceAction) -> &'static str {
    match action {
        ServiceAction::Clean => "cleaned",
        ServiceAction::Fan => "fan replaced",
        ServiceAction::Paste => "paste renewed",
        ServiceAction::None => "looked at, nothing done",
    }
}

fn verdict(view: &View<'_>) -> Markup {
    let e = view.entry;
    html! {
        section aria-labelledby="verdict" {
            h2.hidden #verdict { "Verdict" }
            p class={ "headline " (words::band_class(e.band)) } {
                (words::band(e.band))
                span.reason { (words::claim(&e.reason, view.evidence)) }
            }
            p.soft {
                "Rank " (words::grouped(e.rank)) " of " (words::grouped(view.n_ranked))
                @if let Some(due_on) = e.due_on { "; due " (words::day(due_on)) }
                @if let Some(benefit) = &view.visit_benefit { "; a visit now is worth about " (benefit) }
                "."
            }
            @if !view.evidence.is_empty() {
                h3 { "What it rests on" }
                ul { @for line in view.evidence { li { (words::marked(line)) } } }
            }
        }
    }
}

fn condition(view: &View<'_>) -> Markup {
    html! {
        section.condition aria-labelledby="condition" {
            h2 #condition { "Cooling condition" }
            (gauge::papers())
            (gauge::three(&view.entry.numbers))
            p.soft {
                @if view.entry.numbers.iter().any(Option::is_some) {
                    "From " (words::count(view.n_fitted_runs, "run", "runs")) ", against healthy laptops of its model."
                } @else {
                    "The judgement gave none of the three numbers. What single runs measured stands below."
                }
            }
            (gauge::legend())
            @if let Some(outlook) = view.outlook { (outlook_words(outlook)) }
        }
    }
}

fn outlook_words(outlook: &Outlook) -> Markup {
    html! {
        p {
            b { "Forecast: " }
            "at the rate that its runs show, the " (outlook.what) " will pass the limit about " (words::day(outlook.even_on))
            " (one in twenty by " (words::day(outlook.early_on)) ", "
            @match outlook.late_on {
                Some(late_on) => { "nineteen in twenty by " (words::day(late_on)) },
                None => "nineteen in twenty later than two years from the last run",
            }
            ")."
        }
    }
}

fn curves(view: &View<'_>, run: &ShownRun) -> Markup {
    let limit = run.header.as_ref().and_then(|h| h.limit.as_ref());
    let Some(chart) = run_chart(&run.trace, &run.analysis, limit.map(|l| l.limit_c)) else { return html! {} };
    let bands = view.peers.map(|p| peers_bands(&run.trace, &run.analysis, &p.band)).unwrap_or_default();
    html! {
        section aria-labelledby="curves" {
            h2 #curves { "The run of " (words::day_of(run.tested_at_ms)) }
            figure.curve {
                (PreEscaped(chart.svg_over(Width::Wide, &bands)))
                (PreEscaped(chart.svg_over(Width::Narrow, &bands)))
                figcaption {
                    (chart.description)
                    @match view.peers {
                        Some(peers) if !bands.is_empty() => {
                            " The band behind the pens holds eight in ten of the last runs of " (words::count(peers.n_laptops, "peer", "peers")) "."
                        }
                        _ => " There are too few peers for a band behind the pens.",
                    }
                }
            }
        }
    }
}

fn over_time(view: &View<'_>) -> Markup {
    html! {
        section aria-labelledby="over-time" {
            h2 #over-time { "Condition over time" }
            @if view.history.len() < 2 {
                p { "There are no two runs with a condition of their own yet: the line begins with them." }
            } @else {
                (history::figure(view.history, view.services))
            }
            @if !view.services.is_empty() {
                dl.list {
                    @for service in view.services { div { dt { (words::day(service.on)) } dd { (actions(&service.actions)) } } }
                }
            }
        }
    }
}

/// What the last service did.
fn before_and_after(effect: &VisitEffect) -> Markup {
    html! {
        section aria-labelledby="before-after" {
            h2 #before-after { "Before and after the last service" }
            p.lead {
                (words::capital(&actions(&effect.actions))) " on " (words::day(effect.on)) ": "
                b { (effect.verdict.words()) }
                @if let Some(confidence) = effect.confidence { " (" (words::sure(confidence)) ")" }
                "."
            }
            @if let Some(why) = effect.why { p { (words::capital(why)) "." } }
            @if !effect.parts.is_empty() {
                table.stacked {
                    caption {
                        "Before: over " (words::count(effect.n_runs_before, "run", "runs")) ", as the judgement stood, so that a run that looked bad by chance isn't taken for gain. After: from "
                        (words::count(effect.n_runs_after, "run", "runs")) " since, by themselves."
                    }
                    thead { tr {
                        th scope="col" { "Number" } th.value scope="col" { "Before" } th.value scope="col" { "After" }
                        th.value scope="col" { "Better by" } th scope="col" { "Verdict" }
                    } }
                    tbody { @for part in &effect.parts { (part_line(part)) } }
                }
            }
        }
    }
}

fn part_line(p: &PartEffect) -> Markup {
    html! {
        tr {
            th scope="row" { (words::capital(p.part.number_name())) }
            td.value data-name="Before" { (gauge::two(p.before)) }
            td.value data-name="After" { (gauge::two(p.after)) }
            td.value data-name="Better by" { (gauge::two(p.better_by)) " ± " (gauge::two(p.better_by_sd)) }
            td data-name="Verdict" { (p.verdict.words()) ", " (words::sure(p.confidence)) }
        }
    }
}

/// The last run by itself, in the words that its user read.
fn last_check(run: &ShownRun) -> Markup {
    let v = &run.verdict;
    html! {
        section aria-labelledby="last-check" {
            h2 #last-check { "What that run says by itself" }
            p.soft { "The same words that the laptop's user was shown." }
            p.lead { (words::sentence(&v.headline)) }
            @for f in &v.findings { (finding(f)) }
            @for u in &v.unjudged { (unjudged(u)) }
        }
    }
}

fn finding(f: &Finding) -> Markup {
    html! {
        article.finding {
            h3 { (f.about.name()) " " span class={ "tag " (tag_class(f.judgement)) } { (f.judgement.name()) } }
            p { (words::marked(&f.words)) }
            (points(&f.evidence))
        }
    }
}

fn unjudged(u: &Unjudged) -> Markup {
    html! {
        article.finding {
            h3 { (u.about.name()) " " span.tag.cannot-tell { "cannot tell" } }
            p { "Because " (words::marked(&u.because)) "." }
            (points(&u.evidence))
        }
    }
}

const fn tag_class(judgement: Judgement) -> &'static str {
    match judgement {
        Judgement::NothingSeen => "nothing-seen",
        Judgement::Watch => "watch",
        Judgement::Suspect => "suspect",
        Judgement::Fault => "fault",
    }
}

fn points(lines: &[String]) -> Markup {
    html! { @if !lines.is_empty() { ul { @for line in lines { li { (words::marked(line)) } } } } }
}

fn table_of_figures(run: &ShownRun) -> Markup {
    let (known, unknown): (Vec<_>, Vec<_>) =
        figures(&run.analysis.metrics).into_iter().partition(|f| f.is_known);
    html! {
        section aria-labelledby="figures" {
            h2 #figures { "Figures" }
            table {
                caption { "Each with its standard error. None of them is good or bad by itself." }
                thead { tr { th scope="col" { "Quantity" } th.value scope="col" { "Value" } } }
                tbody {
                    @for f in known.iter().chain(&unknown) {
                        tr class=[(!f.is_known).then_some("unknown")] {
                            th scope="row" { (f.name) }
                            td class=[f.is_known.then_some("value")] { (f.value) }
                        }
                    }
                }
            }
        }
    }
}

fn runs(view: &View<'_>) -> Markup {
    html! {
        section aria-labelledby="runs" {
            h2 #runs { "Runs" }
            @if view.runs.is_empty() {
                p { "No run is stored." }
            } @else {
                table.stacked {
                    caption { "Latest first. The digest names the record in the ledger." }
                    thead { tr {
                        th scope="col" { "Tested" } th scope="col" { "Provenance" } th scope="col" { "Ended" } th scope="col" { "Chain" }
                        th scope="col" { "Agent's figures" } th scope="col" { "Digest" }
                    } }
                    tbody { @for run in view.runs { (run_line(&view.entry.device_id, run)) } }
                }
            }
        }
    }
}

fn run_line(device_id: &str, run: &RunLine) -> Markup {
    let digest = run.digest.to_hex();
    html! {
        tr {
            th.short scope="row" { (words::minute_of(run.tested_at_ms)) }
            td data-name="Provenance" { (run.provenance) }
            td data-name="Ended" { (run.outcome.replace('_', " ")) ", " (run.protocol) }
            td data-name="Chain" { (run.link.as_deref().map_or_else(|| "not signed".to_owned(), |l| l.replace('_', " "))) }
            td data-name="Agent's figures" {
                @match run.agrees {
                    Some(true) => "agree with the hub's",
                    Some(false) => b { "differ from the hub's" },
                    None => "nothing to compare",
                }
            }
            td data-name="Digest" {
                code.digest { (digest[..16]) "…" } " "
                @if run.link.is_some() {
                    a href={ "/laptops/" (device_id) "/records/" (digest) } { "Download " span.hidden { "record " (digest[..16]) } }
                }
            }
        }
    }
}

fn cautions_box() -> Markup {
    html! {
        section.cautions aria-labelledby="cautions" {
            h2 #cautions { "Before anybody opens it" }
            ul { @for caution in cautions::SERVICE { li { (caution) } } }
        }
    }
}

/// The log of visits. An entry that another corrects stays, and says so.
fn visits(entries: &[Visit]) -> Markup {
    html! {
        section aria-labelledby="visits" {
            h2 #visits { "Visits" }
            table.stacked {
                caption { "Latest first. Entries are never edited: a later one replaces them." }
                thead { tr {
                    th scope="col" { "Day" } th scope="col" { "Done" } th scope="col" { "Found" } th scope="col" { "Parts and note" }
                    th.value scope="col" { "Minutes" } th.value scope="col" { "Number" } th scope="col" { "Counts" }
                } }
                tbody { @for v in entries.iter().rev() {
                    tr {
                        th scope="row" { (words::day(v.visited_on)) }
                        td data-name="Done" { (actions(&v.actions)) }
                        @if v.is_erased {
                            td data-name="Found" { span.soft { (words::ERASED) } }
                            td data-name="Parts and note" { span.soft { (words::ERASED) } }
                        } @else {
                            td data-name="Found" { (or_dash(&v.found)) }
                            td data-name="Parts and note" { (or_dash(&[v.parts.as_str(), v.note.as_str()].join(" "))) }
                        }
                        td.value data-name="Minutes" { @match v.minutes { Some(n) => (n), None => "–" } }
                        td.value data-name="Number" { (v.visit_id) }
                        td data-name="Counts" { (standing_of(v)) }
                    }
                } }
            }
        }
    }
}

fn or_dash(text: &str) -> &str {
    let text = text.trim();
    if text.is_empty() { "–" } else { text }
}

fn standing_of(v: &Visit) -> String {
    match (v.corrected_by, v.is_withdrawn, v.corrects) {
        (Some(by), _, _) => format!("no, replaced by {by}"),
        (None, true, Some(of)) => format!("no: visit {of} never took place"),
        (None, false, Some(of)) => format!("yes, in place of {of}"),
        (None, _, None) => "yes".to_owned(),
    }
}

/// Which entry a new one replaces.
fn corrects(entries: &[Visit]) -> Markup {
    html! {
        div {
            label for="corrects" { "This is" }
            select #corrects name="corrects" {
                option value="" { "a new visit" }
                @for v in entries.iter().rev().filter(|v| v.corrected_by.is_none() && !v.is_withdrawn) {
                    option value=(v.visit_id) { "a correction of visit " (v.visit_id) ": " (words::day(v.visited_on)) ", " (actions(&v.actions)) }
                }
            }
        }
        div.ways { label { input type="checkbox" name="withdraw" value="yes"; " The visit chosen above never took place" } }
    }
}

/// What a technician logs after a visit.
fn visit(view: &View<'_>, reader: &Reader) -> Markup {
    let id = &view.entry.device_id;
    html! {
        section.no-print aria-labelledby="visit" {
            h2 #visit { "Log a visit" }
            form.form method="post" action={ "/laptops/" (id) "/visits" } {
                (form_token(reader))
                @if view.visits.iter().any(|v| v.corrected_by.is_none() && !v.is_withdrawn) { (corrects(view.visits)) }
                div {
                    label for="visited-on" { "Day" }
                    input #visited-on type="date" name="visited_on" value=(view.today.to_string()) max=(view.today.to_string()) required;
                }
                (found_and_done())
                p { button type="submit" { "Log the visit" } }
                p.hint { "A logged visit is never edited; a later entry corrects it." }
            }
        }
    }
}

/// What a visit's form asks beside its day.
pub fn found_and_done() -> Markup {
    html! {
        fieldset {
            legend { "What was done" }
            div.ways {
                @for action in [ServiceAction::Clean, ServiceAction::Fan, ServiceAction::Paste] {
                    label { input type="checkbox" name="action" value=(action.name()); " " (action_words(action)) }
                }
            }
            p.hint { "Tick nothing if the laptop was only looked at." }
        }
        div { label for="found" { "What was found" } input #found type="text" name="found" maxlength="200" autocomplete="off"; }
        div { label for="minutes" { "Minutes taken" } input #minutes type="number" name="minutes" min="0" max="1440" inputmode="numeric"; }
        div { label for="parts" { "Parts used" } input #parts type="text" name="parts" maxlength="200" autocomplete="off"; }
        div { label for="note" { "Note" } textarea #note name="note" rows="3" maxlength="1000" {} p.hint { "No names: the note goes into the log." } }
    }
}

fn acts(view: &View<'_>, reader: &Reader) -> Markup {
    html! {
        form.no-print method="post" action="/laptops/act" {
            (form_token(reader))
            input type="hidden" name="laptop" value=(view.entry.device_id);
            input type="hidden" name="back" value={ "/laptops/" (view.entry.device_id) };
            (super::act::fields("With this laptop"))
        }
    }
}

/// Bands that ask for opening the laptop.
pub const fn asks_for_a_visit(band: Band) -> bool {
    matches!(band, Band::PullNow | Band::WithinSevenDays | Band::NextRound)
}
