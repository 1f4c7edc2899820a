//! How good a ranking is: the measures of docs/method.md.
//!
//! Area under the ROC curve: the share of pairs ranked rightly, ties half (Mann and Whitney 1947). Average precision:
//! Σ (recall step · precision), ties as one threshold. Brier score: mean squared error of a probability (Brier 1950).
//! Calibration error: mean gap between stated and observed share over ten bins, weighted by their filling (Naeini
//! et al. 2015). Checked against a general-purpose library's values in the tests.

/// Area under the ROC curve; `None` where one of the two kinds is missing.
pub fn auc(truth: &[bool], score: &[f64]) -> Option<f64> {
    let n_true = truth.iter().filter(|t| **t).count();
    let n_false = truth.len() - n_true;
    if n_true == 0 || n_false == 0 {
        return None;
    }
    let mut rank_sum = 0.0;
    let mut below = 0;
    for tie in ties(score, false) {
        let middle = below as f64 + (tie.len() + 1) as f64 / 2.0;
        rank_sum += middle * tie.iter().filter(|&&i| truth[i]).count() as f64;
        below += tie.len();
    }
    let n_true = n_true as f64;
    Some((rank_sum - n_true * (n_true + 1.0) / 2.0) / (n_true * n_false as f64))
}

/// Average precision; `None` without a true case.
pub fn average_precision(truth: &[bool], score: &[f64]) -> Option<f64> {
    let n_true = truth.iter().filter(|t| **t).count();
    if n_true == 0 {
        return None;
    }
    let (mut found, mut seen, mut sum) = (0, 0, 0.0);
    for tie in ties(score, true) {
        let here = tie.iter().filter(|&&i| truth[i]).count();
        found += here;
        seen += tie.len();
        sum += here as f64 / n_true as f64 * found as f64 / seen as f64;
    }
    Some(sum)
}

/// Indices grouped by equal score, in rising or falling order.
fn ties(score: &[f64], falling: bool) -> Vec<Vec<usize>> {
    let mut order: Vec<usize> = (0..score.len()).collect();
    order.sort_by(|&a, &b| score[a].total_cmp(&score[b]));
    if falling {
        order.reverse();
    }
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for i in order {
        match groups.last_mut() {
            Some(g) if score[g[0]] == score[i] => g.push(i),
            _ => groups.push(vec![i]),
        }
    }
    groups
}

/// How much of each case is among the k highest: 1 or 0, and an equal share for ties at the edge.
pub fn among_first(score: &[f64], k: usize) -> Vec<f64> {
    let mut share = vec![0.0; score.len()];
    let mut left = k.min(score.len());
    for tie in ties(score, true) {
        let taken = tie.len().min(left);
        for &i in &tie {
            share[i] = taken as f64 / tie.len() as f64;
        }
        left -= taken;
        if left == 0 {
            break;
        }
    }
    share
}

/// Brier score; `None` without cases.
pub fn brier(truth: &[bool], p: &[f64]) -> Option<f64> {
    mean(truth.iter().zip(p).map(|(&t, p)| (p - f64::from(u8::from(t))).powi(2)))
}

/// Logarithmic loss, probabilities kept 10⁻⁴ off 0 and 1; `None` without cases.
pub fn log_loss(truth: &[bool], p: &[f64]) -> Option<f64> {
    mean(truth.iter().zip(p).map(|(&t, p)| {
        let p = p.clamp(1e-4, 1.0 - 1e-4);
        -(if t { p } else { 1.0 - p }).ln()
    }))
}

/// Expected calibration error over ten equal bins; `None` without cases.
pub fn calibration_error(truth: &[bool], p: &[f64]) -> Option<f64> {
    const BINS: usize = 10;
    if truth.is_empty() {
        return None;
    }
    let mut gap = [0.0; BINS];
    for (&t, p) in truth.iter().zip(p) {
        let bin = ((p * BINS as f64) as usize).min(BINS - 1);
        gap[bin] += p - f64::from(u8::from(t));
    }
    Some(gap.iter().map(|g| g.abs()).sum::<f64>() / truth.len() as f64)
}

/// Mean; `None` of nothing.
pub fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (mut sum, mut n) = (0.0, 0);
    for v in values {
        sum += v;
        n += 1;
    }
    (n > 0).then(|| sum / f64::from(n))
}

/// Median; `None` of nothing.
pub fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let mid = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[mid]),
        _ => Some(f64::midpoint(values[mid - 1], values[mid])),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TRUTH: [bool; 12] = [true, false, true, true, false, false, true, false, false, false, true, false];
    const SCORE: [f64; 12] = [0.93, 0.81, 0.81, 0.66, 0.66, 0.52, 0.41, 0.41, 0.41, 0.17, 0.08, 0.03];

    #[track_caller]
    fn check(got: Option<f64>, expected: f64) {
        assert!(got.is_some_and(|g| (g - expected).abs() < 1e-12), "{got:?} against {expected}");
    }

    /// Values of scikit-learn 1.9.1 (`roc_auc_score`, `average_precision_score`, `brier_score_loss`, `log_loss`) on the
    /// same twelve cases, ties among them.
    #[test]
    fn measures_are_those_of_a_general_library() {
        check(auc(&TRUTH, &SCORE), 0.657_142_857_142_857_1);
        check(average_precision(&TRUTH, &SCORE), 0.633_131_313_131_313_2);
        check(brier(&TRUTH, &SCORE), 0.2566);
        check(log_loss(&TRUTH, &SCORE), 0.738_474_853_734_91);
    }

    /// By hand: bins of a tenth hold (0.03, 0.08), (0.17), (0.41 three times), (0.52), (0.66 twice), (0.81 twice),
    /// (0.93); the gaps between the sums of p and of truth are 0.89, 0.17, 0.23, 0.52, 0.32, 0.62, 0.07.
    #[test]
    fn calibration_error_by_hand() {
        let gaps = 0.89 + 0.17 + 0.23 + 0.52 + 0.32 + 0.62 + 0.07;
        check(calibration_error(&TRUTH, &SCORE), gaps / 12.0);
    }

    #[test]
    fn ties_at_the_edge_share_the_places_left() {
        let first = among_first(&SCORE, 8);
        let third = 2.0 / 3.0;
        assert_eq!(first, [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, third, third, third, 0.0, 0.0, 0.0]);
        assert_eq!(among_first(&SCORE, 0), [0.0; 12]);
        assert_eq!(among_first(&SCORE, 99), [1.0; 12]);
    }

    #[test]
    fn nothing_is_measured_of_nothing() {
        assert_eq!(auc(&[], &[]), None);
        assert_eq!(auc(&[true], &[0.3]), None);
        assert_eq!(average_precision(&[false], &[0.3]), None);
        assert_eq!(brier(&[], &[]), None);
        assert_eq!(calibration_error(&[], &[]), None);
        assert_eq!(median(vec![]), None);
    }
}
