#!/usr/bin/env bash
# Runs the README's tour against a running demo: every block marked `sh tour`, in order.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
work=$(mktemp -d)
touch "$work/demo"
bin/ponderal demo -rest 127.0.0.1:7080 -grpc 127.0.0.1:7443 >"$work/demo" 2>&1 &
demo=$!
trap 'kill -INT $demo 2>/dev/null; wait $demo || true; rm -rf "$work"' EXIT
for _ in $(seq 120); do
  grep -q '^Serving until interrupted' "$work/demo" && break
  kill -0 $demo 2>/dev/null || { cat "$work/demo"; exit 1; }
  sleep 0.5
done
sed -n '/^```sh tour$/,/^```$/p' README.md | grep -v '^```' >"$work/tour"
test "$(wc -l <"$work/tour")" -ge 10 || { echo 'the README has lost its tour'; exit 1; }
{
  echo 'set -euo pipefail'
  grep -E '^  [A-Z]+[0-9]?=pdl_' "$work/demo"
  cat "$work/tour"
} >"$work/script"
ln -s "$PWD/bin" "$work/bin"
(cd "$work" && PATH="$PWD/bin:$PATH" bash script) >"$work/out" 2>&1 || { cat "$work/out"; exit 1; }
for want in 'VERIFIED: every check holds' OUTCOME_STORED OUTCOME_ALREADY_STORED 'heart_rate_bpm' 'ponderal.v1.SessionService' '"items"' 'VERIFIED WITHOUT THE RAW TRIALS' '"disclosures"' 'corrected series' '"secondFactorUri"' 'CONSISTENT: the log has only grown'; do
  grep -qF -- "$want" "$work/out" || { echo "the tour's output lacks: $want"; cat "$work/out"; exit 1; }
done
echo 'the tour of the README works'
