#!/usr/bin/env bash
# Real exports read and verified by other people's programs, and by a verifier written from the documents alone. Needs network for PyPI.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
need_packages sha256sum:coreutils unzip:unzip
need_python exports openpyxl==3.1.5 jsonschema==4.26.0 rfc3339-validator==0.1.4 cryptography==50.0.2 rfc8785==0.1.4
build_programs
work=$(mktemp -d)
hub_pid=
trap '[ -z "$hub_pid" ] || kill "$hub_pid"; rm -rf "$work"' EXIT
hub() { "$programs/windrow-hub" --database "$database" "$@"; }
other() { "$python" tests/outside/verify_export.py "$@"; }

say "an invented fleet of 12 laptops, a list, visits"
"$programs/demo" --laptops 12 --keep "$work/demo" >"$work/demo.log" || { cat "$work/demo.log"; exit 1; }
database="$work/demo/hub.sqlite"
hub rank --json >"$work/rank.json"
"$python" - "$work/rank.json" "$work/assets.csv" >"$work/ids" <<'PY'
import csv, json, sys
laptops = json.load(open(sys.argv[1]))["laptops"]
with open(sys.argv[2], "w", newline="") as file:
    out = csv.writer(file)
    out.writerow("tag,model,site,place,from,until,excluded,why".split(","))
    for row in laptops:
        out.writerow([row["asset_tag"], row["model"], row["site"], "", "", "", "", ""])
    out.writerow(["ZZ-1", "Orrin 16 W", "Quay Street loft", "=1+1", "2026-01-01", "", "yes", "@lent out; '-1"])
for row in laptops:
    print(row["device_id"])
PY
hub scope import "$work/assets.csv" >/dev/null
first=$(sed -n 1p "$work/ids") second=$(sed -n 2p "$work/ids")
day=$(date -u +%F)
hub visit log "$first" --on "$day" --action clean --action paste --minutes 45 --found "=felt in the fins" >/dev/null
hub visit log "$second" --on "$day" --action none --minutes 10 >/dev/null

say "the same head, method version and as-of time give the same bytes"
sleep 1; now=$(date -u +%FT%TZ) # whole seconds: after the last visit was logged
for n in 1 2; do hub export --to "$work/$n.zip" --as-of "$now" --with-records >/dev/null; done
cmp "$work/1.zip" "$work/2.zip"
hub export --to "$work/export" --as-of "$now" --with-records
unzip -q "$work/1.zip" -d "$work/unzipped"
diff -r "$work/export" "$work/unzipped"

say "sha256sum"
(cd "$work/export" && sha256sum --check --quiet --strict SHA256SUMS)
say "csv, openpyxl, jsonschema"
"$python" tests/outside/check_tables.py "$work/export"
say "windrow-hub verify, and the verifier written from the documents"
hub verify "$work/1.zip"
other "$work/1.zip"
other "$work/export"

say "one altered byte in each file"
"$python" tests/outside/flip_bytes.py "$work/export" "$programs/windrow-hub"

say "an older head shows what was cut or forked"
cp "$database" "$work/before.sqlite"; cp "${database%.sqlite}.head-key" "$work/before.head-key"
cp "$work/export/ledger/head.json" "$work/old-head.json"
hub visit log "$second" --on "$day" --action clean --minutes 30 >/dev/null
hub export --to "$work/later" >/dev/null
hub verify "$work/later" --head "$work/old-head.json" >/dev/null
other "$work/later" --head "$work/old-head.json" >/dev/null
# refused WHAT EXPORT HEAD: both end with 4.
refused() {
  local code
  for verifier in hub_verify other; do
    code=0; $verifier "$2" --head "$3" >"$work/said" || code=$?
    [ "$code" = 4 ] && grep -q "$1" "$work/said" || { cat "$work/said"; fail "$verifier ended with $code where the ledger was $1" "see above"; }
  done
}
hub_verify() { hub verify "$@"; }
refused cut "$work/export" "$work/later/ledger/head.json"
database="$work/before.sqlite"
hub visit log "$first" --on "$day" --action fan --minutes 20 >/dev/null
hub visit log "$second" --on "$day" --action fan --minutes 20 >/dev/null
hub export --to "$work/forked" >/dev/null
refused forked "$work/forked" "$work/later/ledger/head.json"

say "what was erased on purpose is no finding"
database="$work/demo/hub.sqlite"
hub erase visit 1 >/dev/null
hub erase tag ZZ-1 >/dev/null
hub export --to "$work/erased" --with-records >/dev/null
hub verify "$work/erased" --head "$work/old-head.json" >"$work/said" || { cat "$work/said"; fail "an erasure is taken for an alteration" "see above"; }
grep -q "the texts of 2 entries were erased on purpose" "$work/said" || fail "verify does not say what was erased" "see $work/said"
other "$work/erased" --head "$work/old-head.json" >/dev/null
! grep -rq -e "felt in the fins" -e "lent out" "$work/erased" || fail "an erased text is in the export" "look for it in $work/erased"
hub verify --store --head "$work/old-head.json"

say "a record taken out of the database, and one added, are named"
cp "$database" "$work/robbed.sqlite"; cp "${database%.sqlite}.head-key" "$work/robbed.head-key"
database="$work/robbed.sqlite"
robbed() {
  "$python" -c 'import sqlite3, sys
c = sqlite3.connect(sys.argv[1])
c.execute(sys.argv[2])
c.commit()' "$database" "$1"
}
# named WHAT EXPORT: each of the two verifiers and the check of the store end with 4 and say it.
named() {
  local code
  for verifier in hub_verify other hub_store; do
    code=0; $verifier "$2" >"$work/said" || code=$?
    [ "$code" = 4 ] && grep -q "$1" "$work/said" || { cat "$work/said"; fail "$verifier ended with $code" "see above"; }
  done
}
hub_store() { hub verify --store; }
robbed "DELETE FROM run WHERE run_id = 1"
hub export --to "$work/robbed" --with-records >/dev/null
named "missing\|no longer had it" "$work/robbed"
robbed "INSERT INTO run SELECT 9999, device_id, zeroblob(32), provenance, sequence, previous_digest, link, header, trace, model_key, model_name, site, load_mix, protocol, outcome, channels, ambient_c, ambient_sd_k, on_ac, tested_at_ms, received_at_ms, firmware FROM run WHERE run_id = 2"
hub export --to "$work/padded" --with-records >/dev/null
named "no leaf" "$work/padded"

say "the audit export over HTTP"
database="$work/demo/hub.sqlite"
hub grant --role auditor --name "outside check" --to "$work/token" >/dev/null
start_hub exports "$database"
"$python" - "$hub_url" "$work" <<'PY'
import pathlib, sys, time, urllib.error, urllib.request
url, work = sys.argv[1], pathlib.Path(sys.argv[2])
headers = {"Authorization": "Bearer " + (work / "token").read_text().strip()}
for attempt in range(100):
    try:
        request = urllib.request.Request(url + "/v1/exports/audit?with_records=true", headers=headers)
        (work / "http.zip").write_bytes(urllib.request.urlopen(request).read())
        break
    except urllib.error.HTTPError as e:
        assert e.code == 503 and attempt < 99, e
        time.sleep(0.3)
PY
stop_hub
hub verify "$work/http.zip" --head "$work/old-head.json"
other "$work/http.zip" --head "$work/old-head.json"
