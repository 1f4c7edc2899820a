#!/usr/bin/env bash
# What the agent costs: a sweep against a bare loop of reads, CPU time outside the load, memory, size of the program.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/lib.sh

need_rust
cargo build --release --locked --quiet -p windrow -p windrow-tests --bin windrow --bin agent-cost
release="${CARGO_TARGET_DIR:-target}/release"
"$release/agent-cost" "$release/windrow"
