#!/usr/bin/env bash
# A full re-rank of 100,000 laptops with 12 runs each, one laptop by itself, and for scale a robust z-score in polars.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
need_packages python3:python3
out="${CARGO_TARGET_DIR:-target}/bench"
mkdir -p "$out"
if [ ! -x "$out/venv-polars/bin/python" ]; then
  python3 -m venv "$out/venv-polars" || fail "cannot make a Python environment" "install the package python3-venv, then run this again"
fi
"$out/venv-polars/bin/pip" install --quiet --disable-pip-version-check numpy==2.4.6 polars==2.1.0
cargo build --release --locked --quiet -p windrow-tests --bin fleet-rerank
"${CARGO_TARGET_DIR:-target}/release/fleet-rerank" "$out/fleet_rerank.bin" "$@"
POLARS_MAX_THREADS=2 "$out/venv-polars/bin/python" tests/bench/fleet_rerank.py "$out/fleet_rerank.bin"
