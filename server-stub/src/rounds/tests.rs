use std::fmt::Write as _;

use super::hours::{parse_hours, parse_stock};
use super::*;

const FROM: &str = "2026-02-02";

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn order() -> Order {
    Order::fresh(day(FROM), 10)
}

fn candidate(n: usize, clogged: f64, fan: f64) -> Candidate {
    Candidate {
        not_before: None,
        device_id: format!("LIB-{n:03}"),
        site: ["north", "south", "hall"][n % 3].to_owned(),
        model: "Fjordbook 14".to_owned(),
        advice: Advice::of(FaultProbabilities { clogged, fan, contact: 0.02 }, &Costs::default()),
    }
}

/// 200 laptops whose probabilities are spread by two irrational steps: no two alike, the same every time.
fn fleet() -> Vec<Candidate> {
    let part = |n: usize, by: f64| (n as f64 * by).fract();
    (0..200).map(|n| candidate(n, part(n, 0.618_034), part(n, 0.414_214) * 0.8)).collect()
}

fn hours(minutes_of: impl Fn(u32) -> f64) -> Hours {
    let mut text = "site,date,hours\n".to_owned();
    for site in ["north", "south", "hall"] {
        for n in 0..10_u32 {
            let _ =
                writeln!(text, "{site},{},{}", day(FROM) + chrono::Days::new(n.into()), minutes_of(n) / 60.0);
        }
    }
    parse_hours(&text).unwrap()
}

fn booking(on: NaiveDate) -> Booking {
    Booking { day: on, actions: vec![ServiceAction::Clean] }
}

fn stock() -> Stock {
    parse_stock("part,model,in_stock,lead_days\nfan,Fjordbook 14,12,4\n").unwrap()
}

fn days_of(plan: &Plan) -> BTreeMap<String, NaiveDate> {
    plan.visits.iter().map(|v| (v.device_id.clone(), v.day)).collect()
}

fn minutes_on(plan: &Plan, site: &str, on: NaiveDate) -> f64 {
    plan.visits.iter().filter(|v| v.site == site && v.day == on).map(|v| v.work.minutes.ceil()).sum()
}

#[test]
fn a_plan_keeps_hours_parts_and_one_visit_a_laptop_and_comes_near_its_bound() {
    let costs = Costs::default();
    let plan = plan(&fleet(), &hours(|_| 300.0), &stock(), &costs, &order());
    assert_eq!(days_of(&plan).len(), plan.visits.len());
    for site in ["north", "south", "hall"] {
        for n in 0..10 {
            let on = day(FROM) + chrono::Days::new(n);
            assert!(
                minutes_on(&plan, site, on) + 45.0 <= 300.0 || minutes_on(&plan, site, on) == 0.0,
                "{site} {on}"
            );
        }
    }
    let fans_before_arrival = plan
        .visits
        .iter()
        .filter(|v| v.work.actions.contains(&ServiceAction::Fan) && v.day < day("2026-02-06"))
        .count();
    assert!(fans_before_arrival <= 12, "{fans_before_arrival}");
    assert!(!plan.waiting.is_empty() && plan.waiting[0].waiting_cost > 0.0);
    assert!(
        plan.benefit <= plan.bound && plan.benefit > 0.98 * plan.bound,
        "{} of {}",
        plan.benefit,
        plan.bound
    );
}

#[test]
fn the_order_of_the_input_makes_no_difference() {
    let costs = Costs::default();
    let plan_of = |fleet: &[Candidate]| plan(fleet, &hours(|_| 300.0), &stock(), &costs, &order());
    let mut turned = fleet();
    turned.reverse();
    assert_eq!(plan_of(&fleet()), plan_of(&turned));
}

#[test]
fn a_small_change_moves_few_and_booked_ones_stay() {
    let costs = Costs::default();
    let first = plan(&fleet(), &hours(|_| 300.0), &stock(), &costs, &order());
    let before = days_of(&first);
    let mut changed = fleet();
    let gone = changed.remove(17).device_id;
    changed.push(candidate(999, 0.9, 0.7));
    let booked: BTreeMap<String, Booking> =
        before.iter().take(5).map(|(d, on)| (d.clone(), booking(*on))).collect();
    let again = Order { before: before.clone(), booked: booked.clone(), ..order() };
    let second = plan(&changed, &hours(|_| 300.0), &stock(), &costs, &again);
    let after = days_of(&second);
    let moved = before.iter().filter(|(device, on)| **device != gone && after.get(*device) != Some(on));
    let moved: Vec<_> = moved.collect();
    assert!(moved.len() <= 3, "{} of {} moved: {moved:?}", moved.len(), before.len());
    for (device, booked) in &booked {
        assert_eq!(after.get(device), Some(&booked.day));
    }
    assert_eq!(second.visits.iter().filter(|v| v.why == Why::Booked).count(), booked.len());
}

#[test]
fn the_same_input_again_moves_nobody() {
    let costs = Costs::default();
    let first = plan(&fleet(), &hours(|_| 300.0), &stock(), &costs, &order());
    let again = Order { before: days_of(&first), ..order() };
    assert_eq!(days_of(&plan(&fleet(), &hours(|_| 300.0), &stock(), &costs, &again)), days_of(&first));
}

#[test]
fn a_booking_is_kept_though_nothing_is_known_any_more_and_one_that_cannot_be_kept_is_told() {
    let costs = Costs::default();
    let unknown = Candidate { advice: Advice::CheckAgain, ..candidate(1, 0.0, 0.0) };
    let booked = BTreeMap::from([
        ("LIB-001".to_owned(), booking(day("2026-02-04"))),
        ("LIB-002".to_owned(), booking(day("2026-01-30"))),
        ("LIB-003".to_owned(), booking(day("2026-02-04"))),
        ("LIB-004".to_owned(), booking(day("2026-02-05"))),
    ]);
    let order = Order { booked, ..order() };
    let minutes = |n| if n == 3 { 0.0 } else { 300.0 };
    let fleet = [unknown, candidate(2, 0.9, 0.0), candidate(4, 0.0, 0.0)];
    let mut hours = hours(minutes);
    hours.retain(|(_, on), _| *on != day("2026-02-05"));
    let plan = plan(&fleet, &hours, &Stock::new(), &costs, &order);
    let of = |device: &str| plan.visits.iter().find(|v| v.device_id == device).map(|v| (v.day, v.why));
    assert_eq!(of("LIB-001"), Some((day("2026-02-04"), Why::Booked)));
    assert_eq!(
        of("LIB-002"),
        Some((day(FROM), Why::Benefit)),
        "what was not done in January is planned anew"
    );
    let unkept: Vec<&str> = plan.unkept.iter().map(|v| v.device_id.as_str()).collect();
    assert_eq!(unkept, ["LIB-003", "LIB-004"], "gone from the fleet; nobody is there that day");
    assert_eq!(of("LIB-004"), None, "told once");
}

#[test]
fn bookings_before_and_after_the_plan_stay_where_somebody_is_there() {
    let booked = BTreeMap::from([
        ("LIB-001".to_owned(), booking(day("2026-01-31"))),
        ("LIB-002".to_owned(), booking(day("2026-02-12"))),
        ("LIB-003".to_owned(), booking(day("2026-01-29"))),
        ("LIB-004".to_owned(), booking(day("2026-02-13"))),
    ]);
    let order = Order { booked, today: day("2026-01-30"), ..order() };
    let fleet = [1, 2, 3, 4].map(|n| candidate(n, 0.9, 0.0));
    let mut hours = hours(|_| 300.0);
    let within = plan(
        &fleet[2..3],
        &hours,
        &stock(),
        &Costs::default(),
        &Order { booked: BTreeMap::new(), ..order.clone() },
    );
    hours.extend(
        [(1, "2026-01-31"), (2, "2026-02-12")].map(|(n, on)| ((fleet[n - 1].site.clone(), day(on)), 60)),
    );
    let plan = plan(&fleet, &hours, &stock(), &Costs::default(), &order);
    let of = |device: &str| plan.visits.iter().find(|v| v.device_id == device).map(|v| (v.day, v.why));
    assert_eq!(of("LIB-001"), Some((day("2026-01-31"), Why::Booked)));
    assert_eq!(of("LIB-002"), Some((day("2026-02-12"), Why::Booked)));
    assert_eq!(of("LIB-003").map(|(_, why)| why), Some(Why::Benefit), "that booking is past");
    let unkept: Vec<&str> = plan.unkept.iter().map(|v| v.device_id.as_str()).collect();
    assert_eq!(unkept, ["LIB-004"], "nobody is there that day");
    assert!(plan.waiting.is_empty());
    assert!(
        (plan.benefit, plan.bound) == (within.benefit, within.bound),
        "what is booked is no merit of the plan"
    );
}

#[test]
fn who_cannot_be_judged_is_checked_again_and_who_is_well_is_left_alone() {
    let costs = Costs::default();
    let unknown = Candidate { advice: Advice::CheckAgain, ..candidate(1, 0.0, 0.0) };
    let plan = plan(&[unknown, candidate(2, 0.02, 0.02)], &hours(|_| 300.0), &stock(), &costs, &order());
    assert_eq!(plan.retests, ["LIB-001"]);
    assert!(plan.visits.is_empty() && plan.waiting.is_empty());
}

#[test]
fn random_visits_are_marked_and_only_where_asked_for() {
    let costs = Costs::default();
    let mut fleet = fleet();
    fleet.extend((300..330).map(|n| candidate(n, 0.02, 0.02)));
    let n_random = |n| {
        let plan = plan(&fleet, &hours(|_| 480.0), &stock(), &costs, &Order { n_random: n, ..order() });
        plan.visits.iter().filter(|v| v.why == Why::Random).count()
    };
    assert_eq!(n_random(0), 0);
    assert!((1..=3).contains(&n_random(3)));
}

#[test]
fn nobody_goes_on_a_day_off_and_spare_units_limit_the_day() {
    let costs = crate::costs::parse(
        "days_off = [2026-02-03]\n[site.north]\nspare_units = 2\ndays_off = [2026-02-04]\n",
    )
    .unwrap();
    let plan = plan(&fleet(), &hours(|_| 300.0), &stock(), &costs, &order());
    let n_at =
        |site: &str, on: &str| plan.visits.iter().filter(|v| v.site == site && v.day == day(on)).count();
    assert_eq!((n_at("south", "2026-02-03"), n_at("north", "2026-02-04")), (0, 0));
    assert!(n_at("south", "2026-02-04") > 2);
    assert!((2..12).all(|d| n_at("north", &format!("2026-02-{d:02}")) <= 2));
}

#[test]
fn fans_without_stock_wait_for_their_arrival_and_are_ordered() {
    let costs = Costs::default();
    let plan = plan(&[candidate(3, 0.0, 0.9)], &hours(|_| 300.0), &Stock::new(), &costs, &order());
    assert_eq!(plan.visits[0].day, day("2026-02-09"), "seven days after the order");
    let ordered = &plan.orders[0];
    assert_eq!((ordered.n_planned, ordered.n_waiting, ordered.part, ordered.lead_days), (1, 0, "fan", 7));
}

#[test]
fn who_waits_is_told_why() {
    let why = |hours: &Hours, stock: &Stock, costs: &Costs, of: &[Candidate]| -> BTreeMap<String, WaitsFor> {
        let plan = plan(of, hours, stock, costs, &order());
        plan.waiting.into_iter().map(|w| (w.device_id, w.waits_for)).collect()
    };
    let costs = |text: &str| crate::costs::parse(text).unwrap();
    let (usual, no_stock) = (Costs::default(), Stock::new());
    let (one, two) = ([candidate(3, 0.95, 0.0)], [candidate(3, 0.95, 0.0), candidate(6, 0.9, 0.0)]);
    let only = |site: &str, minutes: u32| {
        parse_hours(&format!("site,date,hours\n{site},{FROM},{}\n", f64::from(minutes) / 60.0)).unwrap()
    };
    let of_first = |told: BTreeMap<String, WaitsFor>| told.values().copied().collect::<Vec<_>>();
    assert_eq!(of_first(why(&only("hall", 300), &no_stock, &usual, &one)), [WaitsFor::Hours]);
    let fan = [candidate(3, 0.0, 0.95)];
    assert_eq!(of_first(why(&only("north", 300), &no_stock, &usual, &fan)), [WaitsFor::Part]);
    assert_eq!(of_first(why(&only("north", 90), &no_stock, &usual, &two)), [WaitsFor::Minutes]);
    let one_unit = costs("[site.north]\nspare_units = 1\n");
    assert_eq!(of_first(why(&only("north", 300), &no_stock, &one_unit, &two)), [WaitsFor::SpareUnit]);
    let far = costs("[site.north]\ntrip_money = 5000\n");
    assert_eq!(of_first(why(&only("north", 300), &no_stock, &far, &one)), [WaitsFor::Company]);
}

#[test]
fn a_snoozed_laptop_is_visited_from_the_day_after_and_booked_ones_not_before() {
    let mut candidates = fleet();
    let free_from = day(FROM) + chrono::Days::new(6);
    let is_snoozed = |c: &Candidate| c.device_id.ends_with('7');
    for c in candidates.iter_mut().filter(|c| is_snoozed(c)) {
        c.not_before = Some(free_from);
    }
    let (hours, stock, costs) = (hours(|_| 300.0), stock(), Costs::default());
    let plan = |order: &Order| super::plan(&candidates, &hours, &stock, &costs, order);
    let fresh = plan(&order());
    let snoozed: Vec<&Visit> = fresh.visits.iter().filter(|v| v.device_id.ends_with('7')).collect();
    assert!(snoozed.len() > 5 && snoozed.iter().all(|v| v.day >= free_from), "{snoozed:?}");
    assert!(fresh.visits.iter().any(|v| v.day < free_from), "others go on meanwhile");
    let share = fresh.benefit / fresh.bound;
    assert!(share > 0.98 && share <= 1.0 + 1e-9, "{share}");
    let problem = problem_of(&candidates, &hours, &stock, &costs, &order());
    let solution = solve(&problem);
    assert_eq!(problem.check(&solution.assignment), Ok(()));
    // The plan before had them earlier, and two are booked.
    let early = candidates.iter().map(|c| (c.device_id.clone(), day(FROM))).collect();
    let booked = BTreeMap::from([
        ("LIB-007".to_owned(), booking(day(FROM) + chrono::Days::new(5))),
        ("LIB-017".to_owned(), booking(free_from)),
    ]);
    let again = plan(&Order { before: early, booked, ..order() });
    assert!(again.visits.iter().filter(|v| v.device_id.ends_with('7')).all(|v| v.day >= free_from));
    assert_eq!(again.unkept.iter().map(|v| v.device_id.as_str()).collect::<Vec<_>>(), ["LIB-007"]);
    assert_eq!(days_of(&again)["LIB-017"], free_from);
}

#[test]
fn what_was_made_today_takes_its_minutes_first() {
    let order = |n_made: usize| Order {
        n_days: 1,
        made: vec![Made { site: "north".to_owned(), day: day(FROM), minutes: 40 }; n_made],
        ..order()
    };
    let fleet = [candidate(3, 0.95, 0.0), candidate(6, 0.9, 0.0)];
    let n_planned = |n_made| {
        let plan = plan(&fleet, &hours(|_| 150.0), &Stock::new(), &Costs::default(), &order(n_made));
        plan.visits.len()
    };
    // 150 minutes, 45 of them for the trip; cleaning takes 37.
    assert_eq!([0, 1, 2].map(n_planned), [2, 1, 0]);
}

#[test]
fn a_snooze_past_the_plan_leaves_a_booking_after_it_and_asks_for_no_check() {
    let snoozed = |n, to: &str| Candidate { not_before: Some(day(to)), ..candidate(n, 0.9, 0.0) };
    let booked = ["LIB-001", "LIB-002"].map(|id| (id.to_owned(), booking(day("2026-02-14"))));
    let order = Order { booked: BTreeMap::from(booked), ..order() };
    let mut hours = hours(|_| 300.0);
    hours.extend(["north", "south", "hall"].map(|site| ((site.to_owned(), day("2026-02-14")), 300)));
    let untold = Candidate { advice: Advice::CheckAgain, ..snoozed(4, "2026-02-04") };
    let fleet = [snoozed(1, "2026-02-14"), snoozed(2, "2026-02-15"), snoozed(3, "2026-02-12"), untold];
    let plan = plan(&fleet, &hours, &stock(), &Costs::default(), &order);
    assert_eq!(days_of(&plan), BTreeMap::from([("LIB-001".to_owned(), day("2026-02-14"))]));
    assert_eq!(plan.unkept.iter().map(|v| &v.device_id[..]).collect::<Vec<_>>(), ["LIB-002"]);
    assert!(plan.waiting.is_empty() && plan.retests.is_empty(), "{plan:?}");
}
