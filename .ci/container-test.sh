#!/usr/bin/env bash
# Runs the test that starts Postgres through a container engine, against an image that is built here.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
image=$(.ci/container-image.sh | tail -n 1)
PONDERAL_TEST_CONTAINER_IMAGE=$image TESTCONTAINERS_RYUK_DISABLED=true go test -count=1 -tags container ./internal/localpg/...
