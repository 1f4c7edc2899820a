//! The solver against certified values: NIST Statistical Reference Datasets, nonlinear regression (National
//! Institute of Standards and Technology, StRD; public domain), in `testdata/nist-strd`.
//!
//! Lanczos1's residuals are below what doubles reach (certified sum of squares 1.4e-25): its parameters only.

use super::{Curve, CurveFit, Dual, Failure, Options, fit_curve};

#[derive(serde::Deserialize)]
struct Problem {
    name: String,
    difficulty: String,
    certified: Certified,
    start1: Vec<String>,
    start2: Vec<String>,
    x: Vec<String>,
    y: Vec<String>,
}

#[derive(serde::Deserialize)]
struct Certified {
    parameters: Vec<String>,
    standard_deviations: Vec<String>,
    residual_sum_of_squares: String,
}

/// The certified values are printed to eleven digits; more than that cannot agree.
const DIGITS_PRINTED: f64 = 11.0;

fn numbers(texts: &[String]) -> Vec<f64> {
    texts.iter().map(|t| t.parse().expect("a printed number")).collect()
}

/// Correct digits: −log10 of the relative error.
fn digits(got: f64, certified: f64) -> f64 {
    assert!(got.is_finite(), "{got} is no number");
    (-((got - certified) / certified).abs().log10()).min(DIGITS_PRINTED)
}

fn fewest_digits(got: &[f64], certified: &[String]) -> f64 {
    let certified = numbers(certified);
    got.iter().zip(&certified).map(|(g, c)| digits(*g, *c)).fold(DIGITS_PRINTED, f64::min)
}

#[track_caller]
fn check<const P: usize>(json: &str, f: impl Fn(f64, &[Dual<P>; P]) -> Dual<P> + Copy) {
    let problem: Problem = serde_json::from_str(json).expect("testdata");
    let wanted = if problem.difficulty == "higher" { 6.0 } else { 8.0 };
    for (start_no, start) in [(1, &problem.start1), (2, &problem.start2)] {
        let fit = fit_from(&problem, start, f)
            .unwrap_or_else(|failure| panic!("{} from start {start_no}: {failure}", problem.name));
        let got = agreement(&problem, &fit);
        let least = if problem.name == "Lanczos1" { got.params } else { got.least() };
        assert!(
            least >= wanted,
            "{} from start {start_no}: {got:?}, wanted {wanted} digits; {fit:?}",
            problem.name
        );
    }
}

fn fit_from<const P: usize>(
    problem: &Problem,
    start: &[String],
    f: impl Fn(f64, &[Dual<P>; P]) -> Dual<P>,
) -> Result<CurveFit<P>, Failure> {
    let (x, y) = (numbers(&problem.x), numbers(&problem.y));
    let start: [f64; P] = numbers(start).try_into().expect("as many starts as parameters");
    fit_curve(&Curve { x: &x, y: &y, f }, &start, &Options::EXACT)
}

#[derive(Debug)]
struct Agreement {
    params: f64,
    standard_errors: f64,
    sum_of_squares: f64,
}

impl Agreement {
    fn least(&self) -> f64 {
        self.params.min(self.standard_errors).min(self.sum_of_squares)
    }
}

fn agreement<const P: usize>(problem: &Problem, fit: &CurveFit<P>) -> Agreement {
    let certified = &problem.certified;
    Agreement {
        params: fewest_digits(&fit.params, &certified.parameters),
        standard_errors: fewest_digits(&fit.se, &certified.standard_deviations),
        sum_of_squares: fewest_digits(
            &[fit.outcome.cost],
            std::slice::from_ref(&certified.residual_sum_of_squares),
        ),
    }
}

macro_rules! nist {
    ($($name:ident: $p:literal, $f:expr;)*) => {$(
        #[test]
        fn $name() {
            check::<$p>(include_str!(concat!("../../../testdata/nist-strd/", stringify!($name), ".json")), $f);
        }
    )*};
}

nist! {
    misra1a: 2, |x, b| b[0] * -(-b[1] * x).exp_m1();
    misra1b: 2, |x, b| b[0] * (-(b[1] * (x / 2.0) + 1.0).powf(-2.0) + 1.0);
    misra1c: 2, |x, b| b[0] * (-(b[1] * (2.0 * x) + 1.0).powf(-0.5) + 1.0);
    misra1d: 2, |x, b| b[0] * b[1] * x / (b[1] * x + 1.0);
    boxbod: 2, |x, b| b[0] * -(-b[1] * x).exp_m1();
    chwirut1: 3, |x, b| (-b[0] * x).exp() / (b[1] + b[2] * x);
    chwirut2: 3, |x, b| (-b[0] * x).exp() / (b[1] + b[2] * x);
    lanczos1: 6, three_exponentials;
    lanczos2: 6, three_exponentials;
    lanczos3: 6, three_exponentials;
    danwood: 2, |x, b| b[0] * (b[1] * x.ln()).exp();
    mgh09: 4, |x, b| b[0] * (b[1] * x + x * x) / (b[2] * x + x * x + b[3]);
    mgh10: 3, |x, b| b[0] * (b[1] / (b[2] + x)).exp();
    mgh17: 5, |x, b| b[0] + b[1] * (-b[3] * x).exp() + b[2] * (-b[4] * x).exp();
    rat42: 3, |x, b| b[0] / ((b[1] - b[2] * x).exp() + 1.0);
    rat43: 4, |x, b| b[0] / ((b[1] - b[2] * x).exp() + 1.0).pow(Dual::constant(1.0) / b[3]);
}

fn three_exponentials(x: f64, b: &[Dual<6>; 6]) -> Dual<6> {
    b[0] * (-b[1] * x).exp() + b[2] * (-b[3] * x).exp() + b[4] * (-b[5] * x).exp()
}

/// A model without any information on one parameter must be told as such, not answered.
#[test]
fn a_parameter_without_influence_is_reported() {
    let curve =
        Curve { x: &[1.0, 2.0, 3.0], y: &[1.0, 2.5, 2.9], f: |x, b: &[Dual<2>; 2]| b[0] * x + b[1] * 0.0 };
    assert!(fit_curve(&curve, &[1.0, 1.0], &Options::EXACT).is_err());
}

/// So must evaluations that run out.
#[test]
fn running_out_is_reported() {
    let problem: Problem =
        serde_json::from_str(include_str!("../../../testdata/nist-strd/mgh10.json")).expect("testdata");
    let (x, y) = (numbers(&problem.x), numbers(&problem.y));
    let start: [f64; 3] = numbers(&problem.start1).try_into().expect("three");
    let curve = Curve { x: &x, y: &y, f: |x, b: &[Dual<3>; 3]| b[0] * Dual::exp(b[1] / (b[2] + x)) };
    let few = Options { evaluations_max: 5, ..Options::EXACT };
    let failure = fit_curve(&curve, &start, &few).expect_err("five evaluations are not enough");
    assert!(matches!(failure, Failure::OutOfEvaluations { evaluations: 5, .. }), "{failure}");
}
