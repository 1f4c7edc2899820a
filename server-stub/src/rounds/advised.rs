//! Booking a laptop that no plan visits: the judgement advises a visit, and somebody wants it on a day of their own.

use std::collections::HashMap;

use super::dispatch::{Judged, Known, Meant, advice, named, planned};
use super::{Advice, Visit, Why};
use crate::costs::Costs;
use crate::pages::words;
use crate::store::facts::MarkKind;
use crate::store::{EpochMs, Store, StoreError};

/// Why a laptop cannot be booked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Unbookable {
    /// No visit is planned, and none is advised.
    NotAdvised,
    /// Something else, in words.
    Because(String),
}

/// The visit that the judgement advises, on no day yet.
///
/// # Errors
/// If the store fails; within, why no visit can be booked.
pub async fn meant<S: Store>(
    store: &S,
    judged: Judged<'_>,
    device_id: &str,
    costs: &Costs,
    now_ms: EpochMs,
) -> Result<Result<Meant, Unbookable>, StoreError> {
    let standing = judged.standings.iter().find(|s| s.device_id() == device_id);
    let (Some(standing), Some(laptop)) = (standing, store.laptop_get(device_id.to_owned()).await?) else {
        return Ok(Err(Unbookable::NotAdvised));
    };
    let Advice::Visit { actions, faults } = advice(standing) else {
        return Ok(Err(Unbookable::NotAdvised));
    };
    if laptop.goes_on_as.is_some() || laptop.revoked_at_ms.is_some() {
        return Ok(Err(Unbookable::NotAdvised));
    }
    let because = |what: &str| Ok(Err(Unbookable::Because(what.to_owned())));
    if store.serviced_since(judged.as_of_ms).await?.iter().any(|id| id == device_id) {
        return because("a visit was logged since it was judged; look again once that is brought up to date");
    }
    let mut not_before = None;
    for mark in store.mark_list(Some(device_id.to_owned()), now_ms).await? {
        match mark.kind {
            MarkKind::Hold => return because("it is held: let it go first"),
            MarkKind::Snooze => {
                not_before = mark.until_ms.and_then(words::date).and_then(|last| last.succ_opt());
            }
            MarkKind::Check => {}
        }
    }
    let known = Known { laptops: HashMap::from([(device_id.to_owned(), laptop)]), ..Known::default() };
    let site = named(standing, &known).site;
    let visit = Visit {
        device_id: device_id.to_owned(),
        site: site.clone(),
        day: words::date(now_ms).unwrap_or_default(),
        work: costs.worth(&faults, &actions),
        why: Why::Booked,
    };
    Ok(Ok(Meant::advised(planned(&visit, Some(standing), &known), not_before)))
}
