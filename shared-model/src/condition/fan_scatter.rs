//! How a model's fans scatter about their map: from run to run, and from unit to unit.

use serde::{Deserialize, Serialize};

use super::constants::FanConstants;
use super::evidence::RunEvidence;
use super::peers::fan_ratio;
use crate::estimate::network_drive::median;

/// Scatter of speed over due speed, shares.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FanScatter {
    /// Usual ratio of the model's laptops.
    pub mid: f64,
    /// Of one laptop from run to run.
    pub run_sd: f64,
    /// Of a laptop's usual ratio between laptops.
    pub unit_sd: f64,
}

/// 1 / 0.6745, by which the median absolute deviation is that of a Gaussian (Iglewicz and Hoaglin 1993).
const MAD_FACTOR: f64 = 1.4826;

impl FanScatter {
    /// A ratio in shares of a fan's nominal speed: the model's usual ratio is that of its sound fans, which turn a little
    /// slower than that.
    pub fn told(&self, c: &FanConstants, ratio: f64) -> f64 {
        ratio * c.as_new.0 / self.mid
    }

    /// From a model's laptops, each with its runs in time order. Told by medians, as most fans are sound, and beside the
    /// usual scatter, which counts as much as the constants' number of laptops and pairs of runs.
    pub fn learn(c: &FanConstants, laptops: &[Vec<RunEvidence>]) -> Self {
        let ratios: Vec<Vec<f64>> =
            laptops.iter().map(|runs| runs.iter().filter_map(fan_ratio).collect()).collect();
        let steps: Vec<f64> = ratios.iter().flat_map(|r| r.windows(2).map(|w| (w[1] - w[0]).abs())).collect();
        let usual: Vec<f64> = ratios.iter().map(|r| median(r)).filter(|r| r.is_finite()).collect();
        let mid = median(&usual);
        let off: Vec<f64> = usual.iter().map(|r| (r - mid).abs()).collect();
        let beside = |(sd, weight): (f64, f64), seen: &[f64], factor: f64| {
            let n = seen.len() as f64;
            let own = if seen.is_empty() { 0.0 } else { factor * median(seen) };
            ((weight * sd * sd + n * own * own) / (weight + n)).sqrt()
        };
        let run_sd = beside(c.run_sd, &steps, MAD_FACTOR / 2.0_f64.sqrt()).max(c.run_sd_min);
        let (prior, n) = (c.unit_sd.1, off.len() as f64);
        let mid = if mid.is_finite() { (prior + n * mid) / (prior + n) } else { 1.0 };
        Self { mid, run_sd, unit_sd: beside(c.unit_sd, &off, MAD_FACTOR) }
    }
}

#[cfg(test)]
mod tests {
    use super::super::constants::Constants;
    use super::super::fan_map::FanReading;
    use super::super::tests::healthy;
    use super::*;

    /// Laptops whose ratio lies off their model's by a spread, and whose runs alternate about it.
    fn runs(n: usize, mid: f64, unit: f64, run: f64) -> Vec<Vec<RunEvidence>> {
        let one = healthy()[0].runs[0];
        let of = |laptop: usize| {
            let z = if n > 1 { 4.0 * laptop as f64 / (n - 1) as f64 - 2.0 } else { 0.0 };
            (0..8).map(move |m| {
                let off = if m % 2 == 0 { run } else { -run };
                let ratio = mid * (1.0 + unit * z) + off;
                let reading =
                    FanReading { ratio, due_share: 0.9, doubt: 0.0, rpm: 4000.0 * ratio, due_rpm: 4000.0 };
                RunEvidence { fans: [Some(reading), None], ..one }
            })
        };
        (0..n).map(|laptop| of(laptop).collect()).collect()
    }

    #[test]
    fn a_large_model_tells_its_own_scatter_and_a_small_one_the_usual() {
        let c = Constants::default().fan;
        // Differences of two runs are ±2 run; a spread even from −2 to 2 has its median deviation at 1.
        let own = FanScatter::learn(&c, &runs(41, 0.98, 0.03, 0.01));
        assert!((own.mid - 0.98).abs() < 0.005, "{own:?}");
        assert!((own.run_sd / (0.02 * MAD_FACTOR / 2.0_f64.sqrt()) - 1.0).abs() < 0.05, "{own:?}");
        assert!((own.unit_sd / (0.98 * 0.03 * MAD_FACTOR) - 1.0).abs() < 0.1, "{own:?}");
        let none = FanScatter::learn(&c, &[]);
        assert!(
            none.mid == 1.0 && (none.run_sd - c.run_sd.0).abs() + (none.unit_sd - c.unit_sd.0).abs() < 1e-9
        );
        let lone = FanScatter::learn(&c, &runs(1, 0.6, 0.0, 0.0));
        assert!(lone.mid > 0.9 && lone.unit_sd > 0.9 * c.unit_sd.0, "{lone:?}");
        assert!(lone.run_sd >= c.run_sd_min && lone.run_sd < c.run_sd.0, "{lone:?}");
    }

    #[test]
    fn few_sick_fans_hardly_move_it() {
        let c = Constants::default().fan;
        let mut laptops = runs(20, 1.0, 0.02, 0.004);
        let before = FanScatter::learn(&c, &laptops);
        for run in laptops.iter_mut().take(3).flatten() {
            run.fans[0].iter_mut().for_each(|f| f.ratio = 0.5 + 0.02 * run.day.sin());
        }
        let after = FanScatter::learn(&c, &laptops);
        assert!((after.mid - before.mid).abs() < 0.01, "{before:?} {after:?}");
        assert!((after.run_sd / before.run_sd - 1.0).abs() < 0.3, "{before:?} {after:?}");
        assert!((after.unit_sd / before.unit_sd - 1.0).abs() < 0.5, "{before:?} {after:?}");
    }
}
