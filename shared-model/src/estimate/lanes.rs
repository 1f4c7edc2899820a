//! Whole arrays at a time: what lets one plain loop fill the processor's vector registers.
//!
//! Everything here is elementwise or sums in a fixed order, multiplies and adds in separate steps, never fused, and
//! calls no library's `exp`, whose last digit differs between processors: so the same steps and priors give a fit with the
//! same digits everywhere, however wide the registers.

#![expect(
    clippy::inline_always,
    reason = "a loop reaches the vector registers only where it is inlined into the caller chosen for them"
)]

/// Numbers that go together: enough to keep the inner loops long, few enough to stay in the first-level cache.
pub const BLOCK: usize = 32;

/// One number for each step of a block.
pub type Lane = [f64; BLOCK];

/// `f` of each index.
#[inline(always)]
pub fn lane(f: impl Fn(usize) -> f64) -> Lane {
    let mut all = [0.0; BLOCK];
    for (i, value) in all.iter_mut().enumerate() {
        *value = f(i);
    }
    all
}

/// Partial sums of a dot product: they are added up at the end, in one order.
pub const PARTS: usize = 4;

/// Adds the products of two lanes to partial sums.
#[inline(always)]
pub fn add_products(sums: &mut [f64; PARTS], a: &Lane, b: &Lane) {
    for (a, b) in a.chunks_exact(PARTS).zip(b.chunks_exact(PARTS)) {
        for part in 0..PARTS {
            sums[part] += a[part] * b[part];
        }
    }
}

/// The partial sums' sum.
pub fn total(sums: &[f64; PARTS]) -> f64 {
    (sums[0] + sums[1]) + (sums[2] + sums[3])
}

/// Exponents beyond ± this are taken for it: no temperature or conductance comes near, and the result stays normal.
const EXPONENT_MAX: f64 = 700.0;
/// 1.5 · 2^52: adding it leaves the nearest whole number in a double's last bits.
const ROUNDER: f64 = 6_755_399_441_055_744.0;
/// ln 2 in two parts, the first with so few bits that its products with whole numbers are exact (the reduction of
/// Cody and Waite).
const LN_2_HIGH: f64 = 0.693_147_180_369_123_8;
const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;
/// 1/k! for even and for odd k, the highest (12, 13) first: within ± ln 2 / 2 what follows is below 1e-17. Two shorter
/// series side by side keep the processor busier than one.
const EVEN: [f64; 7] =
    [1.0 / 479_001_600.0, 1.0 / 3_628_800.0, 1.0 / 40_320.0, 1.0 / 720.0, 1.0 / 24.0, 1.0 / 2.0, 1.0];
const ODD: [f64; 7] =
    [1.0 / 6_227_020_800.0, 1.0 / 39_916_800.0, 1.0 / 362_880.0, 1.0 / 5_040.0, 1.0 / 120.0, 1.0 / 6.0, 1.0];

/// Exponential function, within two units of the last place.
#[inline(always)]
pub fn exp(x: f64) -> f64 {
    let x = x.clamp(-EXPONENT_MAX, EXPONENT_MAX);
    let rounded = x * std::f64::consts::LOG2_E + ROUNDER;
    let n = rounded - ROUNDER;
    let rest = (x - n * LN_2_HIGH) - n * LN_2_LOW;
    let square = rest * rest;
    let (mut even, mut odd) = (EVEN[0], ODD[0]);
    for k in 1..EVEN.len() {
        even = even * square + EVEN[k];
        odd = odd * square + ODD[k];
    }
    // 2^n, put together from its bits.
    let power = f64::from_bits((rounded.to_bits() << 52).wrapping_add(1.0_f64.to_bits()));
    (even + odd * rest) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exponential_is_the_librarys_to_the_last_digits() {
        for i in -70_000..=70_000 {
            let x = f64::from(i) * 0.01 * (1.0 + f64::EPSILON * f64::from(i % 7));
            let (got, wanted) = (exp(x), x.exp());
            assert!(
                (got - wanted).abs() <= 2.0 * f64::EPSILON * wanted,
                "exp({x}): {got:e} against {wanted:e}"
            );
        }
    }

    #[test]
    fn the_exponential_at_its_edges() {
        assert_eq!(exp(0.0), 1.0);
        assert_eq!(exp(1e4), exp(EXPONENT_MAX));
        assert_eq!(exp(-1e4), exp(-EXPONENT_MAX));
        assert!(exp(EXPONENT_MAX).is_finite() && exp(-EXPONENT_MAX).is_normal());
        assert!(exp(f64::NAN).is_nan());
    }

    #[test]
    fn products_are_summed() {
        let (a, b) = (lane(|i| i as f64), lane(|i| 2.0 - i as f64));
        let mut sums = [1.0; PARTS];
        add_products(&mut sums, &a, &b);
        let wanted: f64 = (0..BLOCK).map(|i| i as f64 * (2.0 - i as f64)).sum();
        assert_eq!(total(&sums), 4.0 + wanted);
    }
}
