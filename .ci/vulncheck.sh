#!/usr/bin/env bash
# Checks the binary's calls against the Go vulnerability database, built offline from the module that carries its data.
# A vulnerable module fails. One of the standard library is told and does not fail: the remedy is the toolchain that builds the release,
# which this repository does not choose (DEVELOPERS.md, "Release").
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
database=$PWD/bin/vulndb
if ! [ -d "$database/index" ]; then
  (cd .ci/vulndb && go run golang.org/x/vulndb/cmd/indexdb -out "$database" -vulns "$(go list -m -f '{{.Dir}}' golang.org/x/vulndb)/data/osv")
fi
status=0
out=$(bin/govulncheck -db "file://$database" ./cmd/...) || status=$?
case $status in
  0) echo 'no known vulnerability is called' ;;
  3)
    if grep -q '^  Module: ' <<<"$out"; then
      echo "$out"
      echo 'a module with a known vulnerability is called: upgrade it'
      exit 1
    fi
    echo 'only the standard library of this Go has known vulnerabilities; build releases with the Go that mends them:'
    grep -E '^Vulnerability|Fixed in:' <<<"$out"
    ;;
  *) echo "$out"; exit "$status" ;;
esac
