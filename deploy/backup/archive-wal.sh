#!/usr/bin/env bash
# Postgres calls it for each finished piece of its write-ahead log:
#
#   archive_mode = on
#   archive_command = '/path/to/archive-wal.sh %p /path/to/archive/%f'
#   archive_timeout = 60s     # so much is lost at most when the server and its disk are gone
#
# It succeeds only when the piece is on the archive's disk, and never replaces one by another: Postgres keeps and repeats what failed.
set -euo pipefail
umask 077
[ $# -eq 2 ] || { sed -n '2,9p' "$0" >&2; exit 2; }
from=$1 to=$2
if [ -e "$to" ]; then
  # A repetition after a crash is the same piece.
  cmp -s "$from" "$to" || { echo "archive-wal.sh: $to is there already and differs" >&2; exit 1; }
  exit 0
fi
cp "$from" "$to.part"
sync "$to.part"
mv "$to.part" "$to"
sync "$(dirname "$to")"
