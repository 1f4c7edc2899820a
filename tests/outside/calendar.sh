#!/usr/bin/env bash
# The rounds' calendar file as another program reads it: Python's icalendar. Needs network for PyPI.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
need_python calendar icalendar==7.3.2
build_programs
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

say "an invented fleet of 36 laptops"
"$programs/demo" --laptops 36 --keep "$work/demo" >"$work/demo.log" || { cat "$work/demo.log"; exit 1; }
hub() { "$programs/windrow-hub" --database "$work/demo/hub.sqlite" "$@"; }

# Hours on ten days at the fleet's own sites; then fewer, so that days are given up.
hours() {
  echo "site,date,hours"
  hub rank --json | "$python" -c '
import datetime, json, sys
today, hours = datetime.datetime.now(datetime.timezone.utc).date(), float(sys.argv[1])
for site in sorted({laptop["site"] for laptop in json.load(sys.stdin)["laptops"]}):
    for n in range(10):
        print(f"{site},{today + datetime.timedelta(n)},{hours if n % int(sys.argv[2]) == 0 else 0}")
' "$1" "$2"
}

say "planned, exported, planned again with other hours, exported again"
hours 4 1 >"$work/hours.csv"
hub rounds plan --hours "$work/hours.csv" --json >"$work/plan1.json"
hub rounds calendar >"$work/days.ics"
hub rounds calendar --starts 08:30 >"$work/first.ics"
hub rounds calendar --starts 08:30 >"$work/same.ics"
cmp "$work/first.ics" "$work/same.ics"
hours 6 3 >"$work/hours.csv"
hub rounds plan --hours "$work/hours.csv" --fresh --json >"$work/plan2.json"
hub rounds calendar --starts 08:30 >"$work/second.ics"
"$python" tests/outside/check_calendar.py "$work"
