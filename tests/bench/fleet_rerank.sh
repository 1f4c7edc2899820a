#!/usr/bin/env bash
# A full re-rank of 100,000 laptops with 12 runs each, one laptop by itself, and for scale a robust z-score in polars.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
need_python polars numpy==2.4.6 polars==2.1.0
out="${CARGO_TARGET_DIR:-target}/bench"
mkdir -p "$out"
cargo build --release --locked --quiet -p windrow-tests --bin fleet-rerank
"${CARGO_TARGET_DIR:-target}/release/fleet-rerank" "$out/fleet_rerank.bin" "$@"
POLARS_MAX_THREADS=2 "$python" tests/bench/fleet_rerank.py "$out/fleet_rerank.bin"
