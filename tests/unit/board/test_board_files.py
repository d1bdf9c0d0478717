"""What the files of the FAT partition do to a board: the script that reads them at every start."""

import errno
import getpass
import importlib.util
import os
import sys
from pathlib import Path
from types import ModuleType

import pytest

SCRIPT = (
    Path(__file__).parents[3]
    / "hardware/board/system/usr/local/lib/companion-board/board.py"
)
EXAMPLE = Path(__file__).parents[3] / "hardware/board/fat/board.toml"
WIFI = (
    '[wifi]\nown = {own}\nname = "our boat"\npassword = "a long one"\ncountry = "US"\n'
)


@pytest.fixture(scope="module")
def board() -> ModuleType:
    spec = importlib.util.spec_from_file_location("board", SCRIPT)
    assert spec
    assert spec.loader
    module = sys.modules["board"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def root(tmp_path: Path) -> Path:
    for folder in ("boot", "data", "etc/companion", "usr/share/zoneinfo/America"):
        (tmp_path / folder).mkdir(parents=True)
    for zone in ("UTC", "America/Chicago"):
        (tmp_path / "usr/share/zoneinfo" / zone).touch()
    return tmp_path


def write(root: Path, text: str, name: str = "board.toml") -> None:
    (root / "boot" / name).write_text(text, encoding="utf-8")


def companion(root: Path, status: int) -> str:
    program = root / "companion"
    program.write_text(
        f'#!/bin/sh\necho "$2: line 3: no such rod" >&2\nexit {status}\n'
    )
    program.chmod(0o755)
    return str(program)


def test_the_example_is_taken_as_it_is_and_with_all_of_it_in_force(
    board: ModuleType, root: Path
) -> None:
    zones = root / "usr/share/zoneinfo"
    text = EXAMPLE.read_text(encoding="utf-8")
    assert board.read_board(text, zones) == board.Board()
    in_force = "\n".join(line.removeprefix("# ") for line in text.splitlines()[4:])
    all_of_it = board.read_board(in_force.replace("UTC", "America/Chicago"), zones)
    assert all_of_it.time_zone == "America/Chicago"
    assert all_of_it.wifi == board.Wifi(
        True, "the network's name", "eight signs or more", "US"
    )
    assert all_of_it.keys == ("ssh-ed25519 AAAA... you",)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("name = boat", "Invalid value"),
        ("tiem_zone = 'UTC'", "tiem_zone is not known; known are: name, time_zone"),
        ('name = "Our Boat"', "name has to be small letters"),
        ('time_zone = "Chicago"', 'time_zone = "Chicago" is not known'),
        ('time_zone = "../../etc/shadow"', "time_zone has to be"),
        ("wifi = 3", r"\[wifi\] on a line of its own"),
        ("[wifi]\nname = 'x'", "password has to be 8 to 63"),
        ("[wifi]\nkey = 'x'", r"\[wifi\] key is not known"),
        (WIFI.format(own='"yes"'), "own has to be true or false"),
        (
            WIFI.format(own="true").replace("our boat", 'our "boat'),
            "Expected newline|name has to be",
        ),
        (WIFI.format(own="true").replace('"our boat"', "'a\"b'"), "name has to be"),
        (
            WIFI.format(own="true").replace('"a long one"', '"a\\nlong one"'),
            "password has to be",
        ),
        ("[login]\nkeys = 'ssh-rsa'", "keys has to be a list"),
        ("[login]\nkeys = ['ssh-rsa a\\nssh-rsa b']\n", None),
        ('[login]\nkeys = ["ssh-rsa a\\nssh-rsa b"]\n', "keys has to be a list"),
    ],
)
def test_a_mistake_is_told_in_a_line(
    board: ModuleType, root: Path, text: str, told: str | None
) -> None:
    if told is None:  # in single quotation marks a backslash is a backslash
        assert board.read_board(text, root / "usr/share/zoneinfo").keys
        return
    with pytest.raises(board.BoardError, match=told) as error:
        board.read_board(text, root / "usr/share/zoneinfo")
    assert "\n" not in str(error.value)


def test_a_network_of_its_own_or_another_to_join(board: ModuleType, root: Path) -> None:
    write(root, WIFI.format(own="true"))
    assert board.set_board_up(root) == []
    secret = root / "run/board/wifi.conf"
    assert 'ssid="our boat"' in secret.read_text()
    assert "mode=2" in secret.read_text()
    assert secret.stat().st_mode & 0o077 == 0
    assert (
        "DHCPServer=yes" in (root / "run/systemd/network/20-wifi.network").read_text()
    )
    write(root, WIFI.format(own="false"))
    assert board.set_board_up(root) == []
    assert "mode=2" not in secret.read_text()
    assert "DHCP=yes" in (root / "run/systemd/network/20-wifi.network").read_text()


def test_zone_name_and_keys(board: ModuleType, root: Path) -> None:
    write(
        root,
        'name = "heron"\ntime_zone = "America/Chicago"\n[login]\nkeys = ["ssh-ed25519 AAAA"]\n',
    )
    assert board.set_board_up(root) == []
    assert (
        os.readlink(root / "run/board/localtime")
        == "/usr/share/zoneinfo/America/Chicago"
    )
    assert (root / "run/board/name").read_text() == "heron"
    assert (root / "run/board/keys").read_text() == "ssh-ed25519 AAAA\n"


def test_with_a_mistake_what_held_before_holds(board: ModuleType, root: Path) -> None:
    write(root, 'name = "heron"\n')
    assert board.set_board_up(root) == []
    for text in ('name = "heron', "", None):
        if text is None:
            (root / "boot/board.toml").unlink()
        else:
            write(root, text or 'name = "?"')
        mistakes = board.set_board_up(root)
        assert len(mistakes) == 1
        assert "board.toml" in mistakes[0]
        assert (root / "run/board/name").read_text() == "heron"


def test_without_any_file_it_starts_all_the_same(board: ModuleType, root: Path) -> None:
    assert len(board.set_board_up(root)) == 1
    assert (root / "run/board/name").read_text() == "boat"


def test_an_editor_that_begins_a_file_with_a_mark_is_no_mistake(
    board: ModuleType, root: Path
) -> None:
    (root / "boot/board.toml").write_bytes(b'\xef\xbb\xbfname = "heron"\r\n')
    assert board.set_board_up(root) == []


def test_a_configuration_that_the_companion_takes_is_put_in_force(
    board: ModuleType, root: Path
) -> None:
    in_force = root / "etc/companion/companion.toml"
    in_force.write_text("old")
    write(root, "new", "companion.toml")
    assert board.set_companion_up(root, companion(root, 0)) == []
    assert in_force.read_text() == "new"
    assert in_force.stat().st_mode & 0o777 == 0o644


def test_one_that_it_does_not_take_is_not(board: ModuleType, root: Path) -> None:
    in_force = root / "etc/companion/companion.toml"
    in_force.write_text("old")
    write(root, "new", "companion.toml")
    assert board.set_companion_up(root, companion(root, 2)) == [
        "companion.toml: line 3: no such rod"
    ]
    assert in_force.read_text() == "old"


def test_the_same_or_none_is_not_looked_at(board: ModuleType, root: Path) -> None:
    assert board.set_companion_up(root, "/nowhere") == []
    (root / "etc/companion/companion.toml").write_text("same")
    write(root, "same", "companion.toml")
    assert board.set_companion_up(root, "/nowhere") == []


def test_without_a_data_partition_both_files_hold_in_memory(
    board: ModuleType, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mount = root / "mount"
    mount.write_text(f'#!/bin/sh\necho "$@" >>{root}/mounted\nrm -f "$6"/*\n')
    mount.chmod(0o755)
    monkeypatch.setenv("PATH", f"{root}:{os.environ['PATH']}")
    in_force = root / "etc/companion/companion.toml"
    in_force.write_text("old")
    assert board.do_without_data(root) == [board.NO_DATA]
    assert "-t tmpfs" in (root / "mounted").read_text()
    assert in_force.read_text() == "old"
    (root / "data").rmdir()
    (root / "data").touch()  # nothing can be put there
    write(root, 'name = "heron"\n')
    assert board.set_board_up(root) == []
    assert (root / "run/board/name").read_text() == "heron"
    write(root, "new", "companion.toml")
    assert board.set_companion_up(root, companion(root, 0)) == []
    assert in_force.read_text() == "new"


def test_a_data_partition_that_was_made_anew_is_the_companions(
    board: ModuleType, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, given = root / "var/lib/companion", []
    data.mkdir(parents=True)
    (root / "opt/companion/speech-model-en-1").mkdir(parents=True)
    monkeypatch.setattr(os, "chown", lambda path, *_, **__: given.append(path.name))
    assert board.furnish_data(root, getpass.getuser()) == []
    assert list(data.iterdir()) == []
    assert board.furnish_data(root, "nobody") == [board.EMPTY_DATA]
    assert os.readlink(data / "speech-model-en-1") == "/opt/companion/speech-model-en-1"
    assert data.stat().st_mode & 0o777 == 0o750
    assert given == ["speech-model-en-1", "companion"]
    (data / "logbook.db").touch()
    given.clear()
    assert board.furnish_data(root, "nobody") == []  # another board's
    assert set(given) == {"logbook.db", "speech-model-en-1", "companion"}


def test_one_that_cannot_be_written_is_told_of(
    board: ModuleType, root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (root / "var/lib/companion").mkdir(parents=True)

    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(os, "chown", refuse)
    (told,) = board.furnish_data(root, "nobody")
    assert "cannot be written: [Errno 30] Read-only file system" in told
