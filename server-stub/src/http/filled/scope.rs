//! Changes of the list of laptops that should be checked, and of which laptop carries a tag.

use chrono::NaiveDate;

use super::denied::Denied;
use super::marks::NO_SUCH_LAPTOP;
use super::rounds::laptops_meant;
use crate::access::Viewer;
use crate::http::Hub;
use crate::scope;
use crate::store::Store;
use crate::store::facts::{Actor, Merged, ScopeDeed};

pub(in crate::http) const CANNOT_MERGE: &str = "cannot_merge";

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

/// The id of the one laptop that a field means by an asset tag, a sheet's code, a device id, or its beginning.
///
/// # Errors
/// Where none that the viewer may see is meant, or more than one.
pub(in crate::http) async fn laptop_meant<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    field: &'static str,
    key: &str,
) -> Result<String, Denied> {
    let mut seen = Vec::new();
    for device_id in laptops_meant(hub, key).await? {
        let laptop = hub.store.laptop_get(device_id).await?;
        seen.extend(laptop.filter(|l| viewer.sees(&l.site)).map(|l| l.device_id));
    }
    let shown: String = key.trim().chars().filter(|c| !c.is_control()).take(80).collect();
    match (seen.pop(), seen.is_empty()) {
        (Some(one), true) => Ok(one),
        (Some(last), false) => {
            let others = seen.join("`, `");
            let what =
                format!("`{shown}` means several laptops: `{others}`, `{last}`; give more of the device id");
            Err(Denied::bad(field, what))
        }
        (None, _) => {
            let what = format!(
                "no laptop `{shown}` has joined or was imported; give an asset tag, or a device id or its \
                 first 8 characters or more"
            );
            Err(Denied::Unknown { code: NO_SUCH_LAPTOP, field, what: what.into() })
        }
    }
}

/// After a board swap: the new laptop goes on as the old one, each meant as in [`laptop_meant`]. `false`: it did so before.
///
/// # Errors
/// Why it cannot be.
pub(in crate::http) async fn merged<S: Store>(
    hub: &Hub<S>,
    viewer: &Viewer,
    old: &str,
    new: &str,
) -> Result<bool, Denied> {
    let old_id = laptop_meant(hub, viewer, "old", old).await?;
    let new_id = laptop_meant(hub, viewer, "new", new).await?;
    let cannot = |what: String| Denied::NotNow { code: CANNOT_MERGE, field: Some("new"), what };
    if old_id == new_id {
        let what = "both fields mean the same laptop, `{}`; as the new one give the id with which it joined after \
                    the board swap";
        return Err(cannot(what.replace("{}", &old_id)));
    }
    let now_ms = hub.clock.now_ms();
    match hub.store.laptop_merge(old_id.clone(), new_id.clone(), Actor::of(viewer), now_ms).await? {
        Merged::Done => Ok(true),
        Merged::Known => Ok(false),
        // Both were found a moment ago, and no laptop is ever taken away.
        Merged::NoSuchLaptop | Merged::Taken => Err(cannot(format!(
            "`{old_id}` goes on as another laptop already, or `{new_id}` stands for another in this way"
        ))),
    }
}
