//! How much faster or slower things wear than usual: a tilt of the shares of the wear's rate classes.
//!
//! A tilt is one number s, drawn from a Gaussian about 0:
//! share(class) ∝ share₀(class) · exp(s · z(class)), z being the logarithm of the class's rate about its mean over the
//! classes. A model has one ([`super::level`]), and a site ([`super::site`]).

use super::constants::{N_RATES, WearConstants};

/// A number of each rate class.
pub type Classes = [f64; N_RATES];

/// Factors on the classes' shares at a tilt.
fn factors(c: &WearConstants, s: f64) -> Classes {
    let log_rate = c.rates.map(|(_, rate)| rate.ln());
    let mean: f64 = c.rates.iter().zip(log_rate).map(|((share, _), l)| share * l).sum();
    let raw = log_rate.map(|l| (s * (l - mean)).exp());
    let total: f64 = raw.iter().zip(c.rates).map(|(f, (share, _))| f * share).sum();
    raw.map(|f| f / total)
}

/// A value of a tilt, its logarithmic weight under the Gaussian, and its factors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tilt {
    /// Logarithm of the weight, 0 at the middle.
    pub log_weight: f64,
    /// Factors on the classes' shares.
    pub factors: Classes,
}

/// `N` values of a tilt with this standard deviation, in even steps between two of its multiples.
pub fn tilts<const N: usize>(c: &WearConstants, sd: f64, (from, to): (f64, f64)) -> [Tilt; N] {
    std::array::from_fn(|n| {
        let at = from + (to - from) * n as f64 / N.max(2).saturating_sub(1) as f64;
        Tilt { log_weight: -0.5 * at * at, factors: factors(c, sd * at) }
    })
}

#[cfg(test)]
mod tests {
    use super::super::constants::Constants;
    use super::*;

    #[test]
    fn a_tilt_keeps_the_shares_sum_and_moves_them_to_the_faster_classes() {
        let c = &Constants::default().contact;
        let [slow, usual, fast] = tilts::<3>(c, 0.5, (-1.4, 1.4));
        assert!(
            usual.log_weight == 0.0 && usual.factors.iter().all(|f| (f - 1.0).abs() < 1e-12),
            "{usual:?}"
        );
        assert_eq!(tilts::<1>(c, 0.5, (0.0, 1.4)), [usual]);
        for tilt in [slow, fast] {
            let sum: f64 = tilt.factors.iter().zip(c.rates).map(|(f, (share, _))| f * share).sum();
            assert!((sum - 1.0).abs() < 1e-12 && (tilt.log_weight + 0.98).abs() < 1e-12, "{tilt:?}");
        }
        assert!(fast.factors.is_sorted() && slow.factors.iter().rev().is_sorted());
    }
}
