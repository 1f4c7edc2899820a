//! From the judged fleet and what the store keeps to a plan that is kept: the one way for the command and the page.

use std::collections::{BTreeMap, HashMap, HashSet};

use chrono::NaiveDate;
use windrow_model::METHOD_VERSION;
use windrow_model::trace::fleet::ServiceAction;

use super::code::code_of;
use super::document::{
    Day, Document, Named, OrderedPart, PlannedVisit, PutOffLaptop, SCHEMA, Suspected, WaitingLaptop, sort,
};
use super::draft::is_there;
use super::hours::Hours;
use super::worked::WorkedDay;
use super::{Advice, Booking, Candidate, Made, Order, Plan, Why};
use crate::costs::{Costs, FaultProbabilities};
use crate::judgement::off_the_reactor;
use crate::pages::words;
use crate::scoring::{Band, Fault, Standing};
use crate::store::facts::{Laptop, Mark, MarkKind, ScopeEntry, Visit};
use crate::store::rounds::{BookedVisit, StoredPlan};
use crate::store::{EpochMs, Store, StoreError};

/// How far ahead a plan may begin, days: a year.
const MAX_DAYS_AHEAD: u64 = 366;
/// Days with hours that a refused booking names.
const N_DAYS_NAMED: usize = 3;
/// Visits read at once.
const PAGE: u32 = 10_000;

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Request {
    /// First day.
    pub from: NaiveDate,
    /// How many days.
    pub n_days: u32,
    /// How many random visits.
    pub n_random: usize,
    /// Whether the plan before is forgotten; bookings stay all the same.
    pub is_fresh: bool,
}

impl Request {
    /// The last day, as the plan's document counts.
    fn last(&self) -> NaiveDate {
        self.from + chrono::Days::new(u64::from(self.n_days.saturating_sub(1)))
    }
}

/// All that is known of laptops beside their judgement.
#[derive(Debug, Default)]
pub struct Known {
    /// As the hub knows them, by id.
    pub laptops: HashMap<String, Laptop>,
    /// Marks that are open.
    pub marks: Vec<Mark>,
    /// The list of what should be checked.
    pub scope: Vec<ScopeEntry>,
    /// Laptops with a visit that was logged after they were judged.
    pub serviced: HashSet<String>,
}

/// The judged fleet, and as of when.
#[derive(Debug, Clone, Copy)]
pub struct Judged<'a> {
    /// How the laptops stand.
    pub standings: &'a [Standing],
    /// When they were judged.
    pub as_of_ms: EpochMs,
}

/// Makes a plan and keeps it.
///
/// # Errors
/// If the store fails.
pub async fn plan_rounds<S: Store>(
    store: &S,
    judged: Judged<'_>,
    costs: &Costs,
    request: Request,
    now_ms: EpochMs,
) -> Result<Document, StoreError> {
    let standings = judged.standings;
    let known = Known {
        laptops: store.laptop_list().await?.into_iter().map(|l| (l.device_id.clone(), l)).collect(),
        marks: store.mark_list(None, now_ms).await?,
        scope: store.scope_list().await?,
        serviced: store.serviced_since(judged.as_of_ms).await?.into_iter().collect(),
    };
    let (hours, stock) = store.round_input_get().await?;
    let booked = open_bookings(store).await?;
    let today = words::date(now_ms).unwrap_or(request.from);
    let plan_before = open_plan(store).await?;
    let worked = match plan_before.clone() {
        Some(document) => worked(store, document, today).await?,
        None => Vec::new(),
    };
    let before = match plan_before {
        Some(document) if !request.is_fresh => document
            .visits
            .into_iter()
            .filter(|v| v.why == Why::Benefit)
            .map(|v| (v.laptop.device_id, v.day))
            .collect(),
        _ => BTreeMap::new(),
    };
    let candidates = candidates(standings, &known, request.from);
    let booked =
        booked.into_iter().map(|b| (b.device_id, Booking { day: b.day, actions: b.actions })).collect();
    let order = Order {
        from: request.from,
        n_days: request.n_days,
        today,
        booked,
        before,
        n_random: request.n_random,
        made: made(&worked),
    };
    let costs = costs.clone();
    let (plan, costs, hours) = off_the_reactor(move || {
        let plan = super::plan(&candidates, &hours, &stock, &costs, &order);
        (plan, costs, hours)
    })
    .await?;
    let mut document = document(plan, standings, &known, &hours, &costs, request, now_ms);
    document.worked = worked;
    keep(store, &document, now_ms).await?;
    Ok(document)
}

/// The worked days of the plan before that stay in the next.
async fn worked<S: Store>(
    store: &S,
    before: Document,
    today: NaiveDate,
) -> Result<Vec<WorkedDay>, StoreError> {
    let Some(since_ms) = before.worked_since_ms() else { return Ok(Vec::new()) };
    let logged = store.serviced_since(since_ms).await?;
    Ok(before.worked_until(today, &logged))
}

fn made(worked: &[WorkedDay]) -> Vec<Made> {
    let visits = worked.iter().flat_map(|w| &w.visits);
    visits.map(|v| Made { site: v.laptop.site.clone(), day: v.day, minutes: v.minutes }).collect()
}

/// Shows bookings in the plan that stands, without planning anew: who is booked for another day moves there, and who had no
/// visit has one.
///
/// # Errors
/// If the store fails.
pub async fn mark_booked<S: Store>(
    store: &S,
    meant: &[Meant],
    bookings: &[BookedVisit],
    costs: &Costs,
    now_ms: EpochMs,
) -> Result<(), StoreError> {
    let Some(mut document) = read_plan(store).await? else { return Ok(()) };
    for visit in &mut document.visits {
        if let Some(booking) = bookings.iter().find(|b| b.device_id == visit.laptop.device_id) {
            (visit.why, visit.day) = (Why::Booked, booking.day);
        }
    }
    // One that could not be kept can, on its new day.
    for booking in bookings {
        if let Some(idx) = document.unkept.iter().position(|v| v.laptop.device_id == booking.device_id) {
            let visit = document.unkept.remove(idx);
            document.visits.push(PlannedVisit { day: booking.day, why: Why::Booked, ..visit });
        }
    }
    for unplanned in meant.iter().filter_map(|m| m.unplanned.as_ref()) {
        let id = &unplanned.laptop.device_id;
        let Some(booking) = bookings.iter().find(|b| b.device_id == *id) else { continue };
        document.waiting.retain(|w| w.laptop.device_id != *id);
        document.put_off.retain(|p| p.laptop.device_id != *id);
        if document.visit_of(id).is_none() {
            document.visits.push(PlannedVisit { day: booking.day, ..unplanned.clone() });
        }
    }
    keep_changed(store, document, costs, now_ms).await
}

/// Shows in the plan that stands that bookings have ended.
///
/// # Errors
/// If the store fails.
pub async fn mark_released<S: Store>(
    store: &S,
    device_ids: &[String],
    costs: &Costs,
    now_ms: EpochMs,
) -> Result<(), StoreError> {
    let Some(mut document) = read_plan(store).await? else { return Ok(()) };
    let is_meant = |v: &&mut PlannedVisit| v.why == Why::Booked && device_ids.contains(&v.laptop.device_id);
    for visit in document.visits.iter_mut().filter(is_meant) {
        visit.why = if visit.actions.is_empty() { Why::Random } else { Why::Benefit };
    }
    let (from, last) = (document.from, document.last());
    document.visits.retain(|v| v.why == Why::Booked || (from..=last).contains(&v.day));
    document.unkept.retain(|v| !device_ids.contains(&v.laptop.device_id));
    keep_changed(store, document, costs, now_ms).await
}

async fn keep_changed<S: Store>(
    store: &S,
    mut document: Document,
    costs: &Costs,
    now_ms: EpochMs,
) -> Result<(), StoreError> {
    let (hours, _) = store.round_input_get().await?;
    sort(&mut document.visits);
    document.days = days(&document.visits, &hours, |site| costs.trip_to(site).minutes.ceil() as u32);
    keep(store, &document, now_ms).await
}

/// The plan without what was done since it was made: whoever was serviced is no longer to be visited. Calendars have the
/// whole plan, for a day on which somebody went stays a day on which somebody went.
///
/// # Errors
/// As of [`read_plan`].
pub async fn open_plan<S: Store>(store: &S) -> Result<Option<Document>, StoreError> {
    let Some(mut document) = read_plan(store).await? else { return Ok(None) };
    document.take_serviced(&store.serviced_since(document.made_at_ms).await?);
    Ok(Some(document))
}

/// The whole plan as it was made, with what was booked since.
///
/// # Errors
/// If the store fails, or holds a plan that this version cannot read.
pub async fn read_plan<S: Store>(store: &S) -> Result<Option<Document>, StoreError> {
    let Some(stored) = store.round_plan_get().await? else { return Ok(None) };
    let read = serde_json::from_str(&stored.plan_json);
    read.map(Some).map_err(|e| StoreError::Corrupt { column: "round_plan.plan", why: e.to_string() })
}

async fn keep<S: Store>(store: &S, document: &Document, now_ms: EpochMs) -> Result<(), StoreError> {
    let plan_json = serde_json::to_string(document)
        .map_err(|e| StoreError::Corrupt { column: "round_plan.plan", why: e.to_string() })?;
    let plan = StoredPlan { made_at_ms: now_ms, plan_json };
    store.round_plan_put(plan, document.told_from(), document.site_days()).await
}

/// Bookings whose visit was not logged since.
///
/// # Errors
/// If the store fails.
pub async fn open_bookings<S: Store>(store: &S) -> Result<Vec<BookedVisit>, StoreError> {
    let bookings = store.booking_list().await?;
    if bookings.is_empty() {
        return Ok(bookings);
    }
    let mut last_logged_ms: HashMap<String, EpochMs> = HashMap::new();
    // An entry is as old as the one that it corrects.
    let mut first_logged_ms: HashMap<i64, EpochMs> = HashMap::new();
    let mut after = 0;
    loop {
        let page: Vec<Visit> = store.visit_list(None, after, PAGE).await?;
        let n_read = page.len();
        after = page.last().map_or(after, |v| v.visit_id);
        for visit in page {
            let corrected = visit.corrects.and_then(|corrects| first_logged_ms.get(&corrects).copied());
            let logged_ms = corrected.unwrap_or(visit.logged_at_ms);
            first_logged_ms.insert(visit.visit_id, logged_ms);
            if visit.counts() {
                let last = last_logged_ms.entry(visit.device_id).or_insert(logged_ms);
                *last = logged_ms.max(*last);
            }
        }
        if n_read < PAGE as usize {
            break;
        }
    }
    let is_open = |b: &BookedVisit| last_logged_ms.get(&b.device_id).is_none_or(|ms| *ms < b.booked_at_ms);
    Ok(bookings.into_iter().filter(is_open).collect())
}

/// Who takes part: everybody who is judged and still in use, but whoever is held. Whoever is snoozed takes part from the day
/// after, be it only with a booking past the plan's last day.
pub fn candidates(standings: &[Standing], known: &Known, from: NaiveDate) -> Vec<Candidate> {
    let marked = marked(known, from);
    let takes_part = |standing: &Standing| {
        let free_from = match marked.get(standing.device_id()) {
            None => None,
            Some(until) => Some((*until)?.succ_opt()?),
        };
        Some(Candidate { not_before: free_from, ..candidate(standing, known) })
    };
    in_use(standings, known, from).filter_map(takes_part).collect()
}

/// The first day of a plan on which somebody may be sent to a marked laptop, where its mark ends before the last one.
fn free_again(until: Option<NaiveDate>, last: NaiveDate) -> Option<NaiveDate> {
    until?.succ_opt().filter(|first| *first <= last)
}

/// Who is held (`None`), and who is snoozed on the plan's first day and until when.
fn marked(known: &Known, from: NaiveDate) -> HashMap<&str, Option<NaiveDate>> {
    let mut marked = HashMap::new();
    for mark in &known.marks {
        let until = mark.until_ms.and_then(words::date);
        match mark.kind {
            MarkKind::Hold => {
                marked.insert(mark.device_id.as_str(), None);
            }
            MarkKind::Snooze if until.is_none_or(|last| last >= from) => {
                marked.entry(mark.device_id.as_str()).or_insert(until);
            }
            MarkKind::Snooze | MarkKind::Check => {}
        }
    }
    marked
}

/// Who is worth a visit by the judgement, and to whom nobody is sent for a mark's sake.
fn put_off(
    standings: &[Standing],
    known: &Known,
    request: &Request,
    planned: &[PlannedVisit],
) -> Vec<PutOffLaptop> {
    let mut marked = marked(known, request.from);
    marked.retain(|_, until| free_again(*until, request.last()).is_none());
    let is_planned = |s: &&Standing| planned.iter().any(|v| v.laptop.device_id == s.device_id());
    let is_worth = |s: &&Standing| matches!(advice(s), Advice::Visit { .. });
    let put_off = |s: &Standing| {
        let until = *marked.get(s.device_id())?;
        Some(PutOffLaptop { laptop: named(s, known), until })
    };
    let worth = in_use(standings, known, request.from).filter(is_worth);
    worth.filter(|s| marked.contains_key(s.device_id()) && !is_planned(s)).filter_map(put_off).collect()
}

/// Standings of laptops that are neither gone nor retired on a day, nor serviced since they were judged: how they are now
/// the next judgement says.
fn in_use<'a>(
    standings: &'a [Standing],
    known: &'a Known,
    from: NaiveDate,
) -> impl Iterator<Item = &'a Standing> {
    let retired: HashSet<&str> = known
        .scope
        .iter()
        .filter(|e| e.until_on.is_some_and(|last| last < from))
        .map(|e| &e.tag[..])
        .collect();
    let is_in_use = move |standing: &&Standing| {
        let laptop = known.laptops.get(standing.device_id());
        let is_gone = laptop.is_some_and(|l| l.goes_on_as.is_some() || l.revoked_at_ms.is_some());
        let is_done = known.serviced.contains(standing.device_id());
        !is_gone && !is_done && !retired.contains(&standing.last.asset_tag[..])
    };
    standings.iter().filter(is_in_use)
}

fn candidate(standing: &Standing, known: &Known) -> Candidate {
    let named = named(standing, known);
    Candidate {
        device_id: named.device_id,
        site: named.site,
        model: named.model,
        advice: advice(standing),
        not_before: None,
    }
}

pub(super) fn advice(standing: &Standing) -> Advice {
    match standing.band {
        Band::Retest => Advice::CheckAgain,
        Band::NoVisit => Advice::Leave,
        Band::PullNow | Band::WithinSevenDays | Band::NextRound => {
            let of = |fault: Fault| {
                standing.suspected.iter().find(|s| s.fault == fault).map_or(0.0, |s| s.probability)
            };
            let faults = FaultProbabilities {
                clogged: of(Fault::Clogged),
                fan: of(Fault::Fan),
                contact: of(Fault::Contact),
            };
            let suspected =
                Fault::ALL.into_iter().filter(|f| standing.suspected.iter().any(|s| s.fault == *f));
            Advice::Visit { actions: suspected.map(Fault::action).collect(), faults }
        }
    }
}

pub(super) fn named(standing: &Standing, known: &Known) -> Named {
    let run = &standing.last;
    let laptop = known.laptops.get(&*run.device_id);
    let or_run = |of: fn(&Laptop) -> &str, run: &str| {
        laptop.map(of).filter(|text| !text.is_empty()).unwrap_or(run).to_owned()
    };
    Named {
        device_id: run.device_id.to_string(),
        asset_tag: or_run(|l| &l.asset_tag, &run.asset_tag),
        model: run.kind.model_name.clone(),
        site: or_run(|l| &l.site, &run.kind.site),
        place: laptop.map_or_else(String::new, |l| l.place.clone()),
    }
}

/// The plan by names.
fn document(
    plan: Plan,
    standings: &[Standing],
    known: &Known,
    hours: &Hours,
    costs: &Costs,
    request: Request,
    now_ms: EpochMs,
) -> Document {
    let by_id: HashMap<&str, &Standing> = standings.iter().rev().map(|s| (s.device_id(), s)).collect();
    let name = |device_id: &String| {
        by_id.get(device_id.as_str()).map_or_else(|| known_as(device_id, known), |s| named(s, known))
    };
    let mut visits: Vec<PlannedVisit> =
        plan.visits.iter().map(|v| planned(v, by_id.get(&v.device_id[..]).copied(), known)).collect();
    sort(&mut visits);
    let waiting = plan.waiting.iter().map(|w| WaitingLaptop {
        laptop: name(&w.device_id),
        actions: w.work.actions.clone(),
        minutes: w.work.minutes.ceil() as u32,
        benefit_per_day: w.work.benefit_per_day,
        waiting_cost: w.waiting_cost,
        waits_for: Some(w.waits_for),
    });
    let orders = plan.orders.into_iter().map(|o| OrderedPart {
        part: o.part.to_owned(),
        model: o.model,
        n_planned: o.n_planned,
        n_waiting: o.n_waiting,
        lead_days: o.lead_days,
    });
    Document {
        schema: SCHEMA.to_owned(),
        made_at_ms: now_ms,
        method_version: METHOD_VERSION.to_owned(),
        costs_version: costs.version(),
        currency: costs.currency.clone(),
        from: request.from,
        n_days: request.n_days,
        n_random: request.n_random,
        benefit: plan.benefit,
        bound: plan.bound,
        days: days(&visits, hours, |site| costs.trip_to(site).minutes.ceil() as u32),
        waiting: waiting.collect(),
        check_again: plan.retests.iter().map(name).collect(),
        unkept: plan.unkept.iter().map(|v| planned(v, by_id.get(&v.device_id[..]).copied(), known)).collect(),
        serviced: Vec::new(),
        worked: Vec::new(),
        put_off: put_off(standings, known, &request, &visits),
        orders: orders.collect(),
        visits,
    }
}

/// A visit by names; a booked laptop that is judged no more has no evidence, and perhaps no names.
pub(super) fn planned(visit: &super::Visit, standing: Option<&Standing>, known: &Known) -> PlannedVisit {
    let suspected = standing.map_or(&[][..], |s| &s.suspected).iter();
    let evidence = standing.map_or(&[][..], |s| &s.evidence).iter();
    PlannedVisit {
        laptop: standing.map_or_else(|| known_as(&visit.device_id, known), |s| named(s, known)),
        day: visit.day,
        actions: visit.work.actions.clone(),
        minutes: visit.work.minutes.ceil() as u32,
        why: visit.why,
        benefit_per_day: visit.work.benefit_per_day,
        visit_benefit: visit.work.visit_benefit,
        suspected: suspected
            .map(|s| Suspected { part: s.fault.part().to_owned(), probability: s.probability })
            .collect(),
        reason: standing.map(|s| s.reason.to_string()).unwrap_or_default(),
        evidence: evidence.map(crate::scoring::words::piece).collect(),
        provenance: standing.map(|s| s.last.kind.of.provenance.clone()).unwrap_or_default(),
        code: code_of(&visit.device_id),
    }
}

/// A laptop that is not judged, as the hub knows it.
fn known_as(device_id: &str, known: &Known) -> Named {
    let laptop = known.laptops.get(device_id);
    let text = |of: fn(&Laptop) -> &str| laptop.map_or_else(String::new, |l| of(l).to_owned());
    Named {
        device_id: device_id.to_owned(),
        asset_tag: text(|l| &l.asset_tag),
        model: text(|l| &l.model_name),
        site: text(|l| &l.site),
        place: text(|l| &l.place),
    }
}

fn days(visits: &[PlannedVisit], hours: &Hours, trip_minutes: impl Fn(&str) -> u32) -> Vec<Day> {
    let mut days: BTreeMap<(NaiveDate, &str), u32> = BTreeMap::new();
    for visit in visits {
        *days.entry((visit.day, &visit.laptop.site)).or_default() += visit.minutes;
    }
    let of_day = |((day, site), visit_minutes): ((NaiveDate, &str), u32)| Day {
        site: site.to_owned(),
        day,
        offered_minutes: hours.get(&(site.to_owned(), day)).copied().unwrap_or_default(),
        trip_minutes: trip_minutes(site),
        visit_minutes,
    };
    days.into_iter().map(of_day).collect()
}

/// Whether a plan may begin on that day: a slip of the keyboard must not put an empty plan in the good one's place.
///
/// # Errors
/// Why not, in words.
pub fn check_first_day(from: NaiveDate, today: NaiveDate) -> Result<(), String> {
    check_ahead("the plan's first day", from, today)
}

fn check_ahead(what: &str, day: NaiveDate, today: NaiveDate) -> Result<(), String> {
    let last = today.checked_add_days(chrono::Days::new(MAX_DAYS_AHEAD)).unwrap_or(today);
    let is_near = (today..=last).contains(&day);
    if is_near { Ok(()) } else { Err(format!("{what} `{day}` must be from today ({today}) to {last}")) }
}

/// A visit that somebody wants to book, or to move.
#[derive(Debug, Clone, PartialEq)]
pub struct Meant {
    /// The laptop.
    pub device_id: String,
    /// Where it is.
    pub site: String,
    /// On which day it is planned, or asked for.
    day: Option<NaiveDate>,
    actions: Vec<ServiceAction>,
    is_booked: bool,
    /// It is snoozed until the day before.
    not_before: Option<NaiveDate>,
    /// The visit, where no plan has it.
    unplanned: Option<PlannedVisit>,
}

impl Meant {
    /// A planned visit.
    pub fn planned(visit: &PlannedVisit) -> Self {
        Self {
            device_id: visit.laptop.device_id.clone(),
            site: visit.laptop.site.clone(),
            day: Some(visit.day),
            actions: visit.actions.clone(),
            is_booked: visit.why == Why::Booked,
            not_before: None,
            unplanned: None,
        }
    }

    /// A visit that is advised, and that no plan has.
    pub(super) fn advised(visit: PlannedVisit, not_before: Option<NaiveDate>) -> Self {
        let planned = Self::planned(&visit);
        Self { day: None, is_booked: false, not_before, unplanned: Some(visit), ..planned }
    }

    /// The same, wanted on a day.
    #[must_use]
    pub fn wanted_on(self, day: Option<NaiveDate>) -> Self {
        Self { day, ..self }
    }

    /// The visit of a laptop: a planned one, or one that is booked and stands in no plan.
    pub fn of(device_id: &str, document: &Document, open: &[BookedVisit]) -> Option<Self> {
        if let Some(visit) = document.visit_of(device_id) {
            return Some(Self::planned(visit));
        }
        let booking = open.iter().find(|b| b.device_id == device_id)?;
        Some(Self {
            device_id: device_id.to_owned(),
            site: document.site_of(device_id)?.to_owned(),
            day: Some(booking.day),
            actions: booking.actions.clone(),
            is_booked: true,
            not_before: None,
            unplanned: None,
        })
    }
}

/// What a booking is held against.
#[derive(Debug, Clone, Copy)]
pub struct Offered<'a> {
    /// Technician hours.
    pub hours: &'a Hours,
    /// For days off.
    pub costs: &'a Costs,
    /// Today.
    pub today: NaiveDate,
}

/// Bookings of visits on their own day or on another. Booked before and not moved: it stays as it was told.
///
/// # Errors
/// Why one of them cannot be, in words.
pub fn bookings(
    meant: &[Meant],
    move_to: Option<NaiveDate>,
    offered: Offered<'_>,
    now_ms: EpochMs,
) -> Result<Vec<BookedVisit>, String> {
    let mut bookings = Vec::with_capacity(meant.len());
    for visit in meant {
        let Some(day) = move_to.or(visit.day) else {
            return Err("no visit of it is planned yet: say for which day it is booked".to_owned());
        };
        if visit.is_booked && Some(day) == visit.day {
            continue;
        }
        check_booking(&visit.site, day, offered)?;
        if let Some(first) = visit.not_before.filter(|first| day < *first) {
            return Err(format!("it is snoozed on {day}: book it for {first} or later, or let it go first"));
        }
        bookings.push(BookedVisit {
            device_id: visit.device_id.clone(),
            day,
            actions: visit.actions.clone(),
            booked_at_ms: now_ms,
        });
    }
    Ok(bookings)
}

/// Whether somebody can be told that a visit takes place at a site on a day: a technician must be there.
///
/// # Errors
/// Why not, in words, with days that are possible.
fn check_booking(site: &str, day: NaiveDate, offered: Offered<'_>) -> Result<(), String> {
    let Offered { hours, costs, today } = offered;
    check_ahead("the day of a booking", day, today)?;
    if is_there(hours, costs, site, day) {
        return Ok(());
    }
    let days = hours.keys().filter(|(at, on)| at == site && *on >= today).map(|(_, on)| *on);
    let with_hours = days.filter(|on| is_there(hours, costs, site, *on));
    let next: Vec<String> = with_hours.take(N_DAYS_NAMED).map(|on| on.to_string()).collect();
    let instead = if next.is_empty() {
        "nor on any later day that is known".to_owned()
    } else {
        format!("but on {}", next.join(", "))
    };
    Err(format!("no technician has hours at `{site}` on {day}, {instead}"))
}

/// What is missing for a plan to say anything, in words with the remedy.
pub fn missing(hours: &Hours, request: Request) -> Option<String> {
    let last = request.from + chrono::Days::new(u64::from(request.n_days.saturating_sub(1)));
    let has_hours =
        hours.iter().any(|((_, day), minutes)| *minutes > 0 && *day >= request.from && *day <= last);
    (!has_hours).then(|| {
        format!("no technician has hours from {} to {last}: nobody can be sent anywhere", request.from)
    })
}
