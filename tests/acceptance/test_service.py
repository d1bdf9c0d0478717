"""The service of the board: its unit, its device names, and putting it in place, on, back and away.

The installer runs with DESTDIR, under a scratch folder, with stand-ins for Python and
for everything that would change the system; what those were asked is written down. The
rest is real. Where it may, it also runs without DESTDIR on a private view of this
system, whose accounts and files it really changes.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from companion import config
from companion.voice import model
from tests.faults.installer import (
    CHANGES_THE_SYSTEM,
    DEVICE_GROUPS,
    INSTALLED,
    PYTHON,
    SERVICE_IS_HERE,
    Board,
)
from tests.faults.installer import RULES as PLACED_RULES
from tests.faults.installer import UNIT as PLACED_UNIT

ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
UNIT = HARDWARE / "companion.service"
RULES = HARDWARE / "70-companion.rules"
COMPANION = Path(sys.executable).parent / "companion"

needs_analyze = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None,
    reason="systemd-analyze is not here (Debian: systemd)",
)


def unit_values(key: str) -> list[str]:
    return re.findall(rf"^{key}=(.*)$", UNIT.read_text(), re.MULTILINE)


# --- the unit and the device names -------------------------------------------------------------------


@needs_analyze
def test_the_unit_is_sound(tmp_path):
    """With the program's place made the one of these tests, as nothing lies in /opt here."""
    tried = tmp_path / UNIT.name
    tried.write_text(
        UNIT.read_text().replace("/opt/companion/current/bin/companion", str(COMPANION))
    )
    result = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", tried],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (result.returncode, result.stderr) == (0, "")


@needs_analyze
def test_the_unit_is_shut_off_from_what_it_does_not_need():
    """At most 2.5 on systemd's scale of exposure, which ends at 10."""
    result = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=25", UNIT],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    level = re.search(
        r"Overall exposure level for companion.service: ([\d.]+)", result.stdout
    )
    assert level, result.stderr
    assert result.returncode == 0
    assert float(level[1]) <= 2.5


def test_the_unit_is_watched_and_never_given_up():
    assert unit_values("Type") == ["notify"]
    assert unit_values("Restart") == ["always"]
    assert unit_values("StartLimitIntervalSec") == ["0"]
    assert 5 <= int(unit_values("WatchdogSec")[0]) <= 60


def test_the_unit_lets_ports_sound_pins_and_the_boats_networks_in():
    allowed = {entry.split()[0] for entry in unit_values("DeviceAllow")}
    assert {
        "char-ttyUSB",
        "char-ttyACM",
        "char-ttyAMA",
        "char-alsa",
        "char-gpiochip",
    } <= allowed
    (addresses,) = unit_values("IPAddressAllow")
    assert {"localhost", "multicast", "192.168.0.0/16"} <= set(addresses.split())
    (families,) = unit_values("RestrictAddressFamilies")
    assert {"AF_UNIX", "AF_INET", "AF_INET6", "AF_CAN"} == set(families.split())


def test_the_program_finds_the_services_folders(monkeypatch):
    for setting in unit_values("Environment")[0].split():
        monkeypatch.setenv(*setting.split("="))
    assert (
        config.users_file()
        == Path("/etc") / unit_values("ConfigurationDirectory")[0] / "companion.toml"
    )
    assert model.data_folder() == Path("/var/lib") / unit_values("StateDirectory")[0]


def test_the_program_runs_without_memory_that_is_written_and_executed():
    """As under MemoryDenyWriteExecute=: numpy, scipy and, where the model is, the recogniser."""
    arguments = ["reach", "--json"]
    if model.is_complete(model.data_folder() / model.MODEL_FOLDER_NAME):
        clips = sorted(
            (ROOT / "replay_logs" / "invented_saturday" / "clips").glob("*.flac")
        )
        arguments = ["listen", str(clips[0])]
    confined = (
        "import ctypes, os, sys\n"
        "if ctypes.CDLL(None).prctl(65, 1, 0, 0, 0): sys.exit(77)\n"  # PR_SET_MDWE, refuse exec gain
        "os.execv(sys.argv[1], sys.argv[1:])\n"
    )
    result = subprocess.run(
        [sys.executable, "-c", confined, COMPANION, *arguments],
        capture_output=True,
        text=True,
        check=False,
    )
    if result.returncode == 77:
        pytest.skip("this kernel cannot refuse such memory (Linux 6.3 can)")
    assert result.returncode == 0, result.stderr
    assert result.stdout


def test_the_program_tells_the_service_manager_how_it_is(tmp_path):
    """What Type=notify and the watchdog ask for: ready once, then a sign of life within each interval."""
    boat = (
        config.example_text()
        .replace('"default"', '"none"')
        .replace("/dev/ttyUSB0", str(tmp_path / "port"))
    )
    (tmp_path / "boat.toml").write_text(boat)
    seconds = 2.0
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(600.0)
        program = subprocess.Popen(
            [COMPANION, "run", "--config", tmp_path / "boat.toml", "--data", tmp_path / "data"],
            env=os.environ
            | {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": str(int(1e6 * seconds))},
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            told = [manager.recv(4096).decode() for _ in range(4)]
            program.terminate()
            while "STOPPING=1" not in told[-1]:
                told.append(manager.recv(4096).decode())
            _, errors = program.communicate()
        finally:
            program.kill()
    assert told[0].startswith("READY=1")
    assert [text.splitlines()[0] for text in told[1:4]] == ["WATCHDOG=1"] * 3
    assert program.returncode == 0, errors


def test_the_device_rules_are_well_formed():
    text = RULES.read_text()
    rules = [line for line in text.splitlines() if line and not line.startswith("#")]
    for rule in rules:
        for part in rule.split(", "):
            assert re.fullmatch(r'[A-Z]+(\{\w+\})?(==|!=|\+=|=)"[^"]*"', part), rule
    labels = set(re.findall(r'LABEL="(\w+)"', text))
    assert set(re.findall(r'GOTO="(\w+)"', text)) == labels


@pytest.mark.skipif(shutil.which("shellcheck") is None, reason="shellcheck is not here")
def test_the_scripts_are_clean():
    scripts = sorted(str(path.relative_to(ROOT)) for path in HARDWARE.glob("*.sh"))
    result = subprocess.run(
        ["shellcheck", *scripts], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (result.returncode, result.stdout) == (0, "")


# --- putting it in place -----------------------------------------------------------------------------


@pytest.fixture
def board(tmp_path: Path) -> Board:
    return Board(tmp_path)


def test_the_service_is_put_in_place_and_a_second_run_changes_nothing(
    board: Board,
) -> None:
    first = board.run("--service")
    assert (first.returncode, first.stderr) == (0, "")
    assert board.files >= INSTALLED
    assert [line.split()[2:4] for line in board.asked] == [["install", "--quiet"]] * 2
    assert (board.system / "usr/local/bin/companion").resolve().is_file()
    assert not (board.project / ".venv").exists()
    before = board.files
    second = board.run("--service")
    assert second.returncode == 0
    assert board.asked == []
    assert board.files == before
    assert "installed /" not in second.stdout


def test_what_its_owner_wrote_stays(board: Board) -> None:
    board.run("--service")
    mine = board.system / "etc/companion/companion.toml"
    mine.write_text("mine")
    board.change("another version")
    board.run("--service")
    board.run("--update")
    board.run("--uninstall")
    assert mine.read_text() == "mine"


def test_a_fetched_speech_model_is_copied(board: Board) -> None:
    fetched = board.home / ".local/share/companion/speech-model-en-1"
    fetched.mkdir(parents=True)
    (fetched / "complete.txt").write_text("0 nothing\n")
    board.run("--service")
    assert (board.system / "var/lib/companion/speech-model-en-1/complete.txt").is_file()


def test_an_update_keeps_the_version_before(board: Board) -> None:
    board.run("--service")
    assert "nothing to update" in board.run("--update").stdout
    board.change("another version")
    assert "--update changes to it" in board.run("--service").stdout
    assert board.current == "environments/1"
    board.run("--update")
    assert board.current == "environments/2"
    assert board.run("--back").returncode == 0
    assert board.current == "environments/1"
    board.change("a third version")
    board.run("--update")
    kept = {
        path.name for path in (board.system / "opt/companion/environments").iterdir()
    }
    assert kept == {"1", "3"}


def test_an_update_that_fails_changes_nothing(board: Board) -> None:
    board.run("--service")
    board.change("another version")
    (board.programs / "offline").touch()
    failed = board.run("--update")
    assert failed.returncode == 1
    assert "nothing was changed" in failed.stderr
    assert board.current == "environments/1"
    assert not (board.system / "opt/companion/environments/2").exists()


def test_an_update_brings_its_unit_and_rules_and_going_back_the_old_ones(
    board: Board,
) -> None:
    board.run("--service")
    before = board.unit_and_rules()
    mine = board.system / f"{PLACED_UNIT}.d/override.conf"
    mine.parent.mkdir()
    mine.write_text("mine")
    board.change("another version")
    assert "installed /" not in board.run("--service").stdout
    assert board.unit_and_rules() == before
    told = board.run("--update").stdout.splitlines()
    for path in (PLACED_UNIT, PLACED_RULES):
        assert told.count(f"installed {board.system / path}") == 1
    assert board.unit_and_rules() == {"# another version"}
    assert "installed /" not in board.run("--update").stdout
    board.run("--back")
    assert board.unit_and_rules() == before
    board.run("--back")
    assert board.unit_and_rules() == {"# another version"}
    assert mine.read_text() == "mine"


def test_the_unit_of_an_installer_that_kept_none_comes_back(board: Board) -> None:
    board.run("--service")
    unit = board.system / PLACED_UNIT
    unit.write_text("an older one")
    shutil.rmtree(board.system / "opt/companion/environments/1/share/companion")
    board.change("another version")
    board.run("--update")
    assert board.unit_and_rules() == {"# another version"}
    board.run("--back")
    assert unit.read_text() == "an older one"


def test_an_update_alone_of_the_unit_is_one(board: Board) -> None:
    board.run("--service")
    (board.project / "hardware" / UNIT.name).write_text("another")
    assert "updated" in board.run("--update").stdout
    assert (board.system / PLACED_UNIT).read_text() == "another"


def test_a_unit_that_its_owner_changed_stays_and_is_told_of(board: Board) -> None:
    board.run("--service")
    unit = board.system / PLACED_UNIT
    unit.write_text("mine")
    board.change("another version")
    for option in ("--service", "--update", "--back"):
        told = board.run(option).stdout
        assert told.count(f"left {unit} as somebody changed it") == 1
        assert unit.read_text() == "mine"
    board.run("--update")
    rules = (board.system / PLACED_RULES).read_text()
    assert rules.startswith("# another version")
    unit.unlink()
    board.run("--service")
    assert unit.read_text().startswith("# another version")


def test_going_back_needs_something_to_go_back_to(board: Board) -> None:
    board.run("--service")
    result = board.run("--back")
    assert result.returncode == 1
    assert "no version before this one" in result.stderr


def test_removing_keeps_the_records_and_purging_does_not(board: Board) -> None:
    board.run("--service")
    logbook = board.system / "var/lib/companion/logbook.db"
    logbook.write_text("a season")
    assert board.run("--uninstall").returncode == 0
    assert board.files == {
        "etc/companion/companion.toml",
        "var/lib/companion/logbook.db",
    }
    assert board.run("--uninstall").returncode == 0
    assert board.run("--uninstall", "--purge").returncode == 0
    assert board.files == set()


def test_under_a_scratch_folder_the_system_is_left_alone(board: Board) -> None:
    for options in (["--service"], ["--update"], ["--uninstall", "--purge"]):
        board.run(*options)
        assert [
            line for line in board.asked if line.startswith(CHANGES_THE_SYSTEM)
        ] == []


@pytest.mark.parametrize(
    "options",
    [
        ["--purge"],
        ["--tests", "--service"],
        ["--service", "--update"],
        ["--purge", "--update"],
        ["--fast"],
    ],
)
def test_options_that_do_not_go_together(board: Board, options: list[str]) -> None:
    result = board.run(*options)
    assert result.returncode == 2
    assert result.stderr.startswith("Example: bash hardware/install.sh\n")
    assert not board.system.exists()


# --- on a real system --------------------------------------------------------------------------------

PRIVATE = r"""
set -eu
mount -t tmpfs tmpfs "$1"
for folder in /etc /opt /usr/local /var; do
    private=$1$folder
    mkdir -p "$private" "$private.work"
    mount -t overlay overlay -o "lowerdir=$folder,upperdir=$private,workdir=$private.work" "$folder"
done
mount -t tmpfs tmpfs /run
mkdir "$STAND_INS"
mount --bind "$2" "$STAND_INS"
shift
for group in companion gpio $2; do ! getent group "$group" >/dev/null || groupdel --force "$group"; done
shift 2
for step; do echo "--- $step"; bash -c "$step"; done
"""
"""Runs its later arguments with folders of the system covered by copies in memory, without some groups."""
STAND_INS = "/opt/stand-ins"
"""Where every account of the private system can run them."""


def run_privately(
    board: Board, without: str, *steps: str
) -> subprocess.CompletedProcess[str]:
    """Run shell commands in the project's folder as root of a system of their own."""
    for name in CHANGES_THE_SYSTEM:
        (board.programs / name).unlink()
    upper = board.home / "private"
    upper.mkdir()
    (board.programs / "asked").touch(0o666)
    (board.programs / "asked").chmod(0o666)
    return subprocess.run(
        ["unshare", "--mount", "bash", "-c", PRIVATE, "private", upper, board.programs, without, *steps],
        cwd=board.project,
        env=os.environ
        | {
            "PATH": f"{STAND_INS}:{os.environ['PATH']}",
            "STAND_INS": STAND_INS,
            "PYTHON": f"{STAND_INS}/python",
            "HOME": str(board.home),
        },
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip


needs_root = pytest.mark.skipif(
    os.geteuid() != 0, reason="a private view of the system needs root"
)


@needs_root
@pytest.mark.parametrize(
    "present", [(), ("dialout", "audio"), DEVICE_GROUPS], ids=["bare", "plain", "board"]
)
def test_the_service_goes_in_and_out_of_a_real_system(
    board: Board, present: tuple[str, ...]
) -> None:
    """Whatever groups there are; plain Debian has no group gpio, which the rules for the pins need."""
    without = [group for group in DEVICE_GROUPS if group not in present]
    add = f"for g in {' '.join(present)}; do getent group $g >/dev/null || groupadd --system $g; done"
    install = "bash hardware/install.sh"
    result = run_privately(
        board, " ".join(without), add, f"{install} --service", "id -nG companion",
        "stat -c '%U:%G %a' /var/lib/companion", "test -x /usr/local/bin/companion", f"{install} --service",
        f"{install} --uninstall --purge", "! getent passwd companion && test ! -e /opt/companion",
    )  # fmt: skip
    assert (result.returncode, result.stderr) == (0, ""), result.stdout
    told = result.stdout.split("--- ")
    assert set(told[3].splitlines()[1].split()) == {"companion", "gpio", *present}
    assert told[4].splitlines()[1] == "companion:companion 750"


MANAGER = """#!/bin/bash
echo "$(basename "$0") $*" >> "$STAND_INS/asked"
if [ "$1" = show ]; then echo 0; fi
"""
"""A service manager in whose view nothing runs."""


@needs_root
def test_the_service_manager_reads_a_new_unit_and_new_rules(board: Board) -> None:
    board.stand_in("manager", MANAGER)
    install = "bash hardware/install.sh"
    ask = f"cd {STAND_INS}; for name in systemctl udevadm; do cp manager $name; done"
    change = (
        f"for file in {UNIT.name} {RULES.name}; do echo '# new' >>hardware/$file; done"
    )
    result = run_privately(
        board, "", f"{install} --service >/dev/null", f"({ask}; mkdir -p /run/systemd/system)",
        f": >{STAND_INS}/asked; {change}; {install} --update",
    )  # fmt: skip
    assert (result.returncode, result.stderr) == (0, ""), result.stdout
    asked = [line for line in board.asked if line.startswith(("systemctl", "udevadm"))]
    assert asked == [
        "udevadm control --reload",
        "udevadm trigger --subsystem-match=tty --subsystem-match=gpio",
        "systemctl daemon-reload",
        "systemctl --quiet enable companion.service",
        "systemctl restart companion.service",
    ]


@needs_root
def test_what_comes_from_the_network_is_run_without_roots_rights(board: Board) -> None:
    """Packages by an account that owns nothing afterwards, the model by the service's; all can be killed."""
    board.stand_in("python", PYTHON.replace('echo "$*" >>', 'echo "$(id -un) $*" >>').replace(
        'echo "speech model: here"', 'id -un; touch /var/lib/companion/as-its-own'
    ))  # fmt: skip
    install = "bash hardware/install.sh"
    # Cut off in the middle of making an environment: half of one, and downloads, owned
    # by the builder.
    cut_off = (
        f"{install} --service >/dev/null; (cd /opt/companion && rm current && mkdir downloads source && "
        "touch downloads/half source/half && chown -R companion-setup environments/1)"
    )
    read = "runuser -u companion -- test -r /opt/companion/current/pyvenv.cfg"
    not_sealed = "! find /opt/companion ! -user root -o ! -type l -perm /6022 | grep ."
    result = run_privately(
        board, "", f"{install} --service", not_sealed, read,
        f"{cut_off}; {install} --service", not_sealed,
        "test ! -e /opt/companion/downloads && test ! -e /opt/companion/source",
        "rm README.md; echo new >README.md", f"{install} --update", not_sealed,
        f"{install} --uninstall", "! getent passwd companion-setup",
    )  # fmt: skip
    assert (result.returncode, result.stderr) == (0, ""), result.stdout
    accounts = {line.split()[0] for line in board.asked if " -m pip " in line}
    assert accounts == {"companion-setup"}
    assert "\ncompanion\n" in result.stdout


@pytest.mark.parametrize(
    "present", ["", "dialout", "dialout audio", "dialout audio gpio"]
)
def test_the_account_joins_the_groups_that_are_there(
    board: Board, present: str
) -> None:
    """By stand-ins, for where a private view of the system is not to be had."""
    groups = board.home / "groups"
    groups.write_text("".join(f"{group}\n" for group in present.split()))
    board.stand_in(
        "getent", f'#!/bin/bash\n[ $1 = group ] && grep -qx "$2" "{groups}" || exit 2\n'
    )
    board.stand_in("groupadd", f'#!/bin/bash\necho "$2" >>"{groups}"\n')
    script = "say() { :; }; source hardware/service.sh; make_account; echo made"
    result = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", script],
        cwd=board.project, capture_output=True, text=True, check=False,
        env={
            "PATH": f"{board.programs}:{os.environ['PATH']}",
            "STAND_INS": str(board.programs),
        },
    )  # fmt: skip
    assert (result.returncode, result.stdout, result.stderr) == (0, "made\n", "")
    asked = [line for line in board.asked if line.startswith("usermod")]
    assert asked == [
        f"usermod --append --groups {group} companion"
        for group in DEVICE_GROUPS
        if group in {*present.split(), "gpio"}
    ]


# --- the environment of a folder ---------------------------------------------------------------------

no_service_here = pytest.mark.skipif(
    SERVICE_IS_HERE,
    reason="the service is installed on this machine, and these options would be about it",
)


@no_service_here
def test_a_folders_environment_is_updated_and_comes_back(board: Board) -> None:
    environment = board.project / ".venv"
    board.run(destination=False)
    (environment / "first").touch()
    assert board.run("--update", destination=False).returncode == 0
    assert not (environment / "first").exists()
    (board.programs / "offline").touch()
    failed = board.run("--update", destination=False)
    assert failed.returncode == 1
    assert "the environment from before is back in its place" in failed.stderr
    assert (environment / "bin" / "companion").exists()


@no_service_here
def test_an_interrupted_update_of_a_folder_is_undone_by_going_back(
    board: Board,
) -> None:
    """The power went while the new environment was being made: a half-made one, and the old one aside."""
    environment = board.project / ".venv"
    board.run(destination=False)
    (environment / "first").touch()
    environment.rename(board.project / ".venv.old")
    (environment / "bin").mkdir(parents=True)
    went = board.run("--back", destination=False)
    assert went.returncode == 0, went.stderr
    assert "the environment from before is back in its place" in went.stderr
    assert (environment / "first").exists()
    again = board.run("--back", destination=False)
    assert again.returncode == 1
    assert "no environment before this one" in again.stderr


@no_service_here
def test_an_environment_set_aside_alone_is_gone_back_to(board: Board) -> None:
    environment = board.project / ".venv"
    board.run(destination=False)
    environment.rename(board.project / ".venv.before")
    assert board.run("--back", destination=False).returncode == 0
    assert (environment / "installed.txt").exists()


@no_service_here
def test_an_environment_set_aside_alone_is_updated_and_comes_back(board: Board) -> None:
    environment = board.project / ".venv"
    board.run(destination=False)
    (environment / "first").touch()
    environment.rename(board.project / ".venv.before")
    updated = board.run("--update", destination=False)
    assert updated.returncode == 0, updated.stderr
    assert (environment / "installed.txt").exists()
    assert not (environment / "first").exists()
    assert board.run("--back", destination=False).returncode == 0
    assert (environment / "first").exists()


@no_service_here
def test_a_folder_goes_back_and_is_removed(board: Board) -> None:
    environment = board.project / ".venv"
    board.run(destination=False)
    (environment / "first").touch()
    board.run("--update", destination=False)
    assert board.run("--back", destination=False).returncode == 0
    assert (environment / "first").exists()
    mine = board.home / ".local/share/companion/logbook.db"
    mine.parent.mkdir(parents=True)
    mine.touch()
    assert board.run("--uninstall", destination=False).returncode == 0
    assert [p.name for p in board.project.iterdir() if p.name.startswith(".venv")] == []
    assert mine.exists()
