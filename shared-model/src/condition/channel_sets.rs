//! How a laptop is measured: the set of channels by which it is judged. One model may run under two operating systems,
//! or with and without the right to read power; laptops that are measured alike share a fit and a reference.

use std::collections::BTreeMap;

use super::evidence::RunEvidence;
use super::judge::{Condition, Judge};
use super::laptop::Laptop;
use crate::channel::Channel;
use crate::estimate::joint_model::Channels;

/// A laptop is measured as most of so many of its latest runs are. Our choice: one odd run doesn't move it among others,
/// and a laptop that is measured otherwise from some day on is judged by its new runs from the third on, not only once
/// there are as many of them as of the old.
const LATEST_RUNS: usize = 5;

/// As what a laptop is measured, from its runs in time order; of two that are as frequent, as the latest run was.
pub fn measured_as(runs: &[Channels]) -> Option<Channels> {
    let latest = &runs[runs.len().saturating_sub(LATEST_RUNS)..];
    let n_of = |channels: &Channels| latest.iter().filter(|other| *other == channels).count();
    // Of equals the last.
    latest.iter().max_by_key(|channels| n_of(channels)).copied()
}

/// The sets that laptops are measured with, given all runs of each in time order: the one with the most runs first, of
/// equals the one that tells more.
pub fn sets_of<'a>(laptops: impl Iterator<Item = &'a [Channels]>) -> Vec<Channels> {
    let mut n_runs = BTreeMap::<Channels, usize>::new();
    let mut sets = Vec::new();
    for runs in laptops {
        for channels in runs {
            *n_runs.entry(*channels).or_default() += 1;
        }
        sets.extend(measured_as(runs));
    }
    sets.sort_unstable_by_key(|set| std::cmp::Reverse((n_runs.get(set).copied(), *set)));
    sets.dedup();
    sets
}

impl Channels {
    /// From whether anything was read in a column of a run.
    pub fn of_read(was_read: impl Fn(Channel) -> bool) -> Self {
        let has_power = was_read(Channel::PackagePowerW);
        Self {
            has_power,
            has_rpm: was_read(Channel::Fan1Rpm) || was_read(Channel::Fan2Rpm),
            by_work_rate: !has_power && !was_read(Channel::CoreClockMhz) && was_read(Channel::WorkRate),
        }
    }

    /// In words, after "measured".
    pub const fn words(self) -> &'static str {
        match (self.has_power, self.has_rpm, self.by_work_rate) {
            (true, true, _) => "with power and fan speed",
            (true, false, _) => "without fan speed",
            (false, true, false) => "without power",
            (false, true, true) => "without power or clock",
            (false, false, false) => "without power and fan speed",
            (false, false, true) => "without power, clock and fan speed",
        }
    }
}

/// A laptop with the judge of those that are measured as it is.
#[derive(Debug)]
pub struct Measured<'j, 'a> {
    /// The judge.
    pub judge: &'j Judge<'a>,
    /// What that judge's reference rests on.
    pub channels: Channels,
    /// The laptop; its runs with other channels say nothing of air and contact.
    pub laptop: Laptop,
}

impl Measured<'_, '_> {
    /// Its condition, whatever its site.
    pub fn condition(&self) -> Condition {
        self.judge.laptop(&self.laptop)
    }
}

/// The judges of a model: one for each set of channels that its laptops are measured with.
#[derive(Debug, Clone)]
pub struct Judges<'a> {
    parts: Vec<(Channels, Judge<'a>)>,
}

impl<'a> Judges<'a> {
    /// At least one; the first also judges laptops whose set no other has.
    pub(super) fn new(
        first: (Channels, Judge<'a>),
        others: impl Iterator<Item = (Channels, Judge<'a>)>,
    ) -> Self {
        Self { parts: std::iter::once(first).chain(others).collect() }
    }

    /// A laptop beside those that are measured as it is.
    pub fn measured(&self, laptop: Laptop) -> Measured<'_, 'a> {
        match laptop.measured_as() {
            Some(channels) => self.measured_with(channels, laptop),
            None => self.measured_with(self.parts[0].0, laptop),
        }
    }

    /// A laptop beside those that are measured with these channels; where there are none, beside most.
    pub fn measured_with(&self, channels: Channels, laptop: Laptop) -> Measured<'_, 'a> {
        let part = self.parts.iter().find(|part| part.0 == channels).unwrap_or(&self.parts[0]);
        Measured { judge: &part.1, channels: part.0, laptop: laptop.beside(part.0) }
    }
}

impl Laptop {
    /// As what it is measured on the day for which it is judged; `None` without runs.
    pub fn measured_as(&self) -> Option<Channels> {
        let upto = self.runs.iter().filter(|r| r.day <= self.as_of);
        measured_as(&upto.map(RunEvidence::channels).collect::<Vec<_>>())
    }

    /// The same among laptops that are measured with these channels.
    #[must_use]
    pub(super) fn beside(mut self, channels: Channels) -> Self {
        self.runs.iter_mut().for_each(|run| *run = run.beside(channels));
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::emulate::{RunPlan, model_of, record_run};
    use crate::estimate::network_drive::Drive;

    const WITH: Channels = Channels { has_power: true, has_rpm: true, by_work_rate: false };
    const WITHOUT: Channels = Channels { has_power: false, has_rpm: true, by_work_rate: false };

    #[test]
    fn a_laptop_is_measured_as_most_of_its_latest_runs_are() {
        let of = |kinds: &str| {
            let runs: Vec<Channels> = kinds.chars().map(|c| if c == 'w' { WITH } else { WITHOUT }).collect();
            measured_as(&runs)
        };
        assert_eq!(of(""), None);
        for (kinds, is) in [
            ("w", WITH),
            ("-", WITHOUT),
            // Between two the latest decides.
            ("w-", WITHOUT),
            ("-w", WITH),
            ("--ww", WITH),
            // One odd run moves nothing, whichever it is.
            ("wwww-", WITH),
            ("-www", WITH),
            ("w-w", WITH),
            // From the third run on it counts as measured otherwise, however many there were before.
            ("------------ww", WITHOUT),
            ("------------www", WITH),
        ] {
            assert_eq!(of(kinds), Some(is), "{kinds}");
        }
    }

    #[test]
    fn what_was_read_tells_the_channels_that_the_fit_takes() {
        let plan = RunPlan::default();
        let whole = record_run(&model_of("Tamsel 14").unwrap(), &plan);
        for without in [
            &[][..],
            &[Channel::PackagePowerW],
            &[Channel::Fan1Rpm, Channel::Fan2Rpm],
            &[Channel::PackagePowerW, Channel::CoreClockMhz],
            &[Channel::PackagePowerW, Channel::CoreClockMhz, Channel::WorkRate],
            &[Channel::WorkRate],
        ] {
            let mut trace = whole.clone();
            for channel in without {
                trace.remove_column(*channel);
            }
            let read =
                Channels::of_read(|c| trace.column(c).is_some_and(|v| v.iter().any(|x| x.is_finite())));
            assert_eq!(read, Channels::of(&Drive::from_trace(&trace).unwrap()), "{without:?}");
        }
    }

    #[test]
    fn the_set_with_most_runs_comes_first_and_one_that_no_laptop_is_measured_with_not_at_all() {
        let rpm_unread = Channels { has_rpm: false, ..WITH };
        let laptops: [&[Channels]; 4] =
            [&[WITHOUT], &[WITH, rpm_unread, WITH], &[WITHOUT, WITHOUT], &[WITHOUT]];
        assert_eq!(sets_of(laptops.into_iter()), [WITHOUT, WITH]);
        let even: [&[Channels]; 2] = [&[WITHOUT], &[WITH]];
        assert_eq!(sets_of(even.into_iter()), [WITH, WITHOUT], "as before: the one that tells more");
        assert!(sets_of(std::iter::empty()).is_empty());
    }
}
