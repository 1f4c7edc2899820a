//! What may ail an emulated laptop, as a string such as `airflow=0.5,fan=0.7,bedding`.

use std::fmt;
use std::str::FromStr;

/// Faults and circumstances. The default is a healthy laptop in its room.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Faults {
    /// Airflow at equal speed over as-new: 1 clean, 0.5 half clogged.
    pub airflow: f64,
    /// First fan's speed over the due one; 0 is seized.
    pub fan: f64,
    /// Second fan's.
    pub fan2: f64,
    /// Extra delay of the first fan's answer, s.
    pub fan_late_s: f64,
    /// Amplitude of the first fan's wandering speed, as a share.
    pub flutter: f64,
    /// How often a minute the first fan's bearing sticks for a moment.
    pub stumble_per_min: f64,
    /// Paste and mounting part of the contact resistance over as-new.
    pub paste: f64,
    /// On a bed or lap: half the airflow, half of the case's own cooling.
    pub bedding: bool,
    /// Share of the inlet's area that is covered.
    pub blocked: f64,
    /// Room temperature, °C, in place of the room's.
    pub ambient_c: Option<f64>,
    /// Power of other work, W.
    pub background_w: f64,
    /// On battery from the start.
    pub battery: bool,
    /// The CPU sensor freezes at this time, s.
    pub sensor_stuck_at_s: Option<f64>,
    /// The CPU sensor is lost at this time, s.
    pub sensor_lost_at_s: Option<f64>,
    /// The first fan stops for good at this time, s.
    pub fan_stops_at_s: Option<f64>,
    /// Mains power is lost at this time, s.
    pub ac_lost_at_s: Option<f64>,
    /// The battery begins to heat at this time, s.
    pub battery_hot_at_s: Option<f64>,
}

impl Faults {
    /// A healthy laptop.
    pub const NONE: Self = Self {
        airflow: 1.0,
        fan: 1.0,
        fan2: 1.0,
        fan_late_s: 0.0,
        flutter: 0.0,
        stumble_per_min: 0.0,
        paste: 1.0,
        bedding: false,
        blocked: 0.0,
        ambient_c: None,
        background_w: 0.0,
        battery: false,
        sensor_stuck_at_s: None,
        sensor_lost_at_s: None,
        fan_stops_at_s: None,
        ac_lost_at_s: None,
        battery_hot_at_s: None,
    };
}

impl Default for Faults {
    fn default() -> Self {
        Self::NONE
    }
}

/// Why a string names no faults.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FaultError {
    /// No such fault.
    #[error("unknown fault `{name}`")]
    Unknown {
        /// As written.
        name: String,
    },
    /// A value is needed, or none is.
    #[error("fault `{name}` {problem}: `{text}`")]
    Value {
        /// Which fault.
        name: &'static str,
        /// What is wrong.
        problem: String,
        /// As written.
        text: String,
    },
    /// Named twice.
    #[error("fault `{name}` is given twice")]
    Twice {
        /// Which.
        name: &'static str,
    },
    /// Longer than any sensible list.
    #[error("list of faults is too long: {length} bytes, at most {TEXT_BYTES_MAX}")]
    TooLong {
        /// Its length.
        length: usize,
    },
}

impl FaultError {
    /// What to do about it.
    pub fn remedy(&self) -> String {
        format!("name faults as in `airflow=0.5,fan=0.7,bedding`; allowed: {}", allowed())
    }
}

/// Longest accepted list of faults.
pub const TEXT_BYTES_MAX: usize = 1_000;

/// The allowed faults with their ranges, for help texts.
pub fn allowed() -> String {
    let one = |e: &Entry| match e.range {
        Some((low, high)) => format!("{}={low}..{high}{}", e.name, e.unit),
        None => e.name.to_owned(),
    };
    TABLE.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// One fault's name, range, and place in [`Faults`]. A flag has no range; its value is 1.
struct Entry {
    name: &'static str,
    range: Option<(f64, f64)>,
    unit: &'static str,
    get: fn(&Faults) -> Option<f64>,
    set: fn(&mut Faults, f64),
}

macro_rules! number {
    ($name:literal, $low:literal, $high:literal, $unit:literal, $field:ident) => {
        Entry {
            name: $name,
            range: Some(($low, $high)),
            unit: $unit,
            get: |f| (f.$field != Faults::NONE.$field).then_some(f.$field),
            set: |f, v| f.$field = v,
        }
    };
}

macro_rules! optional {
    ($name:literal, $low:literal, $high:literal, $unit:literal, $field:ident) => {
        Entry {
            name: $name,
            range: Some(($low, $high)),
            unit: $unit,
            get: |f| f.$field,
            set: |f, v| f.$field = Some(v),
        }
    };
}

macro_rules! flag {
    ($name:literal, $field:ident) => {
        Entry {
            name: $name,
            range: None,
            unit: "",
            get: |f| f.$field.then_some(1.0),
            set: |f, _| f.$field = true,
        }
    };
}

const TABLE: [Entry; 17] = [
    number!("airflow", 0.05, 1.0, "", airflow),
    number!("fan", 0.0, 1.0, "", fan),
    number!("fan2", 0.0, 1.0, "", fan2),
    number!("fan-late", 0.0, 600.0, " s", fan_late_s),
    number!("flutter", 0.0, 0.5, "", flutter),
    number!("stumble", 0.0, 20.0, " a minute", stumble_per_min),
    number!("paste", 0.5, 10.0, "", paste),
    flag!("bedding", bedding),
    number!("blocked", 0.0, 0.98, "", blocked),
    optional!("ambient", -10.0, 50.0, " °C", ambient_c),
    number!("background", 0.0, 60.0, " W", background_w),
    flag!("battery", battery),
    optional!("sensor-stuck-at", 0.0, 86400.0, " s", sensor_stuck_at_s),
    optional!("sensor-lost-at", 0.0, 86400.0, " s", sensor_lost_at_s),
    optional!("fan-stops-at", 0.0, 86400.0, " s", fan_stops_at_s),
    optional!("ac-lost-at", 0.0, 86400.0, " s", ac_lost_at_s),
    optional!("battery-hot-at", 0.0, 86400.0, " s", battery_hot_at_s),
];

impl FromStr for Faults {
    type Err = FaultError;

    /// Reads a list of faults; an empty one is a healthy laptop.
    ///
    /// ```
    /// use windrow_model::emulate::Faults;
    /// let faults: Faults = "airflow=0.5, bedding".parse().unwrap();
    /// assert_eq!(faults.airflow, 0.5);
    /// assert_eq!(faults.to_string(), "airflow=0.5,bedding");
    /// assert_eq!("airflow=2".parse::<Faults>().unwrap_err().to_string(), "fault `airflow` must be 0.05 to 1: `2`");
    /// ```
    fn from_str(text: &str) -> Result<Self, FaultError> {
        if text.len() > TEXT_BYTES_MAX {
            return Err(FaultError::TooLong { length: text.len() });
        }
        let mut faults = Self::NONE;
        let mut seen: Vec<&'static str> = Vec::new();
        for part in text.split(',').map(str::trim).filter(|p| !p.is_empty()) {
            let (name, value) = match part.split_once('=') {
                Some((name, value)) => (name.trim(), Some(value.trim())),
                None => (part, None),
            };
            let entry = TABLE
                .iter()
                .find(|e| e.name == name)
                .ok_or_else(|| FaultError::Unknown { name: name.to_owned() })?;
            if seen.contains(&entry.name) {
                return Err(FaultError::Twice { name: entry.name });
            }
            seen.push(entry.name);
            (entry.set)(&mut faults, read_value(entry, value)?);
        }
        Ok(faults)
    }
}

fn read_value(entry: &Entry, text: Option<&str>) -> Result<f64, FaultError> {
    let wrong = |problem: String| FaultError::Value {
        name: entry.name,
        problem,
        text: text.unwrap_or_default().to_owned(),
    };
    match (entry.range, text) {
        (None, None) => Ok(1.0),
        (None, Some(_)) => Err(wrong("takes no value".into())),
        (Some(_), None) => Err(wrong("needs a value".into())),
        (Some((low, high)), Some(text)) => {
            let value: f64 = text.parse().map_err(|_| wrong("is not a number".into()))?;
            let inside = value.is_finite() && (low..=high).contains(&value);
            if inside { Ok(value) } else { Err(wrong(format!("must be {low} to {high}"))) }
        }
    }
}

impl fmt::Display for Faults {
    /// What deviates from healthy, in a form that can be read back.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut comma = "";
        for entry in &TABLE {
            if let Some(value) = (entry.get)(self) {
                write!(f, "{comma}{}", entry.name)?;
                if entry.range.is_some() {
                    write!(f, "={value}")?;
                }
                comma = ",";
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn every_fault_can_be_named_and_is_printed_back() {
        for entry in &TABLE {
            let text = match entry.range {
                None => entry.name.to_owned(),
                Some((low, high)) => format!("{}={}", entry.name, f64::midpoint(low, high)),
            };
            assert_eq!(text.parse::<Faults>().unwrap().to_string(), text);
        }
        assert_eq!("".parse::<Faults>(), Ok(Faults::NONE));
    }

    #[test]
    fn errors_say_what_is_wrong_and_what_is_allowed() {
        let cases = [
            ("dust=1", "unknown fault `dust`"),
            ("airflow", "fault `airflow` needs a value: ``"),
            ("bedding=1", "fault `bedding` takes no value: `1`"),
            ("fan=fast", "fault `fan` is not a number: `fast`"),
            ("fan=nan", "fault `fan` must be 0 to 1: `nan`"),
            ("fan=1,fan=0", "fault `fan` is given twice"),
        ];
        for (text, message) in cases {
            let error = text.parse::<Faults>().unwrap_err();
            assert_eq!(error.to_string(), message);
            assert!(error.remedy().contains("airflow=0.05..1"), "{}", error.remedy());
        }
    }

    proptest! {
        #[test]
        fn parsing_never_panics_and_what_it_accepts_round_trips(text in "[a-z0-9=.,\\- ]{0,60}") {
            if let Ok(faults) = text.parse::<Faults>() {
                prop_assert_eq!(faults.to_string().parse::<Faults>(), Ok(faults));
            }
        }
    }
}
