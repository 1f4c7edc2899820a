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

/// What the pre-checks ask of a machine beside its channels.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Facts {
    /// The battery; `None`: the machine shows none.
    pub battery: Option<Battery>,
    /// A display other than the built-in one is connected. `None`: the machine doesn't tell.
    pub external_display: Option<bool>,
}

/// A battery as its driver shows it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Battery {
    /// Charge, 0–100.
    pub charge_pct: Option<f64>,
    /// The driver's word for its health, for example `Good`.
    pub health: Option<String>,
    /// Being charged now.
    pub charging: Option<bool>,
    /// Temperature, °C.
    pub temp_c: Option<f64>,
}

/// The machine's sensors.
pub trait Sensors {
    /// One sweep. Never blocks for long: slow drivers are read on their own thread, and a value is given once.
    fn sweep(&mut self) -> Reading;
    /// Battery and displays, read now.
    fn facts(&mut self) -> Facts;
    /// From here on every CPU temperature that the machine has is followed, until `keep_the_one_that_rose`.
    fn follow_candidates(&mut self) {}
    /// Chooses the best CPU temperature that has risen by `least_rise_k` since `follow_candidates`, and says by how
    /// much. `None`: none did, or there is no choice; the check then judges by what it swept itself.
    fn keep_the_one_that_rose(&mut self, _least_rise_k: f64) -> Option<f64> {
        None
    }
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
    /// The sampler lives. A load that isn't told so again and again stops by itself.
    fn beat(&self) {}
    /// Loop iterations done since the program began, over all threads.
    fn work_done(&self) -> u64;
    /// The load program's identity.
    fn mix(&self) -> wire::LoadMix;
}

/// Time: the boot clock of a machine, or the virtual one of the emulated laptop.
pub trait Clock {
    /// Seconds on a clock that counts sleep (`CLOCK_BOOTTIME` or its like).
    fn now_s(&self) -> f64;
    /// Seconds on a clock that stands still while the machine sleeps; the difference to `now_s` tells a sleep.
    fn awake_s(&self) -> f64 {
        self.now_s()
    }
    /// Waits until that moment, or returns at once where it has passed. Meanwhile `wake` is called many times a
    /// second; when it returns true the wait ends early.
    fn sleep_until(&mut self, time_s: f64, wake: &mut dyn FnMut() -> bool);
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
