#!/usr/bin/env python3
"""How often the 90 % intervals hold the truth, over all runs and by what disturbed them.

    judge_fleet FOLDER RANKING.csv --runs RUNS.csv
    interval_coverage.py --truth TRUTH.csv [TRUTH.csv ...] --runs RUNS.csv [RUNS.csv ...]

Truth: one row a run with device_id, tested_at, airflow_fraction, fan_rpm_factor, paste_multiplier, confounders
(separated by `;`). Kinds of fewer than 100 runs are left out. "Judged" is the condition after that run, from it and
those before; "alone" is what the run says by itself.
"""

import argparse
import csv
from collections import defaultdict
from datetime import datetime

PARTS = (("airflow", "airflow_fraction"), ("fan", "fan_rpm_factor"), ("contact", "paste_multiplier"))
LEAST_RUNS = 100
# The intervals are printed to four digits.
ROUNDING = 1e-4


def seconds(tested_at: str) -> int:
    return round(datetime.fromisoformat(tested_at.replace("Z", "+00:00")).timestamp())


def truth_of(path: str) -> dict[tuple[str, int], dict[str, str]]:
    with open(path, newline="", encoding="utf-8") as file:
        return {(row["device_id"], seconds(row["tested_at"])): row for row in csv.DictReader(file)}


def holds(run: dict[str, str], prefix: str, truth: str) -> bool | None:
    low, high = run[f"{prefix}_low"], run[f"{prefix}_high"]
    if not low or not truth:
        return None
    return float(low) - ROUNDING <= float(truth) <= float(high) + ROUNDING


def main() -> None:
    parser = argparse.ArgumentParser(description="Coverage of the 90 % intervals")
    parser.add_argument("--truth", nargs="+", required=True)
    parser.add_argument("--runs", nargs="+", required=True)
    args = parser.parse_args()
    if len(args.truth) != len(args.runs):
        parser.error("as many truths as runs")

    found = defaultdict(lambda: defaultdict(list))
    counts = defaultdict(int)
    for truth_path, runs_path in zip(args.truth, args.runs):
        truths = truth_of(truth_path)
        with open(runs_path, newline="", encoding="utf-8") as file:
            for run in csv.DictReader(file):
                truth = truths.get((run["device_id"], round(float(run["day"]) * 86400)))
                if truth is None:
                    raise SystemExit(f"{runs_path}: no truth of {run['device_id']} on day {run['day']}")
                met = [name for name in truth["confounders"].split(";") if name]
                for kind in ["all", *(met or ["none of these"])]:
                    counts[kind] += 1
                    for prefix in ("", "run_"):
                        for part, column in PARTS:
                            held = holds(run, prefix + part, truth[column])
                            if held is not None:
                                found[kind][prefix + part].append(held)

    print(f"{'':22}{'runs':>7}   judged: airflow / fan / contact   alone: airflow / fan / contact")
    for kind in sorted(counts, key=lambda kind: (kind != "all", kind == "none of these", kind)):
        if counts[kind] < LEAST_RUNS:
            continue
        said = [found[kind][prefix + part] for prefix in ("", "run_") for part, _ in PARTS]
        told = [f"{sum(s) / len(s):.3f}" if s else "–" for s in said]
        print(f"{kind:22}{counts[kind]:>7}   {' / '.join(told[:3]):>32}   {' / '.join(told[3:])}")


if __name__ == "__main__":
    main()
