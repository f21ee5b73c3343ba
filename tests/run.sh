#!/usr/bin/env bash
# Runs the tests against the wheel that is built from this checkout, not against the source tree.
# Works from any folder and asks nothing: it needs Debian or Ubuntu with Python 3.11 to 3.14.
#
#   tests/run.sh                    all but the long ones
#   tests/run.sh --full             the long ones too
#   tests/run.sh tests/rules -x     anything else goes to pytest; paths count from the project's root
set -euo pipefail

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd -P)
cd "$root"
exec </dev/null

venv=$(scripts/venv .venv-test test)

# Debian puts the broker where only root's PATH looks, and its package starts a service on port 1883.
# The tests use neither PATH nor that service: they start the program on a free loopback port.
PATH=$PATH:/usr/local/sbin:/usr/sbin
if ! { command -v mosquitto && command -v mosquitto_pub; } >/dev/null; then
  why=$(scripts/apt-install mosquitto mosquitto-clients) ||
    echo "watchd: the tests marked 'broker' are left out: no mosquitto here, and it could not be installed ($why)"
fi
# PostgreSQL's server for what several daemons share; the tests start it themselves, on a socket in a folder.
if ! { command -v initdb || ls /usr/lib/postgresql/*/bin/initdb; } >/dev/null 2>&1; then
  why=$(scripts/apt-install postgresql) ||
    echo "watchd: the tests marked 'postgresql' are left out: no PostgreSQL here, and it could not be installed ($why)"
fi
# The report is looked at in a real browser.
if ! { command -v chromium && command -v chromedriver; } >/dev/null; then
  why=$(scripts/apt-install chromium chromium-driver fonts-dejavu-core) ||
    echo "watchd: the tests marked 'browser' are left out: no chromium here, and it could not be installed ($why)"
fi

unset PYTHONPATH PYTHONHOME
export WATCHD_TEST_WHEEL
WATCHD_TEST_WHEEL=$(echo "$venv"/wheel/watchd-*.whl)
# -P keeps the checkout off the front of sys.path, where it would hide the installed package.
# Side by side, twice as many as there are cores: many wait for a broker or a process. A file stays in one
# process, for what its fixtures make once. `-n 0` among the arguments runs them one after the other.
exec "$venv/bin/python" -P -m pytest -n "$(($(nproc) * 2))" --dist loadfile --no-loadscope-reorder "$@"
