#!/usr/bin/env bash
# Runs the test in which a witness that nobody here wrote, litewitness of filippo.io/torchwood, cosigns the logs. It is built here, without cgo, in a
# module of its own: half a minute the first time.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
mkdir -p bin
(cd .ci/witness && CGO_ENABLED=0 go build -o ../../bin/ . filippo.io/torchwood/cmd/litewitness)
PONDERAL_TEST_LITEWITNESS=$PWD/bin/litewitness PONDERAL_TEST_LITEWITNESS_LOGS=$PWD/bin/witness \
  go test -count=1 -tags witness -run TestRealWitness ./internal/e2e
