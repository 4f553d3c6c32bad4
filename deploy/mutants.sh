#!/usr/bin/env bash
# Builds the tests with one fault of the promise built in each time, and wants
# each of the named tests to fail with it: a check that passes then is worth
# nothing. With --all it also kills the whole program, and the outbox amid
# a batch, which takes longer.
set -euo pipefail
cd "$(dirname "$0")/.."

folder="$(mktemp -d)"
trap 'rm -rf "$folder"' EXIT
failed=0

# caught TAG PACKAGE TEST...: all of the tests must fail, and by a check of
# theirs, not because nothing could be built or run.
caught() {
  local tag="$1" package="$2" test out
  shift 2
  local binary="$folder/$tag-${package//\//-}"
  go test -c -vet=off -tags "mutant_$tag" -o "$binary" "./$package"
  for test in "$@"; do
    out="$folder/out"
    if (cd "$package" && "$binary" -test.run "^$test\$" -test.timeout 5m "${flags[@]}") >"$out" 2>&1; then
      echo "mutants: NOT caught: mutant_$tag by $test in $package" >&2
      failed=1
    elif ! grep -q "^--- FAIL: $test" "$out" || ! grep -q 'Error Trace:' "$out"; then
      echo "mutants: $test in $package fails with mutant_$tag, but by no check of its own:" >&2
      tail -n 20 "$out" >&2
      failed=1
    else
      echo "mutants: caught: mutant_$tag by $test"
    fi
  done
}

flags=()
caught ack collector TestNoMessageIsAcknowledgedBeforeItIsOnDisk TestWhatWasAcknowledgedSurvivesAKill \
  TestWhatWasAcknowledgedSurvivesAPowerCut TestAKillBetweenAnyTwoWritesLosesNothingAcknowledged TestACrashAtAnyStepLosesNothingAcknowledged
caught sync collector TestWhatWasAcknowledgedSurvivesAPowerCut
caught sync collector/journal TestWhatWasCommittedSurvivesAPowerCut
caught key collector TestAStormOfDuplicatesCountsOnce TestWhatWasAcknowledgedSurvivesAPowerCut \
  TestAKillBetweenAnyTwoWritesLosesNothingAcknowledged TestACrashAtAnyStepLosesNothingAcknowledged
caught cursor collector/journal TestTheReceiverHasWhatTheJournalHas TestWhatWasSentAndNotTakenIsSentAgain \
  TestTheReceiverMissesNothingAfterAPowerCut
if [ "${1:-}" = --all ]; then
  flags=(-kills 8)
  caught ack cmd/dwindle TestKilledWithEmbeddedBrokerLosesNothingAcknowledged TestKilledBehindMosquittoLosesNothingAcknowledged
  caught key cmd/dwindle TestKilledBehindMosquittoLosesNothingAcknowledged
  flags=()
  caught forward collector/influx/outbox TestKilledAmidABatch
fi
exit $failed
