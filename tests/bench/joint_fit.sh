#!/usr/bin/env bash
# The joint fit of 1,800 runs of one model on two cores, and a new run against it.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
cargo build --release --locked --quiet -p windrow-tests --bin joint-fit
"${CARGO_TARGET_DIR:-target}/release/joint-fit" "$@"
