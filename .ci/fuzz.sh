#!/usr/bin/env bash
# Runs each fuzz target for the given time: .ci/fuzz.sh 3s
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
time=${1:-3s}
for file in $(git grep -lE '^func Fuzz' -- '*_test.go' | sort); do
  for target in $(sed -nE 's/^func (Fuzz[A-Za-z0-9_]+)\(.*/\1/p' "$file"); do
    go test "./$(dirname "$file")" -run '^$' -fuzz "^$target\$" -fuzztime "$time" -fuzzminimizetime 1s | tail -n 1
  done
done
