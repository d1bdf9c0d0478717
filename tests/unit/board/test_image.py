"""What of the image's maker can be tried without root: its options, and that the files it puts in fit."""

import os
import re
import subprocess
from pathlib import Path

import pytest

from tests.board.virtual import check_as_at_a_start

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


def test_the_service_requires_no_folder_to_be_mounted() -> None:
    """By each of these systemd finds the file system that a folder lies on, and refuses without it."""
    units = SYSTEM / "etc/systemd/system"
    in_force = {}
    for path in (
        ROOT / "hardware/companion.service",
        units / "companion.service.d/board.conf",
    ):
        for key, value in re.findall(r"(?m)^(\w+)=(.*)$", path.read_text()):
            in_force[key] = value
    assert in_force["StateDirectory"] == in_force["ConfigurationDirectory"] == ""
    assert in_force["WorkingDirectory"].startswith("-")
    assert "RequiresMountsFor" not in in_force


def test_a_disk_cut_off_in_its_own_first_block_is_mended_at_the_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", f"{os.environ['PATH']}:/usr/sbin:/sbin")
    disk, told = tmp_path / "disk", tmp_path / "told"
    told.write_text("a bite")
    mib = re.search(r"data_mib=(\d+)", SCRIPT.read_text())
    assert mib
    with disk.open("wb") as file:
        file.truncate(int(mib[1]) << 20)
    subprocess.run(["mke2fs", "-q", "-t", "ext4", "-b", "4096", disk], check=True)
    subprocess.run(["debugfs", "-w", "-R", f"write {told} told", disk], check=True)
    with disk.open("r+b") as file:
        file.seek(1024 + 512)  # the second half of the superblock, as before
        file.write(bytes(512))
    assert _checked(disk) != 0
    assert check_as_at_a_start(disk) == 0
    assert _checked(disk) == 0
    kept = subprocess.run(
        ["debugfs", "-R", "cat told", disk], check=True, capture_output=True
    )
    assert kept.stdout == b"a bite"


def _checked(disk: Path) -> int:
    return subprocess.run(["e2fsck", "-fn", disk], check=False).returncode


def test_nothing_waits_for_a_radio_that_is_not_there() -> None:
    assert "enable" in SCRIPT.read_text()
    assert "wpa_supplicant@" not in SCRIPT.read_text()
    rules = (SYSTEM / "etc/udev/rules.d/71-wifi.rules").read_text()
    assert 'ENV{SYSTEMD_WANTS}+="wpa_supplicant@wlan0.service"' in rules
