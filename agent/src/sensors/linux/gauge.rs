//! One value of a channel, read from one file: range-gated, and given once.

use std::os::fd::BorrowedFd;

use windrow_model::channel::Channel;

use super::attribute::{Attribute, Freshness};
use super::tree::Tree;

/// A channel's file.
#[derive(Debug)]
pub(super) struct Gauge {
    pub channel: Channel,
    /// Driver and label.
    pub source: String,
    attribute: Attribute,
    /// The file's units in one unit of the channel, for example 1000 millidegrees.
    per_unit: f64,
    fresh: Freshness,
    keeps_s: f64,
}

impl Gauge {
    pub(super) fn new(
        channel: Channel,
        source: String,
        attribute: Attribute,
        per_unit: f64,
        keeps_s: f64,
    ) -> Self {
        Self { channel, source, attribute, per_unit, fresh: Freshness::new(keeps_s), keeps_s }
    }

    /// A new reading that can be true.
    pub(super) fn read(&mut self, tree: &Tree, now_s: f64) -> Option<f64> {
        let raw = self.attribute.number(tree, now_s)?;
        let value = raw as f64 / self.per_unit;
        (self.channel.plausible(value) && self.fresh.is_new(now_s, raw)).then_some(value)
    }

    /// What it reads now, whether or not it was given before. Afterwards the next reading counts as new.
    pub(super) fn peek(&mut self, tree: &Tree, now_s: f64) -> Option<f64> {
        self.fresh = Freshness::new(0.0);
        let value = self.read(tree, now_s);
        self.fresh = Freshness::new(self.keeps_s);
        value
    }

    /// Its open file.
    pub(super) fn descriptor(&self) -> Option<BorrowedFd<'_>> {
        self.attribute.descriptor()
    }
}
