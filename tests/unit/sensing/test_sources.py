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
from companion.sensing.sources import FILE_CHUNK, FileSource, Reader, SerialSource, TcpSource, UdpSource


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
        reader.join(timeout=5.0)
        assert not reader.is_alive()


def received(said: queue.Queue, length: int) -> bytes:
    data = b""
    while len(data) < length:
        chunk = said.get(timeout=5.0)
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
    assert listen(FileSource("day", path)).get(timeout=5.0) == (
        "lost",
        "day",
        f"{path}: No such file or directory",
    )


def test_the_same_day_by_serial_port_and_by_file(tagged, take, listen):
    """Times come from the TAG blocks: readings are equal to the last bit."""
    day = b"".join(tagged(1764061200000 + 200 * i, f"SDDPT,{5 + i % 9 / 10},0.2") for i in range(300))
    master, slave = pty.openpty()
    tty.setraw(slave)
    source = SerialSource("day", os.ttyname(slave), LiveClock())
    said = listen(source)
    assert source.opened.wait(5.0)
    writer = threading.Thread(
        target=lambda: [os.write(master, day[i : i + 97]) for i in range(0, len(day), 97)]
    )
    wire, file = Sensing({}), Sensing({})
    by_wire = []
    length = 0
    writer.start()
    while length < len(day):
        chunk = said.get(timeout=5.0)
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
    what, name, why = said.get(timeout=5.0)
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
        said = listen(TcpSource("plotter", "127.0.0.1", server.getsockname()[1], LiveClock()))
        connection, _ = server.accept()
        connection.sendall(b"first")
        assert received(said, 5) == b"first"
        connection.close()
        assert said.get(timeout=5.0)[:2] == ("lost", "plotter")
        connection, _ = server.accept()
        connection.sendall(b"second")
        assert said.get(timeout=5.0) == ("back", "plotter")
        assert received(said, 6) == b"second"
        connection.close()


def test_udp_datagrams_are_whole_lines(listen):
    source = UdpSource("network", 0, LiveClock(), address="127.0.0.1")
    said = listen(source)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        assert source.opened.wait(5.0)
        sender.sendto(b"$SDDPT,5.4,0.2*54", ("127.0.0.1", source.port))
        sender.sendto(b"$SDDPT,5.5,0.2*55\r\n", ("127.0.0.1", source.port))
    sensing = Sensing({"network": SourceSettings(time="arrival")})
    readings = [r for _ in range(2) for _, r in sensing.feed(said.get(timeout=5.0))]
    assert [r.below_transducer for r in readings] == [5.4, 5.5]
