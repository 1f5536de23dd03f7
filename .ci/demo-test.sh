#!/usr/bin/env bash
# Plays the demo to its end as root and as an ordinary user, and shows that nothing is left behind.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
home=$(mktemp -d)
trap 'rm -rf "$home"' EXIT
cp bin/ponderal "$home/ponderal"
chmod 755 "$home" "$home/ponderal"
mkdir -m 1777 "$home/tmp"
play() {
  if ! (cd "$home" && TMPDIR=$home/tmp HOME=$home/tmp "$@" "$home/ponderal" demo -exit) >"$home/out" 2>&1; then
    cat "$home/out"
    echo "demo failed: $*"
    exit 1
  fi
  if [ -n "$(ls -A "$home/tmp")" ]; then
    echo 'demo left behind:'
    ls -la "$home/tmp"
    exit 1
  fi
  tail -n 3 "$home/out"
}
if [ "$(id -u)" = 0 ]; then
  play env
  play setpriv --reuid=nobody --regid=nogroup --clear-groups
else
  play env
fi
