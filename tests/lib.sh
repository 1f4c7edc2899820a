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

# need_python NAME PACKAGE... makes a Python environment of these packages, once; $python is its interpreter.
need_python() {
  local folder="${CARGO_TARGET_DIR:-target}/python-$1"; shift
  need_packages python3:python3
  if [ ! -x "$folder/bin/python" ]; then
    python3 -m venv "$folder" || fail "cannot make a Python environment" "install the package python3-venv, then run this again"
  fi
  "$folder/bin/pip" install --quiet --disable-pip-version-check "$@"
  python="$folder/bin/python"
}

# build_programs builds them, unless tests/run has; they stand in $programs.
build_programs() {
  programs="${WINDROW_BINARIES:-}"
  [ -n "$programs" ] && return 0
  cargo build --locked --workspace --bins
  programs="${CARGO_TARGET_DIR:-target}/debug"
}

# start_hub NAME DATABASE [OPTION...] serves it on a free port; $hub_pid and $hub_url are its own. Its log stands in $work.
start_hub() {
  local name=$1 database=$2 try; shift 2
  : >"$work/$name.out" # the hub's own may come after the first look
  "$programs/windrow-hub" --database "$database" serve --listen 127.0.0.1:0 "$@" >"$work/$name.out" 2>"$work/$name.log" & hub_pid=$!
  hub_url=
  for try in $(seq 100); do
    hub_url=$(sed -n 's/^listening on \(http[^,]*\),.*/\1/p' "$work/$name.out"); [ -z "$hub_url" ] || return 0; sleep 0.1
  done
  fail "the hub did not start" "read its log: $(cat "$work/$name.log")"
}

stop_hub() { kill "$hub_pid"; wait "$hub_pid" || true; hub_pid=; }
