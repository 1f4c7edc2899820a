//! A laptop against its own earlier checks, where there is no reference of its model.
//!
//! All its runs are fitted by one thermal network at once, as those of a model are (docs/method.md, "All runs of a
//! model"): what belongs to the unit, its heat capacity above all, is then the same in all, and each run has an
//! airflow and a contact of its own. The change is the present run's against the mean of the earlier ones. It tells
//! nothing of how the unit stood when its first check was made.

use crate::condition::ambient::{INDOOR, Room};
use crate::condition::constants::{Constants, Wider};
use crate::condition::disturbance::Disturbances;
use crate::condition::evidence::{FIT_PRIORS, without_prior};
use crate::estimate::joint::RunFit;
use crate::estimate::joint_model::fit_model;
use crate::estimate::network_drive::Drive;
use crate::estimate::workers::InTurn;
use crate::measured::Measured;
use crate::record::wire::{Ambient, AmbientSource};
use crate::trace::Trace;

/// Most earlier runs that are compared with; the newest say most.
pub const PAST_MAX: usize = 8;
/// Scatter of one laptop's airflow and contact from run to run that no fit explains, ln. Calibrated on simulated fleets.
const RUN_SCATTER: [f64; 2] = [0.035, 0.012];
/// Scatter of a fan's speed per kelvin from run to run, share. Common practice, no source.
const FAN_SCATTER: f64 = 0.05;
/// Half-width of a 95 % interval in standard deviations (normal distribution).
const Z_95: f64 = 1.96;

/// One run with what is known beside it.
#[derive(Debug, Clone, Copy)]
pub struct Run<'a> {
    /// Its samples.
    pub trace: &'a Trace,
    /// The room, where it was measured or told.
    pub ambient: Option<Ambient>,
    /// On mains power, where known.
    pub on_mains: Option<bool>,
    /// Fan speed gained per kelvin, from its analysis, rpm/K.
    pub fan_rpm_per_k: Measured,
}

impl Run<'_> {
    /// By how much what disturbed it widens it.
    fn wider(&self, drive: &Drive) -> Wider {
        let disturbed = Disturbances::of(&drive.facts, self.on_mains, f64::NAN);
        disturbed.widen(&Constants::default().disturbed, drive.has_power)
    }
}

/// Present over earlier, with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// The ratio.
    pub value: f64,
    /// 2.5 % quantile.
    pub low: f64,
    /// 97.5 % quantile.
    pub high: f64,
}

impl Ratio {
    fn of_ln(ln: f64, sd: f64) -> Self {
        Self { value: ln.exp(), low: (ln - Z_95 * sd).exp(), high: (ln + Z_95 * sd).exp() }
    }

    /// Surely less than 1, and by as much as matters.
    pub fn is_less(&self, matters: f64) -> bool {
        self.high < 1.0 && self.value < 1.0 - matters
    }

    /// Surely more than 1, and by as much as matters.
    pub fn is_more(&self, matters: f64) -> bool {
        self.low > 1.0 && self.value > 1.0 + matters
    }

    /// Surely within what matters.
    pub fn is_unchanged(&self, matters: f64) -> bool {
        self.low > 1.0 - matters && self.high < 1.0 + matters
    }
}

/// What changed against the earlier runs; `None`: the runs don't say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// How many earlier runs it was compared with.
    pub n_past: usize,
    /// Air at the same fan speed.
    pub airflow: Option<Ratio>,
    /// Resistance from chip to heat sink.
    pub contact: Option<Ratio>,
    /// Fan speed gained per kelvin.
    pub fan: Option<Ratio>,
    /// Whether the room of every compared run was known better than the indoor guess.
    pub rooms_known: bool,
}

/// Compares a run with earlier ones of the same laptop, newest last. `None` where none of them, or not the present
/// one, can be fitted.
pub fn compare(now: &Run<'_>, past: &[Run<'_>]) -> Option<Change> {
    let newest = &past[past.len().saturating_sub(PAST_MAX)..];
    let present = Drive::from_trace(now.trace)?;
    let (mut drives, runs): (Vec<Drive>, Vec<&Run<'_>>) =
        newest.iter().filter_map(|run| Some((Drive::from_trace(run.trace)?, run))).unzip();
    if drives.is_empty() {
        return None;
    }
    drives.push(present);
    let all: Vec<&Run<'_>> = runs.iter().copied().chain([now]).collect();
    let rooms: Vec<Room> = all.iter().map(|run| room(run.ambient)).collect();
    let wider: Vec<Wider> = all.iter().zip(&drives).map(|(run, drive)| run.wider(drive)).collect();
    let fits = fit_model(&mut drives, &rooms, &InTurn).runs;
    let n_past = fits.len() - 1;
    let has_power = drives.last().is_some_and(|d| d.has_power);
    let air_gain = Constants::default().air_gain_of(has_power);
    Some(Change {
        n_past,
        airflow: network_ratio(&fits, 0, air_gain, |i| wider[i].air),
        contact: network_ratio(&fits, 1, 1.0, |i| wider[i].contact),
        fan: fan_ratio(&all, &wider),
        rooms_known: all.iter().all(|run| is_known(run.ambient)),
    })
}

fn is_known(ambient: Option<Ambient>) -> bool {
    ambient.is_some_and(|a| a.source != AmbientSource::Prior)
}

/// The room that a run's fit begins with: as measured or told, else the indoor guess.
pub(crate) fn room(ambient: Option<Ambient>) -> Room {
    ambient.filter(|_| is_known(ambient)).map_or(INDOOR, |a| Room { value_c: a.value_c, sd_k: a.sd_k })
}

/// The last run's number against the weighted mean of the others. `which`: 0 airflow, 1 contact; `gain`: true over fitted
/// difference; `wider`: what each run's disturbances add to its scatter.
fn network_ratio(fits: &[RunFit], which: usize, gain: f64, wider: impl Fn(usize) -> f64) -> Option<Ratio> {
    let scatter = |i: usize| RUN_SCATTER[which].hypot(wider(i));
    let told: Vec<Option<(f64, f64)>> =
        fits.iter().enumerate().map(|(i, fit)| without_prior(fit, FIT_PRIORS[which], scatter(i))).collect();
    let (now, past) = told.split_last()?;
    let (now, past) = ((*now)?, mean(&past.iter().flatten().copied().collect::<Vec<_>>())?);
    Some(Ratio::of_ln(gain * (now.0 - past.0), gain * now.1.hypot(past.1)))
}

/// Weighted mean and its standard deviation; no smaller than the run-to-run scatter allows for so many.
fn mean(values: &[(f64, f64)]) -> Option<(f64, f64)> {
    let weight: f64 = values.iter().map(|(_, sd)| sd.powi(-2)).sum();
    (weight > 0.0 && weight.is_finite()).then(|| {
        (values.iter().map(|(value, sd)| value * sd.powi(-2)).sum::<f64>() / weight, weight.sqrt().recip())
    })
}

fn fan_ratio(all: &[&Run<'_>], wider: &[Wider]) -> Option<Ratio> {
    let ln = |(run, wider): (&&Run<'_>, &Wider)| match run.fan_rpm_per_k {
        Measured::Value { value, se } if value > 0.0 => {
            Some((value.ln(), (se / value).hypot(FAN_SCATTER).hypot(wider.fan)))
        }
        _ => None,
    };
    let told: Vec<Option<(f64, f64)>> = all.iter().zip(wider).map(ln).collect();
    let (now, past) = told.split_last()?;
    let (now, past) = ((*now)?, mean(&past.iter().flatten().copied().collect::<Vec<_>>())?);
    Some(Ratio::of_ln(now.0 - past.0, now.1.hypot(past.1)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::{RunContext, analyse};
    use crate::emulate::{RunPlan, model_of, record_run};

    const KNOWN: Option<Ambient> = Some(Ambient { value_c: 23.0, sd_k: 0.5, source: AmbientSource::Told });

    fn recorded(model: &str, faults: &str, seed: u64) -> (Trace, Measured) {
        let plan = RunPlan { faults: faults.parse().unwrap(), seed, ..RunPlan::default() };
        let trace = record_run(&model_of(model).unwrap(), &plan);
        let per_k = analyse(&trace, &RunContext::default()).metrics.fan_gain_rpm_per_k;
        (trace, per_k)
    }

    fn change(model: &str, before: &str, now: &str, ambient: Option<Ambient>) -> Change {
        let past: Vec<_> = (1..=3).map(|seed| recorded(model, before, seed)).collect();
        let now = recorded(model, now, 9);
        let run = |(trace, per_k): &(Trace, Measured)| (trace.clone(), *per_k);
        let owned: Vec<_> = past.iter().map(run).collect();
        let past: Vec<Run<'_>> = owned
            .iter()
            .map(|(trace, per_k)| Run { trace, ambient, on_mains: None, fan_rpm_per_k: *per_k })
            .collect();
        compare(&Run { trace: &now.0, ambient, on_mains: None, fan_rpm_per_k: now.1 }, &past).unwrap()
    }

    #[test]
    fn what_changed_is_told_and_what_did_not_is_not() {
        for model in ["Tamsel 14", "Orrin 16 W", "Velden 14"] {
            let same = change(model, "", "", KNOWN);
            let (air, contact) = (same.airflow.unwrap(), same.contact.unwrap());
            assert!(air.low < 1.0 && air.high > 1.0, "{model}: {same:?}");
            assert!(contact.low < 1.02 && contact.high > 0.98, "{model}: {same:?}");
            let clogged = change(model, "", "airflow=0.5", KNOWN);
            assert!(clogged.airflow.unwrap().is_less(0.1), "{model}: {clogged:?}");
            assert!(!clogged.contact.unwrap().is_more(0.1), "{model}: {clogged:?}");
            let dried = change(model, "", "paste=2.5", KNOWN);
            assert!(dried.contact.unwrap().is_more(0.1), "{model}: {dried:?}");
            assert!(!dried.airflow.unwrap().is_less(0.1), "{model}: {dried:?}");
            let cleaned = change(model, "airflow=0.5", "", KNOWN);
            assert!(cleaned.airflow.unwrap().is_more(0.1), "{model}: {cleaned:?}");
        }
    }

    #[test]
    fn a_weaker_fan_is_told_by_its_speed() {
        let weak = change("Tamsel 14", "", "fan=0.7", KNOWN);
        assert!(weak.fan.unwrap().is_less(0.1), "{weak:?}");
    }

    #[test]
    fn an_unknown_room_widens_what_is_said_of_the_air() {
        let width = |ambient| {
            let air = change("Tamsel 14", "", "", ambient).airflow.unwrap();
            (air.high / air.low).ln()
        };
        assert!(width(None) > 1.5 * width(KNOWN), "{} {}", width(None), width(KNOWN));
    }

    #[test]
    fn nothing_to_compare_with_is_no_change() {
        let (trace, fan_rpm_per_k) = recorded("Tamsel 14", "", 1);
        let run = Run { trace: &trace, ambient: None, on_mains: None, fan_rpm_per_k };
        assert_eq!(compare(&run, &[]), None);
        let empty = Trace::empty();
        assert_eq!(compare(&run, &[Run { trace: &empty, ..run }]), None);
        assert_eq!(compare(&Run { trace: &empty, ..run }, &[run]), None);
    }
}
