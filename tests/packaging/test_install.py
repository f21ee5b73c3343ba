"""install.sh from end to end, in a mount namespace of its own: this machine stays as it is.

systemd does not run in there: a stand-in for systemctl says what it is asked. All packages come
from a folder that is filled first, so that a lost network is a folder in which one is missing.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = ROOT / "systemd" / "install.sh"
TOUCHED = ("/opt/watchd", "/opt/watchd.old", "/etc/watchd", "/etc/systemd/system/watchd.service")
NO_OVERLAY = 75

# In there $1 is a folder for all that is made. Nothing is removed before all is mounted.
BEGIN = f"""
set -eu
mkdir "$1/over" && mount -t tmpfs -o size=400m over "$1/over" || exit {NO_OVERLAY}
for folder in /opt /etc /home /usr/share/bash-completion; do
  [ -d $folder ] || continue
  upper=$1/over$folder.upper
  work=$1/over$folder.work
  mkdir -p "$upper" "$work"
  mount -t overlay over -o "lowerdir=$folder,upperdir=$upper,workdir=$work" $folder ||
    exit {NO_OVERLAY}
done
[ ! -d /run/systemd ] || mount -t tmpfs none /run/systemd
rm -rf /opt/watchd /opt/watchd.old /etc/watchd /etc/systemd/system/watchd*
"""
STORY = r"""
step() { # NAME WORDS...: what they say is in a file of that name, after their exit code
  name=$1
  shift
  rc=0
  "$@" >"$said/$name.part" 2>&1 </dev/null || rc=$?
  { echo "$rc"; cat "$said/$name.part"; } >"$said/$name"
  rm "$said/$name.part"
}
said=$1/said
config=/etc/watchd/config.yaml
rule=/etc/watchd/rules/cells.yaml
watchd=/opt/watchd/bin/watchd
units=/etc/systemd/system

step home-folder env PYTHON=/home/keeper/bin/python "$install"
rm -r /home/keeper

step fresh "$install" --phone
step fresh-check $watchd check --config $config
step fresh-bridge $watchd bridge --test --config $config
for unit in watchd watchd-bridge; do
  command -v systemd-analyze >/dev/null || break
  step $unit-verify systemd-analyze verify $units/$unit.service
  step $unit-exposure systemd-analyze security --offline=true --threshold=12 --no-pager \
    $units/$unit.service
done
step no-compiler env CC=no-such-compiler "$install" --compiled --phone

echo '# mine' >>$rule
printf 'phone: {urls_file: /etc/watchd/phone-urls}\n' >>$config
(umask 077; echo 'json://127.0.0.1:9/TOKEN' >/etc/watchd/phone-urls)
cp $rule $config "$1/"
rm $units/watchd-bridge.service
touch "$(echo /opt/watchd/lib/python3*/site-packages/watchd)/compiled.so" # as a compiled one has
touch "$1/enabled"
before=$(stat -c %i $watchd)
step no-network env PIP_FIND_LINKS="$1/less" "$install"
step no-network-program [ "$(stat -c %i $watchd)" = "$before" ]

step update "$install"
step update-check $watchd check --config $config
step update-bridge $watchd bridge --test --config $config
step update-config cmp $config "$1/config.yaml"
step update-rule cmp $rule "$1/cells.yaml"
step update-unit cmp $units/watchd-bridge.service "$checkout/systemd/watchd-bridge.service"

dd if=/dev/zero of="$1/over/all" bs=1M 2>/dev/null || true
step full-disk "$install"
rm "$1/over/all"
step full-disk-check $watchd check --config $config
step full-disk-old [ ! -e /opt/watchd.old ]
"""


@dataclass(frozen=True, slots=True)
class Said:
    """How a command of the story ended, and what it said."""

    code: int
    text: str


def system_python() -> str | None:
    """A Python that a service may see, which can make virtual environments."""
    asks = (
        "import ensurepip, os, sys, venv\n"
        "ok = (3, 11) <= sys.version_info[:2] <= (3, 14)\n"
        "ok = ok and sys.base_prefix in ('/usr', '/usr/local')\n"
        "sys.exit(not ok or not os.path.realpath(sys.executable).startswith('/usr/'))"
    )
    folders = ("/usr/bin", "/usr/local/bin")
    names = ("python3", "python3.14", "python3.13", "python3.12", "python3.11")
    for path in (f"{folder}/{name}" for folder in folders for name in names):
        if (
            os.access(path, os.X_OK)
            and not subprocess.run(
                [path, "-I", "-c", asks], check=False, capture_output=True
            ).returncode
        ):
            return path
    return None


def fill(house: Path, python: str, work: Path) -> None:
    """All wheels that an installation takes, or a skip where no index answers."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = ["hatchling", *project["dependencies"], *project["optional-dependencies"]["phone"]]
    subprocess.run([python, "-m", "venv", work / "venv"], check=True, capture_output=True)
    pip = [str(work / "venv" / "bin" / "python"), "-m", "pip", "-q", "wheel", "-w", str(house)]
    done = subprocess.run(
        [*pip, "-c", str(ROOT / "constraints.txt"), *wanted],
        check=False,
        capture_output=True,
        text=True,
    )
    if done.returncode:
        pytest.skip(f"the packages are not to be had: {done.stderr.strip().splitlines()[-1]}")


def prepare(work: Path, python: str) -> dict[str, str]:
    """The packages and a systemctl; the environment that names them."""
    for name in ("bin", "less", "said", "tmp"):
        (work / name).mkdir()
    fill(work / "house", python, work)
    for wheel in (work / "house").iterdir():
        if not wheel.name.startswith("msgspec-"):
            (work / "less" / wheel.name).symlink_to(wheel)
    systemctl = work / "bin" / "systemctl"
    systemctl.write_text(
        "#!/bin/sh\n"
        'case "$*" in\n'
        "  --version) echo 'systemd 257 (257.7-1)' ;;\n"
        f"  *is-enabled*) [ -e {work}/enabled ] ;;\n"
        "  *) exit 1 ;;\n"
        "esac\n"
    )
    systemctl.chmod(0o755)
    return {
        "HOME": str(work),
        "LANG": "C.UTF-8",
        "PATH": f"{work}/bin:/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
        "TMPDIR": str(work / "tmp"),
        "PYTHON": python,
        "PIP_CONFIG_FILE": os.devnull,
        "PIP_NO_INDEX": "1",
        "PIP_FIND_LINKS": str(work / "house"),
        "PIP_NO_COMPILE": "1",
        "checkout": str(ROOT),
        "install": str(SCRIPT),
    }


@pytest.fixture(scope="module")
def story() -> dict[str, Said]:
    """What was said at each step, by its name."""
    if os.geteuid() != 0:
        pytest.skip("only root may mount")
    unshare = ["unshare", "--mount", "--propagation", "private"]
    if (
        shutil.which("unshare") is None
        or subprocess.run([*unshare, "true"], check=False).returncode
    ):
        pytest.skip("no mount namespace is to be had here")
    python = system_python()
    if python is None:
        pytest.skip("no Python outside of home folders that can make a virtual environment")
    before = [os.path.lexists(path) for path in TOUCHED]
    with tempfile.TemporaryDirectory(prefix="watchd-install-") as folder:
        work = Path(folder)
        environment = prepare(work, python)
        home = f"mkdir /home/keeper; {python} -m venv --copies --without-pip /home/keeper\n"
        done = subprocess.run(
            [*unshare, "bash", "-c", BEGIN + home + STORY, "bash", folder],
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            stdin=subprocess.DEVNULL,
        )
        if done.returncode == NO_OVERLAY:
            pytest.skip("no overlay is to be mounted here")
        said = {}
        for path in (work / "said").iterdir():
            code, _, text = path.read_text("utf-8").partition("\n")
            said[path.name] = Said(int(code), text)
        assert done.returncode == 0, f"{done.stderr[-1000:]} after {said.get('fresh')}"
        assert list((work / "tmp").iterdir()) == [], "something of the installation is left"
    assert [os.path.lexists(path) for path in TOUCHED] == before
    return said


def test_a_word_that_it_does_not_know_is_named() -> None:
    done = subprocess.run(
        [SCRIPT, "--phone", "--fone", "--compiled"], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert "unknown argument: --fone (see --help)" in done.stderr


def test_its_help_is_its_header() -> None:
    done = subprocess.run(
        [SCRIPT, "--compiled", "--help"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0
    for option in ("--phone", "--compiled", "PYTHON=", "/etc/systemd/system/watchd-bridge.service"):
        assert option in done.stdout
    assert "set -" not in done.stdout


@pytest.mark.long
def test_a_fresh_one_says_what_is_next(story: dict[str, Said]) -> None:
    fresh = story["fresh"]
    assert fresh.code == 0, fresh.text
    assert "Wrote /etc/watchd/config.yaml\n" in fresh.text
    assert len(re.findall(r"^Wrote /etc/watchd/rules/", fresh.text, re.MULTILINE)) == len(
        list((ROOT / "rules").rglob("*.yaml"))
    )
    for words in (
        "sudo systemctl enable --now watchd\n",
        "sudo chmod 600 /etc/watchd/phone-urls\n",
        "bridge --test --urls-file /etc/watchd/phone-urls --config /etc/watchd/config.yaml\n",
        "LoadCredential=phone-urls:/etc/watchd/phone-urls\n",
        "sudo systemctl enable --now watchd-bridge\n",
    ):
        assert words in fresh.text
    assert "restart" not in fresh.text


@pytest.mark.long
def test_a_fresh_one_checks_and_says_that_no_phone_is_described(story: dict[str, Said]) -> None:
    assert story["fresh-check"].code == 0, story["fresh-check"].text
    assert "/etc/watchd/rules: loads." in story["fresh-check"].text
    assert story["fresh-bridge"].code == 2
    assert "there is no section `phone`" in story["fresh-bridge"].text


@pytest.mark.long
@pytest.mark.parametrize("unit", ["watchd", "watchd-bridge"])
def test_systemd_finds_nothing_wrong_with_what_is_installed(
    story: dict[str, Said], unit: str
) -> None:
    if f"{unit}-verify" not in story:
        pytest.skip("no systemd-analyze here")
    said = [line for line in story[f"{unit}-verify"].text.splitlines() if "watchd" in line]
    assert [line for line in said if "notify-reload" not in line] == []  # before systemd 253
    assert story[f"{unit}-exposure"].code == 0, story[f"{unit}-exposure"].text


@pytest.mark.long
def test_an_update_keeps_what_is_the_keepers(story: dict[str, Said]) -> None:
    update = story["update"]
    assert update.code == 0, update.text
    assert "Kept /etc/watchd/config.yaml\n" in update.text
    assert re.findall(r"^Kept (\S+), which differs", update.text, re.MULTILINE) == [
        "/etc/watchd/rules/cells.yaml"
    ]
    assert story["update-config"].code == story["update-rule"].code == 0
    assert story["update-check"].code == 0, story["update-check"].text
    assert "sudo systemctl restart watchd watchd-bridge\n" in update.text
    assert "enable --now" not in update.text


@pytest.mark.long
def test_a_phone_in_the_config_is_enough_for_its_library_and_unit(story: dict[str, Said]) -> None:
    assert story["update-unit"].code == 0, story["update-unit"].text
    assert story["update-bridge"].code == 1
    assert story["update-bridge"].text == "line 1 (json://): failed: no connection\n"


@pytest.mark.long
def test_one_that_was_compiled_is_pure_after_an_update_and_says_so(story: dict[str, Said]) -> None:
    assert "watchd was compiled; now pure\n" in story["update"].text
    assert "watchd was" not in story["fresh"].text


@pytest.mark.long
def test_without_a_compiler_nothing_is_replaced(story: dict[str, Said]) -> None:
    refused = story["no-compiler"]
    assert refused.code == 1
    assert "no C compiler here (no-such-compiler)" in refused.text
    assert "sudo apt-get install gcc" in refused.text
    assert "/opt/watchd is as it was" in refused.text
    assert "Installing" not in refused.text


@pytest.mark.long
def test_a_network_that_is_lost_leaves_the_old_program(story: dict[str, Said]) -> None:
    failed = story["no-network"]
    assert failed.code == 1
    assert "hatchling" not in failed.text  # that was still to be had
    assert "is the network there?); /opt/watchd is as it was" in failed.text
    assert story["no-network-program"].code == 0


@pytest.mark.long
def test_a_full_disk_leaves_the_old_program(story: dict[str, Said]) -> None:
    failed = story["full-disk"]
    assert failed.code != 0
    assert "install.sh: /opt/watchd is as it was\n" in failed.text
    assert "Next:" not in failed.text
    assert story["full-disk-check"].code == 0, story["full-disk-check"].text
    assert story["full-disk-old"].code == 0


@pytest.mark.long
def test_a_python_in_a_home_folder_is_refused(story: dict[str, Said]) -> None:
    refused = story["home-folder"]
    assert refused.code == 1
    assert "lies in a home folder" in refused.text
    assert "sudo PYTHON=/usr/bin/python3" in refused.text
