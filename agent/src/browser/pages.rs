//! The page in each of its stages. It works without script; the script only saves reloading while the check runs.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use windrow_model::cautions;
use windrow_model::chart::{Chart, Panel, Series, Stretch, Width, clock_label};
use windrow_model::protocol::Phase;

use super::live::Seen;
use super::session::{Ready, Stage, State};

/// Seconds between two looks of a browser without script.
const RELOAD_S: u32 = 5;

/// The page as it stands.
pub(super) fn page(state: &State, is_stopping: bool) -> Markup {
    match &state.stage {
        Stage::Ready => shell(&state.ready.model, &html! {}, &ready(&state.ready)),
        Stage::Running => running(state, is_stopping),
        Stage::NotNow => shell(&state.ready.model, &html! {}, &not_now()),
        Stage::Done { body, closed, .. } => done(&state.ready.model, body, *closed),
    }
}

fn shell(model: &str, head: &Markup, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { "Cooling check: " (model) }
                link rel="stylesheet" href="page.css";
                link rel="stylesheet" href="window.css";
                (head)
            }
            body { (body) }
        }
    }
}

fn header(model: &str) -> Markup {
    html! { header { p.kind { "Cooling check" } h1 { (model) } } }
}

fn ready(ready: &Ready) -> Markup {
    html! {
        (header(&ready.model))
        main {
            section aria-labelledby="what" {
                h2 #what { "What happens" }
                @for line in ready.what_happens.iter().filter(|l| !l.starts_with(' ')) { p { (line) } }
                // The phases stand in columns in a terminal, indented.
                ol { @for line in ready.what_happens.iter().filter(|l| l.starts_with(' ')) { li { (phase_line(line)) } } }
                @for line in &ready.what_is_sent { p { (line) } }
            }
            section aria-labelledby="before" {
                h2 #before { "Before the start" }
                ul {
                    li { "Leave the laptop alone meanwhile, on mains power. A button stops it at any time." }
                    @for line in cautions::LOAD { li { (line) } }
                }
                form method="post" action="start" {
                    (question("surface", "Does it stand on a hard flat surface?"))
                    (question("bulging", "Does the battery or the case bulge, or does it smell?"))
                    p.actions {
                        button.primary { "Start the check" }
                        button formaction="not-now" formnovalidate { "Not now" }
                    }
                }
            }
        }
    }
}

/// `  load      180 s, …` as `load: 180 s, …`.
fn phase_line(line: &str) -> String {
    let (phase, what) = line.trim().split_once(' ').unwrap_or((line.trim(), ""));
    format!("{phase}: {}", what.trim())
}

fn question(name: &str, text: &str) -> Markup {
    html! {
        fieldset {
            legend { (text) }
            @for (value, label) in [("yes", "Yes"), ("no", "No")] {
                label { input type="radio" name=(name) value=(value) required; " " (label) }
            }
        }
    }
}

fn running(state: &State, is_stopping: bool) -> Markup {
    let head = html! {
        noscript { meta http-equiv="refresh" content=(RELOAD_S); }
        script defer src="live.js" {}
    };
    let body = html! {
        (header(&state.ready.model))
        main {
            p #phase role="status" { (phase_words(state.seen.phase)) }
            // Outside what is drawn anew, so that it keeps the focus.
            form method="post" action="stop" {
                p.actions { button.stop disabled[is_stopping] { "Stop the load" } }
            }
            div #live { (live(&state.seen)) }
        }
    };
    shell(&state.ready.model, &head, &body)
}

/// What the present phase is, for a person.
pub(super) const fn phase_words(phase: Option<Phase>) -> &'static str {
    match phase {
        None => "Looking whether the load may begin.",
        Some(Phase::Settle) => "Rest: until the temperature is steady.",
        Some(Phase::Load) => "Load: all CPUs busy. The fan will be heard.",
        Some(Phase::Recovery) => "Recovery: the load is over, the laptop cools down.",
    }
}

/// The part that is drawn anew while the check runs.
pub(super) fn live(seen: &Seen) -> Markup {
    html! {
        dl.facts {
            @for (name, value) in readings(seen) { div { dt { (name) } dd { (value) } } }
        }
        @if seen.phase.is_some() {
            label.progress { "This phase" progress max=(seen.longest_s.max(1.0)) value=(seen.in_phase_s) {} }
        }
        @if seen.time_s.len() >= 2 { (curve(seen)) }
        @if !seen.notes.is_empty() { ul { @for note in &seen.notes { li { (note) } } } }
    }
}

fn readings(seen: &Seen) -> Vec<(&'static str, String)> {
    let last = |values: &[f64]| values.iter().rev().copied().find(|v| v.is_finite());
    let mut out = Vec::new();
    if let Some(phase) = seen.phase {
        let left_s = (seen.longest_s - seen.in_phase_s).max(0.0) + seen.after_s;
        let at_most = if phase == Phase::Settle { "at most " } else { "" };
        out.push(("Time left", format!("{at_most}{}", clock_label(left_s))));
    }
    out.extend(last(&seen.cpu_temp_c).map(|c| ("CPU", format!("{c:.0} °C"))));
    out.extend(last(&seen.power_w).map(|w| ("Power", format!("{w:.0} W"))));
    out.extend(last(&seen.fan_rpm).map(|r| ("Fan", format!("{r:.0} rpm"))));
    out
}

fn curve(seen: &Seen) -> Markup {
    let chart = Chart {
        title: "Temperature, power and fan speed so far".into(),
        description: "Drawn anew while the check runs.".into(),
        time_s: &seen.time_s,
        panels: [
            panel_of("CPU temperature, °C", "temperature", &seen.cpu_temp_c, None, 1.6),
            panel_of("package power, W", "power", &seen.power_w, Some(5.0), 0.8),
            panel_of("fan speed, rpm", "fan1", &seen.fan_rpm, Some(2000.0), 0.8),
        ]
        .into_iter()
        .flatten()
        .collect(),
        stretches: stretches(seen),
    };
    html! {
        figure.curve { (PreEscaped(chart.svg(Width::Wide))) (PreEscaped(chart.svg(Width::Narrow))) }
    }
}

fn panel_of<'a>(
    title: &str,
    class: &'static str,
    values: &'a [f64],
    from_zero_to: Option<f64>,
    weight: f64,
) -> Option<Panel<'a>> {
    values.iter().any(|v| v.is_finite()).then(|| Panel {
        title: title.into(),
        series: vec![Series { label: String::new(), class, values }],
        levels: Vec::new(),
        from_zero_to,
        weight,
    })
}

fn stretches(seen: &Seen) -> Vec<Stretch> {
    let last_s = seen.time_s.last().copied().unwrap_or(0.0);
    let ends = seen.phases.iter().skip(1).map(|p| p.1).chain([last_s]);
    seen.phases
        .iter()
        .zip(ends)
        .filter(|((_, from_s), to_s)| to_s > from_s)
        .map(|(&(phase, from_s), to_s)| Stretch {
            from_s,
            to_s,
            label: phase.name().into(),
            class: phase.name(),
        })
        .collect()
}

fn not_now() -> Markup {
    html! {
        main {
            h1 { "Not now" }
            p { "Nothing was loaded, nothing is sent. This page can be closed." }
        }
    }
}

fn done(model: &str, body: &Markup, closed: bool) -> Markup {
    let actions = html! {
        div.actions.kept {
            a.button href="keep" { "Keep this page" }
            @if closed {
                p role="status" { "The check's program has ended. This page can be closed." }
            } @else {
                form method="post" action="close" { button { "Close" } }
            }
        }
    };
    shell(model, &html! {}, &html! { (body) (actions) })
}

/// What a request without the right to the page is told.
pub(super) fn turned_away(why: &str) -> Markup {
    shell("not open", &html! {}, &html! { main { h1 { "This page is not open to you" } p { (why) } } })
}

/// The step from the file to the page. A redirect would still count as coming from the file, and the browser would
/// then hold the cookie back; a page of our own that leads on does not.
pub(super) fn step_in(path: &str) -> Markup {
    let address = format!("/{path}/");
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta http-equiv="refresh" content=(format!("0;url={address}"));
                title { "Cooling check" }
            }
            body { p { a href=(address) { "Go on to the check" } } }
        }
    }
}
