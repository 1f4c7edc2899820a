//! The run itself: watch, pulse, settle, load, recovery; one loop samples, and the guard sees every sample.

use windrow_model::channel::Channel;
use windrow_model::protocol::{Phase, Protocol};
use windrow_model::record::wire::{
    Ambient, AmbientSource, Context, Event, EventKind, Outcome, PreCheck, PreCheckResult,
};

use super::pre::{self, Seen};
use super::recorder::Recorder;
use super::safety::{Guard, Sample, Stop};
use super::settle::{Settling, WINDOW_S};
use super::{CheckRequest, CheckRun, Observer, Preparing, StopFlag, StopReason};
use crate::machine::{Clock, Facts, Load, Machine, Reading, Sensors};

/// Longest watch before the pre-checks: a machine that isn't idle by then is busy.
const WATCH_MAX_S: f64 = 30.0;
/// Length of the quiet stretch that ends the watch.
const WATCH_QUIET_S: f64 = 10.0;
/// A time between samples from which on the trace has a gap worth an event.
const GAP_S: f64 = 2.0;
/// Most events of a check; a machine that can't keep up would fill memory with gaps.
const EVENTS_MAX: usize = 200;
/// How much longer than asked for a load may last before the deadline ends it.
const LOAD_SLACK_S: f64 = 2.0;
/// Indoor prior (common practice, no source).
pub(crate) const AMBIENT_PRIOR: Ambient = Ambient { value_c: 23.0, sd_k: 3.0, source: AmbientSource::Prior };

/// Runs a check. What happens on the way is in the result; nothing that a sensor or a signal does is an error here.
pub fn run<S: Sensors, L: Load, C: Clock>(
    machine: &mut Machine<S, L, C>,
    request: &CheckRequest,
    stop: &StopFlag,
    observer: &mut dyn Observer,
) -> CheckRun {
    let started_at = machine.clock.wall();
    let mut check = Check::new(machine, request, stop, observer);
    let outcome = check.all_phases();
    // Whatever happened: from here on nothing loads.
    check.machine.load.stop();
    let Check { recorder, events, pre_checks, settled, context, .. } = check;
    let limit = machine.sensors.limit();
    CheckRun {
        started_at,
        boot_id: machine.boot_id.clone(),
        provenance: machine.provenance,
        emulation: machine.emulation.clone(),
        model: machine.sensors.model(),
        platform: machine.platform.clone(),
        load_mix: machine.load.mix(),
        protocol: request.protocol,
        outcome,
        pre_checks,
        context: Context { settled, ..context },
        sources: machine.sensors.sources(),
        limit,
        events,
        trace: recorder.finish(),
    }
}

struct Check<'a, S, L, C> {
    machine: &'a mut Machine<S, L, C>,
    request: &'a CheckRequest,
    stop: &'a StopFlag,
    observer: &'a mut dyn Observer,
    guard: Guard,
    recorder: Recorder,
    events: Vec<Event>,
    pre_checks: Vec<PreCheck>,
    context: Context,
    settled: bool,
    ticks: Ticks,
    last: Option<LastSample>,
    loading: bool,
    /// The last CPU temperature before the pulse.
    rested_cpu_c: Option<f64>,
}

/// The moments at which samples are due, so that a late one doesn't push all that follow.
struct Ticks {
    next_s: f64,
    period_s: f64,
}

/// What rates and gaps are counted from.
#[derive(Clone, Copy)]
struct LastSample {
    at_s: f64,
    awake_s: f64,
    work_done: u64,
}

/// A stretch of sampling came to its end, or was ended.
enum Ended {
    InTime,
    Stopped(Stop),
}

impl<'a, S: Sensors, L: Load, C: Clock> Check<'a, S, L, C> {
    fn new(
        machine: &'a mut Machine<S, L, C>,
        request: &'a CheckRequest,
        stop: &'a StopFlag,
        observer: &'a mut dyn Observer,
    ) -> Self {
        let now_s = machine.clock.now_s();
        let context = context(machine.sensors.context(), request);
        // Without a limit there is no CPU temperature, and the pre-checks end the check before any load.
        let limit_c = machine.sensors.limit().map_or(0.0, |l| l.limit_c);
        let period_s = period_of(&request.protocol);
        Self {
            machine,
            request,
            stop,
            observer,
            guard: Guard::new(limit_c),
            recorder: Recorder::new(now_s),
            events: Vec::new(),
            pre_checks: Vec::new(),
            context,
            settled: false,
            ticks: Ticks { next_s: now_s, period_s },
            last: None,
            loading: false,
            rested_cpu_c: None,
        }
    }

    fn all_phases(&mut self) -> Outcome {
        let before = self.watch_and_judge();
        if let Some(outcome) = before {
            return outcome;
        }
        match self.pulse() {
            Ended::Stopped(stop) => return self.refused(stop),
            Ended::InTime if !self.all_passed() => return Outcome::NotStarted,
            Ended::InTime => {}
        }
        // The trace begins here: what was before is in the pre-checks.
        self.recorder = Recorder::new(self.machine.clock.now_s());
        self.events.clear();
        // Nor does the pulse's work belong to its first row.
        self.last = None;
        if let Ended::Stopped(stop) = self.settle() {
            return self.refused(stop);
        }
        match self.load() {
            Ended::InTime => self.recover(Outcome::Complete),
            Ended::Stopped(stop) => {
                let goes_on = recovery_follows(stop.kind);
                self.note(stop);
                if goes_on { self.recover(Outcome::StoppedEarly) } else { Outcome::StoppedEarly }
            }
        }
    }

    /// Watches the idle machine, then makes the pre-checks that need no load. `Some`: the check ends here.
    fn watch_and_judge(&mut self) -> Option<Outcome> {
        let facts = self.machine.sensors.facts();
        let (reading, busy_pct) = match self.watch() {
            Ok(seen) => seen,
            Err(stop) => return Some(self.refused(stop)),
        };
        self.rested_cpu_c = reading.get(Channel::CpuTempC);
        let limit_c = self.machine.sensors.limit().map(|l| l.limit_c);
        let made = self.judge(&facts, &reading, limit_c, busy_pct);
        for check in made {
            self.made(check);
        }
        if self.all_passed() { None } else { Some(Outcome::NotStarted) }
    }

    fn judge(
        &self,
        facts: &Facts,
        reading: &Reading,
        limit_c: Option<f64>,
        busy_pct: Option<f64>,
    ) -> Vec<PreCheck> {
        let lap_mode = self.context.lap_mode;
        pre::all(&Seen { request: self.request, reading, facts, limit_c, busy_pct, lap_mode })
    }

    /// Samples until the machine was quiet for a stretch, or long enough to call it busy.
    fn watch(&mut self) -> Result<(Reading, Option<f64>), Stop> {
        let start_s = self.machine.clock.now_s();
        let mut seen = Reading::NOTHING;
        let mut busy: Vec<(f64, f64)> = Vec::new();
        self.observer.preparing(Preparing::Watch, WATCH_MAX_S);
        loop {
            let (at_s, reading) = self.sample_unseen();
            self.observer.preparing_sample(Preparing::Watch, at_s - start_s, &reading);
            if let Some(stop) = self.asked_to_stop() {
                return Err(stop);
            }
            merge(&mut seen, &reading);
            if let Some(pct) = reading.get(Channel::BusyPct) {
                busy.push((at_s, pct));
            }
            let quiet = mean_since(&busy, at_s - WATCH_QUIET_S);
            let watched_s = at_s - start_s;
            let is_quiet = quiet.is_none_or(|pct| pct < pre::busy_max_pct(self.request));
            if (watched_s >= WATCH_QUIET_S && is_quiet) || watched_s >= WATCH_MAX_S {
                return Ok((seen, quiet));
            }
        }
    }

    /// A few seconds of load that must move the CPU sensor. The guard watches.
    fn pulse(&mut self) -> Ended {
        self.machine.sensors.follow_candidates();
        let mut before = self.rested_cpu_c;
        let mut highest = before;
        if let Ended::Stopped(stop) = self.start_load() {
            return Ended::Stopped(stop);
        }
        let start_s = self.machine.clock.now_s();
        let end_s = start_s + pre::PULSE_S;
        self.observer.preparing(Preparing::Pulse, pre::PULSE_S);
        let ended = loop {
            let (at_s, reading) = self.sample_unseen();
            self.observer.preparing_sample(Preparing::Pulse, at_s - start_s, &reading);
            if let Some(c) = reading.get(Channel::CpuTempC) {
                before.get_or_insert(c);
                highest = Some(highest.map_or(c, |h: f64| h.max(c)));
            }
            let sample = self.guard_sample(at_s, &reading);
            if let Some(stop) = self.asked_to_stop().or_else(|| self.guard.observe(&sample)) {
                break Ended::Stopped(stop);
            }
            if at_s >= end_s {
                break Ended::InTime;
            }
        };
        self.end_load();
        if matches!(ended, Ended::InTime) {
            let chosen = self.machine.sensors.keep_the_one_that_rose(pre::PULSE_RISE_K);
            let rise_k = chosen.or_else(|| Some(highest? - before?));
            self.made(pre::pulse(rise_k));
        }
        ended
    }

    fn settle(&mut self) -> Ended {
        let protocol = self.request.protocol;
        self.observer.phase(Phase::Settle, protocol.settle_max_s);
        let start_s = self.machine.clock.now_s();
        let mut settling = Settling::default();
        loop {
            let (at_s, reading) = match self.sample(Phase::Settle, start_s) {
                Ok(seen) => seen,
                Err(stop) => return Ended::Stopped(stop),
            };
            if let Some(c) = reading.get(Channel::CpuTempC) {
                settling.observe(at_s, c);
            }
            let rested_s = at_s - start_s;
            let looked_long_enough =
                rested_s >= protocol.settle_min_s.min(WINDOW_S) && rested_s >= protocol.settle_min_s;
            if looked_long_enough && settling.is_settled() {
                self.settled = true;
                return Ended::InTime;
            }
            if rested_s >= protocol.settle_max_s {
                return Ended::InTime;
            }
        }
    }

    fn load(&mut self) -> Ended {
        let load_s = self.request.protocol.load_s;
        self.observer.phase(Phase::Load, load_s);
        if let Ended::Stopped(stop) = self.start_load() {
            return Ended::Stopped(stop);
        }
        let start_s = self.machine.clock.now_s();
        let ended = loop {
            match self.sample(Phase::Load, start_s) {
                Err(stop) => break Ended::Stopped(stop),
                Ok((at_s, _)) if at_s - start_s >= load_s + LOAD_SLACK_S => {
                    let detail = format!("the load ran for {:.1} s", at_s - start_s);
                    break Ended::Stopped(Stop { kind: EventKind::Deadline, detail });
                }
                Ok((at_s, _)) if at_s - start_s >= load_s => break Ended::InTime,
                Ok(_) => {}
            }
        };
        self.end_load();
        ended
    }

    fn recover(&mut self, outcome: Outcome) -> Outcome {
        let recovery_s = self.request.protocol.recovery_s;
        self.observer.phase(Phase::Recovery, recovery_s);
        let start_s = self.machine.clock.now_s();
        loop {
            let (at_s, reading) = self.sample_unseen();
            self.step_last(at_s);
            self.keep(Phase::Recovery, at_s, start_s, &reading);
            if let Some(Stop { kind, detail }) = self.asked_to_stop() {
                self.note(Stop { kind, detail: format!("{detail} after the load, while it cooled down") });
                return Outcome::StoppedEarly;
            }
            if at_s - start_s >= recovery_s {
                return outcome;
            }
        }
    }

    fn start_load(&mut self) -> Ended {
        self.machine.load.beat();
        if let Err(e) = self.machine.load.start() {
            let detail = format!("the load cannot be started: {e}");
            return Ended::Stopped(Stop { kind: EventKind::LoadFault, detail });
        }
        self.loading = true;
        self.guard.set_loading(true, self.machine.clock.now_s());
        Ended::InTime
    }

    fn end_load(&mut self) {
        self.machine.load.stop();
        self.loading = false;
        self.guard.set_loading(false, self.machine.clock.now_s());
    }

    /// One sample under the guard. On a stop the load has ended before this returns.
    fn sample(&mut self, phase: Phase, phase_start_s: f64) -> Result<(f64, Reading), Stop> {
        let (at_s, reading) = self.sample_unseen();
        let sample = self.guard_sample(at_s, &reading);
        if let Some(stop) = self.asked_to_stop().or_else(|| self.guard.observe(&sample)) {
            self.end_load();
            self.keep(phase, at_s, phase_start_s, &reading);
            return Err(stop);
        }
        self.keep(phase, at_s, phase_start_s, &reading);
        Ok((at_s, reading))
    }

    /// Waits for the next moment and reads. The wait ends early where somebody wants the check to end.
    fn sample_unseen(&mut self) -> (f64, Reading) {
        let now_s = self.machine.clock.now_s();
        self.ticks.next_s += self.ticks.period_s;
        if self.ticks.next_s <= now_s {
            // Held up: no burst of samples to catch up, they would all show the same moment.
            self.ticks.next_s = now_s + self.ticks.period_s;
        }
        let (stop, load) = (self.stop, &self.machine.load);
        let mut wake = || {
            load.beat();
            stop.raised().is_some()
        };
        self.machine.clock.sleep_until(self.ticks.next_s, &mut wake);
        self.machine.load.beat();
        if self.stop.raised().is_some() {
            // The signal doesn't wait for a sweep.
            self.machine.load.stop();
        }
        let mut reading = self.machine.sensors.sweep();
        let at_s = self.machine.clock.now_s();
        reading.values[Channel::LoadPct as usize] = if self.loading { 100.0 } else { 0.0 };
        reading.values[Channel::WorkRate as usize] = self.work_rate(at_s);
        (at_s, reading)
    }

    fn work_rate(&self, at_s: f64) -> f64 {
        let Some(last) = self.last else { return f64::NAN };
        let passed_s = at_s - last.at_s;
        let done = self.machine.load.work_done().saturating_sub(last.work_done);
        if passed_s > 0.0 { (done as f64 / passed_s).round() } else { f64::NAN }
    }

    /// Counts from the last sample to this one; a gap becomes an event. Returns the seconds slept in between.
    fn step_last(&mut self, at_s: f64) -> f64 {
        let awake_s = self.machine.clock.awake_s();
        let work_done = self.machine.load.work_done();
        let Some(last) = self.last.replace(LastSample { at_s, awake_s, work_done }) else { return 0.0 };
        let passed_s = at_s - last.at_s;
        let slept_s = passed_s - (awake_s - last.awake_s);
        if passed_s > GAP_S {
            let detail = if slept_s > super::safety::SLEPT_S {
                format!("{passed_s:.1} s without a sample, {slept_s:.1} s of them asleep")
            } else {
                format!("{passed_s:.1} s without a sample: the sampler was held up")
            };
            self.note(Stop { kind: EventKind::Gap, detail });
        }
        slept_s
    }

    fn guard_sample(&mut self, at_s: f64, reading: &Reading) -> Sample {
        let slept_s = self.step_last(at_s);
        Sample {
            at_s,
            slept_s,
            cpu_c: reading.get(Channel::CpuTempC).filter(|&c| Channel::CpuTempC.plausible(c)),
            fans_rpm: [reading.get(Channel::Fan1Rpm), reading.get(Channel::Fan2Rpm)],
            power_w: reading.get(Channel::PackagePowerW),
            work_rate: reading.get(Channel::WorkRate),
            on_ac: reading.on_ac,
            lid_closed: reading.lid_closed,
            battery_c: reading.get(Channel::BatteryTempC),
        }
    }

    fn keep(&mut self, phase: Phase, at_s: f64, phase_start_s: f64, reading: &Reading) {
        self.recorder.push(phase, at_s, reading);
        self.observer.sample(phase, at_s - phase_start_s, reading);
    }

    fn asked_to_stop(&self) -> Option<Stop> {
        let (kind, detail) = match self.stop.raised()? {
            StopReason::Interrupt => (EventKind::Interrupted, "stopped by the user"),
            StopReason::Terminate => (EventKind::Terminated, "the system asked the program to end"),
        };
        Some(Stop { kind, detail: detail.to_owned() })
    }

    fn made(&mut self, check: PreCheck) {
        self.observer.pre_check(&check);
        self.pre_checks.push(check);
    }

    fn all_passed(&self) -> bool {
        self.pre_checks.iter().all(|c| c.result != PreCheckResult::Failed)
    }

    fn note(&mut self, stop: Stop) {
        let at_ms = self.recorder.at_ms(self.machine.clock.now_s());
        let event = Event { at_ms, kind: stop.kind, detail: stop.detail };
        self.observer.event(&event);
        if self.events.len() < EVENTS_MAX {
            self.events.push(event);
        }
    }

    /// A stop before the load proper: the check has not started.
    fn refused(&mut self, stop: Stop) -> Outcome {
        self.end_load();
        self.note(stop);
        Outcome::NotStarted
    }
}

/// Whether the cooling down after this stop is worth watching, and safe to.
fn recovery_follows(kind: EventKind) -> bool {
    !matches!(
        kind,
        EventKind::Interrupted
            | EventKind::Terminated
            | EventKind::SensorLost
            | EventKind::SensorStuck
            | EventKind::BatteryHot
            | EventKind::LoadFault
    )
}

fn period_of(protocol: &Protocol) -> f64 {
    let hz = protocol.sample_hz;
    if hz.is_finite() && hz > 0.0 {
        hz.clamp(0.5, 50.0).recip()
    } else {
        Protocol::STANDARD.sample_hz.recip()
    }
}

fn context(machine: Context, request: &CheckRequest) -> Context {
    let told_or_sensed = request.ambient.or(machine.ambient);
    Context {
        ambient: told_or_sensed.or(Some(AMBIENT_PRIOR)),
        hard_surface: request.hard_surface,
        attended: request.attended,
        ..machine
    }
}

/// Adds what a sweep read to what earlier ones did: slow channels answer only now and then.
fn merge(seen: &mut Reading, new: &Reading) {
    for (value, new) in seen.values.iter_mut().zip(new.values) {
        if new.is_finite() {
            *value = new;
        }
    }
    seen.on_ac = new.on_ac.or(seen.on_ac);
    seen.lid_closed = new.lid_closed.or(seen.lid_closed);
}

fn mean_since(values: &[(f64, f64)], since_s: f64) -> Option<f64> {
    let recent: Vec<f64> = values.iter().filter(|(t, _)| *t > since_s).map(|(_, v)| *v).collect();
    (!recent.is_empty()).then(|| recent.iter().sum::<f64>() / recent.len() as f64)
}

#[cfg(test)]
mod tests;
