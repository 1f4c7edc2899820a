# What `tests/run --all` adds; sourced by it.

say "dependency advisories"
if cargo deny --version >/dev/null 2>&1; then
  cargo deny check advisories || say "advisories: not checked or not clean, see above"
else
  say "left out: dependency advisories (cargo-deny isn't here)"
fi

for bench in tests/bench/*.sh; do
  [ -e "$bench" ] || continue
  say "bench: $bench"
  bash "$bench"
done
