//! What every store must do with facts.

use chrono::NaiveDate;
use windrow_model::record::{Digest, chain};
use windrow_model::trace::fleet::ServiceAction;

use crate::access::Role;
use crate::ledger::leaf::LeafKind;
use crate::store::facts::{
    Actor, ERASED_REASON, Erasing, FactStore as _, MarkKind, Marked, Merged, NewMark, NewVisit, ScopeChange,
    ScopeCount, ScopeDeed, ScopeDone, ScopeEntry, VisitLogged,
};
use crate::store::sql::SqlStore;
use crate::store::{NewDevice, NewRecord, RunFacts, Service, Store};
use crate::testing::{Laptop, START_MS, new_invite};

conformance!(
    a_scope_list_is_taken_once,
    a_tag_moves_and_retires_with_its_history,
    a_laptop_stands_where_the_list_says,
    an_imported_laptop_carries_the_tag_that_is_its_id,
    a_laptop_goes_on_as_another,
    a_laptop_is_found_by_id_beginning_and_tag,
    visits_become_services,
    a_wrong_visit_is_corrected_by_another_entry,
    who_was_serviced_since_a_time_is_told_by_the_last_word,
    erased_text_is_gone,
    marks_begin_and_end,
    a_check_that_is_wanted_ends_when_it_comes,
    every_change_has_its_leaf,
);

pub(super) const ADMIN: Actor = Actor { role: Role::Admin, grant_id: None };
const TECHNICIAN: Actor = Actor { role: Role::Technician, grant_id: Some(3) };

pub(super) fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

pub(super) fn entry(tag: &str, site: &str) -> ScopeEntry {
    ScopeEntry {
        tag: tag.to_owned(),
        model: "Fjordbook 14".to_owned(),
        site: site.to_owned(),
        place: "shelf 2".to_owned(),
        from_on: Some(day("2026-01-01")),
        until_on: None,
        is_excluded: false,
        why: String::new(),
    }
}

/// A laptop known from an imported run.
pub(super) async fn imported<S: Store>(store: &S, device_id: &str, digest: u8) {
    let run = RunFacts { provenance: "imported", ..run(device_id, Digest([digest; 32])) };
    store.run_import_batch(vec![run]).await.unwrap();
}

fn run(device_id: &str, digest: Digest) -> RunFacts {
    RunFacts { site: "quay".to_owned(), ..super::facts(device_id, digest) }
}

pub(super) async fn joined<S: Store>(store: &S, seed: u8, tag: &str) -> String {
    let laptop = Laptop::new(seed);
    let (_, mut invite) = new_invite(1, START_MS + 1000);
    tag.clone_into(&mut invite.asset_tag);
    let token_hash = invite.token_hash;
    store.invite_create(invite).await.unwrap();
    let public_key = laptop.identity.public_key();
    let device = NewDevice { device_id: laptop.device_id(), public_key, token_hash, now_ms: START_MS };
    store.device_enrol(device).await.unwrap();
    laptop.device_id()
}

pub(super) fn visit(device_id: &str, actions: &[ServiceAction]) -> NewVisit {
    NewVisit {
        device_id: device_id.to_owned(),
        visited_on: day("2026-01-30"),
        actions: actions.to_vec(),
        minutes: Some(25),
        found: "felt in the fins".to_owned(),
        parts: String::new(),
        note: "loose hinge".to_owned(),
        corrects: None,
        is_withdrawn: false,
        actor: TECHNICIAN,
        now_ms: START_MS,
    }
}

async fn logged<S: Store>(store: &S, visit: NewVisit) -> i64 {
    match store.visit_log(visit).await.unwrap() {
        VisitLogged::Logged { visit_id } => visit_id,
        other => panic!("{other:?}"),
    }
}

async fn services<S: Store>(store: &S) -> Vec<(String, String, &'static str)> {
    let services = store.service_list().await.unwrap();
    services.into_iter().map(|s| (s.device_id, s.serviced_on.to_string(), s.action.name())).collect()
}

async fn a_scope_list_is_taken_once<S: Store>(store: S) {
    let entries = vec![entry("T-1", "north"), entry("T-2", "north")];
    let count = store.scope_import(entries.clone(), ADMIN, START_MS).await.unwrap();
    assert_eq!(count, ScopeCount { n_new: 2, n_changed: 0, n_same: 0 });
    let n_leaves = store.ledger_size().await.unwrap();
    let count = store.scope_import(entries, ADMIN, START_MS + 1).await.unwrap();
    assert_eq!(count, ScopeCount { n_new: 0, n_changed: 0, n_same: 2 });
    assert_eq!(store.ledger_size().await.unwrap(), n_leaves, "nothing changed, nothing was written");
    let changed = vec![ScopeEntry { is_excluded: true, why: "museum".into(), ..entry("T-2", "north") }];
    let count = store.scope_import(changed.clone(), ADMIN, START_MS + 2).await.unwrap();
    assert_eq!(count, ScopeCount { n_new: 0, n_changed: 1, n_same: 0 });
    assert_eq!(store.scope_list().await.unwrap(), [entry("T-1", "north"), changed[0].clone()]);
}

async fn a_tag_moves_and_retires_with_its_history<S: Store>(store: S) {
    store.scope_import(vec![entry("T-1", "north")], ADMIN, START_MS).await.unwrap();
    let change = async |deed: ScopeDeed| {
        store.scope_change("T-1".into(), deed, TECHNICIAN, START_MS + 5).await.unwrap()
    };
    let moved = ScopeDeed::Move { site: "south".into(), place: "shelf 9".into() };
    assert_eq!(
        (change(moved.clone()).await, change(moved.clone()).await),
        (ScopeDone::Done, ScopeDone::Same)
    );
    let retired = ScopeDeed::Retire { last_on: day("2026-03-01"), why: "sold".into() };
    assert_eq!(change(retired).await, ScopeDone::Done);
    let none = store.scope_change("T-9".into(), moved, ADMIN, START_MS).await.unwrap();
    assert_eq!(none, ScopeDone::NoSuchTag);
    let history = store.scope_history("T-1".into()).await.unwrap();
    let changes: Vec<_> =
        history.iter().map(|v| (v.change, v.entry.site.as_str(), v.by_role.as_str())).collect();
    let expected = [
        (ScopeChange::Listed, "north", "admin"),
        (ScopeChange::Moved, "south", "technician"),
        (ScopeChange::Retired, "south", "technician"),
    ];
    assert_eq!(changes, expected);
    let now = store.scope_list().await.unwrap().remove(0);
    assert!(
        now.is_due(day("2026-03-01")) && !now.is_due(day("2026-03-02")) && !now.is_due(day("2025-12-31"))
    );
    assert_eq!((now.place.as_str(), now.why.as_str()), ("shelf 9", "sold"));
}

async fn a_laptop_stands_where_the_list_says<S: Store>(store: S) {
    let device_id = joined(&store, 1, "T-1").await;
    let place = async |id: &str| {
        let laptops = store.laptop_list().await.unwrap();
        let laptop = laptops.into_iter().find(|l| l.device_id == id).unwrap();
        (laptop.asset_tag, laptop.site, laptop.place)
    };
    let stands = |tag: &str, site: &str, place: &str| (tag.to_owned(), site.to_owned(), place.to_owned());
    assert_eq!(place(&device_id).await, stands("T-1", "north", "floor 2"));
    store.scope_import(vec![entry("T-1", "south"), entry("T-2", "quay")], ADMIN, START_MS + 1).await.unwrap();
    assert_eq!(place(&device_id).await, stands("T-1", "south", "shelf 2"));
    // One that joins later is placed by the list at once, whatever its invite says.
    let later = joined(&store, 2, "T-2").await;
    assert_eq!(place(&later).await, stands("T-2", "quay", "shelf 2"));
    // A tag is given to another laptop.
    let assign = ScopeDeed::Assign { device_id: later.clone() };
    let change = store.scope_change("T-1".into(), assign, ADMIN, START_MS - 9).await.unwrap();
    assert_eq!(change, ScopeDone::Done, "a clock that was set back");
    assert_eq!(place(&later).await, stands("T-1", "south", "shelf 2"));
    assert_eq!(place(&device_id).await, stands("", "south", "shelf 2"));
    let nobody = ScopeDeed::Assign { device_id: "nobody".into() };
    assert_eq!(store.scope_change("T-1".into(), nobody, ADMIN, 0).await.unwrap(), ScopeDone::NoSuchLaptop);
}

async fn an_imported_laptop_carries_the_tag_that_is_its_id<S: Store>(store: S) {
    let stands = async |id: &str| {
        let laptop = store.laptop_get(id.to_owned()).await.unwrap().unwrap();
        (laptop.asset_tag, laptop.site)
    };
    let tagged = |tag: &str, site: &str| (tag.to_owned(), site.to_owned());
    imported(&store, "T-1", 1).await;
    assert_eq!(stands("T-1").await, tagged("", "quay"));
    let list = ["T-1", "T-2", "T-3"].map(|tag| entry(tag, "north"));
    store.scope_import(list.to_vec(), ADMIN, START_MS + 1).await.unwrap();
    assert_eq!(stands("T-1").await, tagged("T-1", "north"), "imported before the list was");
    imported(&store, "T-2", 2).await;
    assert_eq!(stands("T-2").await, tagged("T-2", "north"), "imported after it");
    // A tag that a laptop carries is that laptop's, whatever another is called.
    let carrier = joined(&store, 1, "T-3").await;
    imported(&store, "T-3", 3).await;
    assert_eq!(stands("T-3").await, tagged("", "quay"));
    assert_eq!(stands(&carrier).await, tagged("T-3", "north"));
    // One that was given another tag keeps it.
    store.scope_import(vec![entry("T-9", "south")], ADMIN, START_MS + 2).await.unwrap();
    let assign = ScopeDeed::Assign { device_id: "T-2".into() };
    store.scope_change("T-9".into(), assign, ADMIN, START_MS + 3).await.unwrap();
    store.scope_import(vec![entry("T-2", "east")], ADMIN, START_MS + 4).await.unwrap();
    assert_eq!(stands("T-2").await, tagged("T-9", "south"));
}

async fn a_laptop_goes_on_as_another<S: Store>(store: S) {
    let old = joined(&store, 1, "T-1").await;
    for (id, digest) in [("swap-1", 7), ("swap-2", 8)] {
        imported(&store, id, digest).await;
    }
    let service = Service {
        device_id: old.clone(),
        serviced_on: day("2026-01-02"),
        action: ServiceAction::Fan,
        logged: None,
    };
    store.service_import_batch(vec![service], START_MS).await.unwrap();
    logged(&store, visit("swap-1", &[ServiceAction::Clean])).await;
    let merge =
        async |a: &str, b: &str| store.laptop_merge(a.into(), b.into(), ADMIN, START_MS + 9).await.unwrap();
    assert_eq!(merge(&old, "swap-1").await, Merged::Done);
    assert_eq!(merge(&old, "swap-1").await, Merged::Known);
    assert_eq!(merge("swap-1", "swap-2").await, Merged::Done);
    for (a, b) in
        [(old.as_str(), "swap-2"), ("swap-2", old.as_str()), ("swap-2", "swap-2"), ("swap-2", "swap-1")]
    {
        assert_eq!(merge(a, b).await, Merged::Taken, "{a} {b}");
    }
    assert_eq!(merge("swap-2", "nobody").await, Merged::NoSuchLaptop);
    let past = store.laptop_past("swap-2".into()).await.unwrap();
    let before: Vec<_> = past.iter().map(|s| (s.old_device_id.as_str(), s.by_role.as_str())).collect();
    assert_eq!(before, [("swap-1", "admin"), (old.as_str(), "admin")]);
    assert!(store.laptop_past(old.clone()).await.unwrap().is_empty());
    let of = |id: &str| {
        let id = id.to_owned();
        async {
            services(&store).await.into_iter().filter(move |s| s.0 == id).map(|s| s.2).collect::<Vec<_>>()
        }
    };
    assert_eq!(of(&old).await, ["fan"]);
    assert_eq!((of("swap-1").await, of("swap-2").await), (vec!["fan", "clean"], vec!["fan", "clean"]));
    let laptops = store.laptop_list().await.unwrap();
    let get = |id: &str| laptops.iter().find(|l| l.device_id == id).unwrap();
    assert_eq!((get("swap-2").asset_tag.as_str(), get("swap-2").site.as_str()), ("T-1", "north"));
    assert_eq!(get(&old).goes_on_as.as_deref(), Some("swap-1"));
    assert_eq!(store.laptop_find("T-1".into()).await.unwrap(), ["swap-2"]);
}

async fn a_laptop_is_found_by_id_beginning_and_tag<S: Store>(store: S) {
    let device_id = joined(&store, 1, "T-1").await;
    for (id, digest) in [("bench-lab-one", 1), ("bench-lab-two", 2)] {
        imported(&store, id, digest).await;
    }
    let find = async |key: &str| store.laptop_find(key.to_owned()).await.unwrap();
    assert_eq!(find(&device_id).await, std::slice::from_ref(&device_id));
    assert_eq!(find(&device_id[..8]).await, std::slice::from_ref(&device_id));
    assert_eq!(find("T-1").await, std::slice::from_ref(&device_id));
    assert_eq!(find("bench-lab-one").await, ["bench-lab-one"]);
    assert_eq!(find("bench-lab").await.len(), 2);
    for nothing in [&device_id[..7], "", "T-2", "%", "bench-la%"] {
        assert!(find(nothing).await.is_empty(), "{nothing}");
    }
}

async fn visits_become_services<S: Store>(store: S) {
    imported(&store, "LIB-1", 1).await;
    let both = visit("LIB-1", &[ServiceAction::Paste, ServiceAction::Clean, ServiceAction::Paste]);
    let visit_id = logged(&store, both.clone()).await;
    let expected = ["clean", "paste"].map(|a| ("LIB-1".to_owned(), "2026-01-30".to_owned(), a));
    assert_eq!(services(&store).await, expected);
    let again =
        store.visit_log(NewVisit { actions: vec![ServiceAction::Clean, ServiceAction::Paste], ..both }).await;
    assert_eq!(again.unwrap(), VisitLogged::Duplicate { visit_id });
    let nobody = store.visit_log(visit("LIB-2", &[ServiceAction::None])).await.unwrap();
    assert_eq!(nobody, VisitLogged::NoSuchLaptop);
    // The same day, but something else was done: two visits.
    logged(&store, visit("LIB-1", &[ServiceAction::Fan])).await;
    let listed = store.visit_list(Some("LIB-1".into()), 0, 10).await.unwrap();
    assert_eq!(listed.len(), 2);
    assert_eq!(listed[0].actions, [ServiceAction::Clean, ServiceAction::Paste]);
    assert_eq!((listed[0].minutes, listed[0].by_role.as_str()), (Some(25), "technician"));
    assert_eq!(store.visit_list(None, listed[0].visit_id, 10).await.unwrap(), listed[1..]);
    assert_eq!(store.visit_list(None, 0, 1).await.unwrap(), listed[..1]);
    assert!(store.visit_list(Some("LIB-2".into()), 0, 10).await.unwrap().is_empty());
}

async fn a_wrong_visit_is_corrected_by_another_entry<S: Store>(store: S) {
    imported(&store, "LIB-1", 1).await;
    imported(&store, "LIB-2", 2).await;
    let first = logged(&store, visit("LIB-1", &[ServiceAction::Clean])).await;
    let correction = |corrects, actions: &[ServiceAction]| NewVisit {
        corrects: Some(corrects),
        ..visit("LIB-1", actions)
    };
    // The same words once more, as the correction of the minutes.
    let second =
        logged(&store, NewVisit { minutes: Some(40), ..correction(first, &[ServiceAction::Clean]) }).await;
    let outcome = store.visit_log(correction(first, &[ServiceAction::Fan])).await.unwrap();
    assert_eq!(outcome, VisitLogged::CorrectedBefore { visit_id: second });
    for (corrects, device_id) in [(99, "LIB-1"), (second, "LIB-2")] {
        let wrong = NewVisit { device_id: device_id.into(), ..correction(corrects, &[ServiceAction::Fan]) };
        assert_eq!(store.visit_log(wrong).await.unwrap(), VisitLogged::NoSuchVisit);
    }
    let third = logged(&store, correction(second, &[ServiceAction::Fan])).await;
    assert_eq!(services(&store).await, [("LIB-1".to_owned(), "2026-01-30".to_owned(), "fan")]);
    logged(&store, NewVisit { is_withdrawn: true, ..correction(third, &[ServiceAction::Fan]) }).await;
    assert!(services(&store).await.is_empty());
    let all = store.visit_list(None, 0, 10).await.unwrap();
    assert_eq!(all.iter().map(crate::store::facts::Visit::counts).collect::<Vec<_>>(), [false; 4]);
    assert_eq!((all[0].corrected_by, all[1].minutes), (Some(second), Some(40)));
    // What was withdrawn can be logged anew.
    logged(&store, visit("LIB-1", &[ServiceAction::Fan])).await;
}

async fn who_was_serviced_since_a_time_is_told_by_the_last_word<S: Store>(store: S) {
    for n in 1..=3 {
        imported(&store, &format!("LIB-{n}"), n).await;
    }
    let at = |n: u8, now_ms| NewVisit { now_ms, ..visit(&format!("LIB-{n}"), &[ServiceAction::Clean]) };
    let before = logged(&store, at(1, 10)).await;
    let wrong = logged(&store, at(2, 20)).await;
    logged(&store, at(3, 30)).await;
    let since = async |ms| store.serviced_since(ms).await.unwrap();
    assert_eq!(since(10).await, ["LIB-1", "LIB-2", "LIB-3"], "the time itself counts");
    assert_eq!(since(11).await, ["LIB-2", "LIB-3"]);
    // A later correction doesn't make a visit younger, and a withdrawn one never was.
    logged(&store, NewVisit { corrects: Some(before), minutes: Some(9), ..at(1, 40) }).await;
    let taken = logged(&store, NewVisit { corrects: Some(wrong), is_withdrawn: true, ..at(2, 41) }).await;
    assert_eq!(since(11).await, ["LIB-3"]);
    // Unless that was the mistake.
    logged(&store, NewVisit { corrects: Some(taken), minutes: Some(8), ..at(2, 42) }).await;
    assert_eq!(since(11).await, ["LIB-2", "LIB-3"]);
    assert!(since(31).await.is_empty());
}

async fn erased_text_is_gone<S: Store>(store: S) {
    imported(&store, "LIB-1", 1).await;
    let first = logged(&store, visit("LIB-1", &[ServiceAction::Clean])).await;
    let corrected = NewVisit { corrects: Some(first), ..visit("LIB-1", &[ServiceAction::Fan]) };
    let second = logged(&store, corrected).await;
    let n_leaves = store.ledger_size().await.unwrap();
    let erase = async |what| store.text_erase(what, ADMIN, START_MS + 1).await.unwrap().n_entries();
    assert_eq!(erase(Erasing::Visit(second)).await, 2);
    assert_eq!(erase(Erasing::Visit(99)).await, 0);
    let all = store.visit_list(None, 0, 10).await.unwrap();
    assert!(all.iter().all(|v| v.found.is_empty() && v.note.is_empty()), "{all:?}");
    let events = store.ledger_event_list(n_leaves, 10).await.unwrap();
    assert_eq!(events.iter().map(|e| e.leaf.kind.as_str()).collect::<Vec<_>>(), ["erasure"; 2]);

    let hold = NewMark {
        device_id: "LIB-1".to_owned(),
        kind: MarkKind::Hold,
        why: "bulging battery".to_owned(),
        until_ms: None,
        actor: ADMIN,
        now_ms: START_MS,
    };
    assert_eq!(store.mark_set(hold).await.unwrap(), Marked::Set);
    let reasons = || Erasing::Reasons("LIB-1".to_owned());
    assert_eq!((erase(reasons()).await, erase(reasons()).await), (1, 0));
    let open = store.mark_list(None, START_MS).await.unwrap();
    assert!(open.len() == 1 && open[0].why == ERASED_REASON, "it still holds: {open:?}");
}

async fn marks_begin_and_end<S: Store>(store: S) {
    imported(&store, "LIB-1", 1).await;
    let mark = |kind, until_ms| NewMark {
        device_id: "LIB-1".to_owned(),
        kind,
        why: "bulging battery".to_owned(),
        until_ms,
        actor: ADMIN,
        now_ms: START_MS,
    };
    let open = async |now_ms| {
        let marks = store.mark_list(None, now_ms).await.unwrap();
        marks.into_iter().map(|m| (m.kind, m.until_ms)).collect::<Vec<_>>()
    };
    assert_eq!(store.mark_set(mark(MarkKind::Hold, None)).await.unwrap(), Marked::Set);
    assert_eq!(store.mark_set(mark(MarkKind::Snooze, Some(START_MS + 50))).await.unwrap(), Marked::Set);
    assert_eq!(store.mark_set(mark(MarkKind::Snooze, Some(START_MS + 90))).await.unwrap(), Marked::Set);
    let both = [(MarkKind::Hold, None), (MarkKind::Snooze, Some(START_MS + 90))];
    assert_eq!(open(START_MS + 89).await, both);
    assert_eq!(open(START_MS + 90).await, both[..1]);
    let end = async |kind| store.mark_end("LIB-1".into(), kind, ADMIN, START_MS + 95).await.unwrap();
    assert!(end(MarkKind::Hold).await && !end(MarkKind::Hold).await);
    assert!(open(START_MS + 96).await.is_empty());
    let check = store.mark_set(mark(MarkKind::Check, Some(START_MS + 99))).await.unwrap();
    assert_eq!(check, Marked::CannotBeAsked, "it never joined");
    let nobody = NewMark { device_id: "nobody".to_owned(), ..mark(MarkKind::Hold, None) };
    assert_eq!(store.mark_set(nobody).await.unwrap(), Marked::NoSuchLaptop);
}

async fn a_check_that_is_wanted_ends_when_it_comes<S: Store>(store: S) {
    let device_id = joined(&store, 1, "").await;
    let mark = NewMark {
        device_id: device_id.clone(),
        kind: MarkKind::Check,
        why: String::new(),
        until_ms: Some(START_MS + 1000),
        actor: TECHNICIAN,
        now_ms: START_MS + 1,
    };
    let wanted = async || store.device_get(device_id.clone()).await.unwrap().unwrap().check_wanted_by_ms;
    assert_eq!(store.mark_set(mark.clone()).await.unwrap(), Marked::Set);
    assert_eq!(wanted().await, Some(START_MS + 1000));
    let laptop = Laptop::new(1);
    let record = |sequence: u64, tested_at_ms, outcome: &str| NewRecord {
        facts: RunFacts {
            tested_at_ms,
            outcome: outcome.to_owned(),
            provenance: "emulated",
            site: String::new(),
            ..run(&device_id, Digest([sequence as u8; 32]))
        },
        sequence,
        previous: Digest([0; 32]),
        root: chain::root(&device_id, &laptop.identity.public_key()),
        header_json: b"{}".to_vec(),
    };
    // One that was made before it was asked for, and one that didn't begin.
    for (sequence, tested_at_ms, outcome) in [(1, START_MS, "complete"), (2, START_MS + 2, "not_started")] {
        store.record_append_batch(vec![record(sequence, tested_at_ms, outcome)]).await.unwrap();
        assert_eq!(wanted().await, Some(START_MS + 1000));
    }
    store.record_append_batch(vec![record(3, START_MS + 2, "complete")]).await.unwrap();
    assert_eq!(wanted().await, None);
    assert!(store.mark_list(Some(device_id.clone()), START_MS + 3).await.unwrap().is_empty());
    store.mark_set(mark.clone()).await.unwrap();
    assert!(store.mark_end(device_id.clone(), MarkKind::Check, ADMIN, START_MS + 4).await.unwrap());
    assert_eq!(wanted().await, None);
    store.device_revoke(device_id.clone(), START_MS + 5).await.unwrap();
    assert_eq!(store.mark_set(mark).await.unwrap(), Marked::CannotBeAsked);
}

async fn every_change_has_its_leaf<S: Store>(store: S) {
    let device_id = joined(&store, 1, "T-1").await;
    store.scope_import(vec![entry("T-1", "south")], ADMIN, START_MS).await.unwrap();
    logged(&store, visit(&device_id, &[ServiceAction::Clean])).await;
    for (kind, until_ms) in [(MarkKind::Hold, None), (MarkKind::Snooze, Some(9)), (MarkKind::Check, Some(9))]
    {
        let mark = NewMark {
            device_id: device_id.clone(),
            kind,
            why: "a secret reason".to_owned(),
            until_ms,
            actor: ADMIN,
            now_ms: START_MS,
        };
        store.mark_set(mark).await.unwrap();
    }
    let events = store.ledger_event_list(0, 100).await.unwrap();
    let kinds: Vec<_> = events.iter().map(|e| e.leaf.kind.as_str()).collect();
    let expected = [
        LeafKind::Enrolment,
        LeafKind::Scope,
        LeafKind::Placing,
        LeafKind::Visit,
        LeafKind::Hold,
        LeafKind::Snooze,
        LeafKind::CheckWanted,
    ];
    assert_eq!(kinds, expected.map(LeafKind::name));
    let said: String = events.iter().map(|e| String::from_utf8(e.body.clone()).unwrap()).collect();
    for personal in ["T-1", "south", "shelf", "felt", "hinge", "secret"] {
        assert!(!said.contains(personal), "{personal}: {said}");
    }
}

#[tokio::test]
async fn nothing_erased_stays_in_the_file_once_it_is_compacted() {
    let folder = tempfile::TempDir::new().unwrap();
    let path = folder.path().join("hub.sqlite");
    let store = SqlStore::open_file(&path).await.unwrap();
    // Enough, and in such an order, that pages are split and leave copies behind.
    for n in 0..400 {
        let site = if n % 3 == 0 { "Quay Street" } else { "Mill Lane" };
        let listed = vec![entry(&format!("Q-{:03}", (n * 171) % 400), site)];
        store.scope_import(listed, ADMIN, START_MS).await.unwrap();
    }
    // A reader beside it, as a hub that serves is one.
    let beside = SqlStore::open_file(&path).await.unwrap();
    let what = Erasing::Site("Quay Street".to_owned());
    assert_eq!(store.text_erase(what, ADMIN, START_MS + 1).await.unwrap().n_entries(), 134);
    store.store_compact().await.unwrap();
    assert_eq!(beside.scope_list().await.unwrap().len(), 400);
    for entry in std::fs::read_dir(folder.path()).unwrap() {
        let bytes = std::fs::read(entry.unwrap().path()).unwrap();
        assert!(!bytes.windows(11).any(|w| w == b"Quay Street"));
    }
    beside.store_close().await;
    store.store_close().await;
}
