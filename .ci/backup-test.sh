#!/usr/bin/env bash
# Backs up a database with the demonstration's day in it, restores it to a moment and from a dump with deploy/backup's own scripts, and has the audit
# check read each copy. Needs bin/ponderal and the Postgres programs.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
ponderal=$PWD/bin/ponderal
scripts=$PWD/deploy/backup
bin=$(dirname "$(ls /usr/lib/postgresql/*/bin/postgres | tail -n 1)")
export PATH=$bin:$PATH
work=$(mktemp -d /tmp/ponderal-backup-XXXXXX)
chmod 755 "$work"
# Postgres does not run as root.
as() { if [ "$(id -u)" = 0 ]; then runuser -u postgres -- env "${libpq[@]}" "$@"; else env "${libpq[@]}" "$@"; fi; }
free() { python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])' 2>/dev/null || echo $((20000 + RANDOM % 10000)); }
port=$(free)
libpq=("PATH=$PATH" "PGHOST=$work/run" "PGPORT=$port" PGUSER=ponderal_admin)
running=()
stop() { for data in "${running[@]}"; do as pg_ctl -D "$data" -m immediate -w stop > /dev/null 2>&1 || true; done; rm -rf "$work"; }
trap stop EXIT
fail() { echo "backup-test: $*" >&2; exit 1; }

start() { # DATA SETTINGS...
  local data=$1
  shift
  running+=("$data")
  as pg_ctl -D "$data" -w -t 60 -l "$work/run/log.$port" -o "-p $port -c listen_addresses=127.0.0.1 -c unix_socket_directories=$work/run -c hba_file=$work/hba.conf $*" start > /dev/null ||
    { cat "$work/run/log.$port" >&2; fail "Postgres does not start on $data"; }
}
ask() { as psql -X -A -t -d "${2:-ponderal}" -c "$1"; }
# The day ends with two rows altered on purpose in one clinic, which the check must name in the original and in each copy alike, and nothing else.
known=2
whole() { # DATABASE
  local found
  found=$(check "$1" 2> /dev/null | grep -v '^Checked' | sort) || true
  [ "$found" = "$original" ] || { check "$1" >&2 || true; fail "the copy $1 is not as the original"; }
  check "$1" -clinic 00000000-0000-0000-0000-000000000000
}
check() { # DATABASE FLAGS
  PONDERAL_DATABASE_URL="postgres://ponderal_service@127.0.0.1:$port/$1?sslmode=disable" PONDERAL_KEYS_FOLDER=$work/demo/keys PONDERAL_LOG_NAME=demo.ponderal.example \
    "$ponderal" audit check "${@:2}"
}
change() { # a change with its audit entry: a token of the network
  PONDERAL_DATABASE_URL="postgres://ponderal_service@127.0.0.1:$port/ponderal?sslmode=disable" PONDERAL_KEYS_FOLDER=$work/demo/keys PONDERAL_LOG_NAME=demo.ponderal.example \
    "$ponderal" token -role network_admin -label "$1" > /dev/null 2>&1
}

"$ponderal" demo -exit -keep "$work/demo" > "$work/demo.out" 2>&1 || { cat "$work/demo.out" >&2; fail 'the demonstration failed'; }
printf 'local all all trust\nlocal replication all trust\nhost all all 127.0.0.1/32 trust\n' > "$work/hba.conf"
mkdir "$work/run" "$work/archive" "$work/backups"
chmod 755 "$work/demo" "$work/demo/postgres" "$work/hba.conf"
if [ "$(id -u)" = 0 ]; then chown postgres "$work/run" "$work/archive" "$work/backups"; fi
# The scripts as an operator installs them, where the server's user can run them.
cp -r "$scripts" "$work/scripts"
start "$work/demo/postgres/data" -c archive_mode=on "-c archive_command=\"$work/scripts/archive-wal.sh %p $work/archive/%f\""
original=$(check ponderal 2> /dev/null | grep -v '^Checked' | sort) || true
[ "$(wc -l <<< "$original")" = $known ] || fail "the original has other findings: $original"
entries='SELECT count(*) FROM ponderal.audit_entry'

echo 'backup-test: base backup and dump'
as "$work/scripts/backup.sh" base "$work/backups/base"
change 'before the moment'
moment=$(ask 'SELECT clock_timestamp()')
want=$(ask "$entries")
as "$work/scripts/backup.sh" dump ponderal "$work/backups/day.dump"
sleep 1.1
change 'after the moment'
[ "$(ask "$entries")" = $((want + 1)) ] || fail 'the later change is not there'
ask 'SELECT pg_catalog.pg_switch_wal()' > /dev/null
last=$(ask "SELECT pg_catalog.pg_walfile_name(pg_catalog.pg_current_wal_lsn() - 1)")
for _ in $(seq 100); do [ -n "$(ask "SELECT 1 FROM pg_catalog.pg_stat_archiver WHERE last_archived_wal >= '$last' AND last_archived_wal !~ 'backup'")" ] && break; sleep 0.1; done
[ -n "$(ls "$work/archive")" ] || fail 'nothing was archived'

echo 'backup-test: nothing is overwritten'
! as "$work/scripts/backup.sh" base "$work/backups/base" 2> /dev/null || fail 'a base backup was overwritten'
! as "$work/scripts/backup.sh" dump ponderal "$work/backups/day.dump" 2> /dev/null || fail 'a dump was overwritten'
one=$(ls "$work/archive" | grep -v '[.]' | head -n 1)
as "$work/scripts/archive-wal.sh" "$work/archive/$one" "$work/archive/$one" || fail 'the same piece again was refused'
! as "$work/scripts/archive-wal.sh" "$work/hba.conf" "$work/archive/$one" 2> /dev/null || fail 'a piece of the log was replaced by another'

echo "backup-test: restore to the moment $moment"
# The server and its disk are gone.
as pg_ctl -D "$work/demo/postgres/data" -m immediate -w stop > /dev/null
as "$work/scripts/restore.sh" point "$work/backups/base" "$work/archive" "$work/run/point" "$moment"
start "$work/run/point"
for _ in $(seq 200); do [ "$(ask 'SELECT pg_catalog.pg_is_in_recovery()')" = f ] && break; sleep 0.1; done
[ "$(ask "$entries")" = "$want" ] || fail "after the restore there are $(ask "$entries") entries, want $want"
whole ponderal
change 'the restored copy takes writes'
whole ponderal > /dev/null

echo 'backup-test: restore to the end of the log'
as pg_ctl -D "$work/run/point" -m immediate -w stop > /dev/null
as "$work/scripts/restore.sh" point "$work/backups/base" "$work/archive" "$work/run/end"
start "$work/run/end"
for _ in $(seq 200); do [ "$(ask 'SELECT pg_catalog.pg_is_in_recovery()')" = f ] && break; sleep 0.1; done
[ "$(ask "$entries")" = $((want + 1)) ] || fail "at the end of the log there are $(ask "$entries") entries, want $((want + 1))"
whole ponderal > /dev/null
as pg_ctl -D "$work/run/end" -m immediate -w stop > /dev/null

echo 'backup-test: restore the dump into a new server'
as initdb -D "$work/run/fresh" -U ponderal_admin -E UTF8 --locale=C --auth=trust --no-sync > /dev/null
start "$work/run/fresh"
as "$work/scripts/restore.sh" dump "$work/backups/day.dump" restored
[ "$(ask "$entries" restored)" = "$want" ] || fail 'the dump has another number of entries'
whole restored

echo 'backup-test: a copy that lost a row is told'
ask "ALTER TABLE ponderal.trial DISABLE TRIGGER USER; DELETE FROM ponderal.trial WHERE ctid = (SELECT ctid FROM ponderal.trial LIMIT 1)" restored > /dev/null
! check restored > "$work/told" 2>&1 || fail 'a copy without one of its trials passed the check'
[ "$(grep -vc '^Checked' "$work/told")" -gt $known ] || { cat "$work/told" >&2; fail 'the check does not name it'; }
echo 'backup-test: all as it should be'
