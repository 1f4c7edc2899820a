//! `GET /places`, `GET /places/tag` and what their forms do.

use axum::body::Body;
use axum::extract::{RawQuery, State};
use axum::response::{Redirect, Response};

use super::act::{Fields, conflict, refused};
use super::{may_post, no_such, reader, respond, shown};
use crate::access::Viewer;
use crate::http::filled::{Denied, scope as filled};
use crate::http::{Hub, Problem};
use crate::pages::layout::{Content, Room};
use crate::pages::{places, words};
use crate::store::Store;
use crate::store::facts::{Actor, ScopeDeed, ScopeDone};

pub(super) async fn list<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    RawQuery(raw): RawQuery,
) -> Result<Response, Problem> {
    let shown = shown(&hub)?;
    let raw = raw.unwrap_or_default();
    let pairs: Vec<_> = form_urlencoded::parse(raw.as_bytes()).collect();
    let mut query = places::Query::from_pairs(pairs.iter().map(|(k, v)| (k.as_ref(), v.as_ref())));
    query.bind_to(viewer.site.as_deref());
    query.look_up_names(&shown.places);
    let view = places::View { coverage: &shown.coverage, index: &shown.places, query: &query };
    let body = places::body(&view, &changing_reader(&viewer));
    let notice = query.unknown.notice();
    let content = Content { title: "Places", room: Room::Places, class: "", notice: notice.as_ref(), body };
    Ok(respond(&content, &viewer))
}

/// The reader, who may change places where the role may.
fn changing_reader(viewer: &Viewer) -> crate::pages::layout::Reader {
    let may_change = viewer.csrf.is_some() && may_post(viewer.role, "/places/act");
    crate::pages::layout::Reader { may_change, ..reader(viewer) }
}

pub(super) async fn tag<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    RawQuery(raw): RawQuery,
) -> Result<Response, Problem> {
    let raw = raw.unwrap_or_default();
    let tag = form_urlencoded::parse(raw.as_bytes()).find(|(name, _)| name == "of").map(|(_, value)| value);
    let tag = tag.ok_or_else(|| no_such("tag"))?.into_owned();
    let history = hub.store.scope_history(tag.clone()).await.map_err(|e| Problem::of_store(&e))?;
    let entry = history.last().map(|version| version.entry.clone());
    let entry = entry.filter(|e| viewer.sees(&e.site)).ok_or_else(|| no_such("tag"))?;
    // The laptops of other sites that carried the tag are not a bound reader's to see; the tag's own past is told.
    let found = hub.store.laptop_find(tag.clone()).await.map_err(|e| Problem::of_store(&e))?;
    let shown = hub.showroom.now();
    let carriers: Vec<places::Carrier> = found
        .into_iter()
        .map(|id| {
            let is_checked = shown.as_ref().is_some_and(|shown| shown.get(&id).is_some());
            places::Carrier { device_id: id, is_checked }
        })
        .collect();
    let mut past = Vec::new();
    for carrier in &carriers {
        let of_one = hub.store.laptop_past(carrier.device_id.clone()).await;
        past.extend(of_one.map_err(|e| Problem::of_store(&e))?);
    }
    let reader = changing_reader(&viewer);
    let view = places::TagView {
        entry: &entry,
        history: &history,
        carriers: &carriers,
        past: &past,
        today: words::date(hub.clock.now_ms()).unwrap_or_default(),
        may_change: reader.may_change,
    };
    let body = places::tag_body(&view, &reader);
    let title = format!("Tag {tag}");
    Ok(respond(&Content { title: &title, room: Room::Places, class: "", notice: None, body }, &viewer))
}

pub(super) async fn act<S: Store>(
    State(hub): State<Hub<S>>,
    viewer: Viewer,
    form: Body,
) -> Result<Redirect, Problem> {
    let fields = Fields::read(&hub, form).await?;
    if fields.one("act") == "merge" {
        return merge(&hub, &viewer, &fields).await;
    }
    let tag = fields.text("tag")?;
    let deed = match fields.one("act") {
        "move" => filled::moved(fields.one("site"), fields.one("place")).map_err(Denied::on_page)?,
        "retire" => {
            let last_on = fields.day("last_on")?;
            filled::retired(&hub, &tag, last_on, fields.one("why")).await.map_err(Denied::on_page)?
        }
        "assign" => {
            let laptop = needed(&fields, "laptop")?;
            let device_id = filled::laptop_meant(&hub, &viewer, "laptop", &laptop).await;
            ScopeDeed::Assign { device_id: device_id.map_err(Denied::on_page)? }
        }
        other => return Err(refused(format!("`{other}` is nothing that can be done"))),
    };
    let done = hub.store.scope_change(tag.clone(), deed, Actor::of(&viewer), hub.clock.now_ms()).await;
    match done.map_err(|e| Problem::of_store(&e))? {
        ScopeDone::Done | ScopeDone::Same => Ok(Redirect::to(&places::tag_address(&tag))),
        ScopeDone::NoSuchTag => Err(conflict(format!("the list has no tag `{tag}`"))),
        ScopeDone::NoSuchLaptop => Err(conflict("no laptop of that id has joined or was imported")),
    }
}

/// Two identities of one laptop become one; back to where the form stood.
async fn merge<S: Store>(hub: &Hub<S>, viewer: &Viewer, fields: &Fields) -> Result<Redirect, Problem> {
    let (old, new) = (needed(fields, "old")?, needed(fields, "new")?);
    filled::merged(hub, viewer, &old, &new).await.map_err(Denied::on_page)?;
    let tag = fields.text("tag")?;
    Ok(Redirect::to(&if tag.is_empty() { "/places".to_owned() } else { places::tag_address(&tag) }))
}

fn needed(fields: &Fields, name: &'static str) -> Result<String, Problem> {
    let given = fields.text(name)?;
    if given.is_empty() { Err(refused(format!("the field `{name}` is empty"))) } else { Ok(given) }
}
