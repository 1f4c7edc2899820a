//! The record as it travels, `windrow-record/1`. Whatever stands here is a promise to other programs; the
//! estimator's types are elsewhere. docs/record.md tells the same in prose.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::measured::Measured;
use crate::protocol::{Phase, Protocol};

/// The schema's name, signed with the header.
pub const SCHEMA: &str = "windrow-record/1";

/// A record: the signed header and, beside it, the trace that is its evidence.
///
/// The trace may be thinned away after years; the header still proves what it was by `trace_digest`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Record {
    /// The signed part.
    pub header: Header,
    /// The evidence; absent once thinned. An attempt that never sampled carries a trace of no samples.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trace: Option<WireTrace>,
}

/// The signed part of a record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Header {
    /// Always `windrow-record/1`.
    pub schema: String,
    /// Random device id, 32 lower-case hex digits, made at first run.
    pub device_id: String,
    /// First 16 bytes, in hex, of the SHA-256 of the device's public key.
    pub key_id: String,
    /// 1 for a device's first record, then one more each.
    pub sequence: u64,
    /// Digest of the device's previous record; for the first, the chain root bound to device id and key.
    pub previous_digest: String,
    /// The kernel's boot id, or its like.
    pub boot_id: String,
    /// Start, RFC 3339 in UTC, by the machine's own clock.
    pub started_at: String,
    /// Whether the run came from a real machine's sensors or from the emulated laptop.
    pub provenance: Provenance,
    /// What was emulated, where it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub emulation: Option<Emulation>,
    /// The laptop's model and firmware.
    pub model: Model,
    /// Operating system and processor architecture.
    pub platform: Platform,
    /// Version of the agent.
    pub agent_version: String,
    /// Version of the method behind `metrics`.
    pub method_version: String,
    /// The load program.
    pub load_mix: LoadMix,
    /// The phases as asked for.
    pub protocol: Protocol,
    /// How it ended.
    pub outcome: Outcome,
    /// Pre-checks in the order in which they were made.
    pub pre_checks: Vec<PreCheck>,
    /// Under what circumstances; decides what the run may be compared with.
    pub context: Context,
    /// What was read, and from where.
    pub sources: Vec<Source>,
    /// The temperature at which the load ends, and where it came from; absent when no sensor was found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<Limit>,
    /// Safety stops, gaps and other events, in time order.
    pub events: Vec<Event>,
    /// The agent's own metrics; informative, the hub computes its own. Absent in an attempt.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub metrics: Option<Metrics>,
    /// SHA-256, in hex, of the canonical form of the trace.
    pub trace_digest: String,
    /// For what a later version adds.
    #[serde(default)]
    pub ext: serde_json::Map<String, serde_json::Value>,
    /// SHA-256, in hex, of the canonical form of this header without `digest` and `signature`.
    pub digest: String,
    /// Ed25519, in hex, over `"windrow-record/1\n"` and the digest's 32 bytes.
    pub signature: String,
}

/// Where a run came from. A hub adds `imported`, which no record can claim.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Provenance {
    /// A real machine's sensors.
    Measured,
    /// The emulated laptop.
    Emulated,
}

/// What the emulated laptop was told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Emulation {
    /// The faults as they were asked for, for example `airflow=0.5,fan=0.7`; empty for a healthy one.
    pub faults: String,
    /// Seed of its noise, at most 2^53 − 1 as any number in a record.
    pub seed: u64,
    /// Whether time was virtual.
    pub virtual_time: bool,
}

/// The laptop's model: what a run may be compared with. No serial, no host name, no user.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Model {
    /// Maker, as the firmware gives it; empty when unknown.
    pub vendor: String,
    /// Product name a person would know.
    pub product: String,
    /// Stock-keeping unit; empty when unknown.
    pub sku: String,
    /// Processor name; empty when unknown.
    pub cpu: String,
    /// Number of logical CPUs.
    pub logical_cpus: u32,
    /// Firmware version; empty when unknown.
    pub firmware: String,
}

impl Model {
    /// What a run may be compared within: maker, product, stock-keeping unit and processor. One name may be sold with
    /// two coolers.
    pub fn key(&self) -> String {
        [self.vendor.as_str(), &self.product, &self.sku, &self.cpu].join(" | ")
    }
}

/// Operating system and processor architecture.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Platform {
    /// For example `linux`.
    pub os: String,
    /// Its kernel's release.
    pub kernel: String,
    /// For example `x86_64`.
    pub arch: String,
}

/// The load program: another mix is another reference.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LoadMix {
    /// Version of the instruction mix.
    pub version: String,
    /// Compilation target.
    pub target: String,
    /// Compiler version.
    pub compiler: String,
}

/// How a check ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// All phases ran.
    Complete,
    /// The load ended early for a reason in `events`; what was measured is kept.
    StoppedEarly,
    /// A pre-check kept the load from starting.
    NotStarted,
}

/// A check made before any load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum PreCheckKind {
    /// A CPU temperature that can be believed.
    Sensors,
    /// Mains power. No override.
    AcPower,
    /// Battery charge. No override.
    BatteryLevel,
    /// Battery health and temperature. No override.
    BatteryHealth,
    /// Distance to the limit. No override.
    Temperature,
    /// Other work on the machine.
    Busy,
    /// Lid closed without a display.
    Lid,
    /// An administrator's hold.
    Hold,
    /// A person's answer: on a hard flat surface.
    Surface,
    /// A person's answer: nothing bulges.
    Bulge,
    /// The sensor follows a 5 s pulse of load.
    Pulse,
    /// The spool can be written.
    Spool,
}

/// What a pre-check found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PreCheckResult {
    /// In order.
    Passed,
    /// The load may not start.
    Failed,
    /// Cannot be told on this machine, and is not needed to be safe.
    Unknown,
    /// Not asked, for example a question with nobody there.
    Skipped,
}

/// A pre-check and what it found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PreCheck {
    /// Which.
    pub check: PreCheckKind,
    /// What it found.
    pub result: PreCheckResult,
    /// The value it looked at, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub detail: String,
}

/// Under what circumstances the run was made. `None`: this machine doesn't tell.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Context {
    /// On mains power.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on_ac: Option<bool>,
    /// Battery charge, 0–100.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub battery_pct: Option<f64>,
    /// Battery charging while the check ran: its heat is in the case.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub battery_charging: Option<bool>,
    /// Room temperature.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ambient: Option<Ambient>,
    /// Power limits and their windows.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub power_limits: Vec<PowerLimit>,
    /// Platform profile.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub platform_profile: Option<String>,
    /// CPU frequency governor.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub governor: Option<String>,
    /// Energy performance preference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub energy_preference: Option<String>,
    /// Lid closed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lid_closed: Option<bool>,
    /// In a dock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub docked: Option<bool>,
    /// On a lap, by the machine's own sensor.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lap_mode: Option<bool>,
    /// A person said: on a hard flat surface.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hard_surface: Option<bool>,
    /// The slope was under 0.5 K/min before the load.
    pub settled: bool,
    /// Started by a person at the machine rather than by a schedule.
    pub attended: bool,
}

/// Room temperature with its standard deviation and where it came from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Ambient {
    /// °C.
    pub value_c: f64,
    /// Standard deviation, K.
    pub sd_k: f64,
    /// Where it came from.
    pub source: AmbientSource,
}

/// Where a room temperature came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum AmbientSource {
    /// A person's thermometer.
    Told,
    /// An intake or ambient sensor of the machine.
    Sensor,
    /// The coolest sensor after a long rest.
    ColdStart,
    /// The indoor prior.
    Prior,
}

/// One power limit of the processor package.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PowerLimit {
    /// For example `long_term`.
    pub name: String,
    /// Limit, W.
    pub limit_w: f64,
    /// Averaging window, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub window_s: Option<f64>,
}

/// Where a channel was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// Column name of the channel.
    pub channel: String,
    /// Driver or file, without a machine's own numbers, for example `coretemp/Package id 0`.
    pub source: String,
}

/// The temperature at which the load ends.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// °C.
    pub limit_c: f64,
    /// Where it came from.
    pub source: LimitSource,
}

/// Where a limit came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LimitSource {
    /// The sensor's own critical temperature, within 80–110 °C.
    SensorCritical,
    /// The default of 90 °C.
    Default,
}

/// What happened during the run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Event {
    /// Milliseconds on the trace's clock.
    pub at_ms: i64,
    /// What.
    pub kind: EventKind,
    /// In words, with the values.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub detail: String,
}

/// What can happen during a run. The stops end the load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum EventKind {
    /// Stop: at the limit for 20 s in all. A finding, not an error.
    AtLimit,
    /// Stop: over limit + 2 K.
    OverLimit,
    /// Stop: at the limit with a fan that was seen turning and stands.
    FanStoppedAtLimit,
    /// Stop: CPU temperature lost for 3 s.
    SensorLost,
    /// Stop: CPU temperature unchanged while power and work stepped.
    SensorStuck,
    /// Stop: mains power lost.
    AcLost,
    /// Stop: battery too hot or warming fast.
    BatteryHot,
    /// Stop: the user's key or the interrupt signal.
    Interrupted,
    /// Stop: terminate signal.
    Terminated,
    /// Stop: the lid was closed.
    LidClosed,
    /// Stop: a phase ran past its deadline, or the sampler fell behind.
    Deadline,
    /// Stop: the machine slept while loaded.
    Slept,
    /// Time jumped: the machine slept or the sampler was held up.
    Gap,
    /// A load thread could not be started or ended by itself.
    LoadFault,
}

impl EventKind {
    /// Whether it ends the load.
    pub const fn ends_load(self) -> bool {
        !matches!(self, Self::Gap)
    }
}

/// The first list of metrics of the method; docs/method.md gives each equation and source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Metrics {
    /// Median temperature of the last stretch of settle, °C.
    pub baseline_c: Measured,
    /// Slope over the load's first seconds, K/s.
    pub rise_rate_early_k_per_s: Measured,
    /// Slope over the load's later part, K/s.
    pub rise_rate_sustained_k_per_s: Measured,
    /// Highest sustained temperature, °C.
    pub peak_c: Measured,
    /// Peak over baseline, K.
    pub rise_k: Measured,
    /// From the load's end until half of the whole rise is gone, s.
    pub recovery_half_s: Measured,
    /// Half time of what is left 10 s after the load's end, s.
    pub recovery_slow_half_s: Measured,
    /// From the load's end to within 10 % of the rise, s.
    pub recovery_to_tenth_s: Measured,
    /// From load start until the fan answers, s.
    pub fan_delay_s: Measured,
    /// Fan speed gained under load, rpm.
    pub fan_gain_rpm: Measured,
    /// Fan speed gained per kelvin of rise, rpm/K.
    pub fan_gain_rpm_per_k: Measured,
    /// From the fan's answer to 90 % of its gain, s.
    pub fan_to_ninety_s: Measured,
    /// Highest sustained fan speed, rpm.
    pub fan_max_rpm: Measured,
    /// Scatter of the speed about its own trend in steady load, rpm.
    pub fan_flutter_rpm: Measured,
    /// From the load's end until the fan is back to within 10 % of its gain, s.
    pub fan_spin_down_s: Measured,
    /// First second of the load in which it throttled; not applicable where it never did.
    pub throttle_first_s: Measured,
    /// Share of the load phase spent throttled, 0–1.
    pub throttled_load_share: Measured,
    /// Loss of work rate from the first seconds to the sustained part, 0–1.
    pub work_rate_loss: Measured,
    /// Median package power in steady load, W.
    pub power_sustained_w: Measured,
    /// Fast-branch thermal resistance, K/W (paste and mounting with what lies beside them).
    pub r_contact_k_per_w: Measured,
    /// Heat capacity of the sink, J/K.
    pub c_sink_j_per_k: Measured,
    /// Conductance sink to air at the sustained fan speed, W/K.
    pub g_air_w_per_k: Measured,
    /// Time constant of the recovery's slow branch, s.
    pub tau_slow_s: Measured,
    /// What is wrong with the data, in words that a program can branch on.
    pub quality: BTreeMap<String, f64>,
}

/// The trace on the wire: columns of scaled integers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WireTrace {
    /// Milliseconds since the run's zero, strictly increasing.
    pub time_ms: Vec<i64>,
    /// Where each phase begins: sample index and phase, in order.
    pub phases: Vec<PhaseStart>,
    /// Column name → values times the column's scale (docs/record.md); null where not read.
    pub columns: BTreeMap<String, Vec<Option<i64>>>,
}

/// The sample at which a phase begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PhaseStart {
    /// Index of its first sample.
    pub from_sample: u64,
    /// Which phase.
    pub phase: Phase,
}
