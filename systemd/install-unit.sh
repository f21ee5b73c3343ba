#!/usr/bin/env bash
# Puts a unit into a folder of units, with a drop-in where systemd is too old for it as it is.
# Usage: systemd/install-unit.sh FOLDER [UNIT]        (install.sh calls it with /etc/systemd/system)
# UNIT is watchd (default), or watchd-bridge.
set -euo pipefail
[ $# = 1 ] || [ $# = 2 ] || { echo "usage: $0 FOLDER [UNIT]" >&2; exit 2; }
folder=$1
unit=${2:-watchd}.service
cd "$(dirname "${BASH_SOURCE[0]}")"

# The first line is such as "systemd 252 (252.38-1~deb12u1)".
version=$(systemctl --version 2>/dev/null | sed -n '1s/^systemd \([0-9]*\).*/\1/p' || true)

install -D -m 644 "$unit" "$folder/$unit"
echo "Wrote $folder/$unit"
dropin=$folder/$unit.d/before-253.conf
if [ "${version:-253}" -lt 253 ]; then
  install -D -m 644 before-253.conf "$dropin"
  echo "Wrote $dropin: systemd $version does not know Type=notify-reload"
elif [ -e "$dropin" ]; then
  rm "$dropin"
  rmdir --ignore-fail-on-non-empty "$folder/$unit.d"
  echo "Removed $dropin: systemd $version does without"
fi
