//! Every number that decides a verdict, with its source. They belong to the method's version.

/// A fan that stands this near the limit is at fault, K below the limit. Common practice, no source.
pub const FAN_STANDS_BELOW_LIMIT_K: f64 = 15.0;
/// A fan that stands above this is suspect, °C: the highest switch-on point in public firmware tables is 65 °C (users'
/// reports), and 5 K on top for its hysteresis. This is about when a fan is due, not about what is too hot.
pub const FAN_DUE_BY_C: f64 = 70.0;
/// A fan that answers later than this is late, if the same run shows it turning at lower temperatures, s. Healthy ones
/// answered within 14 s in nine of ten simulated runs; otherwise common practice, no source.
pub const FAN_LATE_S: f64 = 15.0;
/// Without such evidence of its own it is only worth watching from here on, s. Common practice, no source.
pub const FAN_LATE_ALONE_S: f64 = 20.0;
/// That evidence: turning at this much below the temperature at which it stood, K. Firmware hysteresis is 7 K in a
/// public table; twice that cannot be hysteresis.
pub const FAN_HYSTERESIS_K: f64 = 14.0;
/// And not before this time after the load: till then it may be only spinning down, s. Common practice, no source.
pub const FAN_SPUN_DOWN_S: f64 = 30.0;
/// Stumbles a second of load from which the fan itself is suspected: two in the standard check. On simulated fleets sound
/// fans stumbled in 5 of 12,400 runs, those at 0.8 of their speed twice in 150 s; that worn bearings do it at all is common
/// practice, no source.
pub const FAN_STUMBLES_PER_S: f64 = 0.0105;
/// Scatter of the speed about its trend, as a share of the speed, from which it is uneven. Common practice, no source.
pub const FAN_FLUTTER_SHARE: f64 = 0.10;

/// Fast-branch resistance of a laptop that sustains 20 W, K/W, and how it falls with size: docs/method.md, from fits
/// to simulated fleets and a thermal budget of 65 K. Models differ; hence the wide factors below.
pub const CONTACT_K_PER_W_AT_20_W: f64 = 0.9;
/// Exponent of power in it.
pub const CONTACT_POWER_EXPONENT: f64 = 0.7;
/// Above this multiple it is worth watching; suspect only with a second sign. One standard deviation of what is
/// believed of models beforehand (docs/method.md).
pub const CONTACT_WATCH_MULTIPLE: f64 = 1.8;
/// Above this multiple it is suspect by itself. Common practice, no source.
pub const CONTACT_SUSPECT_MULTIPLE: f64 = 2.5;
/// The second sign: throttled, or at the limit, this soon after the load's start, s: by then only die and paste have
/// warmed, the sink hardly (die 1–10 s, sink 80–500 s). Common practice, no source.
pub const CONTACT_EARLY_S: f64 = 15.0;
/// At the limit this soon, it is the contact whatever the power, s. Common practice, no source.
pub const CONTACT_AT_ONCE_S: f64 = 3.0;
/// It must have begun at least this far below the limit, K: the pre-check's own distance.
pub const CONTACT_START_BELOW_LIMIT_K: f64 = 25.0;

/// One-sided 95 % of the normal distribution: a value counts as above a bound when it is so by this many standard
/// errors.
pub const SURE_Z: f64 = 1.645;

/// At the limit means within this of it, K. The check's own safety stop.
pub const AT_LIMIT_K: f64 = 1.0;
/// Near the limit, for telling thermal from other throttling, K. Common practice, no source.
pub const NEAR_LIMIT_K: f64 = 5.0;
/// External throttling pins the clock at its floor while the die is this far below the limit, K. Users' reports.
pub const EXTERNAL_BELOW_LIMIT_K: f64 = 16.0;
/// The clock counts as at its floor below this share of the highest clock of the run. Common practice, no source.
pub const CLOCK_FLOOR_SHARE: f64 = 0.35;
/// Work-rate loss from which there is something to explain. Common practice, no source.
pub const WORK_LOSS_NOTABLE: f64 = 0.05;
/// Share of the load spent throttled from which it is suspect. Common practice, no source.
pub const THROTTLED_SHARE_NOTABLE: f64 = 0.05;
/// Power and clock count as flat within these shares. Common practice, no source.
pub const POWER_FLAT_SHARE: f64 = 0.05;
/// As above, for the clock.
pub const CLOCK_FLAT_SHARE: f64 = 0.03;

/// Shortest load from which the slow branch could be judged, s: at 60 s of load its standard deviation is twice that
/// at 180 s (docs/method.md).
pub const SLOW_BRANCH_LOAD_S: f64 = 120.0;

/// A room temperature known so well needs no thermometer beside it, K. Common practice, no source.
pub const AMBIENT_GOOD_SD_K: f64 = 1.5;

/// Odds of a fault against healthy units of the model from which it is suspected: then it is likelier than not.
pub const PEERS_SUSPECT_FROM: f64 = 0.5;
/// Odds from which it is worth watching. Our choice.
pub const PEERS_WATCH_FROM: f64 = 0.2;
