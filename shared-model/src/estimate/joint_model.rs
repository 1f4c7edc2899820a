//! All runs of one model of laptop: scales, start values, the joint fit, and the standing fit that judges a new run.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::joint::{JointFit, JointRun, RunFit, RunPrior, SharedPrior, fit, fit_from, fit_run};
use super::joint_speed::{FanCurve, NO_FAN, apply, search};
use super::network::{LN_RC, RunPars, Shared, X0};
use super::network_drive::{ClockReference, Drive, NOMINAL_LOAD_W, median};
use super::workers::Workers;
use crate::condition::ambient::Room;

/// What a model's runs were scaled by and fitted to: enough to judge a new run at once.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StandingFit {
    /// The shared numbers.
    pub shared: Shared,
    /// Speed that counts as 1, rpm.
    pub reference_rpm: f64,
    /// For models without power.
    pub clock: ClockReference,
    /// For models without a tachometer.
    pub curve: Option<FanCurve>,
    /// Median head start of the case, K.
    pub case_k: f64,
    /// Median sustained power, W.
    pub load_w: f64,
    /// Channels that the fit rests on.
    pub channels: Channels,
    /// Whether the model has a fan, as far as its runs tell.
    pub has_fan: bool,
    /// Whether the joint fit came to its optimum.
    pub has_converged: bool,
}

impl StandingFit {
    /// Fast resistance, K/W; `None` where power isn't read, and only ratios are known.
    pub fn r_k_per_w(&self) -> Option<f64> {
        self.channels.has_power.then(|| self.shared.0[LN_RC].exp())
    }
}

/// What a run tells beside temperature and clock. Runs that differ in it cannot share one fit: what is not read would be
/// taken for a power or a speed that it isn't.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Channels {
    /// Power was read.
    pub has_power: bool,
    /// A fan's speed was read.
    pub has_rpm: bool,
    /// The work rate stands in for power and clock.
    pub by_work_rate: bool,
}

impl Channels {
    /// Those of a run.
    pub fn of(drive: &Drive) -> Self {
        Self { has_power: drive.has_power, has_rpm: drive.has_rpm, by_work_rate: drive.by_work_rate }
    }

    /// Those that most runs have; where two kinds are as frequent, the one that tells more.
    pub fn usual<'a>(drives: impl Iterator<Item = &'a Drive>) -> Option<Self> {
        let mut counts = BTreeMap::<Self, usize>::new();
        drives.for_each(|drive| *counts.entry(Self::of(drive)).or_default() += 1);
        counts.into_iter().max_by_key(|(channels, n)| (*n, *channels)).map(|(channels, _)| channels)
    }
}

/// The joint fit of a model.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelFit {
    /// What a new run is judged against.
    pub standing: StandingFit,
    /// One for each run, in the order given.
    pub runs: Vec<RunFit>,
    /// Iterations of the last pass.
    pub iterations: usize,
}

/// Case over room where nothing is known yet, K. Calibrated on simulated fleets.
const CASE_START_K: f64 = 4.0;

/// Fits all runs of a model, which have the same channels. The drives are those of [`Drive::from_trace`]; they come back
/// scaled.
pub fn fit_model(drives: &mut [Drive], rooms: &[Room], workers: &impl Workers) -> ModelFit {
    assert_eq!(drives.len(), rooms.len(), "one room for each run");
    let mut standing = scales(drives);
    for d in drives.iter_mut() {
        standing.scale(d);
    }
    let prior = SharedPrior::new(standing.load_w);
    if !standing.channels.has_rpm {
        let curve = search(&joint_runs(drives, rooms, &standing), &prior, workers);
        standing.curve = Some(curve);
        standing.has_fan = curve != NO_FAN;
        for d in drives.iter_mut() {
            standing.scale_speed(d);
        }
    }
    let first = fit(&joint_runs(drives, rooms, &standing), &prior, workers);
    standing.case_k = median(&first.runs.iter().map(|r| r.pars[X0]).collect::<Vec<_>>()).clamp(-10.0, 25.0);
    let start: Vec<RunPars> = first.runs.iter().map(|r| r.pars).collect();
    let JointFit { shared, runs, iterations, has_converged, .. } =
        fit_from(&joint_runs(drives, rooms, &standing), &prior, first.shared, start, workers);
    (standing.shared, standing.has_converged) = (shared, has_converged);
    ModelFit { standing, runs, iterations: first.iterations + iterations }
}

impl StandingFit {
    /// Judges one more run against the standing numbers. Its fit counts as converged where both came to their optimum.
    pub fn fit_run(&self, drive: &mut Drive, room: Room) -> RunFit {
        self.scale(drive);
        self.scale_speed(drive);
        let prior = RunPrior::new(room.value_c, room.sd_k, self.case_k, self.channels.has_power);
        let own = fit_run(&JointRun { drive, prior }, &self.shared);
        RunFit { has_converged: own.has_converged && self.has_converged, ..own }
    }

    fn scale(&self, drive: &mut Drive) {
        if drive.has_rpm {
            drive.scale_speed(self.reference_rpm);
        }
        if !drive.has_power {
            drive.power_from_clock(&self.clock);
        }
    }

    fn scale_speed(&self, drive: &mut Drive) {
        if let (false, Some(curve)) = (drive.has_rpm, &self.curve) {
            apply(drive, curve);
        }
    }
}

fn joint_runs<'a>(drives: &'a [Drive], rooms: &[Room], standing: &StandingFit) -> Vec<JointRun<'a>> {
    drives
        .iter()
        .zip(rooms)
        .map(|(drive, room)| JointRun {
            drive,
            prior: RunPrior::new(room.value_c, room.sd_k, standing.case_k, drive.has_power),
        })
        .collect()
}

/// Reference speed, clock and power of a model from its runs.
fn scales(drives: &[Drive]) -> StandingFit {
    let of = |f: &dyn Fn(&Drive) -> f64| drives.iter().map(f).collect::<Vec<f64>>();
    let channels = Channels::usual(drives.iter()).unwrap_or(Channels {
        has_power: false,
        has_rpm: false,
        by_work_rate: false,
    });
    let or = |x: f64, fallback: f64| if x.is_finite() && x > 0.0 { x } else { fallback };
    let end_rpm = of(&|d| {
        let both: Vec<f64> = d.facts.rpm.iter().copied().filter(|r| r.is_finite()).collect();
        if both.is_empty() { f64::NAN } else { both.iter().sum::<f64>() / both.len() as f64 }
    });
    let clock_mhz = or(median(&of(&|d| d.facts.clock_mhz)), 1.0);
    let burst = or(median(&of(&|d| d.facts.burst_mhz)), clock_mhz) / clock_mhz;
    StandingFit {
        shared: Shared(SharedPrior::new(NOMINAL_LOAD_W).mean),
        reference_rpm: or(quantile(&end_rpm, 0.9), 4000.0),
        clock: ClockReference {
            clock_mhz,
            burst_ratio: burst.powf(super::network_drive::CLOCK_EXPONENT).clamp(1.0, 4.0),
        },
        curve: None,
        case_k: CASE_START_K,
        load_w: if channels.has_power {
            or(median(&of(&|d| d.facts.power_w)), NOMINAL_LOAD_W)
        } else {
            NOMINAL_LOAD_W
        },
        channels,
        has_fan: true,
        has_converged: false,
    }
}

/// Quantile of the finite values by linear interpolation; NaN where there are none.
pub fn quantile(values: &[f64], q: f64) -> f64 {
    let mut v: Vec<f64> = values.iter().copied().filter(|x| x.is_finite()).collect();
    if v.is_empty() {
        return f64::NAN;
    }
    v.sort_by(f64::total_cmp);
    let at = q * (v.len() - 1) as f64;
    let (lo, part) = (at.floor() as usize, at.fract());
    v[lo] + part * (v[(lo + 1).min(v.len() - 1)] - v[lo])
}

#[cfg(test)]
mod tests {
    use super::super::joint::{SPEED_EXPONENT_RANGE, fit_within};
    use super::super::network::{LA, LN_G, LN_G0, LN_M, LN_RC, LR, N_RUN, residuals};
    use super::super::workers::InTurn;
    use super::*;
    use crate::channel::Channel;
    use crate::condition::constants::Constants;
    use crate::condition::evidence::{RunContext, RunEvidence};
    use crate::trace::Trace;

    /// A run of the network itself, with whole degrees as a sensor gives them.
    fn synthetic(la: f64, lr: f64, room_c: f64, seed: f64) -> Drive {
        synthetic_of(&TRUE_SHARED, la, lr, room_c, seed)
    }

    fn synthetic_of(shared: &Shared, la: f64, lr: f64, room_c: f64, seed: f64) -> Drive {
        let n = 720;
        let time: Vec<f64> = (0..n).map(|i| f64::from(i) * 0.5).collect();
        let loaded = |t: f64| (30.0..210.0).contains(&t);
        let wobble = |i: usize| 0.6 * ((i as f64) * 0.9 + seed).sin();
        let power: Vec<f64> = time
            .iter()
            .enumerate()
            .map(|(i, &t)| wobble(i) + if loaded(t) { if t < 58.0 { 28.0 } else { 20.0 } } else { 3.0 })
            .collect();
        let rpm: Vec<f64> = time
            .iter()
            .map(|&t| {
                if loaded(t) {
                    4000.0
                } else if t > 210.0 {
                    (4000.0 - 15.0 * (t - 210.0)).max(2200.0)
                } else {
                    2200.0
                }
            })
            .collect();
        let mut trace = Trace::empty();
        trace.time_s = time.clone();
        trace.set_column(
            Channel::LoadPct,
            time.iter().map(|&t| if loaded(t) { 100.0 } else { 2.0 }).collect(),
        );
        trace.set_column(Channel::PackagePowerW, power);
        trace.set_column(Channel::Fan1Rpm, rpm);
        // Stands in until the network has spoken; it moves, lest it be taken for a stuck sensor.
        let first: Vec<f64> = (0..n).map(|i| room_c + 12.0 + 0.01 * f64::from(i % 2)).collect();
        trace.set_column(Channel::CpuTempC, first);
        let mut blank = Drive::from_trace(&trace).expect("a whole run");
        blank.scale_speed(4000.0);
        let mut steps = blank.steps.clone();
        for s in &mut steps {
            (s.temp_c, s.weight, s.theta) = (0.0, 1.0, 1.0);
        }
        let own: [f64; N_RUN] = [la, lr, room_c, 5.0, 0.0];
        let mut temps = Vec::new();
        residuals(shared, &own, room_c + 12.0, &steps, |r, _, _| temps.push(-r));
        let mut out = Drive::from_trace(&trace).expect("a whole run");
        for (s, t) in out.steps.iter_mut().zip(temps) {
            (s.temp_c, s.theta) = (t.round(), 1.0);
        }
        out
    }

    fn mean_air(runs: &[RunFit]) -> f64 {
        runs.iter().map(|r| r.pars[LA]).sum::<f64>() / runs.len() as f64
    }

    // Rc 0.9 K/W, die 1.8 J/K, sink 70 J/K, G0 0.12, g 0.6 W/K, m 0.75, sink-case 0.15, case 600 J/K, case-room 0.4.
    const TRUE_SHARED: Shared =
        Shared([-0.105, 0.588, 4.248, -2.120, -0.511, -0.288, -1.897, 6.397, -0.916, 0.0, 0.0, 0.0]);

    #[test]
    fn differences_between_runs_come_back_from_the_joint_fit() {
        let truth: Vec<(f64, f64)> = (0..12)
            .map(|i| {
                let i = f64::from(i);
                (-0.06 * i, 0.02 * (i * 5.0 % 12.0))
            })
            .collect();
        let room = |i: usize| 20.0 + (i % 5) as f64;
        let mut drives: Vec<Drive> =
            truth.iter().enumerate().map(|(i, &(la, lr))| synthetic(la, lr, room(i), i as f64)).collect();
        let rooms: Vec<Room> = (0..truth.len()).map(|i| Room { value_c: room(i), sd_k: 1.0 }).collect();
        let fresh = drives[7].clone();
        let fit = fit_model(&mut drives, &rooms, &InTurn);
        let mean = |k: usize, of: &dyn Fn(usize) -> f64| {
            (0..truth.len()).map(|i| fit.runs[i].pars[k] - of(i)).sum::<f64>() / truth.len() as f64
        };
        let zero = [mean(LA, &|i| truth[i].0), mean(LR, &|i| truth[i].1)];
        for (i, r) in fit.runs.iter().enumerate() {
            let off = [r.pars[LA] - truth[i].0 - zero[0], r.pars[LR] - truth[i].1 - zero[1]];
            assert!(off[0].abs() < 0.09 && off[1].abs() < 0.03, "run {i}: {off:?}");
            assert!(r.rms_k < 0.4, "run {i}: rms {}", r.rms_k);
        }
        // A new run is judged against the standing fit as the joint fit judged it.
        let mut again = fresh;
        let alone = fit.standing.fit_run(&mut again, rooms[7]);
        assert!((alone.pars[LA] - fit.runs[7].pars[LA]).abs() < 0.01, "{:?}", alone.pars);
        assert!((alone.pars[LR] - fit.runs[7].pars[LR]).abs() < 0.003);
    }

    #[test]
    fn one_run_of_a_model_is_enough_not_to_crash() {
        let mut drives = vec![synthetic(-0.1, 0.0, 22.0, 0.0)];
        let fit = fit_model(&mut drives, &[Room { value_c: 22.8, sd_k: 3.0 }], &InTurn);
        assert!(fit.runs[0].pars.iter().all(|p| p.is_finite()));
        assert!(fit.runs[0].sd[LA] > 0.02);
    }

    #[test]
    fn runs_with_other_channels_have_fits_of_their_own_and_bend_no_other() {
        use crate::condition::constants::Constants;
        use crate::condition::standing::{ModelRun, ModelStanding};
        let run = |i: usize, drive: Drive| ModelRun {
            device: format!("QU-{i}"),
            day: i as f64,
            room: Room { value_c: 21.0, sd_k: 1.0 },
            on_mains: None,
            firmware: 0,
            drive,
        };
        let whole: Vec<ModelRun> =
            (0..6).map(|i| run(i, synthetic(-0.05 * i as f64, 0.0, 21.0, i as f64))).collect();
        let mut mixed = whole.clone();
        for (i, without_rpm) in [(6, false), (7, true)] {
            let mut drive = synthetic(0.0, 0.0, 21.0, i as f64);
            if without_rpm {
                drive.has_rpm = false;
                drive.steps.iter_mut().for_each(|s| s.speed = 0.0);
            } else {
                drive.has_power = false;
                drive.steps.iter_mut().for_each(|s| s.power_w = 0.0);
            }
            mixed.push(run(i, drive));
        }
        let learn = |runs: &[ModelRun]| {
            ModelStanding::learn(&Constants::default(), runs, &BTreeMap::new(), &InTurn).unwrap()
        };
        let (alone, evidence) = learn(&whole);
        let (together, with_others) = learn(&mixed);
        assert!(alone.fit.has_converged);
        assert_eq!(alone.fit, together.fit);
        assert_eq!(evidence[..], with_others[..6]);
        assert!(evidence.iter().all(|e| e.air.is_some() && e.contact.is_some()));
        let channels =
            |standing: &ModelStanding| standing.parts().map(|p| p.fit.channels).collect::<Vec<_>>();
        assert_eq!(channels(&together)[1..], [7, 6].map(|i| Channels::of(&mixed[i].drive)));
        assert!(with_others[6..].iter().all(|e| e.raw_air.is_finite()), "{with_others:?}");
    }

    #[test]
    fn where_the_exponent_stands_at_its_bound_the_other_numbers_are_at_their_optimum() {
        let mut steep = TRUE_SHARED;
        steep.0[LN_M] = 2.2_f64.ln();
        let drives_of = |n: i32| -> Vec<Drive> {
            (0..n)
                .map(f64::from)
                .map(|i| synthetic_of(&steep, -0.12 * i, 0.02 * (i * 3.0 % 5.0), 19.0 + i, i))
                .collect()
        };
        let mut drives = drives_of(8);
        let rooms: Vec<Room> = (0..8).map(|i| Room { value_c: 19.0 + f64::from(i), sd_k: 1.0 }).collect();
        let standing = fit_model(&mut drives, &rooms, &InTurn).standing;
        let runs = joint_runs(&drives, &rooms, &standing);
        // The usual prior would hold m back: of this one the runs alone have the word.
        let mut prior = SharedPrior::new(standing.load_w);
        prior.sd[LN_M] = 10.0;
        let fit_from = |start| {
            let own = runs.iter().map(|r| r.prior.mean).collect();
            fit_within(200, &runs, &prior, start, own, &InTurn)
        };
        let fit = fit_from(standing.shared);
        let m = fit.shared.0[LN_M].exp();
        assert!((m - SPEED_EXPONENT_RANGE.1).abs() < 1e-9 && fit.has_converged, "{m} {}", fit.has_converged);
        for (at, by) in [(LN_G, 0.3), (LN_G0, -0.5), (LN_RC, 0.2)] {
            let mut start = standing.shared;
            start.0[at] += by;
            let again = fit_from(start);
            assert!((again.cost / fit.cost - 1.0).abs() < 1e-3, "{at}: {} {}", again.cost, fit.cost);
            for (a, b) in again.runs.iter().zip(&fit.runs) {
                let off = (a.pars[LA] - mean_air(&again.runs)) - (b.pars[LA] - mean_air(&fit.runs));
                assert!(off.abs() < 0.01, "{at}: {off}");
            }
        }
    }

    #[test]
    fn a_fit_that_is_given_up_says_so_and_its_runs_say_less() {
        let mut drives: Vec<Drive> =
            (0..4).map(|i| synthetic(-0.1 * f64::from(i), 0.0, 21.0, f64::from(i))).collect();
        let rooms = [Room { value_c: 21.0, sd_k: 1.0 }; 4];
        let fresh = drives[2].clone();
        let whole = fit_model(&mut drives, &rooms, &InTurn).standing;
        let runs = joint_runs(&drives, &rooms, &whole);
        let prior = SharedPrior::new(whole.load_w);
        let after = |iterations_max| {
            let start: Vec<RunPars> = runs.iter().map(|r| r.prior.mean).collect();
            fit_within(iterations_max, &runs, &prior, Shared(prior.mean), start, &InTurn)
        };
        let given_up = after(1);
        assert!(!given_up.has_converged && given_up.runs.iter().all(|r| !r.has_converged));
        assert!(after(60).has_converged);

        let k = Constants::default();
        let evidence = |standing: &StandingFit| {
            let mut drive = fresh.clone();
            let fit = standing.fit_run(&mut drive, rooms[2]);
            let context = RunContext {
                day: 0.0,
                room_sd_k: 1.0,
                on_mains: None,
                firmware: 0,
                usual_ssd_over_room_k: f64::NAN,
            };
            RunEvidence::new(&k, context, &fit, &drive, [None, None])
        };
        let settled = evidence(&whole);
        let unsettled = evidence(&StandingFit { has_converged: false, ..whole });
        assert!(settled.has_converged && !unsettled.has_converged);
        for (is, was, more_sd) in [
            (unsettled.air, settled.air, k.unsettled_sd.0 / k.air.se_factor),
            (unsettled.contact, settled.contact, k.unsettled_sd.1 / k.contact.se_factor),
        ] {
            let ((is, is_sd), (was, was_sd)) = (is.unwrap(), was.unwrap());
            assert!(is == was && (is_sd - was_sd.hypot(more_sd)).abs() < 1e-12, "{is_sd} {was_sd}");
        }
    }
}
