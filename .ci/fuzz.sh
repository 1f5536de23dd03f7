#!/usr/bin/env bash
# Runs each fuzz target for the given time or number of inputs: .ci/fuzz.sh 30s, .ci/fuzz.sh 2000x
# A number of inputs is what CI uses: on a busy machine a time that runs out in the middle of an input counts as a failure. Two run at a time, because most
# of a short run is the building of its instrumented binary.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
export much=${1:-2000x}
one() {
  out=$(go test "./$1" -run '^$' -fuzz "^$2\$" -fuzztime "$much" -fuzzminimizetime 1s 2>&1) || { echo "$out"; return 1; }
  echo "$2 $(tail -n 1 <<<"$out")"
}
export -f one
for file in $(git grep -lE '^func Fuzz' -- '*_test.go' | sort); do
  sed -nE "s|^func (Fuzz[A-Za-z0-9_]+)\(.*|$(dirname "$file") \1|p" "$file"
done | xargs -P 2 -L 1 bash -c 'one "$1" "$2"' one
