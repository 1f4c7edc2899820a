//! A change of one tag of the list of laptops that should be checked.

use chrono::NaiveDate;

use super::denied::Denied;
use crate::http::Hub;
use crate::scope;
use crate::store::Store;
use crate::store::facts::ScopeDeed;

/// A laptop stands somewhere else now.
///
/// # Errors
/// What is wrong with site or place.
pub(in crate::http) fn moved(site: &str, place: &str) -> Result<ScopeDeed, Denied> {
    let name = |field: &'static str, text: &str| {
        scope::name(text).map_err(|why| Denied::bad(field, format!("the field `{field}`: {why}")))
    };
    let site = name("site", site)?;
    if site.is_empty() {
        return Err(Denied::bad("site", "the field `site` is empty: give a site"));
    }
    Ok(ScopeDeed::Move { site, place: name("place", place)? })
}

/// A laptop is no longer used; its last day is today where it isn't given.
///
/// # Errors
/// What is wrong with day or reason.
pub(in crate::http) async fn retired<S: Store>(
    hub: &Hub<S>,
    tag: &str,
    last_on: Option<NaiveDate>,
    why: &str,
) -> Result<ScopeDeed, Denied> {
    let why = scope::why(why).map_err(|what| Denied::bad("why", format!("the field `why`: {what}")))?;
    if why.is_empty() {
        return Err(Denied::bad("why", "the field `why` is empty: give a reason"));
    }
    let last_on = last_on.unwrap_or_else(|| hub.clock.now().date_naive());
    let list = hub.store.scope_list().await?;
    scope::check_last_day(&list, tag, last_on).map_err(|what| Denied::bad("last_on", what))?;
    Ok(ScopeDeed::Retire { last_on, why })
}
