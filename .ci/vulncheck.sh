#!/usr/bin/env bash
# Checks the binary's calls against the Go vulnerability database, built offline from the module that carries its data.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
database=$PWD/bin/vulndb
if ! [ -d "$database/index" ]; then
  (cd .ci/vulndb && go run golang.org/x/vulndb/cmd/indexdb -out "$database" -vulns "$(go list -m -f '{{.Dir}}' golang.org/x/vulndb)/data/osv")
fi
bin/govulncheck -db "file://$database" ./cmd/...
