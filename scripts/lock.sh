#!/usr/bin/env bash
# Renews constraints.txt: installs the newest packages that pyproject.toml allows into clean virtual
# environments and writes down what came.
# Usage: scripts/lock.sh [PYTHON...]     default: every Python from 3.11 to 3.14 on PATH
#
# One list for all of them: the oldest Python chooses, since it is the one that new releases leave
# behind first, and each later Python only adds what it needs on top.
set -euo pipefail
export LC_ALL=C # one sort order for everybody

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd -P)
cd "$root"
[ $# != 0 ] || set -- python3.11 python3.12 python3.13 python3.14

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
touch "$work/pins"
seen=()
for name in "$@"; do
  python=$(PYTHON=$name scripts/find-python 2>/dev/null) || continue
  version=$("$python" -c 'import sys; print("{}.{}".format(*sys.version_info))')
  seen+=("$version")
  echo "lock: Python $version" >&2
  "$python" -m venv "$work/$version"
  backend=$("$python" -c 'import tomllib; print(*tomllib.load(open("pyproject.toml", "rb"))["build-system"]["requires"])')
  pip=("$work/$version/bin/python" -m pip --disable-pip-version-check)
  # shellcheck disable=SC2086 # one word per requirement is meant
  "${pip[@]}" -qq install -c "$work/pins" ".[demo,test,dev]" $backend
  "${pip[@]}" freeze --exclude watchd >"$work/new"
  sort -f -u "$work/pins" "$work/new" >"$work/all"
  mv "$work/all" "$work/pins"
done
[ "${seen[0]:-}" = 3.11 ] || { echo "lock: begin with Python 3.11, the oldest that is supported" >&2; exit 2; }

{
  cat <<END
# Exact versions of all that watchd's extras demo, test and dev bring in, for Python 3.11 to 3.14.
# The tests, CI and systemd/install.sh install with these: pip install -c constraints.txt '.[dev]'
#
# The build backend (hatchling) is pinned in pyproject.toml. It is repeated here with its own
# dependencies, because scripts/venv builds the wheel without isolation, from this list.
#
# Renew with scripts/lock.sh, which writes this file, then run the tests.
# Last made with Python ${seen[*]}.
END
  cat "$work/pins"
} >"$work/constraints.txt"
cp "$work/constraints.txt" constraints.txt
