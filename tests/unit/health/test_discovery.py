"""Sources are looked for only when asked, within bounds, and what is found can be pasted into a config."""

from __future__ import annotations

import contextlib
import ipaddress
import json
import socket
import threading
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from companion import config
from companion.cli import commands
from companion.clock import LiveClock
from companion.health import discovery
from companion.health.discovery import discover
from companion.sensing import nearby
from companion.sensing.framing import sentence

DEPTH = sentence("SDDPT,5.00,0.0") + b"\r\n"
FIX = sentence("GPGLL,4500.000,N,09300.000,W,120000.00,A") + b"\r\n"
FRAME = b"14:15:00.100 R 09F50B23 00 34 02 00 00 2C 01 FF\r\n"
REPORT = b'{"class":"TPV","device":"a","mode":3,"lat":45.0,"lon":-93.0}\r\n'


class Talker:
    """A server on this computer that sends the same bytes again and again to whoever connects."""

    def __init__(self, data: bytes) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._data, self._stop = data, threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        self._server.settimeout(0.05)
        connections = []
        while not self._stop.wait(0.05):
            with contextlib.suppress(TimeoutError):
                connections.append(self._server.accept()[0])
            for connection in list(connections):
                try:
                    connection.sendall(self._data)
                except OSError:
                    connection.close()
                    connections.remove(connection)
        for connection in connections:
            connection.close()
        self._server.close()

    def close(self) -> None:
        self._stop.set()
        self._thread.join()


@pytest.fixture
def talkers() -> Iterator[list[Talker]]:
    made: list[Talker] = []
    yield made
    for one in made:
        one.close()


@pytest.fixture(autouse=True)
def nobody_else(monkeypatch) -> None:
    """Nothing of the computer that the tests run on is looked at."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        closed = server.getsockname()[1]
    for name in ("GPSD_PORT", "SIGNALK_PORT", "SIGNALK_TCP_PORT", "NMEA_PORT"):
        monkeypatch.setattr(discovery, name, closed)
    monkeypatch.setattr(nearby, "serial_ports", list)
    monkeypatch.setattr(nearby, "can_interfaces", list)
    monkeypatch.setattr(nearby, "own_networks", list)


def look(known=()) -> tuple[list, list[str]]:
    told: list[str] = []
    return list(discover(known, LiveClock(), 1.2, told.append)), told


def as_configured(found: list) -> list[config.ConfiguredSource]:
    """Paste all lines into a config, as a person would."""
    example = config.example_text()
    text = (
        "\n\n".join(one.lines for one in found)
        + "\n\n[[lures]]"
        + example.partition("[[lures]]")[2]
    )
    return list(config.parse(text, "pasted").sources)


@pytest.mark.parametrize(
    ("name", "data", "kind", "protocol", "gives"),
    [
        ("NMEA_PORT", DEPTH + FIX, "tcp", "nmea0183", "depth: SDDPT"),
        ("NMEA_PORT", FRAME, "tcp", "nmea2000", "depth: 128267"),
        ("GPSD_PORT", REPORT, "gpsd", "nmea0183", "position: TPV"),
    ],
)
def test_a_server_is_found_and_its_lines_are_a_config(
    monkeypatch, talkers, name, data, kind, protocol, gives
):
    talkers.append(Talker(data))
    monkeypatch.setattr(discovery, name, talkers[0].port)
    found, told = look()
    (source,) = as_configured(found)
    assert (source.kind, source.protocol, source.port) == (
        kind,
        protocol,
        talkers[0].port,
    )
    assert found[0].gives.startswith(gives)
    assert found[0].lines.startswith(f"# {gives}")
    assert any("addresses" in line for line in told)
    assert look([source])[0] == []  # what is in the config is passed over


def test_a_server_with_nothing_to_tell_is_not_found(monkeypatch, talkers):
    talkers.append(Talker(b"welcome\r\n" + sentence("GPGSV,1,1,00") + b"\r\n"))
    monkeypatch.setattr(discovery, "NMEA_PORT", talkers[0].port)
    assert look()[0] == []


def test_a_serial_port_is_found_at_its_speed(monkeypatch, port):
    device, lines = port
    lines.append(DEPTH)
    monkeypatch.setattr(nearby, "serial_ports", lambda: [device, "/dev/no-such-port"])
    found, told = look()
    (source,) = as_configured(found)
    assert (source.name, source.kind, source.device, source.baud) == (
        "sonar",
        "serial",
        device,
        4800,
    )
    assert sum("/dev/no-such-port:" in line for line in told) == 1


def test_the_command_prints_lines_and_nothing_else(monkeypatch, talkers, tmp_path):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr("companion.cli.check.FIND_LISTEN_S", 1.2)
    done = CliRunner().invoke(commands, ["check", "--find"], catch_exceptions=False)
    assert (done.exit_code, done.stdout) == (4, "")
    assert "nothing found that is not in the config" in done.stderr
    talkers.append(Talker(FIX))
    monkeypatch.setattr(discovery, "NMEA_PORT", talkers[0].port)
    done = CliRunner().invoke(commands, ["check", "--find"], catch_exceptions=False)
    (source,) = tomllib.loads(done.stdout)["sources"]
    assert source == {
        "name": "gps",
        "kind": "tcp",
        "address": f"127.0.0.1:{talkers[0].port}",
    }
    done = CliRunner().invoke(
        commands, ["check", "--find", "--json"], catch_exceptions=False
    )
    assert [one["name"] for one in json.loads(done.stdout)] == ["gps"]


def test_bounds_of_a_search():
    """Never more than 254 addresses of a network, however large it is, and never a public one's."""
    assert (
        len(nearby.hosts_near(ipaddress.IPv4Interface("10.1.2.3/8")))
        == nearby.MOST_HOSTS
    )
    assert "10.1.2.77" in nearby.hosts_near(ipaddress.IPv4Interface("10.1.2.3/8"))
    assert len(nearby.hosts_near(ipaddress.IPv4Interface("192.168.4.3/30"))) == 2


@pytest.fixture
def real(monkeypatch) -> None:
    monkeypatch.undo()


@pytest.mark.parametrize(
    ("address", "kept"),
    [("192.168.4.3/24", True), ("1.2.3.4/24", False), ("127.0.0.1/8", False)],
)
@pytest.mark.usefixtures("real")
def test_only_private_networks_are_looked_at(monkeypatch, address, kept):
    monkeypatch.setattr(
        nearby, "_address_of", lambda _name: ipaddress.IPv4Interface(address)
    )
    assert bool(nearby.own_networks()) == kept


@pytest.mark.usefixtures("real")
def test_ports_and_buses_of_the_system(tmp_path: Path, monkeypatch):
    for name, kind in (("can0", "280"), ("eth0", "1"), ("vcan1", "280")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "type").write_text(f"{kind}\n")
    assert nearby.can_interfaces(tmp_path) == ["can0", "vcan1"]
    (tmp_path / "usb-a-lasting-name").symlink_to("/dev/ttyUSB7")
    monkeypatch.setattr(
        nearby.list_ports,
        "comports",
        lambda: [type("P", (), {"device": d}) for d in ("/dev/ttyUSB7",)],
    )
    assert nearby.serial_ports(tmp_path) == [str(tmp_path / "usb-a-lasting-name")]
