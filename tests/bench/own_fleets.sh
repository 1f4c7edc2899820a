#!/usr/bin/env bash
# How good the judgement is on fleets of our own emulated laptops: the table of docs/method.md.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
cargo build --release --locked --quiet -p windrow-tests --bin own-fleets
"${CARGO_TARGET_DIR:-target}/release/own-fleets" "$@"
