#!/usr/bin/env bash
# Time and memory of every export over a store of 100,000 laptops, beside a floor; printed.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
cargo build --release --locked --quiet -p windrow-hub -p windrow-tests --bin windrow-hub --bin export-times
release="${CARGO_TARGET_DIR:-target}/release"
"$release/export-times" "$release/windrow-hub" "${@}"
