#!/usr/bin/env bash
# The rounds' plans against the bound that a general solver proves (scipy's HiGHS): fails where one is more than 2 % below.
# Then how long plans of 10,000 laptops take, printed.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
need_packages python3:python3
out="${CARGO_TARGET_DIR:-target}/bench"
mkdir -p "$out"
if [ ! -x "$out/venv/bin/python" ]; then
  python3 -m venv "$out/venv" || fail "cannot make a Python environment" "install the package python3-venv, then run this again"
fi
"$out/venv/bin/pip" install --quiet --disable-pip-version-check numpy==2.4.6 scipy==1.17.1
cargo build --release --locked --quiet -p windrow-tests --bin rounds-bound
"${CARGO_TARGET_DIR:-target}/release/rounds-bound" "$out/rounds_bound.json"
"$out/venv/bin/python" tests/bench/rounds_bound.py "$out/rounds_bound.json"
