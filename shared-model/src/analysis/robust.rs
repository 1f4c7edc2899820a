//! Robust statistics: what a single odd reading, or a sensor's step, must not move.

/// 1 / Φ⁻¹(3/4): makes the median absolute deviation estimate a normal distribution's standard deviation
/// (Iglewicz and Hoaglin 1993, with 0.6745 as its reciprocal).
pub const MAD_TO_SD: f64 = 1.482_602_218_505_602;

/// Readings beyond which slopes are taken over a thinned set: pairs grow with the square.
const SLOPE_POINTS_MAX: usize = 200;

/// The median of the finite values, where there are any.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    median_in_place(&mut sorted)
}

/// The median of finite values; reorders them.
pub fn median_in_place(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, &mut upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(f64::midpoint(lower, upper))
}

/// Median absolute deviation about the median, unscaled.
pub fn mad(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let mut distances: Vec<f64> =
        values.iter().filter(|v| v.is_finite()).map(|v| (v - centre).abs()).collect();
    median_in_place(&mut distances)
}

/// Robust standard deviation: the scaled median absolute deviation.
pub fn sd(values: &[f64]) -> Option<f64> {
    mad(values).map(|m| m * MAD_TO_SD)
}

/// Modified z-scores, 0.6745 (x − median) / MAD; `None` where the MAD is zero (NIST/SEMATECH e-Handbook 1.3.5.17,
/// which flags |z| > 3.5).
pub fn modified_z(values: &[f64]) -> Option<Vec<f64>> {
    let centre = median(values)?;
    let spread = mad(values).filter(|&m| m > 0.0)? * MAD_TO_SD;
    Some(values.iter().map(|v| (v - centre) / spread).collect())
}

/// A robust straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Units of y per unit of x.
    pub slope: f64,
    /// y at x = 0: the median of y − slope · x.
    pub intercept: f64,
}

impl Line {
    /// The line's value.
    pub fn at(&self, x: f64) -> f64 {
        self.slope.mul_add(x, self.intercept)
    }
}

/// Theil–Sen line: the median of the slopes of all pairs (Sen 1968; example in Hollander and Wolfe).
///
/// Points beyond 200 are thinned evenly first. `None` with fewer than two distinct x.
pub fn theil_sen(x: &[f64], y: &[f64]) -> Option<Line> {
    let stride = x.len().div_ceil(SLOPE_POINTS_MAX).max(1);
    let points: Vec<(f64, f64)> = x
        .iter()
        .zip(y)
        .filter(|(x, y)| x.is_finite() && y.is_finite())
        .step_by(stride)
        .map(|(&x, &y)| (x, y))
        .collect();
    let mut slopes = Vec::with_capacity(points.len() * points.len() / 2);
    for (i, &(xi, yi)) in points.iter().enumerate() {
        for &(xj, yj) in &points[i + 1..] {
            if xj != xi {
                slopes.push((yj - yi) / (xj - xi));
            }
        }
    }
    let slope = median_in_place(&mut slopes).filter(|s| s.is_finite())?;
    let mut offsets: Vec<f64> = points.iter().map(|&(x, y)| y - slope * x).collect();
    Some(Line { slope, intercept: median_in_place(&mut offsets)? })
}

/// Huber's proposal 2: location and scale together, at c = 1.5 (Huber 1981; statsmodels `Huber`).
///
/// `None` where more than half of the values are equal, since then there is no scale.
pub fn huber(values: &[f64]) -> Option<(f64, f64)> {
    const C: f64 = 1.5;
    /// Expected ψ² at the normal distribution for c = 1.5.
    const GAMMA: f64 = 0.778_465_216;
    const ITERATIONS_MAX: usize = 100;
    let values: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let mut location = median(&values)?;
    let mut scale = sd(&values).filter(|&s| s > 0.0)?;
    let n = values.len() as f64;
    for _ in 0..ITERATIONS_MAX {
        let (low, high) = (location - C * scale, location + C * scale);
        let next = values.iter().map(|v| v.clamp(low, high)).sum::<f64>() / n;
        let inside = |v: &&f64| **v >= low && **v <= high;
        let sum: f64 = values.iter().filter(inside).map(|v| (v - next).powi(2)).sum();
        let n_outside = n - values.iter().filter(inside).count() as f64;
        let denominator = (n - 1.0).mul_add(GAMMA, -n_outside * C * C);
        if denominator <= 0.0 || sum <= 0.0 {
            return Some((next, scale));
        }
        let next_scale = (sum / denominator).sqrt();
        let done = (next - location).abs() <= 1e-10 * scale && (next_scale - scale).abs() <= 1e-10 * scale;
        (location, scale) = (next, next_scale);
        if done {
            break;
        }
    }
    Some((location, scale))
}

/// Hodges–Lehmann location: the median of all pairwise means.
///
/// Quadratic in the number of values: for groups, not for traces.
pub fn hodges_lehmann(values: &[f64]) -> Option<f64> {
    let values: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let mut means = Vec::with_capacity(values.len() * (values.len() + 1) / 2);
    for (i, &a) in values.iter().enumerate() {
        means.extend(values[i..].iter().map(|&b| f64::midpoint(a, b)));
    }
    median_in_place(&mut means)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "got {got}, want {want}");
    }

    /// NIST/SEMATECH e-Handbook 1.3.5.17, uranium isotope example.
    #[test]
    fn modified_z_score_of_the_handbook() {
        let data = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];
        near(median(&data).unwrap(), 201.37, 1e-9);
        near(mad(&data).unwrap(), 0.995, 1e-9);
        let z = modified_z(&data).unwrap();
        near(z[0], -1.396_452_261, 1e-4);
        near(z[7], 29.962_713_57, 1e-3);
        let flagged: Vec<f64> =
            data.into_iter().zip(&z).filter(|(_, z)| z.abs() > 3.5).map(|(x, _)| x).collect();
        assert_eq!(flagged, [245.57]);
    }

    /// Hollander and Wolfe, Nonparametric Statistical Methods, example 9.1: slope −0.056.
    #[test]
    fn theil_sen_of_hollander_and_wolfe() {
        let line = theil_sen(&[1.0, 2.0, 3.0, 4.0, 5.0], &[1.26, 1.27, 1.12, 1.16, 1.03]).unwrap();
        near(line.slope, -0.05625, 1e-12);
        near(line.slope, -0.056, 5e-4);
    }

    /// Two wild points leave the slope at 2, as scipy 1.17.1 finds it.
    #[test]
    fn theil_sen_withstands_outliers() {
        let x: Vec<f64> = (0..12).map(f64::from).collect();
        let y = [1.0, 3.0, 5.0, 40.0, 9.0, 11.0, 13.0, 15.0, 17.0, 19.0, -30.0, 23.0];
        let line = theil_sen(&x, &y).unwrap();
        near(line.slope, 2.0, 1e-12);
        near(line.intercept, 1.0, 1e-12);
    }

    /// statsmodels 0.15.0 and scipy 1.17.1 on the same seven values.
    #[test]
    fn robust_location_as_in_reference_libraries() {
        let x = [2.1, 2.3, 1.9, 2.2, 9.7, 2.0, 2.4];
        near(median(&x).unwrap(), 2.2, 1e-12);
        near(sd(&x).unwrap(), 0.29652044370112, 1e-9);
        let (location, scale) = huber(&x).unwrap();
        near(location, 2.2231186857872305, 1e-6);
        near(scale, 0.2924747407078322, 1e-6);
        near(hodges_lehmann(&x).unwrap(), 2.2, 1e-12);
    }

    #[test]
    fn nothing_in_nothing_out() {
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[f64::NAN]), None);
        assert_eq!(theil_sen(&[1.0, 1.0], &[1.0, 2.0]), None);
        assert_eq!(huber(&[1.0, 1.0, 1.0, 2.0]), None);
        assert_eq!(modified_z(&[3.0; 5]), None);
    }
}
