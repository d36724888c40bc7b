#!/bin/sh
# Starts a throw-away PostgreSQL server from Debian's packages (apt-get install postgresql) and prints its URL.
# usage: CRESTGAUGE_TEST_POSTGRES=$(tests/start_postgres.sh FOLDER)   stop it with: tests/start_postgres.sh FOLDER stop
set -e
folder=$1
bin=$(ls -d /usr/lib/postgresql/*/bin | sort -V | tail -1)
as_owner() { if [ "$(id -u)" = 0 ]; then runuser -u postgres -- "$@"; else "$@"; fi; }
if [ "$2" = stop ]; then
    as_owner "$bin/pg_ctl" -D "$folder/data" -m immediate stop >/dev/null
    exit 0
fi
mkdir -p "$folder"
[ "$(id -u)" = 0 ] && chown postgres "$folder"
as_owner "$bin/initdb" -D "$folder/data" -A trust -U crestgauge --no-sync >/dev/null
as_owner "$bin/pg_ctl" -D "$folder/data" -w -l "$folder/log" \
    -o "-c listen_addresses='' -c unix_socket_directories='$folder' -c fsync=off" start >/dev/null
echo "postgresql://crestgauge@/postgres?host=$folder"
