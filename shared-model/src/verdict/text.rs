//! The verdict as lines of text, and the figures as a table that terminal and page share.

use std::fmt::Write as _;

use super::Verdict;
use crate::measured::{Measured, Reason};
use crate::record::wire::Metrics;

/// Width of a terminal that was never made wider.
const WIDTH: usize = 79;
const LABEL: usize = 14;

/// One measured figure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// What.
    pub name: &'static str,
    /// Value with unit and standard error, a bound, or the reason why there is none.
    pub value: String,
    /// Whether there is a value.
    pub is_known: bool,
}

/// The verdict in plain words, for a terminal. No line is wider than 79 columns but where a single word is.
pub fn to_text(verdict: &Verdict) -> String {
    let mut out = String::new();
    if let Some(notice) = &verdict.notice {
        paragraph(&mut out, "", &notice.to_uppercase().replace('`', "'"), 0);
    }
    paragraph(&mut out, "Verdict: ", &verdict.headline, 9);
    for finding in &verdict.findings {
        out.push('\n');
        let words = format!("{}: {}", finding.judgement.name(), finding.words);
        labelled(&mut out, finding.about.name(), &words);
        for line in &finding.evidence {
            labelled(&mut out, "", &format!("- {line}"));
        }
    }
    for unjudged in &verdict.unjudged {
        out.push('\n');
        labelled(&mut out, unjudged.about.name(), &format!("cannot tell, because {}", unjudged.because));
        for line in &unjudged.evidence {
            labelled(&mut out, "", &format!("- {line}"));
        }
        labelled(&mut out, "", "What would tell:");
        for way in &unjudged.would_tell {
            labelled(&mut out, "", &format!("- {way}"));
        }
    }
    list(&mut out, "What to do next", &verdict.next);
    let cautions: Vec<String> = verdict.cautions.iter().map(|c| (*c).to_owned()).collect();
    list(&mut out, "Before anybody opens it", &cautions);
    out.truncate(out.trim_end().len());
    out
}

fn labelled(out: &mut String, label: &str, words: &str) {
    let first = format!("  {label:<w$}", w = LABEL - 2);
    // A continued point stands under its own words, not under its dash.
    paragraph(out, &first, words, if words.starts_with("- ") { LABEL + 2 } else { LABEL });
}

fn list(out: &mut String, title: &str, points: &[String]) {
    if points.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{title}");
    for point in points {
        paragraph(out, "  - ", point, 4);
    }
}

fn paragraph(out: &mut String, first: &str, words: &str, indent: usize) {
    let rest = " ".repeat(indent);
    for (n, line) in wrap(words, WIDTH - indent.max(first.chars().count())).iter().enumerate() {
        let before = if n == 0 { first } else { &rest };
        let _ = writeln!(out, "{}", format!("{before}{line}").trim_end());
    }
}

/// Words in lines of at most `width` columns, broken at spaces only, and not inside a `command`.
pub fn wrap(words: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in unbroken(words) {
        let line = lines.last().map_or(0, |l| l.chars().count());
        if line > 0 && line + 1 + word.chars().count() > width {
            lines.push(word);
        } else if let Some(last) = lines.last_mut() {
            if line > 0 {
                last.push(' ');
            }
            last.push_str(&word);
        }
    }
    lines
}

/// Words apart at spaces; what stands in back-ticks is one word, and so is a number with its unit.
fn unbroken(words: &str) -> Vec<String> {
    const UNITS: [&str; 9] = ["%", "K", "W", "s", "°C", "rpm", "MHz", "K/W", "W/K"];
    let mut out: Vec<String> = Vec::new();
    let mut inside = false;
    for word in words.split_whitespace() {
        let is_unit = UNITS.contains(&word.trim_end_matches([',', ';', '.', ':']));
        let after_number = |last: &String| last.ends_with(|c: char| c.is_ascii_digit());
        match out.last_mut() {
            Some(last) if inside || (is_unit && after_number(last)) => {
                last.push(' ');
                last.push_str(word);
            }
            _ => out.push(word.to_owned()),
        }
        inside ^= word.matches('`').count() % 2 == 1;
    }
    out
}

/// All figures of a run in the order of the method's list.
pub fn figures(m: &Metrics) -> Vec<Figure> {
    let percent = |measured: Measured| match measured {
        Measured::Value { value, se } => Measured::Value { value: value * 100.0, se: se * 100.0 },
        other => other,
    };
    let row = |name, measured, decimals, unit| Figure {
        name,
        value: shown(measured, decimals, unit),
        is_known: !matches!(measured, Measured::No { .. }),
    };
    vec![
        row("temperature before the load", m.baseline_c, 1, "°C"),
        row("peak", m.peak_c, 1, "°C"),
        row("rise over its own baseline", m.rise_k, 1, "K"),
        row("rise rate, first seconds", m.rise_rate_early_k_per_s, 2, "K/s"),
        row("rise rate, later", m.rise_rate_sustained_k_per_s, 3, "K/s"),
        row("recovery, half of the whole", m.recovery_half_s, 1, "s"),
        row("recovery, half of the slow branch", m.recovery_slow_half_s, 0, "s"),
        row("recovery, to within a tenth", m.recovery_to_tenth_s, 0, "s"),
        row("fan, first answer after", m.fan_delay_s, 1, "s"),
        row("fan, highest sustained speed", m.fan_max_rpm, 0, "rpm"),
        row("fan, speed gained", m.fan_gain_rpm, 0, "rpm"),
        row("fan, speed gained per kelvin", m.fan_gain_rpm_per_k, 0, "rpm/K"),
        row("fan, to nine tenths of its gain", m.fan_to_ninety_s, 0, "s"),
        row("fan, scatter about its trend", m.fan_flutter_rpm, 0, "rpm"),
        row("fan, back down after the load", m.fan_spin_down_s, 0, "s"),
        row("throttled, first after", m.throttle_first_s, 1, "s"),
        row("throttled share of the load", percent(m.throttled_load_share), 1, "%"),
        row("work rate lost", percent(m.work_rate_loss), 1, "%"),
        row("sustained power", m.power_sustained_w, 1, "W"),
        row("contact resistance (fast branch)", m.r_contact_k_per_w, 2, "K/W"),
        row("heat capacity of the sink", m.c_sink_j_per_k, 0, "J/K"),
        row("carried away by the air", m.g_air_w_per_k, 2, "W/K"),
        row("time constant of the slow branch", m.tau_slow_s, 0, "s"),
    ]
}

fn shown(measured: Measured, decimals: usize, unit: &str) -> String {
    match measured {
        Measured::Value { value, se } => {
            // Adding zero turns −0 into 0.
            format!("{:.d$} ± {:.d$} {unit}", value + 0.0, se, d = decimals)
        }
        Measured::Over { over } => format!("more than {over:.0} {unit}"),
        Measured::No { not_determinable } => reason_words(not_determinable).to_owned(),
    }
}

/// Why a number is missing, as a person reads it.
pub(super) const fn reason_words(reason: Reason) -> &'static str {
    match reason {
        Reason::NoChannel => "not read here",
        Reason::TooFewReadings => "too few readings",
        Reason::NoPhase => "no such phase in this run",
        Reason::PhaseTooShort => "the phase was too short",
        Reason::RiseTooSmall => "the rise was too small",
        Reason::SensorStuck => "the sensor stood still",
        Reason::SleepGap => "the machine slept",
        Reason::BackgroundLoad => "other work ran",
        Reason::FanStill => "the fan did not turn",
        Reason::FanConstant => "the fan kept one speed",
        Reason::FitFailed => "the fit did not come out",
        Reason::StoppedEarly => "the load was ended too soon",
        Reason::NotApplicable => "does not apply",
    }
}
