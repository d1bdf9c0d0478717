"""Networks of a boat live: understood, killed and restarted, told once, and replayed to the same events."""

from __future__ import annotations

import os
import pty
import shutil
import socket
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import can
import pytest

from companion import config
from companion.clock import LiveClock
from companion.events import Notice, TripEnded
from companion.replay import find_day, replay
from companion.sensing.nearby import can_interfaces
from companion.sensing.sources import REOPEN_S, CanSource, FileSource
from companion.trip.assembly import RECORDING_WIRE

HEALS_WITHIN_S = 5.0


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


def replayed(folder: Path) -> list:
    (lines,) = (folder / "recordings").glob("*/*/sonar.nmea")
    day = find_day(lines.parent)
    events: list = []
    replay(
        day,
        config.load(day.config),
        FileSource(RECORDING_WIRE, day.recording).chunks(),
        events.append,
    )
    return events


SIGNALK = shutil.which("signalk-server")
SETTINGS = """{"interfaces": {"appstore": false, "plugins": false, "wasm": false}, "mdns": false,
"pipedProviders": [{"id": "wire", "enabled": true, "pipeElements": [{"type": "providers/simple", "options":
{"type": "NMEA0183", "logging": false, "subOptions": {"type": "udp", "port": "%d"}}}]}]}"""


def told(events: list, text: str) -> int:
    return sum(isinstance(e, Notice) and e.text.startswith(text) for e in events)


def knows_place(afloat, lat: float = 45.0) -> bool:
    trip = afloat.live.trip
    seen = None if trip is None else trip.engine.glance(trip.engine.now).boat
    return seen is not None and seen.lat == pytest.approx(lat, abs=1e-5)


def knows_depth(afloat) -> bool:
    trip = afloat.live.trip
    return trip is not None and trip.engine.glance(
        trip.engine.now
    ).depth == pytest.approx(5.7)


class Healing:
    """How long it took from when a source was there again until its place was known, s, each time.

    The seconds are told (`tests/faults/table.py`) and fail nothing, as they are those
    of a busy machine too; what holds is that nobody waits longer between two tries than
    the goal allows.
    """

    def __init__(self, record_property: Callable[[str, object], None]) -> None:
        assert 2.0 * REOPEN_S < HEALS_WITHIN_S
        self._record = record_property

    def watch(self, boat, since: float, *wanted: Callable[[object], bool]) -> None:
        for know in wanted:
            boat.wait_for(know)
        self._record("seen", f"known again after {time.monotonic() - since:.1f} s")


def answering_again(port: int) -> float:
    """Wait until a server takes connections; return when it did."""
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1.0).close()
        except OSError:
            time.sleep(0.02)
        else:
            return time.monotonic()


@pytest.fixture
def healing(record_property) -> Healing:
    return Healing(record_property)


class Server:
    """A server process that is killed and started again; it leaves nothing behind."""

    def __init__(self, command: list[str], **options) -> None:
        self._command, self._options = command, options
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            self._command,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            **self._options,
        )

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


@pytest.fixture
def gps() -> Iterator[Callable[[], str]]:
    """A receiver on a pty that sends a fix twice a second; its name."""
    from companion.simulate.nmea import sentence

    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    os.chmod(os.ttyname(theirs), 0o666)  # gpsd gives root up and opens it again
    stop = threading.Event()

    def send() -> None:
        from datetime import UTC, datetime

        while not stop.wait(0.5):
            now = datetime.now(UTC)
            body = f"GPRMC,{now:%H%M%S}.00,A,4500.000,N,09300.000,W,0.5,090.0,{now:%d%m%y},,,A"
            gga = (
                f"GPGGA,{now:%H%M%S}.00,4500.000,N,09300.000,W,1,08,1.1,300.0,M,0.0,M,,"
            )
            os.write(ours, "".join(f"{sentence(b)}\r\n" for b in (body, gga)).encode())

    thread = threading.Thread(target=send, daemon=True)
    thread.start()
    yield os.ttyname(theirs)
    stop.set()
    thread.join()
    os.close(ours)
    os.close(theirs)


@pytest.mark.skipif(
    shutil.which("gpsd") is None, reason="no gpsd; apt-get install gpsd"
)
def test_gpsd_killed_and_restarted(launch, tools, gps, tmp_path, healing):
    port = free_port()
    server = Server(["gpsd", "-N", "-n", "-S", str(port), gps])
    try:
        boat = launch(
            tools.config_text(
                f'name = "receiver"\nkind = "gpsd"\naddress = "127.0.0.1:{port}"'
            )
        )
        boat.wait_for(knows_place)
        server.kill()
        boat.wait_for_text("receiver lost")
        boat.wait_for(lambda me: not knows_place(me))
        server.start()
        healing.watch(boat, answering_again(port), knows_place)
        live = boat.stop()
    finally:
        server.kill()
    assert told(live, "receiver lost") == 1
    assert told(live, "receiver back") == 1
    assert replayed(tmp_path) == live


def test_a_server_that_hangs_up_heals(launch, tools, tmp_path, healing):
    """The same with a server of ours: what is waited for is our own second try, not the server's start."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        boat = launch(
            tools.config_text(
                f'name = "receiver"\nkind = "gpsd"\naddress = "127.0.0.1:{port}"'
            )
        )
        hung_up = time.monotonic()
        for lat in (45.0, 45.001):
            connection, _ = server.accept()
            asked = connection.recv(100)
            assert asked == b'?WATCH={"enable":true,"json":true};\n'
            report = f'{{"class":"TPV","device":"a","mode":3,"lat":{lat},"lon":-93.0,'
            report += '"speed":0.4,"track":90.0}'
            connection.sendall(
                b'{"class":"VERSION","release":"3.22"}\r\n{"class":"TPV","mo\r\n'
            )
            connection.sendall(report.encode() + b"\r\n")
            healing.watch(boat, hung_up, partial(knows_place, lat=lat))
            connection.close()
            hung_up = time.monotonic()
            boat.wait_for_text("receiver lost")
        live = boat.stop()
    assert told(live, "receiver lost") == 2
    assert told(live, "receiver back") == 1
    assert replayed(tmp_path) == live


@pytest.fixture
def sentences() -> Iterator[int]:
    """A sonar with GPS that sends datagrams twice a second to this port."""
    from companion.simulate.nmea import sentence

    stop, port = threading.Event(), free_port()

    def send() -> None:
        from datetime import UTC, datetime

        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            while not stop.wait(0.5):
                now = datetime.now(UTC)
                rmc = f"GPRMC,{now:%H%M%S}.00,A,4500.000,N,09300.000,W,0.5,090.0,{now:%d%m%y},,,A"
                for body in ("SDDPT,5.40,0.3", rmc, "YXMTW,17.75,C"):
                    sender.sendto(f"{sentence(body)}\r\n".encode(), ("127.0.0.1", port))

    thread = threading.Thread(target=send, daemon=True)
    thread.start()
    yield port
    stop.set()
    thread.join()


@pytest.mark.skipif(
    SIGNALK is None,
    reason="no signalk-server; npm install signalk-server, and put it in PATH",
)
@pytest.mark.parametrize("kind", ["signalk", "tcp"])
def test_a_signal_k_server_killed_and_restarted(
    launch, tools, sentences, tmp_path, healing, kind
):
    (tmp_path / "server").mkdir()
    (tmp_path / "server" / "settings.json").write_text(SETTINGS % sentences)
    web, tcp = free_port(), free_port()
    told_where = {
        "SIGNALK_NODE_CONFIG_DIR": str(tmp_path / "server"),
        "TCPSTREAMADDRESS": "127.0.0.1",
    }
    ports = {"PORT": str(web), "TCPSTREAMPORT": str(tcp)}
    server = Server([SIGNALK], env={**os.environ, **told_where, **ports})
    text = f'name = "server"\nkind = "{kind}"\naddress = "127.0.0.1:{web if kind == "signalk" else tcp}"'
    if kind == "tcp":
        text += '\nprotocol = "signalk"'
    try:
        boat = launch(tools.config_text(text))
        boat.wait_for(knows_place)
        boat.wait_for(knows_depth)
        server.kill()
        boat.wait_for_text("server lost")
        boat.wait_for(lambda me: not knows_place(me))
        server.start()
        healing.watch(
            boat,
            answering_again(web if kind == "signalk" else tcp),
            knows_place,
            knows_depth,
        )
        live = boat.stop()
    finally:
        server.kill()
    assert (
        told(live, "server lost") <= 1
    )  # before the start was over it was named as missing
    assert told(live, "server back") in (1, 2)
    assert replayed(tmp_path) == live


def test_frames_of_a_gateway_live_and_replayed(launch, tools, tmp_path, healing):
    """Depth and place as a gateway's text over TCP, cut in mid-line; a bus that falls silent and is back."""
    frames = (
        b"14:15:00.100 R 09F50B23 00 34 02 00 00 2C 01 FF\r\n"  # 5.64 m, the transducer 0.3 m deep
        b"14:15:00.200 R 09F80124 80 74 D2 1A 80 53 91 C8\r\n"  # 45.0 N, 93.0 W
        b"14:15:00.300 R 09F2000A 00 FF FF FF FF FF FF FF\r\n"  # an engine, which is not read
    )
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        address = f'kind = "tcp"\naddress = "127.0.0.1:{port}"\nprotocol = "nmea2000"'
        boat = launch(tools.config_text(f'name = "bus"\n{address}'))
        connection, _ = server.accept()
        connection.sendall(frames + frames[:20])
        boat.wait_for(knows_place)
        boat.wait_for(lambda me: not knows_place(me))
        connection.sendall(frames[20:] + frames)
        healing.watch(boat, time.monotonic(), knows_place)
        connection.close()
        boat.wait_for_text("bus lost")
        live = boat.stop()
    assert told(live, "bus lost") == 1
    assert told(live, "position lost") == 1
    (ended,) = (e for e in live if isinstance(e, TripEnded))
    assert ended.sentences > 4
    assert replayed(tmp_path) == live
    (lines,) = (tmp_path / "recordings").glob("*/*/sonar.nmea")
    assert b"09F2000A" not in lines.read_bytes()


VIRTUAL_BUSES = [name for name in can_interfaces() if name.startswith("vcan")]


@pytest.mark.parametrize(
    ("driver", "channel"),
    [
        ("virtual", "tests"),
        pytest.param(
            "socketcan",
            next(iter(VIRTUAL_BUSES), ""),
            marks=pytest.mark.skipif(
                not VIRTUAL_BUSES,
                reason="no vcan; ip link add vcan0 type vcan && ip link set vcan0 up",
            ),
        ),
    ],
)
def test_a_bus_silent_and_back(launch, tools, tmp_path, healing, driver, channel):
    """Frames of a bus, python-can's own and the kernel's where it has one: silent, told once, and back."""
    text = tools.config_text('name = "bus"\nkind = "can"\ndevice = "can0"')
    source = CanSource("bus", channel, LiveClock(), driver=driver)
    boat = launch(text, sources=(source,))
    assert source.opened.wait(600.0)
    place = can.Message(
        arbitration_id=0x09F80124,
        data=bytes.fromhex("8074D21A805391C8"),
        is_extended_id=True,
    )
    with can.Bus(channel=channel, interface=driver) as sender:
        sender.send(place)
        boat.wait_for(knows_place)
        boat.wait_for(lambda me: not knows_place(me))
        sender.send(place)
        healing.watch(boat, time.monotonic(), knows_place)
    live = boat.stop()
    assert told(live, "position lost") == 1
    assert told(live, "bus lost") == 0
    assert replayed(tmp_path) == live
