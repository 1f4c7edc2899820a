//! What one run alone says of a laptop, and where its model's laptops lie, in the same units: shares of as-new.
//!
//! For showing: a laptop's condition is filtered over all its runs ([`super::judge`]), and one odd run hardly moves it.

use super::constants::{Constants, WearConstants};
use super::evidence::RunEvidence;
use super::judge::Interval;
use super::level::Level;
use super::peers::Band;
use super::reference::ModelReference;

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
        let r = reference.events.iter().fold(*run, |r, e| e.taken_out_of(r));
        let air = reference.air_constants(k);
        Self {
            airflow: r.air.map(|(la, sd)| {
                let worn = wear(&air, &reference.air, -la, sd, r.quick);
                Interval { mid: (-worn.mid).exp(), low: (-worn.high).exp(), high: (-worn.low).exp() }
            }),
            fan: r.worst_fan().filter(|_| !r.stuck).map(|f| {
                let sd = f.ratio * k.fan.open_sd.hypot(k.fan.spread_factor * f.spread);
                Interval { mid: f.ratio, low: (f.ratio - Z95 * sd).max(0.0), high: f.ratio + Z95 * sd }
            }),
            contact: r.contact.map(|(lr, sd)| {
                let worn = wear(&k.contact, &reference.contact, lr, sd, r.quick);
                let factor = |ln: f64| contact_factor(k, ln.exp());
                Interval { mid: factor(worn.mid), low: factor(worn.low), high: factor(worn.high) }
            }),
        }
    }
}

/// Where nine laptops in ten of a model lie, in the units of [`RunNumbers`].
pub fn peers(k: &Constants, reference: &ModelReference) -> [Option<Band>; 3] {
    let bands = &reference.peers;
    let air = reference.air_constants(k);
    let air_level = reference.air.moments(&air).0;
    let contact_level = reference.contact.moments(&k.contact).0;
    [
        bands.log_air.map(|b| each(b, |la| (air.gain * la + air_level).exp())),
        bands.fan_ratio,
        bands
            .log_contact
            .map(|b| each(b, |lr| contact_factor(k, (k.contact.gain * lr - contact_level).exp()))),
    ]
}

fn each(b: Band, of: impl Fn(f64) -> f64) -> Band {
    Band { low: of(b.low), mid: of(b.mid), high: of(b.high), laptops: b.laptops }
}

/// Wear beyond the level, log units, with the scatter that the filter counts on.
fn wear(c: &WearConstants, level: &Level, value: f64, sd: f64, quick: bool) -> Interval {
    let (quick_sd, quick_low) = if quick { c.quick } else { (0.0, 0.0) };
    let sd = Z95 * (c.se_factor * sd).hypot(c.noise_floor).hypot(quick_sd);
    let mid = (value + quick_low) * c.gain - level.moments(c).0;
    Interval { mid, low: mid - sd, high: mid + sd }
}

/// Paste and mounting against as-new, from the whole fast resistance over its as-new value.
fn contact_factor(k: &Constants, resistance: f64) -> f64 {
    1.0 + (resistance - 1.0) / k.paste_share.0
}

#[cfg(test)]
mod tests {
    use super::*;
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
        run.stuck = true;
        let n = RunNumbers::of(&k, &reference, &run);
        // The estimate reads wear low by the gain, and the filter gives it back.
        assert!((0.4..0.55).contains(&n.airflow.unwrap().mid), "{n:?}");
        assert_eq!(n.fan, None);
    }
}
