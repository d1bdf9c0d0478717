"""What of the image's maker can be tried without root: its options, and that the files it puts in fit."""

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
SCRIPT = ROOT / "hardware/image.sh"
SYSTEM = ROOT / "hardware/board/system"


def image(*options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", SCRIPT, *options], capture_output=True, text=True, check=False
    )


def test_help_begins_with_an_example() -> None:
    told = image("--help")
    assert (told.returncode, told.stderr) == (0, "")
    assert told.stdout.startswith("Example: sudo bash hardware/image.sh --arch arm64")
    assert "Not for navigation." in told.stdout


@pytest.mark.parametrize(
    "options",
    [
        (),
        ("--arch", "riscv", "a.img"),
        ("--arch",),
        ("--nonsense", "a.img"),
        ("a.img", "b.img"),
        ("--suite", "", "a"),
    ],
)
def test_wrong_usage_is_told_and_nothing_is_made(
    options: tuple[str, ...], tmp_path: Path
) -> None:
    told = subprocess.run(
        ["bash", SCRIPT, *options],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert told.returncode == 2
    assert told.stderr.startswith("Example: ")
    assert list(tmp_path.iterdir()) == []


def test_what_the_units_wait_for_is_mounted() -> None:
    fields = [
        line.split()
        for line in (SYSTEM / "etc/fstab").read_text().splitlines()
        if line[:1] not in "#"
    ]
    mounted = {row[1].strip("/").replace("/", "-") + ".mount" for row in fields}
    units = SYSTEM / "etc/systemd/system"
    wanted = set()
    for path in (
        units / "companion-board.service",
        units / "companion.service.d/board.conf",
    ):
        wanted |= set(re.findall(r"[a-z-]+\.mount", path.read_text()))
    assert wanted
    assert wanted <= mounted


def test_what_the_initial_file_system_runs_can_be_run() -> None:
    hooks = list((SYSTEM / "etc/initramfs-tools/hooks").iterdir())
    assert hooks
    for hook in hooks:
        assert hook.stat().st_mode & 0o111 == 0o111
        subprocess.run([hook, "prereqs"], check=True)


def test_the_disks_are_named_by_the_script() -> None:
    placeholders = set(re.findall(r"@[A-Z]+@", (SYSTEM / "etc/fstab").read_text()))
    assert placeholders == set(re.findall(r"@[A-Z]+@", SCRIPT.read_text()))


def test_only_the_root_has_to_be_there_for_the_board_to_start() -> None:
    fields = [
        line.split()
        for line in (SYSTEM / "etc/fstab").read_text().splitlines()
        if line[:1] not in "#"
    ]
    must = [row[1] for row in fields if "nofail" not in row[3] and row[0] != "tmpfs"]
    assert must == ["/"]


def test_nothing_waits_for_a_radio_that_is_not_there() -> None:
    assert "enable" in SCRIPT.read_text()
    assert "wpa_supplicant@" not in SCRIPT.read_text()
    rules = (SYSTEM / "etc/udev/rules.d/71-wifi.rules").read_text()
    assert 'ENV{SYSTEMD_WANTS}+="wpa_supplicant@wlan0.service"' in rules
