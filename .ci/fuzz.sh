#!/usr/bin/env bash
# Runs each fuzz target for the given time or number of inputs: .ci/fuzz.sh 30s, .ci/fuzz.sh 2000x
# A number of inputs is what CI uses: on a busy machine a time that runs out in the middle of an input counts as a failure.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
much=${1:-2000x}
for file in $(git grep -lE '^func Fuzz' -- '*_test.go' | sort); do
  for target in $(sed -nE 's/^func (Fuzz[A-Za-z0-9_]+)\(.*/\1/p' "$file"); do
    out=$(go test "./$(dirname "$file")" -run '^$' -fuzz "^$target\$" -fuzztime "$much" -fuzzminimizetime 1s 2>&1) || { echo "$out"; exit 1; }
    echo "$target $(tail -n 1 <<<"$out")"
  done
done
