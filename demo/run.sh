#!/usr/bin/env bash
# Shows watchd at work on a simulated bank: a day live, then a season, then its report; in about ten
# minutes. Works from any folder and asks nothing: it needs Debian or Ubuntu with Python 3.11 to 3.14,
# and brings its own MQTT broker.
#
# Usage: demo/run.sh [--only day|season] [--broker HOST:PORT] [--speed N] [--seed N]
#
#   --only day|season    the live day (three minutes), or the season and its report, alone
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

only="" broker="" speed=90 seed=1
while [ $# -gt 0 ]; do
  case $1 in
    --help | -h) usage; exit 0 ;;
    --only | --broker | --speed | --seed)
      [ $# -gt 1 ] || wrong "$1 wants a value"
      case $1 in --only) only=$2 ;; --broker) broker=$2 ;; --speed) speed=$2 ;; --seed) seed=$2 ;; esac
      shift 2
      ;;
    *) wrong "unknown option '$1'" ;;
  esac
done
[[ $only =~ ^(|day|season)$ ]] || wrong "--only wants day or season, not '$only'"
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
stop() {
  # The simulation first, the broker last: watchd can still take its advice back.
  for name in show season report skerry bridge watchd broker; do
    pid=${children[$name]:-}
    [ -n "$pid" ] || continue
    kill "$pid" 2>/dev/null || continue
    for _ in {1..50}; do
      kill -0 "$pid" 2>/dev/null || break
      sleep 0.1
    done
    kill -KILL "$pid" 2>/dev/null || true
    wait "$pid" 2>/dev/null || true
    unset "children[$name]"
  done
}
# shellcheck disable=SC2317 # the traps call it
clean_up() {
  trap - EXIT INT TERM HUP
  stop
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

day() {
  local address=$broker begin=2026-06-21T08:00:00Z zero code=0
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

  "$python" -m demo.show --broker "$address" --speed "$speed" --phone "$tmp/phone" </dev/null &
  children[show]=$!
  until [ -s "$tmp/phone" ]; do
    kill -0 "${children[show]}" 2>/dev/null || break
    sleep 0.1
  done
  (umask 077 && echo "json://127.0.0.1:$(cat "$tmp/phone")/" >"$tmp/urls")

  sed -e "s|^  host: .*# run.sh: host|  host: ${address%:*}|" \
    -e "s|^  port: .*# run.sh: port|  port: ${address##*:}|" \
    -e "s|^  path: .*# run.sh: store|  path: $tmp/skerry.db|" \
    -e "s|^  urls_file: .*# run.sh: urls|  urls_file: $tmp/urls|" \
    -e "s|^  queue: .*# run.sh: queue|  queue: $tmp/phone.db|" \
    -e "s|^rules: .*# run.sh: rules|rules: $root/rules|" demo/config.yaml >"$tmp/config.yaml"

  # One clock for all. It begins a little later, when all are there; much later would be a silence of
  # minutes by that clock, and an alarm.
  zero=$(($(date +%s) + 2))
  [ -z "$broker" ] || echo "demo: for a replay of what you record: --clock-zero $zero"
  start bridge "$venv/bin/watchd" bridge --config "$tmp/config.yaml" \
    --clock-speed "$speed" --clock-start "$begin" --clock-zero "$zero"
  start watchd "$venv/bin/watchd" run --config "$tmp/config.yaml" \
    --clock-speed "$speed" --clock-start "$begin" --clock-zero "$zero"
  start skerry "$python" -m demo.skerry --broker "$address" --seed "$seed" \
    --speed "$speed" --start "$begin" --zero "$zero"

  while kill -0 "${children[show]}" 2>/dev/null; do
    for name in broker watchd bridge skerry; do watch "$name"; done
    sleep 0.3
  done
  wait "${children[show]}" || code=$?
  unset "children[show]"
  stop
  [ "$code" = 0 ] || exit "$code"
}

in_front() { # NAME COMMAND...: to its end; its exit code
  local name=$1 code=0
  shift
  "$@" </dev/null &
  children[$name]=$!
  wait "${children[$name]}" || code=$?
  unset "children[$name]"
  return "$code"
}

season() {
  local out=$root/demo/out code=0
  mkdir -p "$out"
  rm -f "$out"/season.db* "$out/season.txt" "$out/report.html"
  sed -e "s|^  path: .*# run.sh: store|  path: $out/season.db|" \
    -e "s|^rules: .*# run.sh: rules|rules: $root/rules|" demo/season.yaml >"$tmp/season.yaml"
  in_front season "$python" -m demo.season --config "$tmp/season.yaml" --store "$out/season.db" \
    --also-to "$out/season.txt" --seed "$seed" || code=$?
  echo "The season at a glance: drawing the report ..."
  in_front report "$venv/bin/watchd" report --config "$tmp/season.yaml" --store "$out/season.db" \
    --since '91 d' -o "$out/report.html" || exit 1
  echo "It lies in $out/report.html. Open it in any browser:"
  echo "  xdg-open '$out/report.html'"
  [ "$code" = 0 ] || exit 1
}

[ "$only" = season ] || day
[ "$only" = day ] || season
