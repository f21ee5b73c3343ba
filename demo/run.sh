#!/usr/bin/env bash
# Shows watchd at work on a simulated bank, in about three minutes. Works from any folder and asks
# nothing: it needs Debian or Ubuntu with Python 3.11 to 3.14, and brings its own MQTT broker.
#
# Usage: demo/run.sh [--broker HOST:PORT] [--speed N] [--seed N]
#
#   --broker HOST:PORT   use this broker (no password) instead of the demo's own
#   --speed N            seconds on the skerry in a second of yours (default 90, 200 at most)
#   --seed N             another seed gives other clouds and noise (default 1)
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd -P)
cd "$root"

usage() { sed -n '/^# Usage/,/^set/{s/^# \{0,1\}//;/^set/d;p;}' demo/run.sh; }
wrong() {
  echo "demo: $* (see demo/run.sh --help)" >&2
  exit 2
}

broker="" speed=90 seed=1
while [ $# -gt 0 ]; do
  case $1 in
    --help | -h) usage; exit 0 ;;
    --broker | --speed | --seed)
      [ $# -gt 1 ] || wrong "$1 wants a value"
      case $1 in --broker) broker=$2 ;; --speed) speed=$2 ;; --seed) seed=$2 ;; esac
      shift 2
      ;;
    *) wrong "unknown option '$1'" ;;
  esac
done
[ -z "$broker" ] || [[ $broker =~ ^[^:[:space:]]+:[0-9]+$ ]] || wrong "--broker wants HOST:PORT, not '$broker'"
[[ $speed =~ ^([1-9][0-9]?|1[0-9]{2}|200)$ ]] ||
  wrong "--speed wants a whole number from 1 to 200, not '$speed'"
[[ $seed =~ ^[0-9]{1,9}$ ]] || wrong "--seed wants a whole number, not '$seed'"

unset PYTHONPATH PYTHONHOME
export PYTHONDONTWRITEBYTECODE=1 # the checkout stays as it was
venv=$(scripts/venv .venv-demo demo)
python=$venv/bin/python

tmp=$(mktemp -d)
declare -A children=()
# shellcheck disable=SC2317 # the traps call it
clean_up() {
  trap - EXIT INT TERM HUP
  # The simulation first, the broker last: watchd can still take its advice back.
  for name in show skerry watchd broker; do
    pid=${children[$name]:-}
    [ -n "$pid" ] || continue
    kill "$pid" 2>/dev/null || continue
    for _ in {1..50}; do
      kill -0 "$pid" 2>/dev/null || break
      sleep 0.1
    done
    kill -KILL "$pid" 2>/dev/null || true
    wait "$pid" 2>/dev/null || true
  done
  [ -z "$broker" ] || "$python" -m demo.forget "$broker" 2>/dev/null || true
  rm -rf "$tmp"
}
trap clean_up EXIT
trap 'exit 130' INT
trap 'exit 143' TERM HUP

start() { # NAME COMMAND...: in the background, with a log
  local name=$1
  shift
  "$@" </dev/null >"$tmp/$name.log" 2>&1 &
  children[$name]=$!
}
watch() { # NAME: nothing while it runs; once it has ended, its exit code decides
  local code=0
  if [ -z "${children[$1]:-}" ] || kill -0 "${children[$1]}" 2>/dev/null; then return; fi
  wait "${children[$1]}" || code=$?
  unset "children[$1]"
  [ "$1$code" != skerry0 ] || return 0 # its day is over
  echo "demo: $1 ended with exit code $code; its last lines:" >&2
  tail -n 15 "$tmp/$1.log" >&2
  exit 1
}

address=$broker
if [ -z "$broker" ]; then
  start broker "$python" -m demo.broker "$tmp/port"
  until [ -s "$tmp/port" ]; do
    watch broker
    sleep 0.1
  done
  address=127.0.0.1:$(cat "$tmp/port")
else
  "$python" -m demo.forget "$address" || exit 1
fi

sed -e "s|^  host: .*# run.sh: host|  host: ${address%:*}|" \
  -e "s|^  port: .*# run.sh: port|  port: ${address##*:}|" \
  -e "s|^  path: .*# run.sh: store|  path: $tmp/skerry.db|" \
  -e "s|^rules: .*# run.sh: rules|rules: $root/rules|" demo/config.yaml >"$tmp/config.yaml"

# One clock for both. It begins a little later, when all are there; much later would be a silence of
# minutes by that clock, and an alarm.
begin=2026-06-21T08:00:00Z
zero=$(($(date +%s) + 2))
[ -z "$broker" ] || echo "demo: for a replay of what you record: --clock-zero $zero"
start watchd "$venv/bin/watchd" run --config "$tmp/config.yaml" \
  --clock-speed "$speed" --clock-start "$begin" --clock-zero "$zero"
start skerry "$python" -m demo.skerry --broker "$address" --seed "$seed" \
  --speed "$speed" --start "$begin" --zero "$zero"
"$python" -m demo.show --broker "$address" --speed "$speed" </dev/null &
children[show]=$!

while kill -0 "${children[show]}" 2>/dev/null; do
  for name in broker watchd skerry; do watch "$name"; done
  sleep 0.3
done
code=0
wait "${children[show]}" || code=$?
unset "children[show]"
exit "$code"
