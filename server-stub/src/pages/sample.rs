//! An invented fleet for the tests of the pages: every band, every gap, every provenance.

use chrono::{Days, NaiveDate};
use windrow_model::emulate::random::Random;

use std::collections::BTreeMap;

use super::fleet::{Entry, Fleet, Reading};
use super::layout::{Reader, Room};
use super::service_list::Overlay;
use crate::coverage::{CoverageCounts, NotCheckedWhy};
use crate::scoring::Band;
use crate::testing::START_MS;

const SITES: [&str; 3] = ["Lowfield packing hall", "Brackwell office", "Quay Street loft"];
const MODELS: [&str; 3] = ["Orrin 16 W", "Fjordbook 14", "Tarn 13 fanless"];
const DAY_MS: i64 = 86_400_000;

/// A fleet of `n` laptops.
pub(crate) fn fleet(n: usize) -> Fleet {
    let mut random = Random::new(7);
    let entries = (0..n).map(|idx| entry(idx, n, &mut random)).collect();
    Fleet::new(START_MS, entries)
}

fn entry(idx: usize, n: usize, random: &mut Random) -> Entry {
    // Worst first, as a rank has it.
    let health = (idx as f64 + 0.5) / n as f64;
    let (band, reason) = match health {
        h if h < 0.06 => {
            (Band::PullNow, "the fan stood still at 96 °C: have it looked at before further load")
        }
        h if h < 0.15 => (Band::WithinSevenDays, "gives its heat away slowly: clean the vents and fins"),
        h if h < 0.25 => (Band::NextRound, "heat leaves the chip badly: look at paste and mounting"),
        h if h < 0.32 => (Band::Retest, "the check cannot be trusted: it ran on battery"),
        _ => (Band::NoVisit, "nothing stands out among 23 others of its kind"),
    };
    let model = MODELS[idx % MODELS.len()];
    let has_fan = model != MODELS[2];
    let mut reading = |worst: f64, best: f64, spread: f64| {
        let value = worst + (best - worst) * (health + 0.1 * random.normal()).clamp(0.0, 1.0);
        Reading {
            value,
            low: value - spread,
            high: value + spread,
            p_past: Some((0.9 - health).clamp(0.0, 1.0)),
        }
    };
    let numbers = [
        has_fan.then(|| reading(0.4, 1.0, 0.06)),
        has_fan.then(|| reading(0.6, 1.0, 0.03)),
        (band != Band::Retest).then(|| reading(2.4, 1.0, 0.25)),
    ];
    let today = NaiveDate::from_ymd_opt(2026, 1, 31).expect("a day");
    Entry {
        rank: idx + 1,
        device_id: format!("{:032x}", (idx as u128 + 1) * 0x9e37_79b9_7f4a_7c15_f39c_c060).into(),
        asset_tag: if idx % 11 == 10 { "".into() } else { format!("HB-{:03}", idx + 1).into() },
        model: model.into(),
        model_key: model.to_lowercase().into(),
        site: SITES[(idx / 2) % SITES.len()].into(),
        place: if idx.is_multiple_of(4) { "".into() } else { format!("bay {}", idx % 9).into() },
        band,
        reason: reason.into(),
        numbers,
        due_on: (band < Band::Retest).then(|| today + Days::new(idx as u64 % 40)),
        checked_at_ms: Some(START_MS - i64::try_from(idx % 60).expect("small") * DAY_MS),
        failed_at_ms: (idx % 13 == 12).then_some(START_MS),
        provenance: ["measured", "emulated", "imported"][idx % 7 % 3].into(),
        cannot_tell: band == Band::Retest,
        haystack: "".into(),
    }
}

/// Coverage of a fleet of `n`.
pub(crate) fn coverage(n: usize) -> CoverageCounts {
    CoverageCounts {
        n_checked: n * 2 / 3,
        n_cannot_tell: n / 12,
        not_checked: BTreeMap::from([(NotCheckedWhy::TooOld, n / 6), (NotCheckedWhy::NotJoined, n / 12)]),
        n_excluded: 2,
        ..CoverageCounts::default()
    }
}

/// A hold, a snooze, a wanted check.
pub(crate) fn overlays(fleet: &Fleet) -> BTreeMap<String, Overlay> {
    let day = NaiveDate::from_ymd_opt(2026, 2, 14).expect("a day");
    let overlays = [
        Overlay { held: Some("bulging battery".into()), ..Overlay::default() },
        Overlay { snoozed: Some((day, "its user is away".into())), ..Overlay::default() },
        Overlay { check_wanted_by: Some(day), ..Overlay::default() },
    ];
    fleet.laptops.iter().map(|e| e.device_id.to_string()).zip(overlays).collect()
}

/// A reader who may do all.
pub(crate) fn administrator() -> Reader {
    Reader {
        name: "A. Marsh".into(),
        role: "administrator",
        rooms: Room::ALL.to_vec(),
        may_change: true,
        form_token: "f00d".into(),
    }
}

/// A reader who may read and export only.
pub(crate) fn auditor() -> Reader {
    Reader { name: "audit office".into(), role: "auditor", may_change: false, ..administrator() }
}
