"""Install for real in clean Debian systems: `sudo python -m tests.board.roots FOLDER [--kills N] [SUITE...]`.

Each system is made by mmdebstrap (its smallest variant; `--arch arm64` with
qemu-user-static for ARM) unless FOLDER has one of that name already, the second
partition of an image mounted there, say; every trial begins anew on an overlay of it,
in a private view of this machine. It has the real Python, packages and speech
model, from the network. Tried are the service and the folder: install, install again
without a network, update, back with the unit of each version, uninstall, purge; what
was installed replays the demo day to its golden as the service's account. Then each
task is killed N times at random moments, and run again. No systemd runs in such a
system: it is installed into, and not started.
"""

from __future__ import annotations

import argparse
import os
import platform
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
PROJECT = "/root/companion"
CERTIFICATES = "/etc/ssl/certs/ca-certificates.crt"
ENTER = r"""
set -eu
system=$1 trial=$2 cache=$3
mkdir -p "$trial"/{upper,work,root} "$cache"/{pip,apt}
mount -t overlay overlay -o "lowerdir=$system,upperdir=$trial/upper,workdir=$trial/work" "$trial/root"
cd "$trial/root"
mkdir -p dev proc run tmp root/.cache/pip var/cache/apt/archives
mount --rbind /dev dev
mount -t proc proc proc
mount -t tmpfs tmpfs run
mount -t tmpfs tmpfs tmp
mount --bind "$cache/pip" root/.cache/pip
mount --bind "$cache/apt" var/cache/apt/archives
rm -f etc/resolv.conf
cp /etc/resolv.conf etc/resolv.conf
cp "$4" etc/ssl/certs/ca-certificates.crt
path=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
exec chroot . env -i HOME=/root LANG=C.UTF-8 PATH="$path" $6 \
    PIP_CERT="$4" REQUESTS_CA_BUNDLE="$4" bash -c "$5"
"""
FOREIGN = "PIP_NO_COMPILE=1 QEMU_CPU=cortex-a72"
"""For another processor: its emulated Python would compile all packages for ten minutes, and on
the emulator's own choice numpy takes to long vectors, which it emulates at a seventeenth of the speed.
"""
INSTALL = f"cd {PROJECT} && bash hardware/install.sh"
CHANGE = f"cd {PROJECT} && echo >>README.md && echo '#' >>hardware/companion.service"
ITS_UNIT = (
    f"cmp {PROJECT}/hardware/companion.service /etc/systemd/system/companion.service"
)
"""The unit in place is that of the folder's version."""
AS_SERVICE = "runuser -u companion -- env XDG_CONFIG_HOME=/etc XDG_DATA_HOME=/var/lib HOME=/nonexistent"
GOLDEN = (
    f"cp -r {PROJECT}/replay_logs /tmp && chmod -R a+rX /tmp/replay_logs && cd /tmp && "
    "runuser -u companion -- env XDG_CONFIG_HOME=/nowhere XDG_DATA_HOME=/var/lib "
    "companion replay replay_logs/invented_saturday --json "
    "| cmp - replay_logs/invented_saturday/expected.jsonl"
)
RUNS = f"companion --version && {AS_SERVICE} companion settings /etc/companion/companion.toml >/dev/null"
SEALED = "! find /opt/companion ! -user root -o ! -type l -perm /6022 | grep ."
"""All that runs is root's, and nobody else can change it: packages were unpacked by another account."""
MOSTLY = 0.7
"""A task is killed within this share of the time it took once: the next time it may be faster."""
FOLDER_RUNS = f"cd {PROJECT} && .venv/bin/companion settings --example >/dev/null"


class Trial:
    """One system, begun anew."""

    def __init__(self, folder: Path, suite: str, name: str) -> None:
        self.folder = folder
        self.system = folder / suite
        libraries = self.system / f"usr/lib/{platform.machine()}-linux-gnu"
        self.is_foreign = not libraries.exists()
        self.place = folder / "trials" / f"{suite}-{name}"
        shutil.rmtree(self.place, ignore_errors=True)
        project = self.place / "upper" / PROJECT.lstrip("/")
        project.mkdir(parents=True)
        archive = subprocess.run(
            ["git", "archive", "HEAD"], cwd=ROOT, check=True, capture_output=True
        ).stdout
        subprocess.run(["tar", "x", "-C", project], input=archive, check=True)

    def begin(self, command: str, *, network: bool = True) -> subprocess.Popen[str]:
        """Start a command in the system."""
        apart = [
            "unshare",
            "--mount",
            "--pid",
            "--fork",
            "--kill-child",
            *([] if network else ["--net"]),
        ]
        inside = [
            "bash",
            "-c",
            ENTER,
            "enter",
            self.system,
            self.place,
            self.folder / "cache",
            CERTIFICATES,
            command,
            FOREIGN if self.is_foreign else "",
        ]
        return subprocess.Popen(
            [*apart, *map(str, inside)],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            start_new_session=True,
        )  # fmt: skip

    def run(self, command: str, *, network: bool = True) -> str:
        """Run a command in the system and return what it prints.

        Raises:
            RuntimeError: it failed; with its last lines.
        """
        process = self.begin(command, network=network)
        text, _ = process.communicate()
        if process.returncode:
            raise RuntimeError(
                f"{command}: status {process.returncode}\n{text[-3000:]}"
            )
        return text

    def kill(self, command: str, after: float) -> bool:
        """Start a command and kill it, with all it started, after so many s; tell whether it was in time."""
        process = self.begin(command)
        try:
            process.communicate(timeout=after)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
            return True
        return False

    def end(self) -> None:
        """Remove it."""
        shutil.rmtree(self.place)


def make_system(folder: Path, suite: str, arch: str) -> None:
    """Make a clean system unless it is there."""
    if (folder / suite).exists():
        return
    made = folder / f"{suite}.new"
    shutil.rmtree(made, ignore_errors=True)
    subprocess.run(
        ["mmdebstrap", "--quiet", "--variant=minbase", "--include=ca-certificates", f"--architectures={arch}",
         suite, made],
        check=True,
    )  # fmt: skip
    made.rename(folder / suite)


def step(name: str, what: Callable[[], object]) -> None:
    """Do one step and tell how long it took."""
    began = time.monotonic()
    what()
    print(f"  {name}: done in {time.monotonic() - began:.0f} s", flush=True)


def service(trial: Trial) -> None:
    """Try the service through its life."""
    version = "readlink /opt/companion/current"
    step("install", lambda: trial.run(f"{INSTALL} --service && {SEALED}"))
    step("demo day as its golden", lambda: trial.run(GOLDEN))
    step(
        "install again, no network",
        lambda: trial.run(f"{INSTALL} --service && {RUNS}", network=False),
    )
    step(
        "update",
        lambda: trial.run(
            f"{CHANGE}; {INSTALL} --update && {RUNS} && {SEALED} && {ITS_UNIT}"
        ),
    )
    assert trial.run(version).strip() == "environments/2"
    step(
        "back, no network",
        lambda: trial.run(f"{INSTALL} --back && {RUNS} && ! {ITS_UNIT}", network=False),
    )
    assert trial.run(version).strip() == "environments/1"
    step(
        "back again",
        lambda: trial.run(f"{INSTALL} --back && {RUNS} && {ITS_UNIT}", network=False),
    )
    step(
        "uninstall",
        lambda: trial.run(
            f"{INSTALL} --uninstall && test ! -e /opt/companion", network=False
        ),
    )
    trial.run("test -s /etc/companion/companion.toml && test -d /var/lib/companion")
    step("purge", lambda: trial.run(f"{INSTALL} --uninstall --purge", network=False))
    trial.run(
        "test ! -e /etc/companion && test ! -e /var/lib/companion && ! getent passwd companion"
    )
    trial.run("! getent passwd companion-setup")


def in_folder(trial: Trial) -> None:
    """Try the folder through its life."""
    step("install", lambda: trial.run(f"{INSTALL} && {FOLDER_RUNS}"))
    step(
        "install again, no network",
        lambda: trial.run(f"{INSTALL} && {FOLDER_RUNS}", network=False),
    )
    step("update", lambda: trial.run(f"{INSTALL} --update && {FOLDER_RUNS}"))
    step(
        "back, no network",
        lambda: trial.run(f"{INSTALL} --back && {FOLDER_RUNS}", network=False),
    )
    step(
        "uninstall",
        lambda: trial.run(f"{INSTALL} --uninstall && test ! -e .venv", network=False),
    )


def killed(
    trial: Trial, task: str, kills: int, within: float, runs: str | None, after: str
) -> None:
    """Kill a task at random moments within so many s, the `runs` passing each time, then finish it."""
    in_time = 0
    for _ in range(kills):
        in_time += trial.kill(
            f"{CHANGE}; {INSTALL} {task}", random.uniform(0.0, within)
        )
        if runs is not None:
            trial.run(runs)
    trial.run(f"{INSTALL} {task} && {after}")
    print(f"  {task or 'folder'}: cut off {in_time} times, and finished", flush=True)


def all_killed(folder: Path, suite: str, kills: int) -> None:
    """Kill each task of the service, then of the folder."""
    trial = Trial(folder, suite, "killed")
    began = time.monotonic()
    trial.run(f"{INSTALL} --service")
    minutes = MOSTLY * (time.monotonic() - began)
    trial.end()
    trial = Trial(folder, suite, "killed")
    killed(trial, "--service", kills, minutes, None, RUNS)
    killed(trial, "--update", kills, minutes, RUNS, f"{RUNS} && {ITS_UNIT}")
    killed(trial, "--back", kills, 1.0, RUNS, RUNS)
    killed(trial, "--uninstall --purge", kills, 1.0, None, "test ! -e /opt/companion")
    killed(trial, "", kills, minutes, None, FOLDER_RUNS)
    killed(trial, "--update", kills, minutes, None, FOLDER_RUNS)
    killed(trial, "--back", kills, 1.0, None, FOLDER_RUNS)
    trial.end()


def try_suite(folder: Path, suite: str, kills: int) -> None:
    """Try all in one system."""
    for name, life in (("service", service), ("folder", in_folder)):
        print(f"{suite}, {name}", flush=True)
        trial = Trial(folder, suite, name)
        life(trial)
        trial.end()
    if kills:
        print(f"{suite}, killed", flush=True)
        all_killed(folder, suite, kills)


def main() -> int:
    """Try each suite; the exit status is 1 when something failed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("suites", nargs="*", default=["bookworm", "trixie"])
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--arch", default="amd64")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    for suite in given.suites:
        make_system(given.folder.resolve(), suite, given.arch)
        try:
            try_suite(given.folder.resolve(), suite, given.kills)
        except RuntimeError as error:
            print(f"{suite}: FAILED: {error}")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
