#!/usr/bin/env bash
# The hub's pages in Debian's Chromium: a hub with the demo's fleet, one of three laptops, an empty one, and one that cannot judge. Needs network for npm's packages.
# usage: tests/browser/run.sh [FOLDER FOR SCREENSHOTS]
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
need_packages chromium:chromium node:nodejs npm:npm
build_programs
(cd tests/browser && npm install --no-audit --no-fund --silent)

work=$(mktemp -d)
hub_pid=
trap '[ -z "$hub_pid" ] || kill "$hub_pid"; rm -rf "$work"' EXIT

say "an invented fleet of 36 laptops"
"$programs/demo" --laptops 36 --keep "$work/demo" >"$work/demo.log" || { cat "$work/demo.log"; exit 1; }

say "rounds for it"
"$programs/windrow-hub" --database "$work/demo/hub.sqlite" rank --csv | tail -n +2 | cut -d, -f5 | sort -u >"$work/sites"
{ echo site,date,hours; for n in $(seq 0 13); do sed "s/\$/,$(date -u -d "$n days" +%F),5/" "$work/sites"; done; } >"$work/hours.csv"
"$programs/windrow-hub" --database "$work/demo/hub.sqlite" rounds plan --hours "$work/hours.csv" --random 1 >"$work/rounds.log" 2>&1 ||
  { cat "$work/rounds.log"; exit 1; }

# check NAME DATABASE
check() {
  : >"$work/$1.out" # Looked into below, maybe before the hub's own shell has made it.
  "$programs/windrow-hub" --database "$2" serve --listen 127.0.0.1:0 >"$work/$1.out" 2>"$work/$1.log" & hub_pid=$!
  local url= try
  for try in $(seq 100); do
    url=$(sed -n 's/^listening on \(http[^,]*\),.*/\1/p' "$work/$1.out"); [ -z "$url" ] || break; sleep 0.1
  done
  [ -n "$url" ] || fail "the hub did not start" "read its log: $(cat "$work/$1.log")"
  "$programs/windrow-hub" --database "$2" grant --role admin --name "browser test" --to "$work/$1.token" >"$work/$1.grant"
  "$programs/windrow-hub" --database "$2" grant --role technician --name "browser test" --to "$work/$1.technician" >>"$work/$1.grant"
  node tests/browser/pages.mjs "$1" "$url" "$(cat "$work/$1.token")" "$(cat "$work/$1.technician")" "${shots:-}"
  kill "$hub_pid"; wait "$hub_pid" || true; hub_pid=
}

shots="${1:-}"
say "the pages of the demo's fleet"; check demo "$work/demo/hub.sqlite"
say "an invented fleet of 3 laptops"
"$programs/demo" --laptops 3 --keep "$work/three" >"$work/three.log" || { cat "$work/three.log"; exit 1; }
say "the pages of three laptops"; check three "$work/three/hub.sqlite"
say "the pages of an empty hub"; check empty "$work/empty.sqlite"

say "the pages of a hub whose fleet cannot be judged"
"$programs/windrow-hub" --database "$work/demo/hub.sqlite" rank --csv | awk -F, 'NR == 2 {print $2}' >"$work/laptop"
"$programs/windrow-hub" --database "$work/demo/hub.sqlite" visit log "$(cat "$work/laptop")" --action clean --minutes 5 >"$work/visit.log"
# A damaged row: an action that no version knows.
python3 - "$work/demo/hub.sqlite" <<'PY'
import sqlite3, sys
hub = sqlite3.connect(sys.argv[1])
hub.execute("PRAGMA ignore_check_constraints = ON")
print(hub.execute("UPDATE visit SET actions = 'polish'").rowcount, "row damaged")
hub.commit()
PY
check unjudged "$work/demo/hub.sqlite"
