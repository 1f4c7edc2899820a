//! The measures of one or more fleets as a table: mean of the fleets with a 90 % interval, and by part.

use windrow_model::emulate::random::Random;

use super::measures::{
    among_first, auc, average_precision, brier, calibration_error, log_loss, mean, median,
};
use super::truth::Case;

/// A probability from here on is an alarm.
pub const ALARM_FROM: f64 = 0.5;
/// The three faults in the order of the probabilities.
pub const FAULTS: [&str; 3] = ["clog", "fan", "contact"];
/// Draws of the bootstrap.
const DRAWS: usize = 400;

/// A measure's name and value; `None` where these cases can't tell.
pub type Measured = (String, Option<f64>);

/// All measures of one fleet (or a part of one).
pub fn measures(cases: &[&Case]) -> Vec<Measured> {
    let score: Vec<f64> = cases.iter().map(|c| c.score).collect();
    let any: Vec<bool> = cases.iter().map(|c| c.needs_any()).collect();
    let mut out = vec![("AUC any".into(), auc(&any, &score))];
    let mut put = |name: String, value: Option<f64>| out.push((name, value));
    let need = |fault: usize| cases.iter().map(|c| c.truth.needs()[fault]).collect::<Vec<bool>>();
    let p = |fault: usize| cases.iter().map(|c| c.p[fault]).collect::<Vec<f64>>();
    for (f, name) in FAULTS.iter().enumerate() {
        put(format!("AP {name}"), average_precision(&need(f), &p(f)));
    }
    let n_needing = any.iter().filter(|a| **a).count();
    let first = among_first(&score, n_needing);
    let share_of_first = |hit: &dyn Fn(&Case) -> bool| {
        let hits: f64 = cases.iter().zip(&first).filter(|(c, _)| hit(c)).map(|(_, w)| w).sum();
        (n_needing > 0).then(|| hits / n_needing as f64)
    };
    put("precision at k".into(), share_of_first(&Case::needs_any));
    put("right repair at k".into(), share_of_first(&|c| c.truth.needs()[most_likely(c)]));
    for (f, name) in FAULTS.iter().enumerate() {
        put(format!("Brier {name}"), brier(&need(f), &p(f)));
    }
    for (f, name) in FAULTS.iter().enumerate() {
        put(format!("log loss {name}"), log_loss(&need(f), &p(f)));
    }
    for (f, name) in FAULTS.iter().enumerate() {
        put(format!("calibration error {name}"), calibration_error(&need(f), &p(f)));
    }
    put("alarms, healthy confounded".into(), alarms(cases, |c| !c.needs_any() && c.is_confounded()));
    put("alarms, healthy clean".into(), alarms(cases, |c| !c.needs_any() && !c.is_confounded()));
    put("alarms, needing".into(), alarms(cases, Case::needs_any));
    let errors = cases
        .iter()
        .filter(|c| c.truth.fans > 0)
        .filter_map(|c| c.estimates[0].map(|e| (e.mid - c.truth.airflow_fraction).abs()));
    put("airflow error, median".into(), median(errors.collect()));
    for (f, name) in ["airflow", "fan", "contact"].iter().enumerate() {
        put(format!("interval covers {name}"), coverage(cases, f));
    }
    out
}

/// Share of alarms among the cases chosen.
pub fn alarms(cases: &[&Case], which: impl Fn(&Case) -> bool) -> Option<f64> {
    let alarmed = |c: &Case| c.p.iter().any(|p| *p >= ALARM_FROM);
    mean(cases.iter().filter(|c| which(c)).map(|c| f64::from(u8::from(alarmed(c)))))
}

/// Share of the cases whose 90 % interval holds the truth.
pub fn coverage(cases: &[&Case], estimate: usize) -> Option<f64> {
    mean(cases.iter().filter(|c| estimate == 2 || c.truth.fans > 0).filter_map(|c| {
        let truth = c.true_values()[estimate];
        c.estimates[estimate].map(|e| f64::from(u8::from(e.low <= truth && truth <= e.high)))
    }))
}

fn most_likely(c: &Case) -> usize {
    (0..3).max_by(|&a, &b| c.p[a].total_cmp(&c.p[b]).then(b.cmp(&a))).unwrap_or(0)
}

/// A line of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// The measure.
    pub name: String,
    /// Mean of the fleets that tell it.
    pub mean: f64,
    /// 90 % interval by resampling laptops within each fleet.
    pub interval: (f64, f64),
    /// Each fleet's own.
    pub each: Vec<Option<f64>>,
}

/// The measures of several fleets, each weighing the same.
pub fn table(fleets: &[Vec<Case>]) -> Vec<Line> {
    let whole: Vec<Vec<&Case>> = fleets.iter().map(|f| f.iter().collect()).collect();
    let each: Vec<Vec<Measured>> = whole.iter().map(|f| measures(f)).collect();
    let Some(names) = each.first() else { return Vec::new() };
    let mut random = Random::new(7);
    let draws: Vec<Vec<Option<f64>>> = (0..DRAWS)
        .map(|_| {
            let drawn: Vec<Vec<Measured>> =
                whole.iter().map(|f| measures(&resampled(f, &mut random))).collect();
            (0..names.len()).map(|i| mean(drawn.iter().filter_map(|d| d[i].1))).collect()
        })
        .collect();
    (0..names.len())
        .map(|i| {
            let own: Vec<Option<f64>> = each.iter().map(|e| e[i].1).collect();
            let mut seen: Vec<f64> = draws.iter().filter_map(|d| d[i]).collect();
            seen.sort_by(f64::total_cmp);
            let at = |q: f64| {
                seen.get(((seen.len() as f64 * q) as usize).min(seen.len().saturating_sub(1)))
                    .copied()
                    .unwrap_or(f64::NAN)
            };
            Line {
                name: names[i].0.clone(),
                mean: mean(own.iter().copied().flatten()).unwrap_or(f64::NAN),
                interval: (at(0.05), at(0.95)),
                each: own,
            }
        })
        .collect()
}

fn resampled<'a>(cases: &[&'a Case], random: &mut Random) -> Vec<&'a Case> {
    let pick = |random: &mut Random| ((random.uniform() * cases.len() as f64) as usize).min(cases.len() - 1);
    (0..cases.len()).map(|_| cases[pick(random)]).collect()
}

/// One row a part: what a reader asks first, pooled over the fleets.
#[derive(Debug, Clone, PartialEq)]
pub struct PartRow {
    /// The part's name.
    pub part: String,
    /// Laptops in it.
    pub n: usize,
    /// Laptops that need cleaning, a fan, paste.
    pub n_needing: [usize; 3],
    /// AUC any.
    pub auc: Option<f64>,
    /// Average precision of each fault.
    pub ap: [Option<f64>; 3],
    /// Share of healthy laptops with an alarm.
    pub alarms: Option<f64>,
    /// Coverage of the 90 % intervals of airflow, fan and contact.
    pub coverage: [Option<f64>; 3],
}

/// The row of the cases that `which` chooses.
pub fn part(name: &str, fleets: &[Vec<Case>], which: impl Fn(&Case) -> bool) -> PartRow {
    let cases: Vec<&Case> = fleets.iter().flatten().filter(|c| which(c)).collect();
    let score: Vec<f64> = cases.iter().map(|c| c.score).collect();
    let any: Vec<bool> = cases.iter().map(|c| c.needs_any()).collect();
    let need = |f: usize| cases.iter().map(|c| c.truth.needs()[f]).collect::<Vec<bool>>();
    let p = |f: usize| cases.iter().map(|c| c.p[f]).collect::<Vec<f64>>();
    PartRow {
        part: name.to_owned(),
        n: cases.len(),
        n_needing: std::array::from_fn(|f| need(f).iter().filter(|n| **n).count()),
        auc: auc(&any, &score),
        ap: std::array::from_fn(|f| average_precision(&need(f), &p(f))),
        alarms: alarms(&cases, |c| !c.needs_any()),
        coverage: std::array::from_fn(|f| coverage(&cases, f)),
    }
}

/// Parts by what the model tells, then by each confounder of the latest run.
pub fn parts(fleets: &[Vec<Case>]) -> Vec<PartRow> {
    let mut out = vec![
        part("all", fleets, |_| true),
        part("power and fan speed told", fleets, |c| c.channels == [true, true]),
        part("no power", fleets, |c| !c.channels[0]),
        part("no fan speed", fleets, |c| !c.channels[1] && c.truth.fans > 0),
        part("no fan", fleets, |c| c.truth.fans == 0),
        part("another firmware came", fleets, |c| c.truth.firmware_changed),
    ];
    let mut names: Vec<String> =
        fleets.iter().flatten().flat_map(|c| c.truth.confounder_names()).map(str::to_owned).collect();
    names.sort();
    names.dedup();
    for name in &names {
        out.push(part(name, fleets, |c| c.truth.confounder_names().any(|n| n == name)));
    }
    out.push(part("none of these", fleets, |c| !c.is_confounded()));
    out
}

/// The table as text.
pub fn lines_text(lines: &[Line]) -> String {
    use std::fmt::Write as _;
    let mut out = String::new();
    for l in lines {
        let each: Vec<String> = l.each.iter().map(|e| number(*e)).collect();
        let _ = writeln!(
            out,
            "{:28} {:.3}  ({:.3}–{:.3})  {}",
            l.name,
            l.mean,
            l.interval.0,
            l.interval.1,
            each.join(" ")
        );
    }
    out
}

/// The parts as text.
pub fn parts_text(rows: &[PartRow]) -> String {
    use std::fmt::Write as _;
    let mut out = format!(
        "{:26} {:>5} {:>12}  {:>5}  {:>17}  {:>6}  {:>17}\n",
        "part", "n", "needing c/f/p", "AUC", "AP clog/fan/cont.", "alarms", "cover air/fan/con"
    );
    for r in rows {
        let three = |v: [Option<f64>; 3]| v.map(number).join(" ");
        let _ = writeln!(
            out,
            "{:26} {:5} {:>13}  {:>5}  {:>17}  {:>6}  {:>17}",
            r.part,
            r.n,
            r.n_needing.map(|n| n.to_string()).join("/"),
            number(r.auc),
            three(r.ap),
            number(r.alarms),
            three(r.coverage)
        );
    }
    out
}

fn number(v: Option<f64>) -> String {
    v.map_or_else(|| "–".to_owned(), |v| format!("{v:.3}"))
}
