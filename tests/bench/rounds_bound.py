"""Asks a general solver how good a plan can be: scipy's HiGHS proves a bound for each problem, and every plan is checked
by rules written here anew. Fails where a plan breaks a rule, or is more than 2 % below the bound.

usage: rounds_bound.py FILE.json [SECONDS A PROBLEM]
"""

import json
import sys

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

MAX_GAP = 0.02


def pairs(problem):
    for i, item in enumerate(problem["items"]):
        for s, slot in enumerate(problem["slots"]):
            if item["site"] == slot["site"]:
                yield i, s


def value(problem, item, slot):
    days_left = max(0.0, problem["horizon_days"] - slot["day"])
    return item["benefit_per_day"] * days_left - item["cost"]


def needs(problem, item, slot):
    return [p for p in item["parts"] if slot["day"] < problem["parts"][p]["arrival"]]


def proven_bound(problem, seconds):
    """Columns: x for each laptop and day of its site, then y for each day at a site."""
    items, slots, parts = problem["items"], problem["slots"], problem["parts"]
    columns = list(pairs(problem))
    n_x, n_y = len(columns), len(slots)
    worth = [value(problem, items[i], slots[s]) for i, s in columns] + [-s["trip_cost"] for s in slots]
    row, column, entry, upper = [], [], [], []

    def add(terms, limit):
        for c, e in terms:
            row.append(len(upper)), column.append(c), entry.append(e)
        upper.append(limit)

    of_item = [[] for _ in items]
    of_slot = [[] for _ in slots]
    for c, (i, s) in enumerate(columns):
        of_item[i].append(c)
        of_slot[s].append(c)
    for cs in of_item:
        add([(c, 1) for c in cs], 1)
    for s, slot in enumerate(slots):
        free = max(0, slot["minutes"] - slot["trip_minutes"])
        add([(c, items[columns[c][0]]["minutes"]) for c in of_slot[s]] + [(n_x + s, -free)], 0)
        add([(c, 1) for c in of_slot[s]] + [(n_x + s, -slot["max_visits"])], 0)
    for p, part in enumerate(parts):
        users = [c for c, (i, s) in enumerate(columns) if p in needs(problem, items[i], slots[s])]
        add([(c, 1) for c in users], part["stock"])
    matrix = coo_array((entry, (row, column)), shape=(len(upper), n_x + n_y)).tocsr()
    # Nobody is sent to a laptop while it is snoozed.
    most = np.ones(n_x + n_y)
    most[[c for c, (i, s) in enumerate(columns) if slots[s]["day"] < items[i]["earliest"]]] = 0
    # x ≤ y for each pair, apart: the bound is far better with it.
    k = np.arange(n_x)
    link = coo_array(
        (np.concatenate([np.ones(n_x), -np.ones(n_x)]), (np.concatenate([k, k]), np.concatenate([k, n_x + np.array([s for _, s in columns])]))),
        shape=(n_x, n_x + n_y),
    ).tocsr()
    result = milp(
        -np.array(worth),
        constraints=[LinearConstraint(matrix, ub=np.array(upper)), LinearConstraint(link, ub=np.zeros(n_x))],
        integrality=np.ones(n_x + n_y),
        bounds=Bounds(0, most),
        options={"time_limit": seconds, "mip_rel_gap": 1e-3},
    )
    return -result.mip_dual_bound, -result.fun if result.x is not None else float("nan")


def checked_benefit(problem, assignment):
    items, slots, parts = problem["items"], problem["slots"], problem["parts"]
    minutes, visits, early = [0] * len(slots), [0] * len(slots), [0] * len(parts)
    total = 0.0
    for item, s in zip(items, assignment, strict=True):
        if s is None:
            continue
        slot = slots[s]
        assert slot["site"] == item["site"], "a laptop is served at another site"
        assert slot["day"] >= item["earliest"], "a laptop is served while it is snoozed"
        minutes[s] += item["minutes"]
        visits[s] += 1
        total += value(problem, item, slot)
        for p in needs(problem, item, slot):
            early[p] += 1
    for s, slot in enumerate(slots):
        if visits[s]:
            assert minutes[s] + slot["trip_minutes"] <= slot["minutes"], "a day is too long"
            assert visits[s] <= slot["max_visits"], "more visits than spare units"
            total -= slot["trip_cost"]
    assert all(n <= p["stock"] for n, p in zip(early, parts, strict=True)), "more parts than in stock"
    return total


def main():
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 120.0
    with open(sys.argv[1], encoding="utf-8") as file:
        cases = json.load(file)
    worst = 0.0
    for case in cases:
        found = checked_benefit(case["problem"], case["assignment"])
        assert abs(found - case["benefit"]) < 1e-6 * max(1.0, abs(found)), "the benefit told is not the plan's"
        bound, best = proven_bound(case["problem"], seconds)
        gap = 1 - found / bound
        worst = max(worst, gap)
        # A bound of ours below what the solver found would be no bound.
        assert case["bound"] >= best * (1 - 1e-6), f"our bound {case['bound']} is below a plan of {best}"
        print(
            f"{case['name']:20} {len(case['problem']['items']):4} laptops  plan {found:10.1f} in {case['seconds']:.2f} s"
            f"  solver's plan {best:10.1f}  solver's bound {bound:10.1f}  gap {100 * gap:.2f} %"
            f"  our bound {100 * (case['bound'] / bound - 1):+.2f} %",
            flush=True,
        )
    print(f"worst: {100 * worst:.2f} % below the solver's bound (limit {100 * MAX_GAP:.0f} %)")
    sys.exit(worst > MAX_GAP)


if __name__ == "__main__":
    main()
