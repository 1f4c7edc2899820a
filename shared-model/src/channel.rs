//! The table of channels: the one place that knows a channel's column name, unit, range and resolution on the wire.

/// A quantity that is sampled during a check. Each is optional but the CPU temperature and the load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(usize)]
pub enum Channel {
    /// Load asked for by the check; in a foreign file the measured CPU load.
    LoadPct,
    /// CPU temperature.
    CpuTempC,
    /// Package power.
    PackagePowerW,
    /// First fan's speed.
    Fan1Rpm,
    /// Second fan's speed.
    Fan2Rpm,
    /// First fan's duty, 0–255.
    Pwm1,
    /// Second fan's duty, 0–255.
    Pwm2,
    /// Core clock, mean over the cores.
    CoreClockMhz,
    /// Thermal throttle events since boot.
    ThrottleCount,
    /// Time throttled since boot.
    ThrottleMs,
    /// SSD temperature.
    SsdTempC,
    /// Board or embedded-controller temperature.
    BoardTempC,
    /// Battery temperature.
    BatteryTempC,
    /// Busy share of all logical CPUs.
    BusyPct,
    /// Loop iterations per second done by the load itself.
    WorkRate,
}

/// What is fixed about a channel.
#[derive(Debug, Clone, Copy)]
pub struct ChannelSpec {
    /// The channel.
    pub channel: Channel,
    /// Column name in trace files and records; it ends in the unit.
    pub column: &'static str,
    /// Integer units per one unit of the column on the wire (1000: thousandths).
    pub wire_scale: f64,
    /// Least value that can be true.
    pub min: f64,
    /// Largest value that can be true.
    pub max: f64,
    /// What a person calls it.
    pub label: &'static str,
}

const fn spec(
    channel: Channel,
    column: &'static str,
    wire_scale: f64,
    min: f64,
    max: f64,
    label: &'static str,
) -> ChannelSpec {
    ChannelSpec { channel, column, wire_scale, min, max, label }
}

/// Number of channels.
pub const N_CHANNELS: usize = 15;

/// All channels in the order of the trace file's columns.
///
/// The ranges are gates against sensor lies, not limits of health: −10…125 °C and 0…12 000 rpm are common
/// practice, no source; the rest is what a laptop cannot exceed.
pub const CHANNELS: [ChannelSpec; N_CHANNELS] = [
    spec(Channel::LoadPct, "load_pct", 100.0, 0.0, 100.0, "load"),
    spec(Channel::CpuTempC, "cpu_temp_c", 1000.0, -10.0, 125.0, "CPU temperature"),
    spec(Channel::PackagePowerW, "package_power_w", 1000.0, 0.0, 500.0, "package power"),
    spec(Channel::Fan1Rpm, "fan1_rpm", 1.0, 0.0, 12_000.0, "fan 1 speed"),
    spec(Channel::Fan2Rpm, "fan2_rpm", 1.0, 0.0, 12_000.0, "fan 2 speed"),
    spec(Channel::Pwm1, "pwm1", 1.0, 0.0, 255.0, "fan 1 duty"),
    spec(Channel::Pwm2, "pwm2", 1.0, 0.0, 255.0, "fan 2 duty"),
    spec(Channel::CoreClockMhz, "core_clock_mhz", 1.0, 0.0, 10_000.0, "core clock"),
    spec(Channel::ThrottleCount, "throttle_count", 1.0, 0.0, 9e15, "throttle events"),
    spec(Channel::ThrottleMs, "throttle_ms", 1.0, 0.0, 9e15, "time throttled"),
    spec(Channel::SsdTempC, "ssd_temp_c", 1000.0, -10.0, 125.0, "SSD temperature"),
    spec(Channel::BoardTempC, "board_temp_c", 1000.0, -10.0, 125.0, "board temperature"),
    spec(Channel::BatteryTempC, "battery_temp_c", 1000.0, -10.0, 125.0, "battery temperature"),
    spec(Channel::BusyPct, "busy_pct", 100.0, 0.0, 100.0, "busy share"),
    spec(Channel::WorkRate, "work_rate", 1.0, 0.0, 9e15, "work rate"),
];

impl Channel {
    /// The channel's fixed facts.
    pub const fn spec(self) -> &'static ChannelSpec {
        &CHANNELS[self as usize]
    }

    /// The channel of a column name.
    pub fn from_column(column: &str) -> Option<Self> {
        CHANNELS.iter().find(|s| s.column == column).map(|s| s.channel)
    }

    /// Whether `value` can be true for this channel.
    pub fn plausible(self, value: f64) -> bool {
        let s = self.spec();
        value.is_finite() && value >= s.min && value <= s.max
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn table_is_in_the_order_of_the_enum() {
        for (idx, s) in CHANNELS.iter().enumerate() {
            assert_eq!(s.channel as usize, idx, "{}", s.column);
            assert_eq!(Channel::from_column(s.column), Some(s.channel));
        }
    }
}
