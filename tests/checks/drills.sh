#!/usr/bin/env bash
# The drills of deploy/README.md, done: a backup while serving and one while stopped, each restored into a new directory,
# with the same answers after the restart; a store of the first format restored by this program; and a way back to an older
# program that is refused with the message that the documentation promises.
# `tests/checks/drills.sh DIRECTORY`: where coldbrake-server and coldbrake are. Everything it starts it ends.
set -uo pipefail
cd "$(dirname "$0")/../.."
server_program=$(realpath "$1/coldbrake-server")
client=$(realpath "$1/coldbrake")

work=$(mktemp -d)
server=
clean_up() {
  [ -z "$server" ] || { kill "$server" 2>/dev/null; wait "$server" 2>/dev/null; }
  rm -rf "$work"
}
trap clean_up EXIT
trap 'exit 130' INT TERM

fail() {
  echo "FAILED  $*"
  [ ! -s "$work/log" ] || tail -5 "$work/log"
  exit 1
}

# start DIRECTORY: a server on a store; sets $COLDBRAKE_SERVER.
start() {
  : >"$work/log"
  "$server_program" --listen 127.0.0.1:0 --admin-listen "" --log-format json --store-directory "$1" \
    --store-backup-directory "$work/backups" 2>"$work/log" &
  server=$!
  local address=
  for _ in $(seq 300); do
    address=$(sed -n 's/.*"address":"\([^"]*\)".*/\1/p' "$work/log" | head -1)
    [ -n "$address" ] && break
    kill -0 "$server" 2>/dev/null || break
    sleep 0.1
  done
  [ -n "$address" ] || fail "no server on $1"
  export COLDBRAKE_SERVER="http://$address"
}

stop() {
  kill -TERM "$server"
  wait "$server"
  local code=$?
  server=
  [ "$code" -eq 0 ] || fail "the server ended with $code"
}

# What users ask, as one text.
answers() {
  local id
  "$client" --format json vehicles list && "$client" --format json classes list &&
    "$client" --format json descents list && "$client" --format json distribution recovery_ratio || return 1
  for id in $("$client" --format csv descents list | tail -n +2 | cut -d, -f1,2 | tr , :); do
    # The descent stands first, then its vehicle.
    "$client" --format json descents show "${id#*:}" "${id%%:*}" || return 1
  done
}

same() {
  answers >"$work/now.json" 2>"$work/log" || fail "$1: a question failed"
  cmp -s "$work/before.json" "$work/now.json" || fail "$1: other answers: $(diff "$work/before.json" "$work/now.json" | head -5)"
  echo "ok      $1"
}

mkdir "$work/backups"
start "$work/store"
"$client" classes put tests/reference/classes/truck_18t.toml >"$work/log" 2>&1 || fail "no class"
class=$(sed -n 's/^vehicle_class *= *"\(.*\)"/\1/p' tests/reference/classes/truck_18t.toml)
"$client" send tests/reference/cases/r05_power_limited.csv --vehicle drill-1 --class "$class" --software 1.0.0 \
  --current discharge-positive --start 2026-03-10T06:00:00Z --columns \
  time=time_s,speed=speed_mps:m/s,altitude=altitude_m,brake=brake_pressure_bar:bar,current=pack_current_a,voltage=pack_voltage_v,soc=soc \
  >"$work/log" 2>&1 || fail "nothing was sent"
answers >"$work/before.json" 2>"$work/log" || fail "a question failed"
grep -q '"drop_m"' "$work/before.json" || fail "no descent to compare"

# Backups.
"$client" backup serving.backup >"$work/log" 2>&1 || fail "no backup while serving"
stop
"$server_program" store backup "$work/backups/stopped.backup" --directory "$work/store" >"$work/log" 2>&1 || fail "no backup while stopped"
for which in serving stopped; do
  "$server_program" store restore "$work/backups/$which.backup" "$work/from-$which" >"$work/log" 2>&1 || fail "$which.backup does not come back"
  "$server_program" store verify --directory "$work/from-$which" >"$work/log" 2>&1 || fail "the store of $which.backup is damaged"
  start "$work/from-$which"
  same "the same answers from a backup made while $which"
  stop
done
start "$work/store"
same "the same answers from the old directory"
stop

# Upgrade: a backup of the first format with this program.
"$server_program" store restore server/tests/data/format_1.backup "$work/first" >"$work/log" 2>&1 || fail "the first format does not come back"
"$server_program" store verify --directory "$work/first" >"$work/log" 2>&1 || fail "the store of the first format is damaged"
# Its records on shelves are placeholders, so it is looked at and not served.
"$server_program" store stats --directory "$work/first" --format json 2>"$work/log" | grep -q '"descents": *[1-9]' || fail "no descents of the first format"
echo "ok      a backup of the first format, restored, verified and with its descents"

# The way back: what a newer program wrote is refused, and stays as it is.
python3 - "$work/backups/stopped.backup" "$work/newer.backup" <<'P' || fail "no newer backup"
import sys
data = bytearray(open(sys.argv[1], "rb").read())
assert data[:16] == b"coldbrake backup"
data[16:20] = (99).to_bytes(4, "big")
open(sys.argv[2], "wb").write(data)
P
"$server_program" store restore "$work/newer.backup" "$work/back" >"$work/log" 2>&1 && fail "a newer backup is taken"
grep -q 'has version 99, this program reads up to .*: restore it with the newer program' "$work/log" || fail "the refusal says something else"
python3 - "$work/store" <<'P' || fail "no newer store"
import glob, sys
def crc32c(data):
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x82F63B78 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF
found = 0
for path in glob.glob(sys.argv[1] + "/**/*", recursive=True):
    try:
        data = bytearray(open(path, "rb").read())
    except IsADirectoryError:
        continue
    if data[:8] == b"cb-jrnl\n":
        data[8:12] = (99).to_bytes(4, "big")
        data[20:24] = crc32c(data[:20]).to_bytes(4, "big")
        open(path, "wb").write(data)
        found += 1
assert found, "no journal"
P
"$server_program" --listen 127.0.0.1:0 --admin-listen "" --store-directory "$work/store" >"$work/log" 2>&1
[ $? -eq 3 ] || fail "a newer store is taken"
grep -qE 'this program reads( up to)? [0-9]+: start the newer program' "$work/log" || fail "the refusal says something else"
echo "ok      a newer backup and a newer store are refused, with what to do"
