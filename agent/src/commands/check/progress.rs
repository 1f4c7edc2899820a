//! A check's progress: a bar with live readings on a terminal, a line every ten seconds otherwise.

use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use windrow_model::channel::Channel;
use windrow_model::protocol::{Phase, Protocol};
use windrow_model::record::wire::{Event, PreCheck, PreCheckResult};
use windrow_model::verdict::{event_words, pre_check_failure};

use crate::check::{Observer, PULSE_S, Preparing};
use crate::machine::Reading;
use crate::output::Output;

/// Seconds of the check between two plain lines; in virtual time fewer lines come all at once.
const LINE_EVERY_S: f64 = 10.0;
const LINE_EVERY_VIRTUAL_S: f64 = 60.0;

/// Shows progress on an output.
pub(super) struct Progress<'a> {
    output: &'a mut Output,
    bar: Option<ProgressBar>,
    line_every_s: f64,
    next_line_s: f64,
    longest_s: f64,
    /// What comes after the present step, s.
    after_s: f64,
    may_be_shorter: bool,
    protocol: Protocol,
    /// The last readings: slow channels are empty in most samples.
    cpu_temp_c: Option<f64>,
    fan_rpm: Option<f64>,
    power_w: Option<f64>,
}

impl<'a> Progress<'a> {
    pub(super) fn new(output: &'a mut Output, protocol: Protocol, virtual_time: bool) -> Self {
        let bar = (output.is_terminal() && !virtual_time).then(bar);
        let line_every_s = if virtual_time { LINE_EVERY_VIRTUAL_S } else { LINE_EVERY_S };
        Self {
            output,
            bar,
            line_every_s,
            next_line_s: 0.0,
            longest_s: 0.0,
            after_s: 0.0,
            may_be_shorter: false,
            protocol,
            cpu_temp_c: None,
            fan_rpm: None,
            power_w: None,
        }
    }

    /// Takes the bar away, so that what follows stands on clean lines.
    pub(super) fn finish(self) {
        if let Some(bar) = self.bar {
            bar.finish_and_clear();
        }
    }

    fn say(&mut self, text: &str) {
        match &self.bar {
            Some(bar) => bar.println(text),
            None => self.output.say(text),
        }
    }

    fn readings(&self) -> String {
        let mut parts = Vec::new();
        parts.extend(self.cpu_temp_c.map(|t| format!("{t:.0} °C")));
        parts.extend(self.power_w.map(|p| format!("{p:.0} W")));
        parts.extend(self.fan_rpm.map(|r| format!("fan {r:.0} rpm")));
        parts.join("  ")
    }

    fn left(&self, in_step_s: f64) -> String {
        let left_s = (self.longest_s - in_step_s).max(0.0) + self.after_s;
        let at_most = if self.may_be_shorter { "at most " } else { "" };
        format!("{at_most}{} left", windrow_model::chart::clock_label(left_s))
    }

    /// A step begins: `longest_s` for itself, `after_s` for all that follow.
    fn begin(&mut self, longest_s: f64, after_s: f64, may_be_shorter: bool) {
        (self.longest_s, self.after_s, self.may_be_shorter) = (longest_s, after_s, may_be_shorter);
        self.next_line_s = 0.0;
    }

    fn begin_bar(&self, name: &'static str) {
        if let Some(bar) = &self.bar {
            bar.set_prefix(name);
            bar.set_length((self.longest_s * 4.0) as u64);
            bar.set_position(0);
        }
    }

    fn show(&mut self, name: &'static str, in_step_s: f64, reading: &Reading) {
        self.cpu_temp_c = reading.get(Channel::CpuTempC).or(self.cpu_temp_c);
        self.fan_rpm = reading.get(Channel::Fan1Rpm).or(self.fan_rpm);
        self.power_w = reading.get(Channel::PackagePowerW).or(self.power_w);
        let message = format!("{}  {}", self.readings(), self.left(in_step_s));
        if let Some(bar) = &self.bar {
            bar.set_position((in_step_s * 4.0) as u64);
            bar.set_message(message);
        } else if in_step_s >= self.next_line_s {
            self.next_line_s =
                (in_step_s / self.line_every_s).floor().mul_add(self.line_every_s, self.line_every_s);
            self.say(&format!("{name:<9} {in_step_s:>4.0} s  {message}"));
        }
    }
}

const fn step_name(step: Preparing) -> &'static str {
    match step {
        Preparing::Watch => "watch",
        Preparing::Pulse => "pulse",
    }
}

fn bar() -> ProgressBar {
    // `{wide_bar}` in plain characters: it reads the same without colour.
    let style = ProgressStyle::with_template("{prefix:<9} {wide_bar} {msg}")
        .map_or_else(|_| ProgressStyle::default_bar(), |s| s.progress_chars("=> "));
    let bar = ProgressBar::new(1).with_style(style);
    bar.enable_steady_tick(Duration::from_secs(1));
    bar
}

impl Observer for Progress<'_> {
    fn pre_check(&mut self, check: &PreCheck) {
        let detail = if check.detail.is_empty() { String::new() } else { format!(": {}", check.detail) };
        // What is in order, or cannot be told and isn't needed, stands in the record and on the page.
        if check.result == PreCheckResult::Failed {
            self.say(&format!("{}{detail}", pre_check_failure(check.check)));
        }
    }

    fn preparing(&mut self, step: Preparing, longest_s: f64) {
        let all_s = self.protocol.settle_max_s + self.protocol.after_s(Phase::Settle);
        match step {
            Preparing::Watch => self.begin(longest_s, all_s + PULSE_S, true),
            Preparing::Pulse => self.begin(longest_s, all_s, true),
        }
        self.begin_bar(step_name(step));
    }

    fn preparing_sample(&mut self, step: Preparing, in_step_s: f64, reading: &Reading) {
        self.show(step_name(step), in_step_s, reading);
    }

    fn phase(&mut self, phase: Phase, longest_s: f64) {
        self.begin(longest_s, self.protocol.after_s(phase), phase == Phase::Settle);
        self.begin_bar(phase.name());
    }

    fn sample(&mut self, phase: Phase, in_phase_s: f64, reading: &Reading) {
        self.show(phase.name(), in_phase_s, reading);
    }

    fn event(&mut self, event: &Event) {
        let detail = if event.detail.is_empty() { String::new() } else { format!(" ({})", event.detail) };
        self.say(&format!("{}{detail}", event_words(event.kind)));
    }
}
