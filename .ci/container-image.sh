#!/usr/bin/env bash
# Builds a small Postgres container image from Debian packages, for the test that
# reaches Postgres through a container engine on machines that cannot pull
# images. Needs root on Debian. Starts dockerd if none answers. Doing it again
# is cheap. The last line printed is the image's name.
#
# The image does as the public postgres image does, as far as internal/localpg
# needs: POSTGRES_USER and POSTGRES_PASSWORD name the superuser, and arguments after
# "postgres" are server settings.
set -euo pipefail

image=${1:-ponderal-ci/postgres:15}
base=ponderal-ci/debian-postgres:15
suite=bookworm

install_tools() {
	local tool missing=
	for tool in dockerd docker iptables debootstrap; do
		command -v "$tool" >/dev/null || missing=1
	done
	if [ -z "$missing" ]; then return; fi
	export DEBIAN_FRONTEND=noninteractive
	apt-get update -q
	apt-get install -y -q --no-install-recommends docker.io iptables debootstrap
}

start_engine() {
	if docker info >/dev/null 2>&1; then return; fi
	setsid dockerd >/var/log/ponderal-dockerd.log 2>&1 </dev/null &
	for _ in $(seq 60); do
		if docker info >/dev/null 2>&1; then return; fi
		sleep 1
	done
	echo "dockerd did not answer within 60 s; its log ends:" >&2
	tail -n 20 /var/log/ponderal-dockerd.log >&2
	return 1
}

make_base() {
	if docker image inspect "$base" >/dev/null 2>&1; then return; fi
	local root
	root=$(mktemp -d)
	# shellcheck disable=SC2064 # the folder's name is wanted as it is now
	trap "rm -rf '$root'" EXIT
	debootstrap --variant=minbase --include=postgresql-15 "$suite" "$root" >&2
	rm -rf "$root"/var/cache/apt/archives/*.deb "$root"/var/lib/apt/lists/*
	tar -C "$root" -c . | docker import - "$base" >&2
}

make_image() {
	local context
	context=$(mktemp -d)
	cat >"$context/start" <<'START'
#!/bin/sh
# Makes a cluster in the container's own file system and becomes its server.
set -eu
PATH=/usr/lib/postgresql/15/bin:$PATH
data=/var/lib/postgresql/ponderal
if [ ! -e "$data" ]; then
	umask 077
	printf '%s\n' "${POSTGRES_PASSWORD:?is not set}" >/tmp/password
	initdb -D "$data" -U "${POSTGRES_USER:-postgres}" -E UTF8 --locale=C \
		--auth=scram-sha-256 --pwfile=/tmp/password --no-sync
	rm /tmp/password
	echo 'host all all all scram-sha-256' >>"$data/pg_hba.conf"
fi
[ "${1:-postgres}" = postgres ] && shift
exec postgres -D "$data" -c 'listen_addresses=*' "$@"
START
	chmod 0755 "$context/start"
	printf 'FROM %s\nUSER postgres\nSTOPSIGNAL SIGINT\nCOPY start /start\nENTRYPOINT ["/start"]\nCMD ["postgres"]\n' \
		"$base" >"$context/Dockerfile"
	docker build -q -t "$image" "$context" >&2
	rm -rf "$context"
}

install_tools >&2
start_engine
make_base
make_image
echo "$image"
