#!/bin/sh
# Starts one Postgres of the pair, as the user postgres, in every image that has the programs. With PRIMARY empty the first start makes a cluster;
# with PRIMARY set to a host it copies that host's cluster and follows it. Later starts leave the data as they are, whatever PRIMARY says.
# With the argument "ready" it says by its exit status whether the server answers.
#
# Passwords are read from files: postgres_password (superuser), owner_password (owner of the schema), replication_password.
set -eu
umask 077
for programs in /usr/lib/postgresql/*/bin; do PATH=$programs:$PATH; done
data=/var/lib/postgresql/ponderal
secrets=/run/secrets
passfile=/var/lib/postgresql/replication.pgpass

if [ "${1:-}" = ready ]; then exec pg_isready -q -h 127.0.0.1 -d postgres; fi

# quoted prints a password file's content as an SQL literal.
quoted() { printf "'%s'" "$(sed "s/'/''/g" "$secrets/$1")"; }

make_cluster() {
	initdb -D "$data.new" -U postgres -E UTF8 --locale=C --data-checksums --auth-local=peer --auth-host=scram-sha-256 \
		--pwfile="$secrets/postgres_password" >/dev/null
	# Only the composition's own network reaches the port; everybody has to show a password.
	printf 'host all all all scram-sha-256\nhost replication replicator all scram-sha-256\n' >>"$data.new/pg_hba.conf"
	# One statement a line: that is what single-user mode takes.
	postgres --single -D "$data.new" postgres >/dev/null <<-SQL
		CREATE ROLE replicator LOGIN REPLICATION PASSWORD $(quoted replication_password)
		CREATE ROLE ponderal_owner LOGIN CREATEROLE PASSWORD $(quoted owner_password)
		CREATE DATABASE ponderal OWNER ponderal_owner
	SQL
	# In the file, not on the command line, so that ALTER SYSTEM can go before it when only one machine is left.
	printf "synchronous_standby_names = 'ANY 1 (postgres_a, postgres_b)'\n" >>"$data.new/postgresql.conf"
	mv "$data.new" "$data"
}

copy_cluster() {
	until pg_isready -q -h "$PRIMARY" -d postgres; do sleep 1; done
	pg_basebackup -D "$data.new" -d "host=$PRIMARY user=replicator passfile=$passfile" -X stream -c fast
	touch "$data.new/standby.signal"
	mv "$data.new" "$data"
}

printf '*:*:*:replicator:%s\n' "$(cat "$secrets/replication_password")" >"$passfile"
if [ ! -e "$data" ]; then
	rm -rf "$data.new"
	if [ -z "${PRIMARY:-}" ]; then make_cluster; else copy_cluster; fi
fi

# Both names are listed, so that either may be the primary. COMMIT waits until the other has flushed: what one machine alone holds is not
# acknowledged. Statements and their values stay out of the log, since they describe people.
exec postgres -D "$data" -c 'listen_addresses=*' -c "cluster_name=$NAME" \
	-c "primary_conninfo=host=$PEER user=replicator passfile=$passfile application_name=$NAME" \
	-c synchronous_commit=on \
	-c wal_level=replica -c max_wal_senders=8 -c wal_keep_size=1GB -c wal_log_hints=on -c hot_standby=on \
	-c max_connections=120 -c log_statement=none -c log_min_error_statement=panic -c log_parameter_max_length=0
