#!/usr/bin/env bash
# The single-run fit against scipy on the same model and data: speed and optimum, in one table.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
need_python fit numpy==2.4.6 scipy==1.17.1 numba==0.68.1
out="${CARGO_TARGET_DIR:-target}/bench"
mkdir -p "$out"
cargo build --release --locked --quiet -p windrow-tests --bin single-fit
"${CARGO_TARGET_DIR:-target}/release/single-fit" "$out/single_fit.json"
# One core each, as the fit here has it.
OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 "$python" tests/bench/single_fit.py "$out/single_fit.json"
