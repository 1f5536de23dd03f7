#!/usr/bin/env bash
# Restores what backup.sh made. Run it as the user that runs Postgres.
#
#   restore.sh point BASE ARCHIVE DATA [TIME]   makes the new data folder DATA out of the base backup BASE; when a server is started on it, it
#                                               replays the log in ARCHIVE up to TIME (such as '2026-11-25 18:00:00+00'; to the end without it)
#                                               and then takes writes
#   restore.sh dump FILE DATABASE               makes the database DATABASE out of a dump, and the roles that are lacking; connects as libpq is
#                                               told to, as a superuser
#
# Before the service is let near it: `ponderal audit check` with the heads that were kept elsewhere (-known), which say what was lost. See README.md.
set -euo pipefail
umask 077

usage() { sed -n '2,11p' "$0" >&2; exit 2; }

quoted() { printf "'%s'" "${1//\'/\'\'}"; }

point() {
  local base=$1 archive=$2 data=$3 time=${4:-}
  [ ! -e "$data" ] || { echo "restore.sh: $data is there already" >&2; exit 1; }
  [ -f "$base/backup_manifest" ] || { echo "restore.sh: $base is no base backup" >&2; exit 1; }
  cp -a "$base" "$data"
  chmod 700 "$data"
  # The copy must not write into the archive of the server that it is a copy of.
  {
    echo "archive_mode = off"
    echo "synchronous_standby_names = ''"
    echo "restore_command = $(quoted "cp \"$archive/%f\" \"%p\"")"
    echo "recovery_target_timeline = 'latest'"
    if [ -n "$time" ]; then
      echo "recovery_target_time = $(quoted "$time")"
      echo "recovery_target_action = 'promote'"
    fi
  } >> "$data/postgresql.auto.conf"
  touch "$data/recovery.signal"
  echo "made $data: start a server on it, and it recovers${time:+ up to $time}"
}

dump() {
  local file=$1 database=$2
  # Roles that are there stay as they are; passwords are not in a backup and are set anew (ponderal migrate -service-password-file).
  grep '^CREATE ROLE' "$file.roles" | while read -r statement; do
    name=$(sed 's/^CREATE ROLE \(.*\);$/\1/' <<< "$statement")
    has=$(psql -X -A -t -d postgres -v ON_ERROR_STOP=1 -c "SELECT 1 FROM pg_catalog.pg_roles WHERE pg_catalog.quote_ident(rolname) = $(quoted "$name")")
    [ -n "$has" ] || grep -E "^(CREATE|ALTER) ROLE $name[ ;]" "$file.roles" | psql -X -q -d postgres -v ON_ERROR_STOP=1
  done
  createdb --no-password -T template0 "$database"
  if ! pg_restore --no-password --exit-on-error --single-transaction -d "$database" "$file"; then
    dropdb --no-password "$database"
    exit 1
  fi
  echo "restored $database"
}

case "${1:-} $#" in
  'point 4' | 'point 5') point "$2" "$3" "$4" "${5:-}" ;;
  'dump 3') dump "$2" "$3" ;;
  *) usage ;;
esac
