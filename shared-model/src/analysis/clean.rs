//! What is dropped before anything is measured: readings that cannot be true, and single ones far from both
//! neighbours.

use super::quality::Finding;
use crate::channel::Channel;
use crate::trace::Trace;

/// A temperature this far from both neighbours in one direction is a jump, K (domain practice: die temperatures
/// move by less within a fraction of a second and back; common practice, no source).
const TEMP_JUMP_K: f64 = 8.0;
/// A fan speed this far from both neighbours is a jump, rpm: no rotor does that (common practice, no source).
const RPM_JUMP: f64 = 1200.0;

/// Drops what cannot be true and says what it dropped.
pub(super) fn clean(trace: &Trace) -> (Trace, Vec<Finding>) {
    let mut trace = trace.clone();
    let mut findings: Vec<Finding> = trace
        .drop_implausible()
        .into_iter()
        .map(|d| Finding::OutOfRange { channel: d.channel, n_readings: d.n })
        .collect();
    let jumps = [
        (Channel::CpuTempC, TEMP_JUMP_K),
        (Channel::SsdTempC, TEMP_JUMP_K),
        (Channel::BoardTempC, TEMP_JUMP_K),
        (Channel::BatteryTempC, TEMP_JUMP_K),
        (Channel::Fan1Rpm, RPM_JUMP),
        (Channel::Fan2Rpm, RPM_JUMP),
    ];
    for (channel, jump) in jumps {
        let n_readings = drop_jumps(&mut trace, channel, jump);
        if n_readings > 0 {
            findings.push(Finding::Jump { channel, n_readings });
        }
    }
    (trace, findings)
}

fn drop_jumps(trace: &mut Trace, channel: Channel, jump: f64) -> usize {
    let Some(column) = trace.column(channel) else { return 0 };
    let mut column = column.to_vec();
    let read: Vec<usize> = (0..column.len()).filter(|&i| column[i].is_finite()).collect();
    let odd: Vec<usize> = read
        .windows(3)
        .filter(|w| is_jump(column[w[0]], column[w[1]], column[w[2]], jump))
        .map(|w| w[1])
        .collect();
    for &idx in &odd {
        column[idx] = f64::NAN;
    }
    if !odd.is_empty() {
        trace.set_column(channel, column);
    }
    odd.len()
}

/// Far from both neighbours on the same side, while these agree with each other.
fn is_jump(before: f64, at: f64, after: f64, jump: f64) -> bool {
    let (up, down) = (at - before, at - after);
    up * down > 0.0 && up.abs() > jump && down.abs() > jump && (before - after).abs() < jump / 2.0
}
