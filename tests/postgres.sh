#!/bin/sh
# A PostgreSQL of one's own for the tests, in a folder that goes away with it.
#
#   URL=$(tests/postgres.sh start FOLDER)    starts one and prints its address
#   tests/postgres.sh stop FOLDER            stops it and removes the folder
#
# It listens on a free port of 127.0.0.1 only. PostgreSQL refuses to run as root: then the user
# "postgres" (or $SIEVEWARD_POSTGRES_USER) runs it. Programs are looked for in $PGBIN first.
set -eu

usage() { echo "usage: $0 start|stop FOLDER" >&2; exit 2; }
[ $# -eq 2 ] || usage
folder=$2

find_bin() {
    for place in "${PGBIN:-}" /usr/lib/postgresql/15/bin /usr/lib/postgresql/*/bin; do
        if [ -n "$place" ] && [ -x "$place/initdb" ]; then echo "$place"; return; fi
    done
    if command -v initdb >/dev/null 2>&1; then dirname "$(command -v initdb)"; return; fi
    echo "no PostgreSQL programs found" >&2; exit 3
}

as_owner() {
    if [ "$(id -u)" -ne 0 ]; then "$@"; return; fi
    owner=${SIEVEWARD_POSTGRES_USER:-postgres}
    if command -v runuser >/dev/null 2>&1; then runuser -u "$owner" -- "$@"
    else setpriv --reuid="$owner" --regid="$owner" --init-groups "$@"; fi
}

free_port() {
    python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'
}

bin=$(find_bin)
case $1 in
start)
    mkdir -p "$folder"
    if [ "$(id -u)" -eq 0 ]; then
        chown "${SIEVEWARD_POSTGRES_USER:-postgres}" "$folder"; chmod 711 "$folder"
    fi
    cd "$folder"
    as_owner "$bin/initdb" -D "$folder/data" -U sieveward --auth=trust --encoding=UTF8 \
        --no-sync >"$folder.log" 2>&1
    port=$(free_port)
    as_owner "$bin/pg_ctl" -D "$folder/data" -l "$folder/data/log" -w -t 30 \
        -o "-c listen_addresses=127.0.0.1 -c port=$port -c unix_socket_directories='' \
            -c fsync=off -c full_page_writes=off -c synchronous_commit=off" start >>"$folder.log" 2>&1
    echo "postgresql+psycopg://sieveward@127.0.0.1:$port/postgres"
    ;;
stop)
    if [ -d "$folder/data" ]; then
        cd "$folder"
        as_owner "$bin/pg_ctl" -D "$folder/data" -m immediate -w stop >/dev/null 2>&1 || true
    fi
    cd /
    rm -rf "$folder" "$folder.log"
    ;;
*) usage ;;
esac
