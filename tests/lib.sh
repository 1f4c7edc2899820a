# Shell helpers of tests/run and .ci/run: sourced, never run.

say() { printf '== %s\n' "$*"; }

# fail WHAT REMEDY
fail() { printf 'error: %s\ndo this: %s\n' "$1" "$2" >&2; exit 1; }

need_rust() {
  command -v cargo >/dev/null ||
    fail "no \`cargo\` on the PATH" "install the Rust toolchain, version $(sed -n 's/^rust-version = "\(.*\)"/\1/p' Cargo.toml) or later"
}

# need_packages COMMAND:PACKAGE... installs the Debian packages of the commands that are missing.
need_packages() {
  local pair missing=()
  for pair in "$@"; do
    command -v "${pair%%:*}" >/dev/null || missing+=("${pair#*:}")
  done
  [ ${#missing[@]} -eq 0 ] && return 0
  command -v apt-get >/dev/null ||
    fail "missing on this machine: ${missing[*]}" "install them with this system's package manager, then run this again"
  if [ "$(id -u)" -ne 0 ]; then
    fail "missing Debian packages: ${missing[*]}" "run \`sudo apt-get install --yes ${missing[*]}\`, then run this again"
  fi
  say "installing Debian packages: ${missing[*]}"
  apt-get update -qq
  DEBIAN_FRONTEND=noninteractive apt-get install --yes --no-install-recommends -qq "${missing[@]}"
}

# Licences, bans and sources need no network once all crates are here; without the tool, say so and go on.
check_dependencies() {
  if cargo deny --version >/dev/null 2>&1; then
    say "dependencies: licences, bans, sources"
    # It reads the crates of every platform; a build fetches those of its own.
    cargo fetch --locked --quiet
    cargo deny --log-level error --offline check --hide-inclusion-graph licenses bans sources
  else
    say "left out: dependency licences and bans (cargo-deny isn't here; \`cargo install --locked cargo-deny\` brings it)"
  fi
}
