#!/usr/bin/env bash
# The rounds' plans against the bound that a general solver proves (scipy's HiGHS): fails where one is more than 2 % below.
# Then how long plans of 10,000 laptops take, printed.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
need_python bound numpy==2.4.6 scipy==1.17.1
out="${CARGO_TARGET_DIR:-target}/bench"
mkdir -p "$out"
cargo build --release --locked --quiet -p windrow-tests --bin rounds-bound
"${CARGO_TARGET_DIR:-target}/release/rounds-bound" "$out/rounds_bound.json"
"$python" tests/bench/rounds_bound.py "$out/rounds_bound.json"
