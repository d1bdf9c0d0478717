"""Files, serial ports (a pty pair), TCP and UDP: the bytes come through, and a pulled cable is survived."""

import os
import pty
import queue
import socket
import threading
import tty

import pytest

from companion.clock import LiveClock
from companion.sensing import Chunk, Sensing, SourceSettings
from companion.sensing.sources import (
    FILE_CHUNK,
    MOST_STRANGERS,
    SENDER_SILENT,
    CanSource,
    FileSource,
    Reader,
    Senders,
    SerialSource,
    SignalKSource,
    TcpSource,
    UdpSource,
    source_for,
)

PATIENCE_S = 600.0
"""How long is waited for what comes at once on a computer with nothing else to do."""


@pytest.fixture
def listen():
    """Start a reader; return the queue of what it says. Readers are stopped at the end."""
    readers = []

    def listen(source) -> queue.Queue:
        said: queue.Queue = queue.Queue()
        reader = Reader(
            source,
            said.put,
            lambda name, why: said.put(("lost", name, why)),
            lambda name: said.put(("back", name)),
            retry=0.05,
        )
        readers.append(reader)
        reader.start()
        return said

    yield listen
    for reader in readers:
        reader.stop()
    for reader in readers:
        reader.join(timeout=PATIENCE_S)
        assert not reader.is_alive()


def received(said: queue.Queue, length: int) -> bytes:
    data = b""
    while len(data) < length:
        chunk = said.get(timeout=PATIENCE_S)
        assert isinstance(chunk, Chunk), chunk
        data += chunk.data
    return data


def test_a_file_comes_whole(tmp_path, nmea, listen):
    path = tmp_path / "day.nmea"
    content = nmea(*["SDDPT,5.4,0.2"] * 8000)
    assert len(content) > 2 * FILE_CHUNK
    path.write_bytes(content)
    assert b"".join(c.data for c in FileSource("day", path).chunks()) == content
    assert received(listen(FileSource("day", path)), len(content)) == content


def test_a_missing_file_is_one_clear_line(tmp_path, listen):
    path = tmp_path / "no.nmea"
    assert listen(FileSource("day", path)).get(timeout=PATIENCE_S) == (
        "lost",
        "day",
        f"{path}: not there",
    )


def test_the_same_day_by_serial_port_and_by_file(tagged, take, listen):
    """Times come from the TAG blocks: readings are equal to the last bit."""
    day = b"".join(
        tagged(1764061200000 + 200 * i, f"SDDPT,{5 + i % 9 / 10},0.2")
        for i in range(300)
    )
    master, slave = pty.openpty()
    tty.setraw(slave)
    source = SerialSource("day", os.ttyname(slave), LiveClock())
    said = listen(source)
    assert source.opened.wait(PATIENCE_S)
    writer = threading.Thread(
        target=lambda: [
            os.write(master, day[i : i + 97]) for i in range(0, len(day), 97)
        ]
    )
    wire, file = Sensing({}), Sensing({})
    by_wire = []
    length = 0
    writer.start()
    while length < len(day):
        chunk = said.get(timeout=PATIENCE_S)
        length += len(chunk.data)
        by_wire += wire.feed(chunk)
    writer.join()
    assert by_wire == take(file, day, "day")
    assert len(by_wire) == 300
    os.close(slave)
    os.close(master)


def test_a_serial_port_that_is_not_there_and_comes_later(tmp_path, listen):
    link = tmp_path / "sonar"
    said = listen(SerialSource("sonar", str(link), LiveClock()))
    what, name, why = said.get(timeout=PATIENCE_S)
    assert (what, name) == ("lost", "sonar")
    assert str(link) in why
    master, slave = pty.openpty()
    tty.setraw(slave)
    link.symlink_to(os.ttyname(slave))
    for _ in range(100):  # what is written before the port is open is flushed away
        os.write(master, b"$SDDPT,5.4,0.2*54\r\n")
        try:
            said_next = said.get(timeout=0.1)
            break
        except queue.Empty:
            continue
    assert said_next == ("back", "sonar")
    os.close(slave)
    os.close(master)


def test_tcp_hangs_up_and_comes_back(listen):
    with socket.create_server(("127.0.0.1", 0)) as server:
        said = listen(
            TcpSource("plotter", "127.0.0.1", server.getsockname()[1], LiveClock())
        )
        connection, _ = server.accept()
        connection.sendall(b"first")
        assert received(said, 5) == b"first"
        connection.close()
        assert said.get(timeout=PATIENCE_S)[:2] == ("lost", "plotter")
        connection, _ = server.accept()
        connection.sendall(b"second")
        assert said.get(timeout=PATIENCE_S) == ("back", "plotter")
        assert received(said, 6) == b"second"
        connection.close()


def test_udp_datagrams_are_whole_lines(listen):
    source = UdpSource("network", 0, LiveClock(), address="127.0.0.1")
    said = listen(source)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        assert source.opened.wait(PATIENCE_S)
        sender.sendto(b"$SDDPT,5.4,0.2*54", ("127.0.0.1", source.port))
        sender.sendto(b"$SDDPT,5.5,0.2*55\r\n", ("127.0.0.1", source.port))
    sensing = Sensing({"network": SourceSettings(time="arrival")})
    readings = [
        r for _ in range(2) for _, r in sensing.feed(said.get(timeout=PATIENCE_S))
    ]
    assert [r.below_transducer for r in readings] == [5.4, 5.5]


def test_udp_listens_to_the_first_that_sends_and_tells_of_others(listen):
    source = UdpSource("network", 0, LiveClock())
    told = []
    source.tell = told.append
    said = listen(source)
    assert source.opened.wait(PATIENCE_S)
    for address, word in [
        ("127.0.0.2", b"one"),
        ("127.0.0.3", b"no"),
        ("127.0.0.3", b"no"),
        ("127.0.0.2", b"two"),
    ]:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.bind((address, 0))
            sender.sendto(word, ("127.0.0.1", source.port))
    assert [said.get(timeout=PATIENCE_S).data for _ in range(2)] == [
        b"one\r\n",
        b"two\r\n",
    ]
    assert told == ["127.0.0.3 sends too, listening to 127.0.0.2 only"]


class Hand:
    """A clock moved by hand."""

    t = 0.0

    def now(self) -> float:
        return self.t


def test_a_silent_sender_gives_its_place_to_the_next_unless_it_was_given():
    clock, told = Hand(), []
    first, given = Senders(None, clock), Senders("10.0.0.1", clock)
    assert first.takes("10.0.0.1", told.append)
    clock.t += SENDER_SILENT - 0.1
    assert not first.takes("10.0.0.2", told.append)
    clock.t += 0.2
    assert first.takes("10.0.0.2", told.append)
    assert not first.takes("10.0.0.1", told.append)
    assert told[1] == "now listening to 10.0.0.2, 10.0.0.1 is silent"
    assert not given.takes("10.0.0.2", told.append)
    assert given.takes("10.0.0.1", told.append)


def test_a_crowd_of_strangers_is_told_of_only_so_often():
    told = []
    senders = Senders("10.0.0.1", Hand())
    assert not any(senders.takes(f"10.0.{n % 200}.2", told.append) for n in range(2000))
    assert len(told) == MOST_STRANGERS


def test_a_reader_outlives_whatever_its_driver_raises(listen):
    class Odd:
        name, where, ends = "sonar", "a driver", False
        opened = threading.Event()
        tries = 0

        def chunks(self, stop):
            self.tries += 1
            if self.tries < 3:
                raise OverflowError("bind(): port must be 0-65535.")
            yield Chunk(0.0, "sonar", b"here")
            stop.wait()

    said = listen(Odd())
    assert said.get(timeout=PATIENCE_S) == (
        "lost",
        "sonar",
        "a driver: bind(): port must be 0-65535.",
    )
    assert said.get(timeout=PATIENCE_S) == ("back", "sonar")


class Described:
    """A source as the configuration describes it."""

    name, network, token_file = "mine", None, None
    device, baud, host, port, sender = "/dev/mine", 38400, "127.0.0.1", 10110, None

    def __init__(self, kind: str, **other: object) -> None:
        self.kind = kind
        for key, value in other.items():
            setattr(self, key, value)


@pytest.mark.parametrize("network", [None, "nmea2000"])
def test_a_serial_port_is_described_by_its_device_and_speed(network):
    master, slave = pty.openpty()
    tty.setraw(slave)
    described = Described("serial", device=os.ttyname(slave), network=network)
    source = source_for(described, LiveClock())
    assert isinstance(source, SerialSource)
    chunks = source.chunks(threading.Event())
    writer = threading.Thread(
        target=lambda: source.opened.wait(PATIENCE_S) and os.write(master, b"$X\r\n")
    )
    writer.start()
    chunk = next(chunks)
    writer.join()
    chunks.close()
    assert (chunk.source, chunk.network) == ("mine", network)
    assert source.where == f"{os.ttyname(slave)} at 38400 baud"
    os.close(slave)
    os.close(master)


@pytest.mark.parametrize(
    ("kind", "network"), [("tcp", None), ("tcp", "nmea2000"), ("gpsd", "gpsd")]
)
def test_a_server_is_described_by_its_address(kind, network):
    with socket.create_server(("127.0.0.1", 0)) as server:
        described = Described(kind, port=server.getsockname()[1], network=network)
        source = source_for(described, LiveClock())
        assert isinstance(source, TcpSource)
        chunks = source.chunks(threading.Event())
        accepted = []

        def serve() -> None:
            connection, _ = server.accept()
            accepted.append(connection)
            connection.sendall(b"$X\r\n")

        thread = threading.Thread(target=serve)
        thread.start()
        chunk = next(chunks)
        thread.join()
        chunks.close()
        accepted[0].close()
    assert (chunk.source, chunk.network) == ("mine", network)
    assert chunk.data == b"$X\r\n"


@pytest.mark.parametrize("ends", [b"", b"\n", b"\r", b"\r\n"])
@pytest.mark.parametrize("network", [None, "nmea2000"])
def test_a_datagram_is_a_line_whole_whether_it_ends_as_one_or_not(ends, network):
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    source = source_for(Described("udp", port=port, network=network), LiveClock())
    assert isinstance(source, UdpSource)
    chunks = source.chunks(threading.Event())
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        thread = threading.Thread(
            target=lambda: (
                source.opened.wait(PATIENCE_S)
                and sender.sendto(b"$X" + ends, ("127.0.0.1", port))
            )
        )
        thread.start()
        chunk = next(chunks)
        thread.join()
    chunks.close()
    assert (chunk.source, chunk.network) == ("mine", network)
    assert chunk.data == b"$X" + (ends or b"\r\n")


def test_a_bus_and_a_signal_k_server_are_described_by_their_names():
    bus = source_for(Described("can", device="can7"), LiveClock())
    assert isinstance(bus, CanSource)
    assert (bus.name, bus.where) == ("mine", "can can7")
    server = source_for(Described("signalk", host="boat", port=3000), LiveClock())
    assert isinstance(server, SignalKSource)
    assert (server.name, server.where) == ("mine", "ws boat port 3000")


def test_a_source_that_is_lost_again_is_told_of_again(listen):
    class Coming:
        name, where, ends = "sonar", "there", False
        turns = iter([OSError(5, "gone"), b"x", OSError(5, "gone"), b"y"])

        def chunks(self, stop):
            turn = next(self.turns, None)
            if turn is None:
                stop.wait()
                return
            if isinstance(turn, OSError):
                raise turn
            yield Chunk(0.0, self.name, turn)

    said = listen(Coming())
    told = [said.get(timeout=60.0) for _ in range(6)]
    assert told[0] == told[3] == ("lost", "sonar", "there: gone")
    assert told[1] == told[4] == ("back", "sonar")
    assert (told[2].data, told[5].data) == (b"x", b"y")
