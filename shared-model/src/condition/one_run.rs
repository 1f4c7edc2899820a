//! What one run alone says of a laptop, and where its model's laptops lie, in the same units: shares of as-new.
//!
//! For showing: a laptop's condition is filtered over all its runs ([`super::judge`]), and one odd run hardly moves it.
//! Told is the reading, no better than as-new. Its interval holds what the filter would still think possible after that
//! run: the fit's error, the scatter from run to run, the unit's own build, the model's level, and wear that is never
//! negative. Bedding and runs that say nothing are not in it: from one run they cannot be told.

use super::constants::{Constants, FanConstants, WearConstants};
use super::evidence::RunEvidence;
use super::fan_map::FanReading;
use super::fan_scatter::FanScatter;
use super::judge::{Interval, airflow_interval, contact_factor, contact_interval};
use super::level::Level;
use super::peers::Band;
use super::reference::ModelReference;
use super::wear::Posterior;

/// 95 % quantile of the Gaussian.
const Z95: f64 = 1.645;

/// Airflow fraction, fan factor and contact factor of one run, each with its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RunNumbers {
    /// Airflow, share of as-new.
    pub airflow: Option<Interval>,
    /// Fan speed over the due one.
    pub fan: Option<Interval>,
    /// Paste and mounting, multiple of as-new.
    pub contact: Option<Interval>,
}

impl RunNumbers {
    /// What a run says beside its model's as-new levels, the model's events taken out.
    pub fn of(k: &Constants, reference: &ModelReference, run: &RunEvidence) -> Self {
        let r = reference.events.iter().fold(*run, |r, e| e.taken_out_of(&r));
        let (air, share) = (reference.air_constants(k), reference.paste_share);
        Self {
            airflow: r.air.map(|(la, sd)| {
                let seen = Seen::new(&air, &reference.air, -la, sd, r.quick);
                let mid = (-seen.told()).exp();
                reaching(airflow_interval(&seen.wear(&air), k.air_gain_sd_of(r.has_rpm)), mid)
            }),
            fan: r.worst_fan().filter(|_| !r.is_stuck()).map(|f| fan(&k.fan, &reference.fan_scatter, f)),
            contact: r.contact.map(|(lr, sd)| {
                let seen = Seen::new(&k.contact, &reference.contact, lr, sd, r.quick);
                let mid = contact_factor(share, seen.told().exp());
                reaching(contact_interval(share, &seen.wear(&k.contact)), mid)
            }),
        }
    }
}

/// A run's reading of a wear, log units: over the model's as-new level, with all that is unsure of it.
struct Seen {
    value: f64,
    sd: f64,
}

impl Seen {
    fn new(c: &WearConstants, level: &Level, value: f64, sd: f64, quick: bool) -> Self {
        let (quick_sd, quick_low) = if quick { c.quick } else { (0.0, 0.0) };
        let (level, level_sd) = level.moments(c);
        let of_run = (c.se_factor * sd).hypot(c.noise_floor).hypot(quick_sd);
        Self { value: (value + quick_low) * c.gain - level, sd: of_run.hypot(c.offset_sd).hypot(level_sd) }
    }

    /// The reading; one below as-new tells a unit built well, not a wear.
    fn told(&self) -> f64 {
        self.value.max(0.0)
    }

    /// The wear that it leaves possible, each as likely beforehand.
    fn wear(&self, c: &WearConstants) -> Posterior {
        /// Steps of this wear's grid in one of the filter's.
        const FINER: usize = 8;
        let step = c.step / FINER as f64;
        Posterior::of_one(step, FINER * c.n_states, self.value, self.sd)
    }
}

/// The interval, with the value told in it.
fn reaching(i: Interval, mid: f64) -> Interval {
    Interval { mid, low: i.low.min(mid), high: i.high.max(mid) }
}

/// The speed over the due one in shares of a fan's nominal speed, as the condition tells it: sound fans, on which the map
/// rests, turn a little slower than that. With the spread of healthy units about their model's map.
fn fan(c: &FanConstants, scatter: &FanScatter, f: &FanReading) -> Interval {
    let mid = scatter.told(c, f.ratio);
    let sd = (mid * scatter.run_sd.hypot(scatter.unit_sd).hypot(c.one_run_sd)).hypot(f.doubt);
    Interval { mid, low: (mid - Z95 * sd).max(0.0), high: mid + Z95 * sd }
}

/// Where nine laptops in ten of a model lie, in the units of [`RunNumbers`].
pub fn peers(k: &Constants, reference: &ModelReference) -> [Option<Band>; 3] {
    let bands = &reference.peers;
    let air = reference.air_constants(k);
    let air_level = reference.air.moments(&air).0;
    let contact_level = reference.contact.moments(&k.contact).0;
    let airflow = |la: f64| (-(-air.gain * la - air_level).max(0.0)).exp();
    let contact =
        |lr: f64| contact_factor(reference.paste_share, (k.contact.gain * lr - contact_level).max(0.0).exp());
    let fan = |ratio: f64| reference.fan_scatter.told(&k.fan, ratio);
    [
        bands.log_air.map(|b| each(b, airflow)),
        bands.fan_ratio.map(|b| each(b, fan)),
        bands.log_contact.map(|b| each(b, contact)),
    ]
}

fn each(b: Band, of: impl Fn(f64) -> f64) -> Band {
    Band { low: of(b.low), mid: of(b.mid), high: of(b.high), laptops: b.laptops }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::condition::disturbance::Disturbance;
    use crate::condition::judge::judge_model;
    use crate::condition::tests::healthy;
    use crate::estimate::workers::InTurn;

    #[test]
    fn a_healthy_unit_s_run_lies_by_as_new_and_within_its_peers() {
        let (k, laptops) = (Constants::default(), healthy());
        let (reference, _) = judge_model(&k, true, &laptops, &InTurn);
        let [air, fan, contact] = peers(&k, &reference).map(|b| b.unwrap());
        for run in laptops.iter().flat_map(|l| &l.runs) {
            let n = RunNumbers::of(&k, &reference, run);
            for (i, band) in [(n.airflow, air), (n.fan, fan), (n.contact, contact)] {
                let i = i.unwrap();
                assert!(i.low <= i.mid && i.mid <= i.high, "{i:?}");
                assert!(i.low <= band.high && i.high >= band.low, "{i:?} beside {band:?}");
            }
            assert!((0.85..1.15).contains(&n.airflow.unwrap().mid), "{n:?}");
            assert!((0.6..1.4).contains(&n.contact.unwrap().mid), "{n:?}");
        }
    }

    #[test]
    fn half_the_air_reads_as_about_half_and_a_stuck_sensor_says_nothing_of_the_fan() {
        let (k, laptops) = (Constants::default(), healthy());
        let (reference, _) = judge_model(&k, true, &laptops, &InTurn);
        let mut run = laptops[0].runs[0];
        run.air = run.air.map(|(la, sd)| (la + 0.5_f64.ln(), sd));
        run.disturbed = run.disturbed.with(Disturbance::StuckSensor);
        let n = RunNumbers::of(&k, &reference, &run);
        // The estimate reads wear low by the gain, and the filter gives it back.
        assert!((0.4..0.55).contains(&n.airflow.unwrap().mid), "{n:?}");
        assert_eq!(n.fan, None);
    }

    #[test]
    fn one_run_s_interval_holds_the_unit_s_spread_and_the_level_and_stays_within_what_can_be() {
        let (k, laptops) = (Constants::default(), healthy());
        let (reference, _) = judge_model(&k, true, &laptops, &InTurn);
        let mut run = laptops[0].runs[0];
        // A well-built unit, or a reading that cannot be: no wear is negative.
        for log_contact in [-0.1, -0.4, -3.0] {
            run.contact = Some((log_contact, 0.01));
            run.air = Some((-2.0 * log_contact, 0.01));
            let n = RunNumbers::of(&k, &reference, &run);
            let (contact, air) = (n.contact.unwrap(), n.airflow.unwrap());
            assert!((contact.mid - 1.0).abs() < 1e-12 && (air.mid - 1.0).abs() < 1e-12, "{n:?}");
            assert!((0.8..=1.0).contains(&contact.low) && air.high == 1.0, "{n:?}");
            assert!(contact.high > 1.0 && air.low < 1.0, "{n:?}");
        }
        // Far from the bound the interval is that of the sum of all that is unsure, whatever the fit's own error.
        run.air = Some((-0.6, 0.001));
        let air = reference.air_constants(&k);
        let level_sd = reference.air.moments(&air).1;
        let n = RunNumbers::of(&k, &reference, &run).airflow.unwrap();
        let half_width = 0.5 * (n.high / n.low).ln();
        let least = Z95 * air.noise_floor.hypot(air.offset_sd).hypot(level_sd);
        assert!(level_sd > 0.0 && half_width > least, "{half_width} {least}");
        assert!(half_width < 1.5 * least, "{half_width} {least}");
    }

    #[test]
    fn a_model_with_one_laptop_and_one_run_is_told_within_what_can_be() {
        let k = Constants::default();
        let mut only = healthy().swap_remove(0);
        only.runs.truncate(1);
        only.runs[0].contact = Some((-0.6, 0.02));
        only.as_of = only.runs[0].day;
        let (reference, conditions) = judge_model(&k, true, &[only.clone()], &InTurn);
        let n = RunNumbers::of(&k, &reference, &only.runs[0]);
        let (contact, air) = (n.contact.unwrap(), n.airflow.unwrap());
        assert!(contact.low >= 0.8 && air.high <= 1.0, "{n:?}");
        // Alone of its model, nobody knows the level: the run says no more than the filter does after it.
        let filtered = conditions[0].airflow.unwrap();
        let width = |i: Interval| i.high - i.low;
        assert!(width(air) > 0.6 * width(filtered), "{air:?} {filtered:?}");
    }
}
