//! What a site does to its laptops' vents: where there is lint or dust, all wear faster.
//!
//! A site has one [tilt](super::tilt) of the wear's rate classes. Each laptop's filter leaves the probability of its class,
//! and with it the evidence for each tilt; those of a site's laptops multiply. Sites learn from each other by the Gaussian
//! only, so that a site of one laptop says nothing.

use super::constants::{N_RATES, WearConstants};
pub use super::tilt::Classes;
use super::tilt::{Tilt, tilts};

/// Values of the tilt that are weighed.
const N_TILTS: usize = 13;
/// How far they reach, standard deviations.
const REACH_SD: f64 = 2.5;

/// Factors of a site of which nothing is known.
pub const NO_SITE: Classes = [1.0; N_RATES];

/// What is known of a site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteAir {
    tilts: [Tilt; N_TILTS],
    /// Log evidence of each tilt, the prior included.
    log: [f64; N_TILTS],
}

impl SiteAir {
    /// From the site's laptops, each with its probability of each rate class, judged as if nothing were known of its site.
    pub fn learn<'a>(c: &WearConstants, laptops: impl IntoIterator<Item = &'a Classes>) -> Self {
        let tilts = tilts(c, c.site_sd, (-REACH_SD, REACH_SD));
        let mut out = Self { tilts, log: tilts.map(|t| t.log_weight) };
        for classes in laptops {
            let evidence = out.evidence(classes);
            out.log.iter_mut().zip(evidence).for_each(|(log, e)| *log += e.ln());
        }
        out
    }

    /// Evidence of each tilt in a laptop.
    fn evidence(&self, classes: &Classes) -> [f64; N_TILTS] {
        self.tilts.map(|t| t.factors.iter().zip(classes).map(|(f, p)| f * p).sum::<f64>().max(1e-9))
    }

    /// Factors on a laptop's classes by what the site's other laptops say; `own` is what it said itself.
    pub fn for_one(&self, own: &Classes) -> Classes {
        let evidence = self.evidence(own);
        let log: [f64; N_TILTS] = std::array::from_fn(|n| self.log[n] - evidence[n].ln());
        let top = log.iter().copied().fold(f64::MIN, f64::max);
        let weights = log.map(|l| (l - top).exp());
        let total: f64 = weights.iter().sum();
        std::array::from_fn(|class| {
            weights.iter().zip(&self.tilts).map(|(w, t)| w * t.factors[class]).sum::<f64>() / total
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::constants::Constants;
    use super::*;

    fn prior() -> Classes {
        Constants::default().air.rates.map(|(share, _)| share)
    }

    #[test]
    fn laptops_that_say_nothing_leave_a_site_as_it_was() {
        let c = &Constants::default().air;
        let factors = SiteAir::learn(c, &vec![prior(); 40]).for_one(&prior());
        let mean: f64 = factors.iter().zip(prior()).map(|(f, p)| f * p).sum();
        assert!((mean - 1.0).abs() < 1e-9 && factors.iter().all(|f| (0.7..1.5).contains(f)), "{factors:?}");
    }

    #[test]
    fn a_dusty_site_raises_the_fast_classes_of_a_laptop_there_and_no_laptop_counts_twice() {
        let c = &Constants::default().air;
        let fast = [0.01, 0.09, 0.3, 0.6];
        let factors = SiteAir::learn(c, &vec![fast; 12]).for_one(&fast);
        assert!(factors[3] > 2.0 && factors[0] < 0.7 && factors.is_sorted(), "{factors:?}");
        // Alone at its site, a laptop is judged by the spread of sites alone.
        let (alone, unseen) =
            (SiteAir::learn(c, [&fast]).for_one(&fast), SiteAir::learn(c, []).for_one(&prior()));
        assert!(alone.iter().zip(unseen).all(|(a, u)| (a - u).abs() < 1e-9), "{alone:?} {unseen:?}");
    }
}
