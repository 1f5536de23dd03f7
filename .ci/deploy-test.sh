#!/usr/bin/env bash
# Tests deploy/: the binary is reproducible; the image's last stage and the whole composition (primary, synchronous standby, migration, two replicas) run in
# a container engine; the primary dies and the standby takes over; every metric that rules and dashboard name is scraped from a running service; rules,
# manifests and the composition are linted. Needs root on Debian. Expects bin/ponderal as `.ci/run` builds it, or builds it.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
export DEBIAN_FRONTEND=noninteractive
work=$(mktemp -d)
project=ponderal-deploy-$$
image=ponderal-ci/service:$$
export PONDERAL_IMAGE=$image POSTGRES_IMAGE=ponderal-ci/postgres:15 PONDERAL_SECRETS=$work/secrets PONDERAL_LOG_NAME=audit.deploy.example
export PONDERAL_GRPC_PORTS=17443-17444 PONDERAL_REST_PORTS=17080-17081 COMPOSE_PROJECT_NAME=$project
say() { printf -- '-- %s (at %d s)\n' "$1" "$SECONDS"; }
fail() { echo "FAIL: $*" >&2; exit 1; }

compose() { (cd deploy && docker-compose -f compose.yaml -f "$work/scrape.yaml" "$@"); }

finish() {
  local code=$?
  if [ $code != 0 ]; then compose logs --no-color --tail 25 2>&1 | cut -c1-300 || true; fi
  compose down -v -t 2 >/dev/null 2>&1 || true
  docker image rm -f "$image" >/dev/null 2>&1 || true
  rm -rf "$work"
  exit $code
}

install_tools() {
  if ! command -v docker-compose >/dev/null || ! command -v openssl >/dev/null; then
    apt-get update -q
    apt-get install -q -y --no-install-recommends docker-compose openssl
  fi
  # Only promtool is wanted of Prometheus, not its server as a service.
  if ! [ -x bin/promtool ]; then
    mkdir -p bin "$work/deb"
    (cd "$work/deb" && { apt-get download -q prometheus || { apt-get update -q && apt-get download -q prometheus; }; } && dpkg-deb -x prometheus_*.deb . ) 2>/dev/null
    cp "$work/deb/usr/bin/promtool" bin/promtool
  fi
  .ci/container-image.sh >"$work/image.log" 2>&1 || { cat "$work/image.log"; return 1; }
}

build() { (cd "$1" && CGO_ENABLED=0 GOFLAGS=-mod=readonly go build -trimpath -buildvcs=false -ldflags=-buildid= -o "$2" ./cmd/ponderal); }

# Two folders, one digest. The second folder is a copy of what the image's builder gets to see.
reproducible() {
  build . "$work/one"
  mkdir "$work/elsewhere"
  tar -c --exclude='*_test.go' go.mod go.sum api cmd internal migrations | tar -x -C "$work/elsewhere"
  build "$work/elsewhere" "$work/two"
  cmp "$work/one" "$work/two" || fail 'two builds of one source differ'
  sha256sum "$work/one" | sed "s| .*| is the binary's SHA-256, from both folders|"
  if readelf -l "$work/one" 2>/dev/null | grep -q INTERP; then fail 'the binary is not static'; fi
}

# The first stage needs an image that cannot be pulled here; its command is what reproducible() runs. The last stage is built as it stands.
last_stage() {
  mkdir "$work/context"
  cp "$work/one" "$work/context/ponderal"
  cp /etc/ssl/certs/ca-certificates.crt "$work/context/"
  awk '/^FROM scratch/ {on=1} on' deploy/Containerfile | sed -E 's|COPY --from=build .*/([^/ ]+) (.*)|COPY \1 \2|' >"$work/context/Dockerfile"
  docker build -q -t "$image" "$work/context" >/dev/null
  [ "$(docker run --rm "$image" version | cut -d' ' -f1)" = ponderal ] || fail 'the image does not start'
  [ "$(docker image inspect -f '{{.Config.User}}' "$image")" = 65532:65532 ] || fail 'the image runs as another user'
  if docker run --rm --entrypoint /bin/sh "$image" -c true 2>/dev/null; then fail 'the image has a shell'; fi
}

secrets() {
  deploy/compose/secrets.sh "$work/secrets" "$work/one" 2>/dev/null
  openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 1 -subj /CN=ponderal.example -addext subjectAltName=DNS:ponderal.example \
    -keyout "$work/secrets/tls_key" -out "$work/secrets/tls_certificate" 2>/dev/null
  chmod 0444 "$work/secrets/tls_key" "$work/secrets/tls_certificate"
  # For the scrape: a witness that never answers (the public key is that of RFC 8032, section 7.1, test 1), and a limit that is soon reached.
  printf 'https://127.0.0.1:9/ %s\n' 'witness.example/unreachable+d269c4e4+BNdamAGCsQq31Uv+08lkBzoO4XLz2qYjJa8CGmj3B1Ea' >"$work/secrets/witnesses"
  chmod 0444 "$work/secrets/witnesses"
}

get() { curl -sS --max-time 5 --cacert "$work/secrets/tls_certificate" --connect-to "ponderal.example:443:127.0.0.1:$1" "https://ponderal.example$2" "${@:3}"; }

sql() { compose exec -T "$1" psql -U postgres -qAtX -d "${3:-postgres}" -c "$2"; }

until_true() { # seconds, command...
  local end=$((SECONDS + $1))
  until "${@:2}" >/dev/null 2>&1; do
    [ $SECONDS -lt $end ] || fail "not within $1 s: ${*:2}"
    sleep 0.3
  done
}

ready() { get 17080 /readyz -f && get 17081 /readyz -f; }

scrape_settings() {
  cat >"$work/scrape.yaml" <<'YAML'
version: "3.8"
services:
  service:
    environment: {PONDERAL_WITNESSES_FILE: /run/secrets/witnesses, PONDERAL_WITNESS_SECONDS: "10", PONDERAL_RATE_LIMIT_ADDRESS_PER_MINUTE: "600"}
    secrets: [witnesses]
secrets:
  witnesses: {file: "${PONDERAL_SECRETS}/witnesses"}
YAML
}

# The composition as an operator starts it: nothing is served before the schema is there, COMMIT needs both machines, the file systems are read-only.
start() {
  compose up -d 2>&1 | grep -i error || true
  until_true 60 ready
  [ "$(sql postgres_a "SELECT string_agg(application_name || ' ' || sync_state, ',') FROM pg_stat_replication")" = 'postgres_b quorum' ] || fail 'the standby is not synchronous'
  [ "$(sql postgres_b 'SELECT pg_is_in_recovery()')" = t ] || fail 'the standby is not one'
  local replica
  for replica in $(compose ps -q service); do
    [ "$(docker inspect -f '{{.HostConfig.ReadonlyRootfs}} {{.HostConfig.Memory}} {{.HostConfig.CapDrop}}' "$replica")" = 'true 268435456 [ALL]' ] ||
      fail "a replica runs with other rights or limits: $(docker inspect -f '{{.HostConfig.ReadonlyRootfs}} {{.HostConfig.Memory}} {{.HostConfig.CapDrop}}' "$replica")"
  done
  compose run --rm migrate >"$work/again" 2>&1 || { cat "$work/again"; fail 'the migration cannot be repeated'; }
}

# Series come into being with their first event, so each is made to happen: calls with and without a credential, a path that is not there, too many calls.
scrape() {
  get 17080 /healthz -f -o /dev/null
  get 17080 /v1/nothing -o /dev/null
  get 17080 /v1/identities -o /dev/null
  local n
  for n in $(seq 40); do printf 'url = "https://ponderal.example/v1/identities"\noutput = "/dev/null"\nheader = "Authorization: Bearer none"\n'; done >"$work/many"
  for n in 1 2 3; do
    curl -sS --max-time 30 --cacert "$work/secrets/tls_certificate" --connect-to ponderal.example:443:127.0.0.1:17080 -K "$work/many"
  done
  get 17080 /metrics >"$work/metrics"
  bin/promtool check metrics <"$work/metrics" >"$work/promtool" 2>&1 || { cat "$work/promtool"; echo 'promtool has remarks on the names of metrics (see above)'; }
}

# The library of the specification, Kubernetes' own types, the schema of the backup plugin; then promtool over rules, their tests, and the dashboard's expressions.
lint() {
  "$work/one" serve -h >"$work/metrics.settings"
  local plugin
  plugin=$(cd .ci/tools/deploy && go mod download -json github.com/cloudnative-pg/plugin-barman-cloud@v0.15.0 | sed -n 's/.*"Dir": "\(.*\)".*/\1/p')
  cp "$plugin/config/crd/bases/barmancloud.cnpg.io_objectstores.yaml" "$work/metrics.objectstore.yaml"
  (cd .ci/tools/deploy && go vet . && DEPLOY_TEST_METRICS=$work/metrics go test -count=1 .)
  bin/promtool check rules deploy/prometheus/rules.yaml "$work/metrics.dashboard.yaml" >"$work/promtool" || { cat "$work/promtool"; return 1; }
  bin/promtool test rules deploy/prometheus/rules_test.yaml >"$work/promtool" 2>&1 || { cat "$work/promtool"; return 1; }
}

# The primary is killed. Nothing can be written until the standby is promoted and does not wait for the dead one; then both replicas find it by themselves.
takeover() {
  local before
  before=$(sql postgres_a 'SELECT count(*) FROM ponderal.audit_entry' ponderal)
  compose kill -s SIGKILL postgres_a >/dev/null 2>&1
  local began=$SECONDS
  sql postgres_b 'SELECT pg_promote()' >/dev/null
  sql postgres_b "ALTER SYSTEM SET synchronous_standby_names = ''" >/dev/null
  sql postgres_b 'SELECT pg_reload_conf()' >/dev/null
  compose rm -f -s postgres_a >/dev/null 2>&1
  until_true 60 ready
  [ "$(sql postgres_b 'SELECT pg_is_in_recovery()')" = f ] || fail 'the standby was not promoted'
  [ "$(sql postgres_b 'SELECT count(*) FROM ponderal.audit_entry' ponderal)" = "$before" ] || fail 'the standby lacks entries'
  echo "both replicas were ready again after $((SECONDS - began)) s"
}

main() {
  trap finish EXIT
  say 'tools'; install_tools
  say 'two builds'; reproducible
  say "the image's last stage"; last_stage
  say 'the composition'; secrets; scrape_settings; start
  say 'metrics'; scrape
  say 'lint'; lint
  say 'the primary dies'; takeover
  say 'done'
}
main
