#!/usr/bin/env bash
# Installs watchd from this checkout as a system service, without starting it.
# Usage: sudo systemd/install.sh [--phone] [--compiled] [--help]
#
#   /opt/watchd                          the program, in a virtual environment of its own
#   /etc/watchd/config.yaml              from config.example.yaml, only if there is none
#   /etc/watchd/rules/*.yaml             the shipped rules, only those that are not there yet
#   /usr/share/bash-completion/completions/watchd   where bash-completion is there
#   /etc/systemd/system/watchd.service   the unit; beside it a drop-in where systemd is before 253
#
# With --phone also /etc/systemd/system/watchd-bridge.service and the library that hands messages on
# (docs/phone.md). Where that unit is there already, or the config has a section `phone`, it need not be said.
#
# With --compiled the modules that run with each message are compiled to C (docs/compiled.md). That needs a
# C compiler and Python's headers, and takes minutes. To be said at each update: without, it is pure again.
#
# Run again after an update: the program and the units are replaced, your config and rules are not. What
# fails on the way leaves the program as it was.
# PYTHON=/path/to/python names the Python to use (3.11 to 3.14): sudo PYTHON=/usr/bin/python3 systemd/install.sh
set -euo pipefail

usage() { sed -n '2,/^set /{/^set /d;s/^# \{0,1\}//;p}' "${BASH_SOURCE[0]}"; }
fail() {
  echo "install.sh: $*" >&2
  exit "${code:-1}"
}

phone=no
compiled=no
for word in "$@"; do
  case "$word" in
    --phone) phone=yes ;;
    --compiled) compiled=yes ;;
    --help | -h) usage; exit 0 ;;
    *) code=2 fail "unknown argument: $word (see --help)" ;;
  esac
done
[ "$(id -u)" = 0 ] || code=2 fail "must be run as root, for /opt, /etc and systemd: sudo $0${*:+ $*}"

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd -P)
cd "$root"
umask 022 # the service's own user must be able to read the program and the config
unset PYTHONPATH PYTHONHOME # the caller's packages have no business in here
program=/opt/watchd
settings=/etc/watchd
units=/etc/systemd/system
is_described=no # whether the config says where messages go, and has_credential: by a service credential
! grep -qs '^phone:' "$settings/config.yaml" || is_described=yes phone=yes
has_credential=yes
[ "$is_described" = no ] || grep -q '^[^#]*urls_credential:' "$settings/config.yaml" || has_credential=no
[ ! -e "$units/watchd-bridge.service" ] || phone=yes
extra= # of the package
[ "$phone" = no ] || extra='[phone]'

python=$(scripts/find-python)
case $("$python" -c 'import os, sys; print(os.path.realpath(sys.executable))') in
  /home/* | /root/*)
    # The unit has ProtectHome=yes: a Python from there would be out of the service's sight.
    fail "$python lies in a home folder, which the service can't see; name a system Python: sudo PYTHON=/usr/bin/python3 $0${*:+ $*}" ;;
esac
if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
  version=$("$python" -c 'import sys; print("{}.{}".format(*sys.version_info))')
  why=$(scripts/apt-install "python$version-venv") ||
    fail "$python can't make a virtual environment; install python$version-venv ($why)"
fi

kind_of() { if compgen -G "$1/lib/python3*/site-packages/watchd/*.so" >/dev/null; then echo compiled; else echo pure; fi; }
was=none
[ ! -x "$program/bin/watchd" ] || was=$(kind_of "$program")

new=$(mktemp -d)
old=$program.old
is_moved=no # whether the program that was there waits as $old for the new one to be whole
leave() {
  if [ "$is_moved" = yes ]; then
    rm -rf "$program"
    mv "$old" "$program"
    echo "install.sh: $program is as it was" >&2
  fi
  rm -rf "$new"
}
trap leave EXIT
as_it_was() {
  [ "$was" = none ] || echo "; $program is as it was"
}

# All is built and downloaded before the old program goes, so that a lost network leaves it as it is.
export PIP_NO_INPUT=1 PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore
if [ "$compiled" = yes ]; then
  echo "Compiling the program: that takes minutes"
  PYTHON=$python scripts/build-compiled "$new/wheels" >/dev/null ||
    fail "it could not be compiled (why is above)$(as_it_was)"
fi
echo "Installing the program into $program"
# Two environments: the build backend has no business in the one that stays.
"$python" -m venv "$new/build"
pip() {
  "$new/build/bin/python" -m pip -qq "$@" ||
    fail "could not get or build what it needs (pip's message is above; is the network there?)$(as_it_was)"
}
if [ "$compiled" = no ]; then
  pip install -c constraints.txt hatchling
  pip wheel -c constraints.txt --no-deps --no-build-isolation -w "$new/wheels" .
fi
pip wheel -c constraints.txt -w "$new/wheels" "$(echo "$new"/wheels/watchd-*.whl)$extra"

rm -rf "$old"
if [ -e "$program" ]; then
  mv "$program" "$old"
  is_moved=yes
fi
"$python" -m venv "$program"
"$program/bin/python" -m pip -qq install --no-index --find-links "$new/wheels" "$(echo "$new"/wheels/watchd-*.whl)$extra" ||
  fail "could not install what was built (pip's message is above)"
{ "$program/bin/watchd" --help && "$program/bin/python" -c 'import watchd.engine'; } >/dev/null ||
  fail "$program/bin/watchd does not start"
is_moved=no
rm -rf "$old"
now=$(kind_of "$program")
[ "$was" = none ] || [ "$was" = "$now" ] || echo "watchd was $was; now $now"
[ "$was:$now" != compiled:pure ] || echo "  To have it compiled: $0 --compiled (docs/compiled.md)"

completions=/usr/share/bash-completion/completions
[ ! -d "$completions" ] || "$program/bin/watchd" completion bash >"$completions/watchd"

is_update=no # of one that has its config already
install -d -m 755 "$settings" "$settings/rules"
if [ -e "$settings/config.yaml" ]; then
  [ "$was" = none ] || is_update=yes
  echo "Kept $settings/config.yaml"
else
  install -m 644 config.example.yaml "$settings/config.yaml"
  echo "Wrote $settings/config.yaml"
fi
(cd rules && find . -type f -name '*.yaml' | sort) | while read -r name; do
  name=${name#./}
  if [ -e "$settings/rules/$name" ]; then
    cmp -s "rules/$name" "$settings/rules/$name" ||
      echo "Kept $settings/rules/$name, which differs from the shipped one: diff $settings/rules/$name $root/rules/$name"
  else
    install -D -m 644 "rules/$name" "$settings/rules/$name"
    echo "Wrote $settings/rules/$name"
  fi
done

systemd/install-unit.sh "$units"
[ "$phone" = no ] || systemd/install-unit.sh "$units" watchd-bridge
if [ -d /run/systemd/system ]; then
  systemctl daemon-reload
else
  echo "systemd does not run here: the unit takes effect once it does"
fi

number=0
next() {
  number=$((number + 1))
  printf '  %-32s%s\n' "$number. $1" "$2"
}
is_enabled() { systemctl --quiet is-enabled "$1" 2>/dev/null; }
besides() { printf '     %-29s%s\n' "$1" "$2"; }

printf '\nNext:\n'
if [ "$is_update" = no ]; then
  next "Describe your bank:" "sudoedit $settings/config.yaml"
  besides "or have it proposed:" "sudo $program/bin/watchd setup -o $settings/proposed.yaml"
  next "See whether it is right:" "$program/bin/watchd check --config $settings/config.yaml"
  next "See what it understands:" "$program/bin/watchd run --once --config $settings/config.yaml"
else
  next "See whether all still loads:" "$program/bin/watchd check --config $settings/config.yaml"
fi
restarted=
for unit in watchd watchd-bridge; do
  ! is_enabled "$unit" || restarted+=" $unit"
done
[ -z "$restarted" ] || next "Have the new one run:" "sudo systemctl restart$restarted"
is_enabled watchd || next "Start it, now and at boot:" "sudo systemctl enable --now watchd"
next "See what it says:" "journalctl -u watchd -f"
next "After an edit:" "sudo systemctl reload watchd      (rules are read by themselves)"
[ "$phone" = yes ] || exit 0
if [ "$is_described" = no ]; then
  next "Write your phone's URLs:" "sudoedit $settings/phone-urls      (one a line: docs/phone.md)"
  besides "for nobody else to read:" "sudo chmod 600 $settings/phone-urls"
  next "Name them, with this line:" "sudoedit $settings/config.yaml      phone: {urls_credential: phone-urls}"
fi
urls= # the service alone is shown its credential: a test by hand takes the file
[ "$has_credential" = no ] || urls=" --urls-file $settings/phone-urls"
next "Try the phone:" "sudo $program/bin/watchd bridge --test$urls --config $settings/config.yaml"
if [ "$has_credential" = yes ] && ! grep -qs '^LoadCredential=' "$units"/watchd-bridge.service.d/*.conf; then
  next "Show them to its service:" "sudo systemctl edit watchd-bridge      with the two lines"
  besides "" "[Service]"
  besides "" "LoadCredential=phone-urls:$settings/phone-urls"
fi
is_enabled watchd-bridge || next "Start it, now and at boot:" "sudo systemctl enable --now watchd-bridge"
