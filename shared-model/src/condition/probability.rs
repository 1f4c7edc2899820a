//! From a filter's probability to one that means what it says.

/// Applies a logistic calibration (slope, shift) to a probability.
pub fn calibrated(p: f64, (slope, shift): (f64, f64)) -> f64 {
    let p = p.clamp(1e-6, 1.0 - 1e-6);
    1.0 / (1.0 + (-(slope * (p / (1.0 - p)).ln() + shift)).exp())
}
