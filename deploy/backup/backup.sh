#!/usr/bin/env bash
# Backs up a Ponderal database. Connects as libpq is told to (PGHOST, PGPORT, PGUSER, PGPASSFILE ...).
#
#   backup.sh base DIR             a verified copy of the whole server into the new folder DIR: with the archived log (archive-wal.sh) it restores
#                                  any moment from then on; needs a role with REPLICATION
#   backup.sh dump DATABASE FILE   one database as it is now, into the new file FILE, and its roles into FILE.roles; needs a superuser or
#                                  BYPASSRLS: row security would leave rows out, and pg_dump refuses then
#
# Nothing is overwritten. What is backed up describes people: keep it as you keep the database.
set -euo pipefail
umask 077

usage() { sed -n '2,11p' "$0" >&2; exit 2; }

base() {
  local dir=$1
  [ ! -e "$dir" ] || { echo "backup.sh: $dir is there already" >&2; exit 1; }
  # Copied beside and renamed when it is verified, so that a cut-short copy is never taken for a backup.
  rm -rf "$dir.part"
  pg_basebackup -D "$dir.part" -X stream -c fast --manifest-checksums=SHA256 --no-password
  "$(pg_config --bindir 2>/dev/null || dirname "$(command -v pg_verifybackup || ls /usr/lib/postgresql/*/bin/pg_verifybackup | tail -n 1)")/pg_verifybackup" -q "$dir.part"
  mv "$dir.part" "$dir"
  sync -f "$dir"
  echo "backed up into $dir"
}

dump() {
  local database=$1 file=$2
  [ ! -e "$file" ] || { echo "backup.sh: $file is there already" >&2; exit 1; }
  pg_dumpall --roles-only --no-role-passwords --no-password > "$file.roles.part"
  pg_dump -Fc --no-password -f "$file.part" "$database"
  pg_restore --list "$file.part" > /dev/null
  mv "$file.roles.part" "$file.roles"
  mv "$file.part" "$file"
  sync "$file" "$file.roles"
  echo "dumped $database into $file"
}

case "${1:-} $#" in
  'base 2') base "$2" ;;
  'dump 3') dump "$2" "$3" ;;
  *) usage ;;
esac
