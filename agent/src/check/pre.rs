//! The pre-checks: what must hold before any load.
//!
//! Each says what it looked at; a failed one says what to do about it. The gates for mains power, battery,
//! temperature and sensors have no override, here or anywhere.

use windrow_model::cautions;
use windrow_model::channel::Channel;
use windrow_model::record::wire::{PreCheck, PreCheckKind, PreCheckResult};

use super::CheckRequest;
use crate::machine::{Facts, Reading};

/// Least battery charge (common practice, no source).
pub(crate) const BATTERY_MIN_PCT: f64 = 30.0;
/// Least distance to the limit before the load (common practice, no source).
pub(crate) const HEADROOM_K: f64 = 25.0;
/// Largest busy share of a machine that counts as idle (common practice, no source).
pub(crate) const BUSY_MAX_PCT: f64 = 5.0;
/// Length of the pulse.
pub(crate) const PULSE_S: f64 = 5.0;
/// Least rise that the pulse must show.
pub(crate) const PULSE_RISE_K: f64 = 2.0;

/// The driver's words for a battery that must not be worked (kernel ABI, sysfs-class-power, `health`).
const BATTERY_FAULTS: [&str; 5] =
    ["Overheat", "Dead", "Over voltage", "Unspecified failure", "Safety timer expire"];

/// What the pre-checks look at.
pub(super) struct Seen<'a> {
    pub(super) request: &'a CheckRequest,
    /// The last sweep, with every channel that answered during the watch.
    pub(super) reading: &'a Reading,
    pub(super) facts: &'a Facts,
    pub(super) limit_c: Option<f64>,
    /// Median busy share over the quietest stretch of the watch.
    pub(super) busy_pct: Option<f64>,
    /// On a lap, by the machine's own sensor.
    pub(super) lap_mode: Option<bool>,
}

/// All pre-checks that need no load, in the order in which a person would want to read them.
pub(super) fn all(seen: &Seen<'_>) -> Vec<PreCheck> {
    vec![
        sensors(seen),
        ac_power(seen),
        battery_level(seen),
        battery_health(seen),
        temperature(seen),
        busy(seen),
        lid(seen),
        hold(seen),
        surface(seen),
        bulge(seen),
    ]
}

fn made(check: PreCheckKind, result: PreCheckResult, detail: impl Into<String>) -> PreCheck {
    PreCheck { check, result, detail: detail.into() }
}

fn passed_if(check: PreCheckKind, good: bool, detail: String) -> PreCheck {
    made(check, if good { PreCheckResult::Passed } else { PreCheckResult::Failed }, detail)
}

fn sensors(seen: &Seen<'_>) -> PreCheck {
    let kind = PreCheckKind::Sensors;
    match seen.reading.get(Channel::CpuTempC) {
        Some(c) if Channel::CpuTempC.plausible(c) => {
            made(kind, PreCheckResult::Passed, format!("CPU at {c:.1} °C"))
        }
        Some(c) => {
            made(kind, PreCheckResult::Failed, format!("the CPU sensor says {c:.1} °C, which cannot be true"))
        }
        None => made(kind, PreCheckResult::Failed, "no CPU temperature can be read"),
    }
}

fn ac_power(seen: &Seen<'_>) -> PreCheck {
    let kind = PreCheckKind::AcPower;
    match (seen.reading.on_ac, &seen.facts.battery) {
        (Some(true), _) => made(kind, PreCheckResult::Passed, "on mains power"),
        (Some(false), _) => made(kind, PreCheckResult::Failed, "on battery; connect the mains adapter"),
        (None, None) => {
            made(kind, PreCheckResult::Unknown, "this machine shows no battery and no mains adapter")
        }
        // With a battery and no word on the mains it may be running down: no load then.
        (None, Some(_)) => {
            made(kind, PreCheckResult::Failed, "this machine doesn't tell whether it is on mains power")
        }
    }
}

fn battery_level(seen: &Seen<'_>) -> PreCheck {
    let kind = PreCheckKind::BatteryLevel;
    match seen.facts.battery.as_ref().map(|b| b.charge_pct) {
        None => made(kind, PreCheckResult::Unknown, "no battery"),
        Some(None) => made(kind, PreCheckResult::Unknown, "this battery doesn't tell its charge"),
        Some(Some(pct)) if pct >= BATTERY_MIN_PCT => {
            made(kind, PreCheckResult::Passed, format!("charged to {pct:.0} %"))
        }
        Some(Some(pct)) => {
            let detail = format!("charged to {pct:.0} %; charge it to {BATTERY_MIN_PCT:.0} % first");
            made(kind, PreCheckResult::Failed, detail)
        }
    }
}

fn battery_health(seen: &Seen<'_>) -> PreCheck {
    let kind = PreCheckKind::BatteryHealth;
    let Some(battery) = &seen.facts.battery else {
        return made(kind, PreCheckResult::Unknown, "no battery");
    };
    let temp_c = battery.temp_c.or_else(|| seen.reading.get(Channel::BatteryTempC));
    if let Some(c) = temp_c.filter(|&c| c > super::safety::BATTERY_MAX_C) {
        return made(kind, PreCheckResult::Failed, format!("the battery is at {c:.1} °C; let it cool down"));
    }
    match battery.health.as_deref() {
        Some(word) if BATTERY_FAULTS.contains(&word) => made(
            kind,
            PreCheckResult::Failed,
            format!("the battery reports `{word}`; have it looked at by a qualified person"),
        ),
        Some(word) => made(kind, PreCheckResult::Passed, format!("the battery reports `{word}`")),
        None if temp_c.is_some() => made(kind, PreCheckResult::Passed, "its temperature is in order"),
        None => made(kind, PreCheckResult::Unknown, "this battery doesn't tell its health"),
    }
}

fn temperature(seen: &Seen<'_>) -> PreCheck {
    let kind = PreCheckKind::Temperature;
    let (Some(c), Some(limit_c)) = (seen.reading.get(Channel::CpuTempC), seen.limit_c) else {
        return made(kind, PreCheckResult::Failed, "no CPU temperature to compare with a limit");
    };
    let headroom_k = limit_c - c;
    let detail = format!("{headroom_k:.0} K below the limit of {limit_c:.0} °C");
    if headroom_k >= HEADROOM_K {
        return made(kind, PreCheckResult::Passed, detail);
    }
    made(
        kind,
        PreCheckResult::Failed,
        format!("{detail}; let it cool down to {:.0} °C", limit_c - HEADROOM_K),
    )
}

fn busy(seen: &Seen<'_>) -> PreCheck {
    let kind = PreCheckKind::Busy;
    match seen.busy_pct {
        None => made(kind, PreCheckResult::Unknown, "this machine doesn't tell how busy it is"),
        Some(pct) if pct < BUSY_MAX_PCT => made(kind, PreCheckResult::Passed, format!("{pct:.1} % busy")),
        Some(pct) if pct < busy_max_pct(seen.request) => {
            let detail = format!("{pct:.1} % busy, where {:.0} % were allowed", busy_max_pct(seen.request));
            made(kind, PreCheckResult::Passed, detail)
        }
        Some(pct) => {
            let detail = format!("{pct:.0} % busy; close other programs or wait until updates are done");
            made(kind, PreCheckResult::Failed, detail)
        }
    }
}

/// What counts as idle in this check, %.
pub(super) fn busy_max_pct(request: &CheckRequest) -> f64 {
    request.busy_max_pct.filter(|pct| pct.is_finite()).unwrap_or(BUSY_MAX_PCT).clamp(BUSY_MAX_PCT, 100.0)
}

fn lid(seen: &Seen<'_>) -> PreCheck {
    let kind = PreCheckKind::Lid;
    match (seen.reading.lid_closed, seen.facts.external_display) {
        (None, _) => made(kind, PreCheckResult::Unknown, "this machine doesn't tell"),
        (Some(false), _) => made(kind, PreCheckResult::Passed, "open"),
        (Some(true), Some(true)) => made(kind, PreCheckResult::Passed, "closed, with another display"),
        (Some(true), _) => made(kind, PreCheckResult::Failed, "closed; open the lid"),
    }
}

fn hold(seen: &Seen<'_>) -> PreCheck {
    let kind = PreCheckKind::Hold;
    match &seen.request.hold {
        None => made(kind, PreCheckResult::Passed, ""),
        Some(reason) => made(
            kind,
            PreCheckResult::Failed,
            format!("your administrator has put this laptop on hold: {reason}. {}", cautions::HELD),
        ),
    }
}

fn surface(seen: &Seen<'_>) -> PreCheck {
    let kind = PreCheckKind::Surface;
    if seen.lap_mode == Some(true) {
        let detail = "the laptop's own sensor says that it lies on a lap; put it on a table";
        return made(kind, PreCheckResult::Failed, detail);
    }
    match seen.request.hard_surface {
        None => made(kind, PreCheckResult::Skipped, "nobody was asked"),
        Some(hard) => passed_if(
            kind,
            hard,
            if hard { "on a hard flat surface" } else { "not on a hard flat surface; put it on a table" }
                .to_owned(),
        ),
    }
}

fn bulge(seen: &Seen<'_>) -> PreCheck {
    let kind = PreCheckKind::Bulge;
    match seen.request.bulging {
        None => made(kind, PreCheckResult::Skipped, "nobody was asked"),
        Some(false) => made(kind, PreCheckResult::Passed, "nothing bulges"),
        Some(true) => made(
            kind,
            PreCheckResult::Failed,
            "battery or case bulges; switch it off, don't charge or press it, and bring it to a qualified technician",
        ),
    }
}

/// The pulse's own result.
pub(super) fn pulse(rise_k: Option<f64>) -> PreCheck {
    let kind = PreCheckKind::Pulse;
    match rise_k {
        Some(k) => passed_if(
            kind,
            k >= PULSE_RISE_K,
            if k >= PULSE_RISE_K {
                format!("the CPU sensor rose by {k:.1} K in {PULSE_S:.0} s of load")
            } else {
                format!(
                    "the CPU sensor moved by {k:.1} K in {PULSE_S:.0} s of load, {PULSE_RISE_K:.0} K are needed; it does not show the CPU"
                )
            },
        ),
        None => made(kind, PreCheckResult::Failed, "the CPU sensor gave nothing during a pulse of load"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::machine::Battery;
    use windrow_model::protocol::Protocol;

    fn request() -> CheckRequest {
        CheckRequest {
            protocol: Protocol::STANDARD,
            ambient: None,
            hard_surface: Some(true),
            bulging: Some(false),
            attended: true,
            hold: None,
            busy_max_pct: None,
        }
    }

    #[track_caller]
    fn check(
        kind: PreCheckKind,
        expected: PreCheckResult,
        change: impl Fn(&mut CheckRequest, &mut Reading, &mut Facts, &mut f64),
    ) {
        let (mut request, mut reading, mut busy_pct) = (request(), Reading::NOTHING, 1.0);
        reading.values[Channel::CpuTempC as usize] = 40.0;
        reading.on_ac = Some(true);
        reading.lid_closed = Some(false);
        let battery = Battery { charge_pct: Some(80.0), health: Some("Good".into()), ..Battery::default() };
        let mut facts = Facts { battery: Some(battery), external_display: Some(false) };
        change(&mut request, &mut reading, &mut facts, &mut busy_pct);
        let seen = Seen {
            request: &request,
            reading: &reading,
            facts: &facts,
            limit_c: Some(100.0),
            busy_pct: Some(busy_pct),
            lap_mode: None,
        };
        for made in all(&seen) {
            let want = if made.check == kind { expected } else { PreCheckResult::Passed };
            if made.check == kind {
                assert_eq!(made.result, want, "{made:?}");
            }
        }
    }

    #[test]
    fn each_gate_at_its_border() {
        use PreCheckKind as K;
        use PreCheckResult::{Failed, Passed, Skipped, Unknown};
        check(K::Sensors, Passed, |_, _, _, _| ());
        check(K::Sensors, Failed, |_, r, _, _| r.values[Channel::CpuTempC as usize] = f64::NAN);
        check(K::Sensors, Failed, |_, r, _, _| r.values[Channel::CpuTempC as usize] = 127.0);
        check(K::AcPower, Failed, |_, r, _, _| r.on_ac = Some(false));
        check(K::AcPower, Failed, |_, r, _, _| r.on_ac = None);
        check(K::AcPower, Unknown, |_, r, f, _| {
            r.on_ac = None;
            f.battery = None;
        });
        check(K::BatteryLevel, Passed, |_, _, f, _| f.battery.as_mut().unwrap().charge_pct = Some(30.0));
        check(K::BatteryLevel, Failed, |_, _, f, _| f.battery.as_mut().unwrap().charge_pct = Some(29.0));
        check(K::BatteryHealth, Failed, |_, _, f, _| {
            f.battery.as_mut().unwrap().health = Some("Overheat".into());
        });
        check(K::BatteryHealth, Failed, |_, _, f, _| f.battery.as_mut().unwrap().temp_c = Some(45.5));
        check(K::Temperature, Passed, |_, r, _, _| r.values[Channel::CpuTempC as usize] = 75.0);
        check(K::Temperature, Failed, |_, r, _, _| r.values[Channel::CpuTempC as usize] = 75.5);
        check(K::Busy, Passed, |_, _, _, b| *b = 4.9);
        check(K::Busy, Failed, |_, _, _, b| *b = 5.0);
        check(K::Busy, Passed, |q, _, _, b| (q.busy_max_pct, *b) = (Some(25.0), 24.9));
        check(K::Busy, Failed, |q, _, _, b| (q.busy_max_pct, *b) = (Some(25.0), 25.0));
        check(K::Busy, Passed, |q, _, _, b| (q.busy_max_pct, *b) = (Some(1.0), 4.9));
        check(K::Busy, Failed, |q, _, _, b| (q.busy_max_pct, *b) = (Some(f64::NAN), 5.0));
        check(K::Lid, Failed, |_, r, _, _| r.lid_closed = Some(true));
        check(K::Lid, Passed, |_, r, f, _| {
            r.lid_closed = Some(true);
            f.external_display = Some(true);
        });
        check(K::Hold, Failed, |q, _, _, _| q.hold = Some("battery recall".into()));
        check(K::Surface, Failed, |q, _, _, _| q.hard_surface = Some(false));
        check(K::Surface, Skipped, |q, _, _, _| q.hard_surface = None);
        check(K::Bulge, Failed, |q, _, _, _| q.bulging = Some(true));
    }

    #[test]
    fn the_pulse_needs_two_kelvin() {
        assert_eq!(pulse(Some(2.0)).result, PreCheckResult::Passed);
        assert_eq!(pulse(Some(1.9)).result, PreCheckResult::Failed);
        assert_eq!(pulse(None).result, PreCheckResult::Failed);
    }
}
