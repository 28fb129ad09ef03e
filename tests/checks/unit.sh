#!/usr/bin/env bash
# Runs the command line of the systemd unit the way the unit does, as far as that goes without systemd: with its
# environment, as a user without rights, on a read-only system with a /tmp, a state directory and a loopback of its own, no new
# privileges and no capabilities. Starts it, asks whether it is ready, ends it by SIGTERM within TimeoutStopSec, and starts it
# again on what it left. Left out: the filter of system calls, and the protections of devices and of the kernel.
# `tests/checks/unit.sh PROGRAM`
set -uo pipefail
cd "$(dirname "$0")/../.."

unit=deploy/coldbrake-server.service
setting() { sed -n "s/^$1=//p" "$unit"; }

if [ "${2:-}" != inside ]; then
  # A user without rights becomes root of a namespace, which can do no more outside.
  mapped=()
  [ "$(id -u)" -eq 0 ] || mapped=(--user --map-root-user)
  exec timeout 120 unshare "${mapped[@]}" --mount --pid --net --ipc --uts --fork --kill-child --mount-proc \
    bash "$0" "$(realpath "$1")" inside "$(id -u)"
fi

fail() {
  echo "$*" >&2
  [ -z "${log:-}" ] || tail -5 "$log" >&2
  exit 1
}

# The state directory and a place for the program, then nothing else is writable.
mount -t tmpfs -o mode=755 tmpfs /mnt && cp "$1" /mnt/coldbrake-server && cp deploy/coldbrake.example.toml /mnt/coldbrake.toml &&
  chmod 644 /mnt/coldbrake.toml || fail "cannot prepare /mnt"
mount -t tmpfs -o mode=755 tmpfs /var/lib && mkdir /var/lib/coldbrake && mount -t tmpfs -o mode=700 tmpfs /var/lib/coldbrake ||
  fail "cannot make the state directory"
log=/var/lib/coldbrake.log
touch "$log"
command=$(setting ExecStart)
command=${command/#\/usr\/bin\/coldbrake-server/\/mnt\/coldbrake-server}
command=${command/\/etc\/coldbrake\/coldbrake.toml/\/mnt\/coldbrake.toml}
mapfile -t variables < <(setting Environment)
patience=$(setting TimeoutStopSec)
exec 3>>"$log"
# As the unit says, dropped only from root: a user of their own namespace has no other to become.
who=(--no-new-privs --bounding-set=-all --inh-caps=-all)
if [ "$3" -eq 0 ]; then
  chown 65534:65534 /var/lib/coldbrake
  who+=(--reuid=65534 --regid=65534 --clear-groups)
fi
awk '$2 != "/var/lib/coldbrake" && $2 !~ "^/(proc|sys|dev)(/|$)" { print $2 }' /proc/self/mounts | sort -u | while read -r point; do
  mount -o remount,bind,ro "$point" 2>/dev/null
done
mount -t tmpfs -o mode=1777 tmpfs /tmp || fail "cannot make /tmp"
/usr/bin/python3 - <<'P' || fail "cannot bring the loopback up"
import fcntl, socket, struct
s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
fcntl.ioctl(s, 0x8914, struct.pack("16sh", b"lo", 1 | 64))  # SIOCSIFFLAGS: up and running
P
umask "$(setting UMask)"
ulimit -n "$(ulimit -Hn)"
cd "$(setting WorkingDirectory)" || fail "there is no state directory"

restricted() { exec env -i "${variables[@]}" setpriv "${who[@]}" "$@"; }

for place in / /usr /var/lib /mnt "$OLDPWD"; do
  (restricted touch "$place/coldbrake-was-here" 2>/dev/null) && fail "$place can be written"
done

for round in first second; do
  # shellcheck disable=SC2086 # the line is words
  restricted $command 2>&3 &
  server=$!
  ready=
  for _ in $(seq 200); do
    curl -sf --max-time 2 http://127.0.0.1:7451/readyz >/dev/null && ready=yes && break
    kill -0 "$server" 2>/dev/null || break
    sleep 0.1
  done
  [ -n "$ready" ] || fail "the $round start is not ready"
  grep -qE '^NoNewPrivs:\s1$' "/proc/$server/status" || fail "new privileges are possible"
  grep -qE '^CapEff:\s0+$' "/proc/$server/status" || [ "$3" -ne 0 ] || fail "it has capabilities"
  grep -qE '^Uid:\s65534\s' "/proc/$server/status" || [ "$3" -ne 0 ] || fail "it runs as another user"
  [ -d /var/lib/coldbrake/store ] || fail "the store is elsewhere"
  [ -z "$(find /var/lib/coldbrake/store -perm /077)" ] || fail "others can read the store"
  began=$SECONDS
  kill -TERM "$server"
  wait "$server"
  code=$?
  [ "$code" -eq 0 ] || fail "it ended with $code"
  [ $((SECONDS - began)) -lt "$patience" ] || fail "it took longer than TimeoutStopSec to end"
done
echo "started, ready and ended, twice"
