//! The check as it goes: what the page draws.

use windrow_model::channel::Channel;
use windrow_model::protocol::{Phase, Protocol};
use windrow_model::record::wire::{Event, PreCheck, PreCheckResult};
use windrow_model::verdict::{event_words, pre_check_name};

use super::session::Session;
use crate::check::Observer;
use crate::machine::Reading;

/// Most samples drawn: a standard check has some 2,000. Beyond it the curve simply stops growing.
const SAMPLES_MAX: usize = 20_000;
/// Most lines of what happened.
const NOTES_MAX: usize = 50;

/// What was seen so far.
#[derive(Debug, Default)]
pub(super) struct Seen {
    pub(super) phase: Option<Phase>,
    pub(super) in_phase_s: f64,
    /// How long the phase can last, and what comes after it, s.
    pub(super) longest_s: f64,
    pub(super) after_s: f64,
    /// Time of each sample from the first on, s.
    pub(super) time_s: Vec<f64>,
    pub(super) cpu_temp_c: Vec<f64>,
    pub(super) power_w: Vec<f64>,
    pub(super) fan_rpm: Vec<f64>,
    /// Begin of each phase on that time.
    pub(super) phases: Vec<(Phase, f64)>,
    pub(super) notes: Vec<String>,
    /// Sum of the phases that are over, s.
    passed_s: f64,
}

impl Seen {
    fn begin(&mut self, phase: Phase, longest_s: f64, after_s: f64) {
        self.passed_s += self.in_phase_s;
        self.phase = Some(phase);
        self.in_phase_s = 0.0;
        self.longest_s = longest_s;
        self.after_s = after_s;
        self.phases.push((phase, self.passed_s));
    }

    fn add(&mut self, in_phase_s: f64, reading: &Reading) {
        self.in_phase_s = in_phase_s;
        if self.time_s.len() >= SAMPLES_MAX {
            return;
        }
        self.time_s.push(self.passed_s + in_phase_s);
        let value = |c| reading.get(c).unwrap_or(f64::NAN);
        self.cpu_temp_c.push(value(Channel::CpuTempC));
        self.power_w.push(value(Channel::PackagePowerW));
        self.fan_rpm.push(value(Channel::Fan1Rpm));
    }

    fn note(&mut self, note: String) {
        if self.notes.len() < NOTES_MAX {
            self.notes.push(note);
        }
    }
}

/// Tells the page.
pub(super) struct Live {
    session: Session,
    protocol: Protocol,
}

impl Live {
    pub(super) fn new(session: Session, protocol: Protocol) -> Self {
        Self { session, protocol }
    }
}

impl Observer for Live {
    fn pre_check(&mut self, check: &PreCheck) {
        if check.result == PreCheckResult::Failed {
            let note = format!("{}: not in order: {}", pre_check_name(check.check), check.detail);
            self.session.lock().seen.note(note);
        }
    }

    fn phase(&mut self, phase: Phase, longest_s: f64) {
        let after_s = self.protocol.after_s(phase);
        self.session.lock().seen.begin(phase, longest_s, after_s);
    }

    fn sample(&mut self, _: Phase, in_phase_s: f64, reading: &Reading) {
        self.session.lock().seen.add(in_phase_s, reading);
    }

    fn event(&mut self, event: &Event) {
        let detail = if event.detail.is_empty() { String::new() } else { format!(" ({})", event.detail) };
        self.session.lock().seen.note(format!("{}{detail}", event_words(event.kind)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn phases_follow_one_another_on_one_time() {
        let mut seen = Seen::default();
        seen.begin(Phase::Settle, 180.0, 330.0);
        seen.add(0.25, &Reading::NOTHING);
        seen.add(60.0, &Reading::NOTHING);
        seen.begin(Phase::Load, 180.0, 150.0);
        seen.add(10.0, &Reading::NOTHING);
        assert_eq!(seen.time_s, [0.25, 60.0, 70.0]);
        assert_eq!(seen.phases, [(Phase::Settle, 0.0), (Phase::Load, 60.0)]);
        assert!(seen.cpu_temp_c.iter().all(|c| c.is_nan()), "what wasn't read is empty");
    }
}
