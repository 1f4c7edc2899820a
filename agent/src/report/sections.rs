//! The page's sections. Their words are the verdict's; only the frame is here.

use maud::{Markup, html};
use windrow_model::channel::Channel;
use windrow_model::record::wire::{AmbientSource, Context, LimitSource, Metrics, PreCheckResult};
use windrow_model::verdict::{Judgement, Standing, Verdict, event_words, figures, pre_check_name};
use windrow_model::{METHOD_VERSION, cautions};

use super::Page;

/// Words with `code` in back-ticks.
pub(super) fn marked(words: &str) -> Markup {
    html! {
        @for (n, part) in words.split('`').enumerate() {
            @if n % 2 == 1 { code { (part) } } @else { (part) }
        }
    }
}

/// When, and on what.
pub(super) fn facts(page: &Page<'_>) -> Markup {
    let when = page.started_at.map(|t| (t, t.get(..16).unwrap_or(t).replace('T', " ")));
    html! {
        dl.facts {
            @if let Some((exact, shown)) = when {
                div { dt { "Checked" } dd { time datetime=(exact) { (shown) " UTC" } } }
            }
            @if let Some(model) = page.model {
                @if !model.vendor.is_empty() { div { dt { "Maker" } dd { (model.vendor) } } }
                @if !model.cpu.is_empty() { div { dt { "Processor" } dd { (model.cpu) } } }
                @if !model.firmware.is_empty() { div { dt { "Firmware" } dd { (model.firmware) } } }
            }
        }
    }
}

pub(super) fn verdict(verdict: &Verdict) -> Markup {
    let class = match verdict.standing {
        Standing::Fault => "fault",
        Standing::Suspect => "suspect",
        Standing::Watch => "watch",
        Standing::NothingSeen => "nothing-seen",
        Standing::CannotTell | Standing::NotChecked => "cannot-tell",
    };
    html! {
        section.verdict aria-labelledby="verdict" {
            h2 #verdict { "Verdict" }
            p class={ "headline " (class) } { (sentence(&verdict.headline)) }
        }
    }
}

/// With a capital and a full stop.
fn sentence(words: &str) -> String {
    let mut chars = words.chars();
    chars.next().map_or_else(String::new, |first| format!("{}{}.", first.to_uppercase(), chars.as_str()))
}

pub(super) fn findings(verdict: &Verdict) -> Markup {
    html! {
        section aria-labelledby="findings" {
            h2 #findings { "What was found" }
            @for f in &verdict.findings {
                article.finding {
                    h3 { (f.about.name()) " " span class={ "tag " (tag_class(f.judgement)) } { (f.judgement.name()) } }
                    p { (marked(&f.words)) }
                    (points(&f.evidence))
                }
            }
            @for u in &verdict.unjudged {
                article.finding {
                    h3 { (u.about.name()) " " span.tag.cannot-tell { "cannot tell" } }
                    p { "Because " (marked(&u.because)) "." }
                    (points(&u.evidence))
                    p.would { "What would tell" }
                    (points(&u.would_tell))
                }
            }
            @if verdict.findings.is_empty() && verdict.unjudged.is_empty() { p { "Nothing." } }
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
    html! {
        @if !lines.is_empty() { ul { @for line in lines { li { (marked(line)) } } } }
    }
}

pub(super) fn next(verdict: &Verdict) -> Markup {
    html! {
        @if !verdict.next.is_empty() {
            section aria-labelledby="next" {
                h2 #next { "What to do next" }
                ol { @for step in &verdict.next { li { (marked(step)) } } }
            }
        }
        @if !verdict.cautions.is_empty() {
            section.cautions aria-labelledby="cautions" {
                h2 #cautions { "Before anybody opens it" }
                ul { @for caution in &verdict.cautions { li { (caution) } } }
            }
        }
    }
}

pub(super) fn table_of_figures(metrics: &Metrics) -> Markup {
    let (known, unknown): (Vec<_>, Vec<_>) = figures(metrics).into_iter().partition(|f| f.is_known);
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
                            td.value { (f.value) }
                        }
                    }
                }
            }
        }
    }
}

pub(super) fn circumstances(page: &Page<'_>) -> Markup {
    let rows = circumstance_rows(page);
    html! {
        section aria-labelledby="circumstances" {
            h2 #circumstances { "Circumstances" }
            dl.list { @for (name, value) in &rows { div { dt { (name) } dd { (value) } } } }
            @if !page.events.is_empty() {
                h3 { "Events" }
                ul { @for e in page.events { li { (event_words(e.kind)) @if !e.detail.is_empty() { " (" (e.detail) ")" } } } }
            }
        }
    }
}

fn circumstance_rows(page: &Page<'_>) -> Vec<(String, String)> {
    let mut rows: Vec<(String, String)> = page.context.map(context_rows).unwrap_or_default();
    if let Some(limit) = page.limit {
        let source = match limit.source {
            LimitSource::SensorCritical => "the sensor's own",
            LimitSource::Default => "assumed, the sensor names none",
        };
        rows.push(("Limit".into(), format!("{:.0} °C, {source}", limit.limit_c)));
    }
    for pre_check in page.pre_checks {
        let result = match pre_check.result {
            PreCheckResult::Passed => "in order",
            PreCheckResult::Failed => "not in order",
            PreCheckResult::Unknown => "cannot be told here",
            PreCheckResult::Skipped => "not asked",
        };
        let detail =
            if pre_check.detail.is_empty() { String::new() } else { format!(" ({})", pre_check.detail) };
        rows.push((
            format!("Before the load: {}", pre_check_name(pre_check.check)),
            format!("{result}{detail}"),
        ));
    }
    for source in page.sources {
        let label = Channel::from_column(&source.channel).map_or(source.channel.as_str(), |c| c.spec().label);
        rows.push((format!("Read: {label}"), source.source.clone()));
    }
    rows
}

fn context_rows(context: &Context) -> Vec<(String, String)> {
    let mut rows = Vec::new();
    let mut row = |name: &str, value: Option<String>| rows.extend(value.map(|v| (name.to_owned(), v)));
    let yes_no = |b: bool| if b { "yes" } else { "no" }.to_owned();
    row(
        "Room",
        context.ambient.map(|a| {
            let from = match a.source {
                AmbientSource::Told => "told",
                AmbientSource::Sensor => "by a sensor of the machine",
                AmbientSource::ColdStart => "from the coolest sensor after a long rest",
                AmbientSource::Prior => "assumed: nobody told it",
            };
            format!("{:.1} ± {:.1} °C, {from}", a.value_c, a.sd_k)
        }),
    );
    row("On mains power", context.on_ac.map(yes_no));
    row("Battery charge", context.battery_pct.map(|p| format!("{p:.0} %")));
    row("Battery charging", context.battery_charging.map(yes_no));
    for limit in &context.power_limits {
        let window = limit.window_s.map(|s| format!(" over {s:.0} s")).unwrap_or_default();
        row(&format!("Power limit, {}", limit.name), Some(format!("{:.0} W{window}", limit.limit_w)));
    }
    row("Platform profile", context.platform_profile.clone());
    row("Frequency governor", context.governor.clone());
    row("Energy preference", context.energy_preference.clone());
    row("Lid closed", context.lid_closed.map(yes_no));
    row("Docked", context.docked.map(yes_no));
    row("On a lap", context.lap_mode.map(yes_no));
    row("On a hard flat surface", context.hard_surface.map(yes_no));
    rows
}

pub(super) fn footer(page: &Page<'_>) -> Markup {
    html! {
        p { "Windrow " (crate::record::AGENT_VERSION) ", method " (METHOD_VERSION) "." }
        @if let Some(digest) = page.digest { p { "Record " code.digest { (digest) } } }
        p.small { (cautions::LOAD.join(" ")) }
    }
}
