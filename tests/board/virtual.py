"""A virtual board: an image of hardware/image.sh, in an emulator or in a container.

In the emulator all of it is tried: firmware, kernel, disk, a sonar on a USB serial
adapter, a sound card; it is slow. In the container the image's own systemd starts all
but the kernel, as fast as this machine is; the sonar talks by UDP there. The console
tells what the service prints (the journal is sent there), the page is reached through a
port of this machine, and the FAT partition is edited beforehand as one would on a
laptop.
"""

from __future__ import annotations

import contextlib
import json
import re
import socket
import subprocess
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from companion import config
from companion.sensing.framing import sentence
from tests.trial.visitor import Visitor

CHECK_UNIT = (
    Path(__file__).parents[2]
    / "hardware/board/system/etc/systemd/system/systemd-fsck@.service.d/board.conf"
)
MIB = 1 << 20
SECTOR = 512
FAT_AT = "@@1M"
"""Where the FAT partition begins, as mtools want it."""
SLOW_SONAR_EVERY_S = 1.0
"""How often a sonar speaks to an emulated board that has to keep up with it."""
ROOM_MIB = 512
"""What a card has beyond the image."""
PAGE_PORT = 8765
PAGE_HERE = "127.77.0.1"
"""Where an emulated board's page is reached here: by its own port, which the page looks at."""
FIRMWARE = {
    "amd64": "/usr/share/ovmf/OVMF.fd",
    "arm64": "/usr/share/qemu-efi-aarch64/QEMU_EFI.fd",
}
MACHINES = {
    "amd64": ["qemu-system-x86_64", "-M", "q35", "-cpu", "max"],
    "arm64": ["qemu-system-aarch64", "-M", "virt,acpi=off", "-cpu", "cortex-a72"],
}
PINS_OF = {"arm64": "pl061"}
"""The chip that has the emulated machine's pins, where it has some; without ACPI Linux finds it."""
TELLING = (
    "systemd.journald.forward_to_console=1 systemd.journald.max_level_console=info "
    "printk.time=1 loglevel=4"
)
SONAR_PORT = 10110
BY_USB = '[[sources]]\nname = "sonar"\nkind = "serial"\ndevice = "/dev/ttyUSB0"\nbaud = 38400\n'
BY_UDP = (
    f'[[sources]]\nname = "sonar"\nkind = "udp"\naddress = "127.0.0.1:{SONAR_PORT}"\n'
)


class Line(NamedTuple):
    """A line of the console.

    Attributes:
        t: when it came, s of this machine's monotonic clock.
        mark: what `Board.mark` gave then.
        text: the line.
    """

    t: float
    mark: int
    text: str


def board_settings(wire: str) -> str:
    """Return a configuration for the virtual board: the example's tackle, its own wires, the page for all."""
    example = config.example_text()
    rods = "[[lures]]" + example.partition("[[lures]]")[2]
    page = f'[page]\naddress = "0.0.0.0"\nport = {PAGE_PORT}\n'
    return f'units = "metres"\n[recordings]\nkeep_free = "20 MB"\n{page}{wire}{rods}'


def new_disk(image: Path, disk: Path, wire: str = BY_USB) -> None:
    """Copy an image onto a card that is larger, and edit its FAT partition."""
    subprocess.run(["cp", "--sparse=always", image, disk], check=True)
    with disk.open("r+b") as file:
        file.truncate(image.stat().st_size + ROOM_MIB * MIB)
    be_patient(disk)
    edit(disk, "companion.toml", lambda _: board_settings(wire))
    edit(
        disk,
        "loader/entries/companion.conf",
        lambda text: text.replace(" quiet ", f" {TELLING} "),
    )


def edit(disk: Path, name: str, change: Callable[[str], str]) -> None:
    """Change a text file of the FAT partition."""
    place = f"{disk}{FAT_AT}"
    old = subprocess.run(
        ["mtype", "-i", place, f"::{name}"], check=False, capture_output=True, text=True
    ).stdout
    put = ["mcopy", "-o", "-i", place, "-", f"::{name}"]
    subprocess.run(put, input=change(old), check=True, text=True)


def let_in(disk: Path, folder: Path) -> Path:
    """Make a key and let its owner log in to the board of a disk; name it, too. Return the key."""
    key = folder / "key"
    key.unlink(missing_ok=True)
    subprocess.run(
        ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key], check=True
    )
    public = key.with_suffix(".pub").read_text().strip()
    text = (
        f'name = "board"\ntime_zone = "America/Chicago"\n[login]\nkeys = ["{public}"]\n'
    )
    edit(disk, "board.toml", lambda _: text)
    return key


def partition(disk: Path, number: int) -> tuple[int, int]:
    """Return where a partition of a disk begins, counted from 1, and its size, bytes."""
    told = subprocess.run(
        ["sfdisk", "--dump", disk], check=True, capture_output=True, text=True
    ).stdout
    begins, size = re.findall(r"start=\s*(\d+), size=\s*(\d+)", told)[number - 1]
    return int(begins) * SECTOR, int(size) * SECTOR


def be_patient(disk: Path) -> None:
    """Let systemd wait longer for our services: an emulated processor may be slower than any board's."""
    begins, _ = partition(disk, 2)
    for unit, patience in (
        ("companion", "TimeoutStartSec=1800\nWatchdogSec=600\n"),
        ("companion-board", "TimeoutStartSec=1800\n"),
    ):
        folder = f"etc/systemd/system/{unit}.service.d"
        _ext4(disk, begins, f"mkdir {folder}")
        put_file(disk, begins, f"{folder}/patience.conf", f"[Service]\n{patience}")


def put_file(disk: Path, begins: int, path: str, text: str) -> None:
    """Put a text file into an ext4 partition of a disk, in the place of what was there."""
    with tempfile.NamedTemporaryFile("w") as file:
        file.write(text)
        file.flush()
        _ext4(disk, begins, f"rm {path}")
        _ext4(disk, begins, f"write {file.name} {path}")
    _ext4(disk, begins, f"sif {path} mode 0100644")


def _ext4(disk: Path, begins: int, request: str) -> None:
    command = ["debugfs", "-w", "-R", request, f"{disk}?offset={begins}"]
    subprocess.run(command, check=True, capture_output=True)


def check_as_at_a_start(part: Path) -> int:
    """Run on a data partition what a board runs before it mounts its own; return the exit status."""
    found = re.search(r"(?m)^ExecStartPre=-/bin/sh -c '(.*)'$", CHECK_UNIT.read_text())
    assert found
    command = found[1].replace("$$", "$").replace("%f", str(part))
    done = subprocess.run(["sh", "-c", command], check=False, capture_output=True)
    return done.returncode


def free_port() -> int:
    """Return a TCP port of this computer that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Sonar(threading.Thread):
    """Talks into the board: a bottom that falls and rises, and a boat that drifts over it."""

    def __init__(self, wire: socket.socket, every_s: float) -> None:
        super().__init__(name="sonar", daemon=True)
        self._wire = wire
        self._every_s = every_s
        self._ended = threading.Event()
        self.sent = 0

    def run(self) -> None:
        """Talk until stopped, whoever listens."""
        self._wire.setblocking(False)
        with self._wire:
            while not self._ended.wait(self._every_s):
                self.sent += 1
                with contextlib.suppress(OSError):
                    self._wire.send(b"\r\n".join((*self._sentences(), b"")))
                # A port that nobody has opened yet may echo: who is not read from stops the emulator.
                with contextlib.suppress(OSError):
                    self._wire.recv(1 << 16)

    def _sentences(self) -> list[bytes]:
        n = self.sent
        depth = 5.0 + abs(n % 400 - 200) / 40.0
        place = f"{n / 4000.0 % 1.0:.4f}"[2:]
        clock = time.strftime("%H%M%S", time.gmtime())
        date = time.strftime("%d%m%y", time.gmtime())
        fix = f"GPRMC,{clock}.00,A,4500.{place},N,09300.0000,W,1.2,0.0,{date},,,A"
        return [sentence(f"SDDPT,{depth:.2f},0.0"), sentence(fix)]

    def stop(self) -> None:
        """Stop talking."""
        self._ended.set()
        self.join(10)


class Board:
    """A running board.

    Args:
        command: starts it, with its console on standard output.
        console: a file that its console's text is put into as well.
        page: where its page is to be had.
        login_port: where its SSH server answers.
        mark: called for each line of the console.
    """

    def __init__(
        self,
        command: list[str],
        console: Path,
        page: str,
        login_port: int,
        mark: Callable[[], int] = lambda: 0,
    ) -> None:
        self.lines: list[Line] = []
        self.page, self.login_port = page, login_port
        self.sonar: Sonar | None = None
        self._visitor = Visitor(page)
        self._mark = mark
        self._console = console
        self.began = time.monotonic()
        pipe = subprocess.PIPE
        self._process = subprocess.Popen(
            command, stdin=pipe, stdout=pipe, stderr=subprocess.STDOUT
        )
        self._reader = threading.Thread(target=self._read, name="console", daemon=True)
        self._reader.start()

    def listen_to(self, wire: socket.socket, every_s: float) -> None:
        """Let a sonar talk to it from now on."""
        self.sonar = Sonar(wire, every_s)
        self.sonar.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._console.open("w", encoding="utf-8") as console:
            for raw in self._process.stdout:
                text = re.sub(
                    r"\x1b\[[0-9;?]*[A-Za-z]", "", raw.decode("utf-8", "replace")
                ).rstrip()
                self.lines.append(Line(time.monotonic(), self._mark(), text))
                print(
                    f"{time.monotonic() - self.began:8.2f} {text}",
                    file=console,
                    flush=True,
                )

    @property
    def is_running(self) -> bool:
        """Whether it runs."""
        return self._process.poll() is None

    def printed(self) -> list[Line]:
        """Return what the service has printed so far."""
        found = []
        for line in list(self.lines):
            if match := re.search(r"companion\[\d+\]: (.*)", line.text):
                found.append(line._replace(text=match[1]))
        return found

    def wait_for(self, pattern: str, within_s: float) -> Line:
        """Wait for a line of the console.

        Raises:
            TimeoutError: none came; with the last that did.
        """
        seen, ends = 0, time.monotonic() + within_s
        while time.monotonic() < ends:
            for line in self.lines[seen:]:
                seen += 1
                if re.search(pattern, line.text):
                    return line
            if not self.is_running:
                break
            time.sleep(0.05)
        last = "\n".join(line.text for line in self.lines[-30:])
        raise TimeoutError(
            f"no {pattern!r} within {within_s:.0f} s; the console's last:\n{last}"
        )

    def shown_depth(self) -> str:
        """Return the depth the page shows, or "" while it shows none or does not answer."""
        with (
            contextlib.suppress(OSError, ValueError),
            urllib.request.urlopen(self.page, timeout=5) as answer,
        ):
            text = answer.read().decode()
            if found := re.search(r'id="depth"[^>]*>\s*([0-9.]+)', text):
                return found[1]
        return ""

    def pair(self, within_s: float) -> None:
        """Pair with the page, as a person would, once it is there: ask for a code, read it, type it in.

        Raises:
            TimeoutError: it is not there, or no code came.
        """
        ends = time.monotonic() + within_s
        while self._post("ask", {}) != 200 and time.monotonic() < ends:
            if not self.is_running:
                break
            time.sleep(1.0)
        line = self.wait_for(r"code is (\d+)", ends - time.monotonic())
        found = re.search(r"code is (\d+)", line.text)
        assert found
        self._post("pair", {"code": found[1]})

    def tap(self, button: str) -> bool:
        """Tap a button of the page; tell whether it was taken."""
        return self._post("do", {"button": button}) == 200

    def _post(self, what: str, form: dict[str, str]) -> int:
        try:
            return self._visitor.post(what, form)
        except (OSError, ValueError):
            return 0

    def cut(self) -> None:
        """Cut the power."""
        if self.sonar is not None:
            self.sonar.stop()
        self._process.kill()
        self._process.wait()
        self._reader.join(10)
        assert self._process.stdout is not None
        assert self._process.stdin is not None
        self._process.stdout.close()
        self._process.stdin.close()


class Button:
    """A button between a pin of an emulated board and ground.

    QEMU has no button of its own: its chip's input is set by the protocol that its own
    tests speak, and which of its devices the chip is, its monitor tells.

    Args:
        folder: where the board's sockets are.
        arch: for which processor the board is.
        pin: the pin's number.
    """

    def __init__(self, folder: Path, arch: str, pin: int) -> None:
        self._pin = pin
        self._wires = plugged(folder / "pins")
        self._answers = self._wires.makefile("r")
        self._chip = _device_of(folder / "monitor", PINS_OF[arch])
        self.let_go()

    def hold(self) -> None:
        """Hold it down."""
        self._set(0)

    def let_go(self) -> None:
        """Let it go: the board's resistor pulls the pin up."""
        self._set(1)

    def _set(self, level: int) -> None:
        told = f"set_irq_in {self._chip} unnamed-gpio-in {self._pin} {level}\n"
        self._wires.sendall(told.encode())
        answer = self._answers.readline().strip()
        if answer != "OK":
            raise RuntimeError(f"{told.strip()}: {answer}")

    def close(self) -> None:
        """Hang up."""
        self._answers.close()
        self._wires.close()


def _device_of(monitor: Path, kind: str) -> str:
    """Return the path of the device of a kind, as the emulator's monitor tells it."""
    folder = "/machine/unattached"
    with plugged(monitor) as line, line.makefile("rw") as talk:
        for command in (
            {"execute": "qmp_capabilities"},
            {"execute": "qom-list", "arguments": {"path": folder}},
        ):
            print(json.dumps(command), file=talk, flush=True)
        for answer in map(json.loads, talk):
            for device in answer.get("return") or ():
                if device["type"] == f"child<{kind}>":
                    return f"{folder}/{device['name']}"
    raise RuntimeError(f"the emulated machine has no {kind}")


def plugged(path: Path) -> socket.socket:
    """Return a connection to a socket of an emulator's."""
    plug = socket.socket(socket.AF_UNIX)
    plug.connect(str(path))
    return plug


def emulated(
    disk: Path,
    folder: Path,
    arch: str = "amd64",
    drive: list[str] | None = None,
    mark: Callable[[], int] = lambda: 0,
    every_s: float = 0.2,
) -> Board:
    """Start a board in an emulator.

    Args:
        disk: the file that is its disk.
        folder: for its socket and the text of its console.
        arch: amd64 or arm64.
        drive: how the disk is attached (QEMU's `-blockdev`, a node called disk); past
            the cache if left out.
        mark: called for each line of the console.
        every_s: how often the sonar speaks.
    """
    login_port, wire = free_port(), folder / "sonar"
    sockets = [wire, folder / "pins", folder / "monitor"]
    for path in sockets:
        path.unlink(missing_ok=True)
    node = f"driver=raw,node-name=disk,cache.direct=on,file.driver=file,file.filename={disk}"
    forwarded = f"hostfwd=tcp:{PAGE_HERE}:{PAGE_PORT}-:{PAGE_PORT},hostfwd=tcp:127.0.0.1:{login_port}-:22"
    command = [
        *MACHINES[arch], "-smp", "2", "-m", "1024", "-nodefaults", "-display", "none",
        "-bios", FIRMWARE[arch],
        *(drive or ["-blockdev", node]), "-device", "virtio-blk-pci,drive=disk,bootindex=0",
        "-chardev", "stdio,id=console,signal=off", "-serial", "chardev:console",
        "-device", "qemu-xhci", "-chardev", f"socket,id=sonar,path={wire},server=on,wait=off",
        "-device", "usb-serial,chardev=sonar,always-plugged=on",
        "-audiodev", "none,id=sound", "-device", "intel-hda", "-device", "hda-duplex,audiodev=sound",
        "-accel", "tcg", "-qtest", f"unix:{folder / 'pins'},server=on,wait=off", "-qtest-log", "/dev/null",
        "-qmp", f"unix:{folder / 'monitor'},server=on,wait=off",
        "-netdev", f"user,id=net,restrict=on,{forwarded}", "-device", "virtio-net-pci,netdev=net,romfile=",
    ]  # fmt: skip
    board = Board(
        command,
        folder / "console.txt",
        f"http://{PAGE_HERE}:{PAGE_PORT}/",
        login_port,
        mark,
    )
    while not all(path.exists() for path in sockets) and board.is_running:
        time.sleep(0.05)
    board.listen_to(plugged(wire), every_s)
    return board


CONTAINER = r"""
set -eu
disk=$1 folder=$2
mkdir -p "$folder"/{system,data,fat}
mcopy -s -n -o -i "$disk@@1M" ::board.toml ::companion.toml "$folder/fat"
mount -o ro,loop,offset=$3,sizelimit=$4 "$disk" "$folder/system"
loop=$(losetup --find --show --offset $5 --sizelimit $6 "$disk")
e2fsck -fp "$loop" && resize2fs "$loop" && mount "$loop" "$folder/data"
losetup --detach "$loop"
exec systemd-nspawn --register=no --keep-unit --read-only --directory="$folder/system" \
    --bind-ro="$folder/fat:/boot" --bind="$folder/data:/data" \
    --bind="$folder/data/companion:/var/lib/companion" --bind="$folder/data/settings:/etc/companion" \
    --bind="$folder/data/systemd:/var/lib/systemd" --tmpfs=/var/log --tmpfs=/var/tmp \
    --boot -- systemd.journald.forward_to_console=1
"""
"""Starts a board in a container: disk, folder, and where its second and third partition lie."""


def contained(disk: Path, folder: Path, every_s: float = 0.2) -> Board:
    """Start a board in a container, on the network that this process has to itself; as root.

    Args:
        disk: the file that is its disk; its last partition is made to fill it.
        folder: for what is mounted and the text of its console.
        every_s: how often the sonar speaks.
    """
    subprocess.run(
        ["sfdisk", "--quiet", "-N", "3", disk], input=", +", text=True, check=True
    )
    parts = [str(number) for part in (2, 3) for number in partition(disk, part)]
    command = ["unshare", "--mount", "--pid", "--fork", "--kill-child", "--mount-proc"]
    command += ["bash", "-c", CONTAINER, "board", str(disk), str(folder), *parts]
    board = Board(command, folder / "console.txt", f"http://127.0.0.1:{PAGE_PORT}/", 22)
    wire = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    wire.connect(("127.0.0.1", SONAR_PORT))
    board.listen_to(wire, every_s)
    return board


def try_login(board: Board, key: Path, command: str, given_to_it: bytes = b"") -> str:
    """Run a command on a board that lets this key in; return what it prints."""
    options = [
        "UserKnownHostsFile=/dev/null",
        "StrictHostKeyChecking=no",
        "LogLevel=ERROR",
        "ConnectTimeout=60",
    ]
    given = [word for option in options for word in ("-o", option)]
    to = ["-i", key, "-p", str(board.login_port), "root@127.0.0.1"]
    return subprocess.run(
        ["ssh", *given, *to, command],
        check=True,
        capture_output=True,
        input=given_to_it,
    ).stdout.decode()
