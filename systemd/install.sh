#!/usr/bin/env bash
# Installs watchd from this checkout as a system service, without starting it.
# Usage: sudo systemd/install.sh [--phone] [--help]
#
#   /opt/watchd                          the program, in a virtual environment of its own
#   /etc/watchd/config.yaml              from config.example.yaml, only if there is none
#   /etc/watchd/rules/*.yaml             the shipped rules, only those that are not there yet
#   /etc/systemd/system/watchd.service   the unit; beside it a drop-in where systemd is before 253
#
# With --phone, or where the config has a section `phone`, also /etc/systemd/system/watchd-bridge.service
# and the library that hands messages on (docs/phone.md).
#
# Run again after an update: the program and the unit are replaced, your config and rules are not.
# PYTHON=/path/to/python names the Python to use (3.11 to 3.14).
set -euo pipefail

usage() { sed -n '2,/^set /{/^set /d;s/^# \{0,1\}//;p}' "${BASH_SOURCE[0]}"; }
fail() {
  echo "install.sh: $*" >&2
  exit "${code:-1}"
}

phone=no
case "$#:${1:-}" in
  0:) ;;
  1:--phone) phone=yes ;;
  1:--help | 1:-h) usage; exit 0 ;;
  *) code=2 fail "unknown argument: $* (see --help)" ;;
esac
[ "$(id -u)" = 0 ] || code=2 fail "must be run as root, for /opt, /etc and systemd: sudo $0"

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd -P)
cd "$root"
umask 022 # the service's own user must be able to read the program and the config
program=/opt/watchd
settings=/etc/watchd
units=/etc/systemd/system
grep -q '^phone:' "$settings/config.yaml" 2>/dev/null && phone=yes
extra= # of the package
[ "$phone" = no ] || extra='[phone]'

python=$(scripts/find-python)
case $("$python" -c 'import os, sys; print(os.path.realpath(sys.executable))') in
  /home/* | /root/*)
    # The unit has ProtectHome=yes: a Python from there would be out of the service's sight.
    fail "$python lies in a home folder, which the service can't see; name a system Python: PYTHON=/usr/bin/python3 $0" ;;
esac
if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
  version=$("$python" -c 'import sys; print("{}.{}".format(*sys.version_info))')
  why=$(scripts/apt-install "python$version-venv") ||
    fail "$python can't make a virtual environment; install python$version-venv ($why)"
fi

echo "Installing the program into $program"
# All is built and downloaded before the old program goes, so that a lost network leaves it as it is.
new=$(mktemp -d)
trap 'rm -rf "$new"' EXIT
export PIP_NO_INPUT=1 PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore
# Two environments: the build backend has no business in the one that stays.
"$python" -m venv "$new/build"
"$new/build/bin/python" -m pip -qq install -c constraints.txt hatchling
"$new/build/bin/python" -m pip -qq wheel -c constraints.txt --no-deps --no-build-isolation -w "$new/wheels" .
"$new/build/bin/python" -m pip -qq wheel -c constraints.txt -w "$new/wheels" "$(echo "$new"/wheels/watchd-*.whl)$extra"
"$python" -m venv --clear "$program"
"$program/bin/python" -m pip -qq install --no-index --find-links "$new/wheels" "$(echo "$new"/wheels/watchd-*.whl)$extra"
"$program/bin/watchd" --help >/dev/null || fail "$program/bin/watchd does not start"

install -d -m 755 "$settings" "$settings/rules"
if [ -e "$settings/config.yaml" ]; then
  echo "Kept $settings/config.yaml"
else
  install -m 644 config.example.yaml "$settings/config.yaml"
  echo "Wrote $settings/config.yaml"
fi
(cd rules && find . -type f -name '*.yaml' | sort) | while read -r name; do
  name=${name#./}
  if [ -e "$settings/rules/$name" ]; then
    cmp -s "rules/$name" "$settings/rules/$name" || echo "Kept $settings/rules/$name, which differs from the shipped one"
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

cat <<END

Next:
  1. Describe your bank:        sudoedit $settings/config.yaml
  2. See whether it is right:   $program/bin/watchd check --config $settings/config.yaml
  3. See what it understands:   $program/bin/watchd run --once --config $settings/config.yaml
  4. Start it, now and at boot: sudo systemctl enable --now watchd     (after an update: restart watchd)
  5. See what it says:          journalctl -u watchd -f
  6. After an edit:             sudo systemctl reload watchd      (rules are read by themselves)
END
[ "$phone" = no ] || cat <<END
  7. Try the phone:             sudo $program/bin/watchd bridge --test --config $settings/config.yaml
  8. Start its service:         sudo systemctl enable --now watchd-bridge     (docs/phone.md)
END
