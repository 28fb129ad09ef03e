#!/usr/bin/env bash
# Counts the instructions that decoding and the engine take for a sample, and compares with what they took before:
# `tests/checks/instructions.sh PROGRAM`, PROGRAM being the release build of `instructions`. Unlike seconds these repeat.
# `--write` after the program notes the present figures as the ones to compare with.
set -euo pipefail
cd "$(dirname "$0")/../.."
program=$1
noted=tests/checks/instructions.txt
# A new compiler or an innocent change moves them a little.
tolerance_percent=10

count() { # count WHAT TIMES: instructions, then samples
  local log
  log=$(mktemp)
  local samples
  samples=$(valgrind --tool=callgrind --callgrind-out-file=/dev/null --log-file="$log" "$program" "$1" "$2")
  echo "$(awk '/Collected :/ { print $4 }' "$log") $samples"
  rm -f "$log"
}

per_sample() { # per_sample WHAT
  local once twice
  once=$(count "$1" 1)
  twice=$(count "$1" 2)
  awk -v a="$once" -v b="$twice" 'BEGIN { split(a, x, " "); split(b, y, " "); printf "%.0f", (y[1] - x[1]) / (y[2] - x[2]) }'
}

status=0
lines=
for what in decode engine; do
  now=$(per_sample "$what")
  lines+="$what $now"$'\n'
  before=$(awk -v w="$what" '$1 == w { print $2 }' "$noted" 2>/dev/null || true)
  echo "$what: $now instructions a sample, noted are ${before:-none}"
  if [ "${2:-}" != --write ] && ! awk -v n="$now" -v b="${before:-0}" -v t="$tolerance_percent" \
    'BEGIN { exit !(n <= b * (1 + t / 100)) }'; then
    echo "$what takes more than before: find out why, or note the new figure with --write and say why in the commit"
    status=1
  fi
done
if [ "${2:-}" = --write ]; then
  printf '%s' "$lines" >"$noted"
fi
exit $status
