#!/usr/bin/env bash
# Server time of every page over a store of 100,000 laptops, through real HTTP: median and 99th percentile, printed.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
cargo build --release --locked --quiet -p windrow-hub -p windrow-tests --bin windrow-hub --bin page-times
release="${CARGO_TARGET_DIR:-target}/release"
"$release/page-times" "$release/windrow-hub" "${@}"
