//! What the check needs of a machine: something to read, something to load, something that tells time.
//!
//! One trait where the world varies. The real laptop, a captured tree and the emulated laptop implement these;
//! the check cannot tell which it has, except by what it is told to write into the record.

use windrow_model::channel::{Channel, N_CHANNELS};
use windrow_model::record::wire;

/// One sweep over the channels. NaN: not read this time (slower channel, error, absent).
#[derive(Debug, Clone, Copy)]
pub struct Reading {
    /// Values in the order of the channel table.
    pub values: [f64; N_CHANNELS],
    /// Mains power, where the machine tells.
    pub on_ac: Option<bool>,
    /// Lid closed, where the machine tells.
    pub lid_closed: Option<bool>,
}

impl Reading {
    /// A sweep that read nothing.
    pub const NOTHING: Self = Self { values: [f64::NAN; N_CHANNELS], on_ac: None, lid_closed: None };

    /// A channel's value, where it was read.
    pub fn get(&self, channel: Channel) -> Option<f64> {
        let v = self.values[channel as usize];
        v.is_finite().then_some(v)
    }
}

/// The machine's sensors.
pub trait Sensors {
    /// One sweep. Never blocks for long: slow drivers are read on their own thread, and a value is given once.
    fn sweep(&mut self) -> Reading;
    /// What is read, and from where.
    fn sources(&self) -> Vec<wire::Source>;
    /// The limit of the CPU temperature.
    fn limit(&self) -> Option<wire::Limit>;
    /// Circumstances that don't change during a check, read now.
    fn context(&mut self) -> wire::Context;
    /// Model and firmware.
    fn model(&self) -> wire::Model;
}

/// The controlled load. Dropping it ends it.
pub trait Load {
    /// Starts on all logical CPUs.
    fn start(&mut self) -> std::io::Result<()>;
    /// Ends it; returns when no load thread works any more.
    fn stop(&mut self);
    /// Loop iterations done since the program began, over all threads.
    fn work_done(&self) -> u64;
    /// The load program's identity.
    fn mix(&self) -> wire::LoadMix;
}

/// Time: the boot clock of a machine, or the virtual one of the emulated laptop.
pub trait Clock {
    /// Seconds on a clock that counts sleep (`CLOCK_BOOTTIME` or its like).
    fn now_s(&self) -> f64;
    /// Waits until that moment, or returns at once where it has passed.
    fn sleep_until(&mut self, time_s: f64);
    /// Wall time.
    fn wall(&self) -> chrono::DateTime<chrono::Utc>;
}

/// A machine to check.
#[derive(Debug)]
pub struct Machine<S, L, C> {
    /// Its sensors.
    pub sensors: S,
    /// Its load.
    pub load: L,
    /// Its clock.
    pub clock: C,
    /// Where a record says that the run came from.
    pub provenance: wire::Provenance,
    /// What was emulated, where it was.
    pub emulation: Option<wire::Emulation>,
    /// Kernel boot id, or its like.
    pub boot_id: String,
    /// Operating system and architecture.
    pub platform: wire::Platform,
}
