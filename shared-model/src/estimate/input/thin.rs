//! Fewer, longer steps where nothing happens fast: a fit of 1,300 samples has no more to say than one of 250.
//!
//! Samples are averaged in blocks. A block stands at the mean time of its readings; the drive between two
//! blocks is the exact time integral of the recorded drive between their two times, so no heat is lost.

use super::{Series, Step};

/// Block length near an edge of the load, where contact shows.
const NEAR_EDGE_S: f64 = 0.25;
/// Block length elsewhere.
const ELSEWHERE_S: f64 = 2.0;
/// How long after an edge counts as near: several die time constants (1–10 s, handbook range).
const EDGE_S: f64 = 12.0;

/// A gap longer than this is one step of its own and its samples don't count for more evidence.
const EVIDENCE_MAX_S: f64 = 2.0;

struct Block {
    time_s: f64,
    temp_c: f64,
    weight_s: f64,
}

/// The run's steps.
pub(super) fn steps(series: &Series<'_>, heat_w: &[f64], fan: &[f64], weight: &[f64]) -> Vec<Step> {
    let blocks = blocks(series, weight);
    let heat = Integral::of(series.time_s, heat_w);
    let fan = Integral::of(series.time_s, fan);
    let mut steps = Vec::with_capacity(blocks.len());
    let mut previous_s = None;
    let (mut heat_at, mut fan_at) = (Cursor::default(), Cursor::default());
    for block in blocks {
        // The first block has no predecessor: the machine is taken to have rested for one block length.
        let from_s = previous_s.unwrap_or(block.time_s - NEAR_EDGE_S);
        let dt_s = block.time_s - from_s;
        let fan = fan.mean_until(&mut fan_at, from_s, block.time_s).max(0.0);
        steps.push(Step {
            dt_s,
            heat_w: heat.mean_until(&mut heat_at, from_s, block.time_s),
            fan,
            ln_fan: fan.max(f64::MIN_POSITIVE).ln(),
            temp_c: block.temp_c,
            weight_s: block.weight_s,
        });
        previous_s = Some(block.time_s);
    }
    steps
}

fn blocks(series: &Series<'_>, weight: &[f64]) -> Vec<Block> {
    let edges = series.edges_s();
    let usual_dt_s = series.usual_dt_s();
    let mut blocks = Vec::new();
    let mut from = 0;
    while from < series.len() {
        let to = block_end(series, from, &edges);
        blocks.extend(block(series, weight, from..to, usual_dt_s));
        from = to;
    }
    blocks
}

/// One past the last sample of the block that begins at `from`; a block never reaches over an edge.
fn block_end(series: &Series<'_>, from: usize, edges: &[f64]) -> usize {
    let begin_s = series.time_s[from];
    let near = edges.iter().any(|e| (begin_s - e) >= -0.5 && begin_s - e < EDGE_S);
    let mut until_s = begin_s + if near { NEAR_EDGE_S } else { ELSEWHERE_S };
    for edge in edges.iter().filter(|&&e| e > begin_s) {
        until_s = until_s.min(*edge);
    }
    let mut to = from + 1;
    while to < series.len() && series.time_s[to] < until_s - 1e-9 {
        to += 1;
    }
    to
}

fn block(
    series: &Series<'_>,
    weight: &[f64],
    range: std::ops::Range<usize>,
    usual_dt_s: f64,
) -> Option<Block> {
    let (mut sum_t, mut sum_temp, mut sum_w, mut n) = (0.0, 0.0, 0.0, 0.0);
    for i in range.clone().filter(|&i| !series.temp_c[i].is_nan()) {
        sum_t += series.time_s[i];
        sum_temp += series.temp_c[i];
        sum_w += weight[i];
        n += 1.0;
    }
    if n == 0.0 {
        return None;
    }
    let evidence_s = (n * usual_dt_s).min(EVIDENCE_MAX_S);
    Some(Block { time_s: sum_t / n, temp_c: sum_temp / n, weight_s: evidence_s * sum_w / n })
}

/// The running integral of a drive whose value at sample `i` holds from sample `i − 1` to `i`, as an energy
/// counter's difference does.
struct Integral<'a> {
    time_s: &'a [f64],
    value: &'a [f64],
}

/// Where the last question was answered: questions come in order of time.
#[derive(Default)]
struct Cursor {
    idx: usize,
}

impl<'a> Integral<'a> {
    fn of(time_s: &'a [f64], value: &'a [f64]) -> Self {
        Self { time_s, value }
    }

    fn mean_until(&self, at: &mut Cursor, from_s: f64, to_s: f64) -> f64 {
        let last = self.time_s.len() - 1;
        while at.idx < last && self.time_s[at.idx] <= from_s {
            at.idx += 1;
        }
        let (mut sum, mut begin_s, mut idx) = (0.0, from_s, at.idx);
        while idx < last && self.time_s[idx] < to_s {
            sum += self.value[idx] * (self.time_s[idx] - begin_s);
            begin_s = self.time_s[idx];
            idx += 1;
        }
        sum += self.value[idx] * (to_s - begin_s);
        sum / (to_s - from_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drive_is_integrated_exactly_between_any_two_times() {
        let integral = Integral::of(&[0.0, 1.0, 2.0, 4.0], &[9.0, 10.0, 20.0, 5.0]);
        let mut at = Cursor::default();
        assert_eq!(integral.mean_until(&mut at, 0.5, 1.0), 10.0);
        assert_eq!(integral.mean_until(&mut at, 1.0, 2.0), 20.0);
        assert_eq!(integral.mean_until(&mut at, 1.5, 3.0), (20.0 * 0.5 + 5.0) / 1.5);
    }
}
