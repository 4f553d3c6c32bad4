#!/usr/bin/env bash
# The long forms of the fault tests of all packages, then every fuzz function
# for a while, within a total time: soak.sh MINUTES [FUZZ_SECONDS]. What no time
# was left for is named at the end.
set -uo pipefail
cd "$(dirname "$0")/.."

end=$(($(date +%s) + ${1:-60} * 60))
fuzz="${2:-60}"
failed=()
left=()

# step NAME COMMAND...: within the time that is left.
step() {
  local name="$1" now rest status=0 took
  shift
  now="$(date +%s)"
  rest=$((end - now))
  if [ "$rest" -lt 10 ]; then
    left+=("$name")
    return
  fi
  echo "=== soak: $name"
  timeout --signal=INT --kill-after=30 "$rest" "$@" || status=$?
  took=$(($(date +%s) - now))
  case "$status" in
    0) echo "=== soak: $name: passed after $took s" ;;
    124 | 137) left+=("$name (ended after $took s)") ;;
    *) failed+=("$name") && echo "=== soak: $name: FAILED after $took s" ;;
  esac
}

# long PACKAGE PATTERN: fault tests that know -long.
long() { step "$1 $2" go test -count=1 -timeout 0 "./$1" -run "$2" -v -args -long; }

step 'mutants' bash deploy/mutants.sh --all
long collector/journal 'PowerCut'
long collector 'PowerCut|BetweenAnyTwoWrites|CrashAtAnyStep|SlowDisk|DiskThatRefuses|Poison|LargestMessages|Storm'
long cmd/dwindle 'TestKilled'
long collector/internal/faulttest .
long collector/internal/journaltest Faults
long collector/mqtt 'Huge'
long collector/influx/outbox 'Killed|Away'

while read -r package; do
  list="$(go test -list '^Fuzz' "$package" 2>&1)" || { failed+=("$package: its fuzz functions cannot be listed"); continue; }
  for name in $(grep '^Fuzz' <<<"$list"); do
    step "$package $name" go test -run '^$' -fuzz "^$name\$" -fuzztime "${fuzz}s" "$package"
  done
done < <(go list -f '{{if or .TestGoFiles .XTestGoFiles}}{{.ImportPath}}{{end}}' ./...)

for name in "${left[@]}"; do echo "soak: no time left for: $name"; done
for name in "${failed[@]}"; do echo "soak: FAILED: $name"; done
[ ${#failed[@]} -eq 0 ]
