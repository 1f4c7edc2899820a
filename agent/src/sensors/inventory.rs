//! What a machine lets us read, and what can be judged with it.

use windrow_model::channel::Channel;

/// No CPU temperature that can be believed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("no CPU temperature here; looked for {}", .looked_for.join(", "))]
pub struct NoSensors {
    /// What was looked for, and what was found instead.
    pub looked_for: Vec<String>,
}

/// Whether something can be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// It can.
    Found,
    /// This machine doesn't have it.
    Absent,
    /// It is there, and this user may not read it.
    Denied,
}

/// One thing that was looked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// The channel, where it is one.
    pub channel: Option<Channel>,
    /// What a person calls it.
    pub what: String,
    /// Whether it can be read.
    pub state: State,
    /// Driver and label, or the kind of file.
    pub source: String,
    /// What it lets us judge.
    pub judges: &'static str,
    /// What a person should know beside it, or how to get it; empty: nothing.
    pub note: String,
}

/// Everything that was looked for.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Inventory {
    /// In the order of the channel table, then the circumstances.
    pub findings: Vec<Finding>,
}

impl Inventory {
    /// What was found about a channel.
    pub fn channel(&self, channel: Channel) -> Option<&Finding> {
        self.findings.iter().find(|f| f.channel == Some(channel))
    }
}

/// What a channel lets us judge.
pub const fn judges(channel: Channel) -> &'static str {
    match channel {
        Channel::CpuTempC => "contact, recovery, limit: no check without it",
        Channel::PackagePowerW => "heat resistance of contact and air in absolute numbers",
        Channel::Fan1Rpm | Channel::Fan2Rpm => "the fan: stopped, late, weak or fluttering",
        Channel::Pwm1 | Channel::Pwm2 => "a weak fan apart from one that is asked to be slow",
        Channel::CoreClockMhz => "why it slowed down",
        Channel::ThrottleCount | Channel::ThrottleMs => "throttling by heat apart from power limits",
        Channel::SsdTempC | Channel::BoardTempC => "the room's temperature after a long rest",
        Channel::BatteryTempC => "a battery that gets too hot; the room's temperature after a long rest",
        Channel::BusyPct => "whether other work spoils the run",
        Channel::WorkRate | Channel::LoadPct => "throttling, on every machine",
    }
}
