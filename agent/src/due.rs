//! Whether a check is due: decided here, on the laptop, from its last whole check and the hub's wish.

use chrono::{DateTime, TimeDelta, Utc};

use crate::wanted::Wanted;

/// A timer that fires a little early one day must not skip to the next.
const SLACK: TimeDelta = TimeDelta::hours(2);

/// Why a check is due, or until when it isn't.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Due {
    /// No whole check was made yet.
    First,
    /// The last one is old enough.
    Old {
        /// When it began.
        last: DateTime<Utc>,
    },
    /// The hub wants one, and none was made since it said so.
    Wanted(Wanted),
    /// Not before this time.
    NotBefore {
        /// From then on.
        at: DateTime<Utc>,
        /// When the last one began.
        last: DateTime<Utc>,
    },
}

impl Due {
    /// Decides. `last`: when the last whole check began.
    pub fn of(
        now: DateTime<Utc>,
        last: Option<DateTime<Utc>>,
        every_days: u32,
        wanted: Option<Wanted>,
    ) -> Self {
        if let Some(wanted) = wanted.filter(|w| !last.is_some_and(|last| w.is_answered_by(last))) {
            return Self::Wanted(wanted);
        }
        let Some(last) = last else { return Self::First };
        let at = last + TimeDelta::days(i64::from(every_days));
        // A check from the future: the clock was set back, and its age is unknown.
        if now + SLACK >= at || last > now + SLACK {
            Self::Old { last }
        } else {
            Self::NotBefore { at, last }
        }
    }

    /// Whether it is.
    pub fn now(&self) -> bool {
        !matches!(self, Self::NotBefore { .. })
    }

    /// As a person reads it.
    pub fn words(&self, now: DateTime<Utc>) -> String {
        let day = |t: &DateTime<Utc>| t.format("%Y-%m-%d %H:%M UTC").to_string();
        match self {
            Self::First => "A check is due: no whole one was made yet.".into(),
            Self::Old { last } => format!("A check is due: the last whole one was on {}.", day(last)),
            Self::Wanted(wanted) => format!("A check is due. {}", wanted.words(now)),
            Self::NotBefore { at, last } => {
                format!("No check is due before {}: the last whole one was on {}.", day(at), day(last))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(n: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_780_000_000, 0).unwrap() + TimeDelta::days(n)
    }

    fn wish(told: i64) -> Wanted {
        Wanted { by: day(told + 5), told_at: day(told), hub: "https://hub.example".into() }
    }

    #[test]
    fn what_makes_a_check_due() {
        assert_eq!(Due::of(day(0), None, 7, None), Due::First);
        assert!(!Due::of(day(6), Some(day(0)), 7, None).now());
        assert!(Due::of(day(7), Some(day(0)), 7, None).now());
        assert!(Due::of(day(7) - TimeDelta::hours(1), Some(day(0)), 7, None).now(), "a timer fires early");
        assert!(Due::of(day(0), Some(day(30)), 7, None).now(), "a clock that was set back");
        assert!(Due::of(day(2), Some(day(0)), 7, Some(wish(1))).now(), "asked for since");
        assert!(!Due::of(day(3), Some(day(2)), 7, Some(wish(1))).now(), "answered");
        assert!(Due::of(day(3), None, 7, Some(wish(1))).words(day(3)).contains("wants a check by"));
    }
}
