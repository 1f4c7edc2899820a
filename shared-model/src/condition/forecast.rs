//! When a wear crosses its limit, from its present distribution and its drift.

use serde::{Deserialize, Serialize};

use super::constants::{MONTH_DAYS, WearConstants};
use super::wear::Posterior;

/// A day with its 90 % interval, days since the caller's zero.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// Day by which the limit is crossed with odds of one half.
    pub day: f64,
    /// Day by which it is crossed with odds of 5 %; not before the day of the judgement.
    pub low_day: f64,
    /// Day by which it is crossed with odds of 95 %; `None` if not within two years.
    pub high_day: Option<f64>,
}

/// Months ahead at which the distribution is worked out; between them it is taken as straight. The last is how far a
/// forecast looks.
const MONTHS_AHEAD: [f64; 9] = [0.0, 1.0, 2.0, 3.0, 6.0, 9.0, 12.0, 18.0, 24.0];

/// When the wear exceeds `limit`; `None` where that is less likely than not within two years.
pub fn forecast(c: &WearConstants, wear: &Posterior, limit: f64, as_of: f64) -> Option<Forecast> {
    if wear.after(c, MONTHS_AHEAD[MONTHS_AHEAD.len() - 1] * MONTH_DAYS).above(limit) < 0.45 {
        // In one step the drift spreads wider than in several: well below one half it stays there.
        return None;
    }
    let mut odds = Vec::with_capacity(MONTHS_AHEAD.len());
    let (mut at, mut now) = (wear.clone(), 0.0);
    for months in MONTHS_AHEAD {
        if months > now {
            at = at.after(c, (months - now) * MONTH_DAYS);
            now = months;
        }
        odds.push(at.above(limit));
    }
    let day_of = |odds_wanted: f64| {
        let k = odds.iter().position(|o| *o >= odds_wanted)?;
        if k == 0 {
            return Some(as_of);
        }
        let (before, here) = (odds[k - 1], odds[k]);
        let part = (odds_wanted - before) / (here - before).max(1e-12);
        let months = MONTHS_AHEAD[k - 1] + part * (MONTHS_AHEAD[k] - MONTHS_AHEAD[k - 1]);
        Some(as_of + months * MONTH_DAYS)
    };
    Some(Forecast { day: day_of(0.5)?, low_day: day_of(0.05)?, high_day: day_of(0.95) })
}

#[cfg(test)]
mod tests {
    use super::super::constants::{Constants, N_RATES};
    use super::super::wear::{Event, Offsets, WearFilter};
    use super::*;

    fn worn(readings: &[(f64, f64)]) -> Posterior {
        let k = Constants::default();
        let events: Vec<Event> =
            readings.iter().map(|&(day, value)| Event::Seen { day, value, sd: 0.03, quick: false }).collect();
        let offsets = Offsets::around(&k.air, 0.0, 0.02);
        let flat = vec![[1.0; N_RATES]; offsets.n];
        let filter = WearFilter::new(k.air.clone());
        filter.run(&events, readings[readings.len() - 1].0, offsets).posterior(&k.air, &flat)
    }

    #[test]
    fn a_steady_loss_is_carried_on_and_an_even_one_is_not() {
        let k = Constants::default();
        // 0.035 a month (read low by the gain): 0.357 is crossed some two months on if it goes on so, later if it is one
        // of the many that wear more slowly.
        let falling: Vec<(f64, f64)> =
            (0..9).map(|m| (30.44 * f64::from(m), 0.035 * f64::from(m) / k.air.gain)).collect();
        let f = forecast(&k.air, &worn(&falling), 0.357, 243.5).expect("within two years");
        let (months, low) = ((f.day - 243.5) / 30.44, (f.low_day - 243.5) / 30.44);
        assert!((0.5..9.0).contains(&months) && low < 2.5, "{f:?}");
        assert!(f.low_day < f.day && f.high_day.is_none_or(|h| h > f.day), "{f:?}");
        let even: Vec<(f64, f64)> = (0..10).map(|m| (30.44 * f64::from(m), 0.02)).collect();
        assert_eq!(forecast(&k.air, &worn(&even), 0.357, 274.0), None);
    }

    #[test]
    fn what_is_over_the_limit_is_due_now() {
        let k = Constants::default();
        let f = forecast(&k.air, &worn(&[(0.0, 0.9), (30.0, 0.9)]), 0.357, 30.0).expect("due");
        assert_eq!((f.day, f.low_day), (30.0, 30.0));
    }
}
