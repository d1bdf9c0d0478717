"""Does what the files of the FAT partition say, at every start of a board made by hardware/image.sh.

`board.toml` gives the board's name, time zone, network and keys: written under /run, so that nothing is left
of what it said before. `companion.toml` is the service's configuration: if the companion takes it, it becomes
the one in force, else the one before stays. Where the data partition is not to be had both hold all the same,
in memory. What was wrong is told in the journal and in `mistakes.txt` by them, for a board has no screen.
Python's own library only.
"""

from __future__ import annotations

import os
import pwd
import re
import socket
import subprocess
import sys
import tomllib
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FAT = Path("boot")
RUN = Path("run/board")
SETTINGS = Path("etc/companion/companion.toml")
DATA = Path("var/lib/companion")
COMPANION = "/opt/companion/current/bin/companion"
MISTAKES_FILE = "mistakes.txt"
NO_DATA = (
    "the third partition, where all is kept, cannot be had: nothing is kept now. "
    "Put the disk into a Linux computer and run `e2fsck -fy` on that partition"
)
EMPTY_DATA = "the third partition was empty: the logbook and the recordings begin anew"
KEYS = {
    "": ("name", "time_zone", "wifi", "login"),
    "wifi": ("own", "name", "password", "country"),
    "login": ("keys",),
}
NAME = r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?"
A_ZONE = 'a name like "America/Chicago"'
KEY = r"[!-~ ]+"
OWN_ADDRESS = "192.168.73.1/24"
"""The board's address on its own network."""


class BoardError(Exception):
    """The file is not understood; the message says where, what was expected, and what to do."""


@dataclass(frozen=True)
class Wifi:
    """A wireless network: the board's own, or one to join."""

    own: bool
    name: str
    password: str
    country: str


@dataclass(frozen=True)
class Board:
    """What board.toml says."""

    name: str = "boat"
    time_zone: str = "UTC"
    wifi: Wifi | None = None
    keys: tuple[str, ...] = ()


def read_board(text: str, zones: Path) -> Board:
    """Return what the text of a board.toml says.

    Args:
        text: the file.
        zones: the folder of the time zones.

    Raises:
        BoardError: it is not TOML, or a key or its value is not known.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BoardError(f"board.toml: {error}") from None
    _check_keys(table, "")
    name = _text(table, "name", "boat", NAME, "small letters, digits and hyphens")
    zone = _text(table, "time_zone", "UTC", r"[A-Za-z0-9_+/-]+", A_ZONE)
    if not (zones / zone).is_file():
        raise BoardError(
            f'board.toml: time_zone = "{zone}" is not known; write {A_ZONE}'
        )
    return Board(
        name, zone, _wifi(_table(table, "wifi")), _login_keys(_table(table, "login"))
    )


def _check_keys(table: dict[str, Any], where: str) -> None:
    for key in table:
        if key not in KEYS[where]:
            place = f"[{where}] " if where else ""
            raise BoardError(
                f"board.toml: {place}{key} is not known; known are: {', '.join(KEYS[where])}"
            )


def _table(table: dict[str, Any], key: str) -> dict[str, Any]:
    value = table.get(key, {})
    if not isinstance(value, dict):
        raise BoardError(
            f"board.toml: {key} has to be a table, with [{key}] on a line of its own"
        )
    _check_keys(value, key)
    return value


def _text(
    table: dict[str, Any], key: str, default: str | None, pattern: str, expected: str
) -> str:
    value = table.get(key, default)
    if not isinstance(value, str) or not re.fullmatch(pattern, value):
        raise BoardError(f"board.toml: {key} has to be {expected}, in quotation marks")
    return value


def _wifi(table: dict[str, Any]) -> Wifi | None:
    if not table:
        return None
    own = table.get("own", False)
    if not isinstance(own, bool):
        raise BoardError(
            "board.toml: own has to be true or false, without quotation marks"
        )
    return Wifi(
        own,
        _text(
            table,
            "name",
            None,
            r'[^"\\\x00-\x1f\x7f]{1,32}',
            "the network's name, 1 to 32 signs",
        ),
        _text(
            table,
            "password",
            None,
            r'[^"\\\x00-\x1f\x7f-\U0010ffff]{8,63}',
            "8 to 63 plain signs",
        ),
        _text(table, "country", None, r"[A-Z]{2}", "two capital letters"),
    )


def _login_keys(table: dict[str, Any]) -> tuple[str, ...]:
    keys = table.get("keys", [])
    if not isinstance(keys, list) or not all(
        isinstance(key, str) and re.fullmatch(KEY, key) for key in keys
    ):
        raise BoardError(
            'board.toml: keys has to be a list of public keys, each in quotation marks: ["ssh-..."]'
        )
    return tuple(keys)


def files_of(board: Board) -> dict[str, str]:
    """Return the files that let the system do what a board.toml says: path from the root, and text."""
    files = {}
    if board.keys:
        files["run/board/keys"] = "".join(f"{key}\n" for key in board.keys)
    if board.wifi is not None:
        files["run/board/wifi.conf"] = _supplicant(board.wifi)
        files["run/systemd/network/20-wifi.network"] = _network(board.wifi)
    return files


def _supplicant(wifi: Wifi) -> str:
    mode = "    mode=2\n    frequency=2437\n" if wifi.own else "    scan_ssid=1\n"
    return (
        f"ctrl_interface=/run/wpa_supplicant\ncountry={wifi.country}\nnetwork={{\n"
        f'    ssid="{wifi.name}"\n    psk="{wifi.password}"\n    key_mgmt=WPA-PSK\n    proto=RSN\n{mode}}}\n'
    )


def _network(wifi: Wifi) -> str:
    head = "[Match]\nName=wlan0\n\n[Network]\nMulticastDNS=yes\n"
    if wifi.own:
        return f"{head}Address={OWN_ADDRESS}\nDHCPServer=yes\n"
    return f"{head}DHCP=yes\n"


def put(path: Path, text: str, mode: int = 0o600) -> None:
    """Write a file so that after a cut of power it is the old one or the new one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    new = path.with_name(path.name + ".new")
    with open(
        os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "w", encoding="utf-8"
    ) as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    new.chmod(mode)
    new.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    os.fsync(folder)
    os.close(folder)


def set_board_up(root: Path) -> list[str]:
    """Let board.toml hold; return what was wrong with it."""
    board, mistakes = Board(), []
    try:
        text = (root / FAT / "board.toml").read_text(encoding="utf-8-sig")
        board = read_board(text, root / "usr/share/zoneinfo")
    except (OSError, UnicodeDecodeError, BoardError) as error:
        mistakes.append(str(error))
        board = _board_before(root)
    else:
        with suppress(OSError):  # without a data partition, which is told
            put(root / "data/board/board.toml", text)
    for path, text in files_of(board).items():
        put(root / path, text, 0o644 if path.endswith(".network") else 0o600)
    zone = root / RUN / "localtime"
    zone.parent.mkdir(parents=True, exist_ok=True)
    zone.unlink(missing_ok=True)
    zone.symlink_to(f"/usr/share/zoneinfo/{board.time_zone}")
    put(root / RUN / "name", board.name)
    return mistakes


def do_without_data(root: Path) -> list[str]:
    """Let settings hold in memory where the data partition is not mounted; return what to tell then."""
    if (root / "data").is_mount():
        return []
    folder = (root / SETTINGS).parent
    held = {
        path.name: path.read_text(encoding="utf-8") for path in folder.glob("*.toml")
    }
    subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "mode=755", "tmpfs", folder], check=True
    )
    for name, text in held.items():
        put(folder / name, text, 0o644)
    return [NO_DATA]


def furnish_data(root: Path, account: str = "companion") -> list[str]:
    """Give the companion what is its own on a data partition that was made anew, or comes from another board.

    Return what to tell then.
    """
    folder, owner = root / DATA, pwd.getpwnam(account)
    if folder.stat().st_uid == owner.pw_uid:
        return []
    was_empty = not any(folder.iterdir())
    try:
        for model in (root / "opt/companion").glob("speech-model-en*"):
            with suppress(FileExistsError):
                (folder / model.name).symlink_to(f"/opt/companion/{model.name}")
        folder.chmod(0o750)
        for path in (*folder.rglob("*"), folder):
            os.chown(path, owner.pw_uid, owner.pw_gid, follow_symlinks=False)
    except OSError as error:
        return [f"the third partition cannot be written: {error}"]
    return [EMPTY_DATA] if was_empty else []


def _board_before(root: Path) -> Board:
    """Return what the last board.toml said that was understood."""
    try:
        text = (root / "data/board/board.toml").read_text(encoding="utf-8-sig")
        return read_board(text, root / "usr/share/zoneinfo")
    except (OSError, UnicodeDecodeError, BoardError):
        return Board()


def set_companion_up(root: Path, command: str = COMPANION) -> list[str]:
    """Let companion.toml hold if the companion takes it; return what it said against it."""
    path = root / FAT / "companion.toml"
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        return [f"companion.toml: {error}"]
    in_force = root / SETTINGS
    if in_force.is_file() and in_force.read_text(encoding="utf-8") == text:
        return []
    tried = root / RUN / "companion.toml"
    put(tried, text, 0o644)
    told = subprocess.run(
        [command, "settings", tried], capture_output=True, text=True, check=False
    )
    if told.returncode:
        return [told.stderr.strip().replace(str(tried), "companion.toml")]
    put(in_force, text, 0o644)
    return []


def tell(root: Path, mistakes: list[str]) -> None:
    """Tell what was wrong, in the journal and on the FAT partition, which is written only if that changed."""
    for mistake in mistakes:
        print(mistake, file=sys.stderr)
    path = root / FAT / MISTAKES_FILE
    text = "".join(f"{mistake}\r\n" for mistake in mistakes)
    before = path.read_text(encoding="utf-8", errors="replace") if path.exists() else ""
    if text.replace("\r", "") == before:
        return
    subprocess.run(["mount", "-o", "remount,rw", "/boot"], check=True)
    try:
        if text:
            path.write_text(text, encoding="utf-8", newline="")
        else:
            path.unlink()
    finally:
        os.sync()
        subprocess.run(["mount", "-o", "remount,ro", "/boot"], check=True)


def main() -> None:
    """Do all of it; whatever is wrong, the board starts."""
    root = Path("/")
    mistakes = do_without_data(root) or furnish_data(root)
    mistakes += set_board_up(root)
    socket.sethostname((root / RUN / "name").read_text())
    mistakes += set_companion_up(root)
    try:
        tell(root, mistakes)
    except (OSError, subprocess.CalledProcessError) as error:
        print(f"{MISTAKES_FILE}: {error}", file=sys.stderr)


if __name__ == "__main__":
    main()
