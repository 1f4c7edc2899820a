//! Dual numbers: a value with its exact first derivatives (forward-mode differentiation).

use std::ops::{Add, Div, Mul, Neg, Sub};

/// A value and its derivatives with respect to `N` parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dual<const N: usize> {
    /// The value.
    pub v: f64,
    /// Its derivatives.
    pub d: [f64; N],
}

impl<const N: usize> Dual<N> {
    /// A constant: all derivatives zero.
    pub const fn constant(v: f64) -> Self {
        Self { v, d: [0.0; N] }
    }

    /// The parameters themselves, each with derivative 1 by itself.
    pub fn parameters(x: &[f64; N]) -> [Self; N] {
        let mut all = [Self::constant(0.0); N];
        for (j, p) in all.iter_mut().enumerate() {
            p.v = x[j];
            p.d[j] = 1.0;
        }
        all
    }

    /// Applies a function by its value and slope at `self.v`.
    fn chain(self, v: f64, slope: f64) -> Self {
        Self { v, d: self.d.map(|d| d * slope) }
    }

    /// Exponential.
    #[must_use]
    pub fn exp(self) -> Self {
        let e = self.v.exp();
        self.chain(e, e)
    }

    /// `exp(x) − 1` without the cancellation at small `x`.
    #[must_use]
    pub fn exp_m1(self) -> Self {
        self.chain(self.v.exp_m1(), self.v.exp())
    }

    /// Natural logarithm.
    #[must_use]
    pub fn ln(self) -> Self {
        self.chain(self.v.ln(), 1.0 / self.v)
    }

    /// A constant power.
    #[must_use]
    pub fn powf(self, exponent: f64) -> Self {
        let power = self.v.powf(exponent);
        self.chain(power, exponent * self.v.powf(exponent - 1.0))
    }

    /// A power whose exponent is a parameter too.
    #[must_use]
    pub fn pow(self, exponent: Self) -> Self {
        (self.ln() * exponent).exp()
    }
}

impl<const N: usize> Add for Dual<N> {
    type Output = Self;
    fn add(self, o: Self) -> Self {
        Self { v: self.v + o.v, d: std::array::from_fn(|j| self.d[j] + o.d[j]) }
    }
}

impl<const N: usize> Sub for Dual<N> {
    type Output = Self;
    fn sub(self, o: Self) -> Self {
        Self { v: self.v - o.v, d: std::array::from_fn(|j| self.d[j] - o.d[j]) }
    }
}

impl<const N: usize> Mul for Dual<N> {
    type Output = Self;
    #[expect(clippy::suspicious_arithmetic_impl, reason = "the product rule adds")]
    fn mul(self, o: Self) -> Self {
        Self { v: self.v * o.v, d: std::array::from_fn(|j| self.d[j] * o.v + self.v * o.d[j]) }
    }
}

impl<const N: usize> Div for Dual<N> {
    type Output = Self;
    #[expect(clippy::suspicious_arithmetic_impl, reason = "the quotient rule multiplies and subtracts")]
    fn div(self, o: Self) -> Self {
        let v = self.v / o.v;
        Self { v, d: std::array::from_fn(|j| (self.d[j] - v * o.d[j]) / o.v) }
    }
}

impl<const N: usize> Neg for Dual<N> {
    type Output = Self;
    fn neg(self) -> Self {
        Self { v: -self.v, d: self.d.map(|d| -d) }
    }
}

impl<const N: usize> Add<f64> for Dual<N> {
    type Output = Self;
    fn add(self, o: f64) -> Self {
        Self { v: self.v + o, d: self.d }
    }
}

impl<const N: usize> Sub<f64> for Dual<N> {
    type Output = Self;
    fn sub(self, o: f64) -> Self {
        Self { v: self.v - o, d: self.d }
    }
}

impl<const N: usize> Mul<f64> for Dual<N> {
    type Output = Self;
    fn mul(self, o: f64) -> Self {
        self.chain(self.v * o, o)
    }
}

impl<const N: usize> Div<f64> for Dual<N> {
    type Output = Self;
    fn div(self, o: f64) -> Self {
        self.chain(self.v / o, 1.0 / o)
    }
}
