//! What every store must do with rounds.

use chrono::NaiveDate;
use windrow_model::record::Digest;
use windrow_model::trace::fleet::ServiceAction;

use crate::access::Role;
use crate::rounds::hours::{Hours, Stock, Stocked};
use crate::store::facts::Actor;
use crate::store::rounds::{BookedVisit, RoundsStore as _, SiteDay, StoredCosts, StoredPlan};
use crate::store::sql::SqlStore;
use crate::store::{LedgerStore as _, Store};
use crate::testing::START_MS;

conformance!(
    what_is_taken_stays_until_it_is_taken_anew,
    a_day_keeps_its_name_and_its_sequence_rises_with_every_change,
    a_booking_is_replaced_and_ends,
    costs_are_those_that_were_set_last,
);

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

async fn what_is_taken_stays_until_it_is_taken_anew(store: SqlStore) {
    assert_eq!(store.round_input_get().await.unwrap(), (Hours::new(), Stock::new()));
    let on = |site: &str, date: &str, minutes| ((site.to_owned(), day(date)), minutes);
    store
        .round_hours_put(Hours::from([on("north", "2026-02-02", 300), on("south", "2026-02-02", 60)]))
        .await
        .unwrap();
    store.round_hours_put(Hours::from([on("north", "2026-02-02", 0)])).await.unwrap();
    let fans = |n| Stock::from([(("fan".to_owned(), "*".to_owned()), Stocked { in_stock: n, lead_days: 4 })]);
    store.round_stock_put(fans(3)).await.unwrap();
    store.round_stock_put(fans(2)).await.unwrap();
    let expected = Hours::from([on("north", "2026-02-02", 0), on("south", "2026-02-02", 60)]);
    assert_eq!(store.round_input_get().await.unwrap(), (expected, fans(2)));
}

async fn costs_are_those_that_were_set_last(store: SqlStore) {
    assert_eq!(store.costs_get().await.unwrap(), None);
    let actor = Actor { role: Role::Admin, grant_id: Some(1) };
    for (revision, toml) in [(1, "outage = 300"), (2, "outage = 500")] {
        store.costs_put(toml.to_owned(), actor, 7).await.unwrap();
        let expected = StoredCosts { revision, toml: toml.to_owned(), set_at_ms: 7 };
        assert_eq!(store.costs_get().await.unwrap(), Some(expected));
    }
}

async fn a_day_keeps_its_name_and_its_sequence_rises_with_every_change(store: SqlStore) {
    assert_eq!(store.round_plan_get().await.unwrap(), None);
    assert_eq!(store.round_plan_version().await.unwrap(), None);
    let site_day = |site: &str, date: &str, digest| SiteDay {
        site: site.to_owned(),
        day: day(date),
        digest: Digest([digest; 32]),
    };
    let put = async |at_ms, from: &str, days: Vec<SiteDay>| {
        let plan = StoredPlan { made_at_ms: at_ms, plan_json: format!("{{\"at\":{at_ms}}}") };
        store.round_plan_put(plan.clone(), day(from), days).await.unwrap();
        assert_eq!(store.round_plan_get().await.unwrap(), Some(plan));
        let events = store.round_event_list().await.unwrap();
        events
            .into_iter()
            .map(|e| (e.site, e.sequence, e.is_cancelled, e.changed_at_ms, e.uid))
            .collect::<Vec<_>>()
    };
    let n_leaves = store.ledger_size().await.unwrap();
    let one =
        put(1, "2026-02-01", vec![site_day("north", "2026-02-02", 1), site_day("south", "2026-02-02", 2)])
            .await;
    assert_eq!(
        one.iter().map(|e| (&e.0[..], e.1, e.2, e.3)).collect::<Vec<_>>(),
        [("north", 0, false, 1), ("south", 0, false, 1)]
    );
    assert_ne!(one[0].4, one[1].4);
    let same =
        put(2, "2026-02-01", vec![site_day("north", "2026-02-02", 1), site_day("south", "2026-02-02", 2)])
            .await;
    assert_eq!(same, one, "nothing changed");
    let changed = put(3, "2026-02-01", vec![site_day("north", "2026-02-02", 9)]).await;
    assert_eq!(changed.iter().map(|e| (e.1, e.2, e.3)).collect::<Vec<_>>(), [(1, false, 3), (1, true, 3)]);
    let again = put(4, "2026-02-01", vec![site_day("south", "2026-02-02", 2)]).await;
    assert_eq!(again.iter().map(|e| (e.1, e.2, e.3)).collect::<Vec<_>>(), [(2, true, 4), (2, false, 4)]);
    assert!(again.iter().zip(&one).all(|(a, b)| a.4 == b.4), "names are for ever");
    let later = put(5, "2026-02-03", vec![]).await;
    assert_eq!(later, again, "days that are past stay as they were");
    assert_eq!(store.round_plan_version().await.unwrap(), Some(5));
    assert_eq!(store.ledger_size().await.unwrap(), n_leaves, "intentions have no leaf");
}

async fn a_booking_is_replaced_and_ends(store: SqlStore) {
    let booking = |device_id: &str, date: &str, actions: &[ServiceAction]| BookedVisit {
        device_id: device_id.to_owned(),
        day: day(date),
        actions: actions.to_vec(),
        booked_at_ms: START_MS,
    };
    let actor = Actor { role: Role::Technician, grant_id: None };
    let first = booking("a", "2026-02-02", &[ServiceAction::Clean, ServiceAction::Paste]);
    store.booking_put(vec![first, booking("b", "2026-02-02", &[])], actor).await.unwrap();
    let moved = booking("a", "2026-02-04", &[ServiceAction::Fan]);
    store.booking_put(vec![moved.clone()], actor).await.unwrap();
    assert_eq!(store.booking_list().await.unwrap(), [moved, booking("b", "2026-02-02", &[])]);
    assert_eq!(store.booking_end(vec!["a".to_owned(), "nobody".to_owned()]).await.unwrap(), 1);
    assert_eq!(store.booking_list().await.unwrap().len(), 1);
}
