"""Where the bytes come from: a file, a serial port, a TCP server, UDP datagrams. The only room with wires.

Each source gives `Chunk`s from `chunks(stop)`, blocking in between; a `Reader` runs one
in a thread of its own and opens it again when the cable was pulled. Nothing here looks
into the bytes.
"""

from __future__ import annotations

import errno
import socket
import threading
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Protocol

import serial

from companion.clock import Clock
from companion.sensing import gpsd, signalk
from companion.sensing.datum import Network
from companion.sensing.framing import bears_checksums
from companion.sensing.networks import LONGEST_MESSAGE, LoggedMessages, network_of
from companion.sensing.nmea2000 import can_filters
from companion.sensing.settings import Chunk, SourceSettings

FILE_CHUNK = 65_536
"""Bytes read from a file at a time."""
_HEAD = 4_096  # bytes of a file that tell whose log it is
_WAIT = 0.2  # s in a blocking call, after which a wish to stop is seen
REOPEN_S = 1.0
"""Time between two attempts to open what was lost, s."""
_CONNECT = 5.0  # s
_KEEP_ALIVE = {"TCP_KEEPIDLE": 5, "TCP_KEEPINTVL": 2, "TCP_KEEPCNT": 3}  # s, s, times
_DATAGRAM = 65_535
_REQUESTS: dict[Network | None, bytes] = {
    "gpsd": gpsd.WATCH,
    "signalk": signalk.SUBSCRIPTION + b"\n",
}
_BLANKS = bytes.maketrans(b"\r\n", b"  ")
SENDER_SILENT = 30.0
"""Silence of the one address a UDP source listens to, s, after which another may take its place."""
MOST_STRANGERS = 8
"""Addresses that are told of because they send too; what comes from more is dropped without a word."""

_REFUSALS = {
    errno.ENOENT: "not there",
    errno.EACCES: "may not be opened",
    errno.EAGAIN: "in use by another program",
    errno.EBUSY: "in use by another program",
    errno.EAFNOSUPPORT: "the kernel has no driver for it",
}


def why_not(error: Exception) -> str:
    """Return in a few words why a source cannot be read; its driver's own words where we have none."""
    known = _REFUSALS.get(getattr(error, "errno", None) or 0)
    return known or getattr(error, "strerror", None) or str(error)


class Source(Protocol):
    """A source of bytes. `opened` is set once it has been opened: from then on nothing is missed."""

    name: str
    opened: threading.Event

    @property
    def where(self) -> str:
        """The device, path or address, as a person would write it."""
        ...

    @property
    def ends(self) -> bool:
        """Return whether it has an end (a file); otherwise it is opened again when lost."""
        ...

    def chunks(self, stop: threading.Event) -> Iterator[Chunk]:
        """Yield chunks until the source ends or `stop` is set.

        Raises:
            OSError: it cannot be opened, or was lost.
        """
        ...


def file_settings(path: Path, recorded: tuple[date, ...] = ()) -> SourceSettings:
    """Return the settings of a recording: it needs no checksums where its head bears none.

    `recorded` is as in `SourceSettings`.

    Raises:
        OSError: it cannot be read.
    """
    with path.open("rb") as file:
        checked = bears_checksums(file.read(FILE_CHUNK))
    return SourceSettings(need_checksum=checked, recorded=recorded)


class FileSource:
    """A recording. Every chunk has arrived at t = 0 s: a recording's time is in its lines.

    A network's log of others comes with its messages stamped by their own times.
    """

    ends = True

    def __init__(self, name: str, path: Path) -> None:
        self.name = name
        self.path = path
        self.opened = threading.Event()

    @property
    def where(self) -> str:
        """The path."""
        return str(self.path)

    def chunks(self, stop: threading.Event | None = None) -> Iterator[Chunk]:
        """Yield the file's bytes in order.

        Raises:
            OSError: it cannot be read.
        """
        with self.path.open("rb") as file:
            self.opened.set()
            data = file.read(FILE_CHUNK)
            network = network_of(data[:_HEAD])
            log = None if network is None else LoggedMessages(self.name, network)
            while data and not (stop and stop.is_set()):
                yield Chunk(0.0, self.name, data if log is None else log.feed(data))
                data = file.read(FILE_CHUNK)
            if log is not None:
                yield Chunk(0.0, self.name, log.feed(b"\n"))


class SerialSource:
    """A serial port or a pty: 8 data bits, no parity, 1 stop bit; NMEA 0183 runs at 4800 or 38400 baud."""

    ends = False

    def __init__(
        self,
        name: str,
        device: str,
        clock: Clock,
        *,
        baud: int = 4800,
        network: Network | None = None,
    ) -> None:
        self.name = name
        self._network = network
        self.device = device
        self.baud = baud
        self.opened = threading.Event()
        self._clock = clock

    @property
    def where(self) -> str:
        """The device and its speed."""
        return f"{self.device} at {self.baud} baud"

    def chunks(self, stop: threading.Event) -> Iterator[Chunk]:
        """Yield what comes in.

        Raises:
            OSError: the device is not there, is taken, or went away.
        """
        with serial.Serial(
            self.device, self.baud, timeout=_WAIT, exclusive=True
        ) as port:
            self.opened.set()  # opening has thrown away what the system had kept
            while not stop.is_set():
                data = port.read(max(1, port.in_waiting))
                if data:
                    yield Chunk(
                        self._clock.now(), self.name, data, network=self._network
                    )


class CanSource:
    """An interface of a CAN bus: frames of the PGNs that are read, as lines of candump. Nothing is sent.

    Args:
        driver: python-can's name of what drives it.
    """

    ends = False

    def __init__(
        self, name: str, device: str, clock: Clock, *, driver: str = "socketcan"
    ) -> None:
        self.name = name
        self.device = device
        self.opened = threading.Event()
        self._clock = clock
        self._driver = driver

    @property
    def where(self) -> str:
        """The interface."""
        return f"can {self.device}"

    def chunks(self, stop: threading.Event) -> Iterator[Chunk]:
        """Yield what comes in.

        Raises:
            OSError: the interface is not there, is down, or went away.
        """
        import can  # noqa: PLC0415 (a third of a second that only boats with such a bus spend)

        with can.Bus(
            channel=self.device,
            interface=self._driver,
            can_filters=can_filters(),
            ignore_config=True,
        ) as bus:
            self.opened.set()
            while not stop.is_set():
                frame = bus.recv(_WAIT)
                if (
                    frame is not None
                    and frame.is_extended_id
                    and not frame.is_remote_frame
                ):
                    told = f"({frame.timestamp:.6f}) {self.device} {frame.arbitration_id:08X}#"
                    line = told.encode() + frame.data.hex().upper().encode() + b"\n"
                    yield Chunk(self._clock.now(), self.name, line, network="nmea2000")


class TcpSource:
    """A server on the boat's network that sends sentences or messages to whoever connects.

    Args:
        network: whose messages they are, and are asked for; None: NMEA 0183.
    """

    ends = False

    def __init__(
        self,
        name: str,
        host: str,
        port: int,
        clock: Clock,
        *,
        network: Network | None = None,
    ) -> None:
        self.name = name
        self.host = host
        self.port = port
        self.opened = threading.Event()
        self._clock = clock
        self._network = network

    @property
    def where(self) -> str:
        """Host and port."""
        return f"tcp {self.host} port {self.port}"

    def chunks(self, stop: threading.Event) -> Iterator[Chunk]:
        """Yield what comes in.

        Raises:
            OSError: nobody answers, or the server hung up.
        """
        with socket.create_connection(
            (self.host, self.port), timeout=_CONNECT
        ) as connection:
            _keep_alive(connection)
            connection.sendall(_REQUESTS.get(self._network, b""))
            self.opened.set()
            connection.settimeout(_WAIT)
            while not stop.is_set():
                try:
                    data = connection.recv(4096)
                except TimeoutError:
                    continue
                if not data:
                    raise ConnectionResetError("the other end hung up")
                yield Chunk(self._clock.now(), self.name, data, network=self._network)


def _keep_alive(connection: socket.socket) -> None:
    """Have the system ask a silent server whether it is still there, and hang up when it is not."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in _KEEP_ALIVE.items():
        if hasattr(socket, option):
            connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)


def token_in(file: Path) -> str:
    """Return the token that a file holds, to be shown to a Signal K server.

    Raises:
        OSError: it cannot be read, or holds none; the message names it.
    """
    why = "it holds no token"
    try:
        token = file.read_text(encoding="ascii").strip()
    except OSError as error:
        token, why = "", why_not(error)
    except UnicodeDecodeError:
        token = ""
    if not token:
        raise OSError(f"token file {file}: {why}")
    return token


class SignalKSource:
    """A server on the boat's network that sends Signal K's deltas over a WebSocket.

    Args:
        token_file: holds what is shown to the server; None where it asks for nothing.
    """

    ends = False

    def __init__(
        self,
        name: str,
        host: str,
        port: int,
        clock: Clock,
        *,
        token_file: str | None = None,
    ) -> None:
        self.name = name
        self.host = host
        self.port = port
        self.opened = threading.Event()
        self._clock = clock
        self._token_file = token_file

    @property
    def where(self) -> str:
        """Host and port."""
        return f"ws {self.host} port {self.port}"

    def chunks(self, stop: threading.Event) -> Iterator[Chunk]:
        """Yield what comes in, each message a line.

        Raises:
            OSError: nobody answers, the server refused or hung up, the token cannot be
                read.
        """
        # Loaded by boats with such a server alone: it costs a fifth of a second of the
        # start.
        from websockets.exceptions import WebSocketException  # noqa: PLC0415
        from websockets.sync.client import connect  # noqa: PLC0415

        headers = None
        if self._token_file is not None:
            token = token_in(Path(self._token_file).expanduser())
            headers = {"Authorization": f"Bearer {token}"}
        try:
            with connect(
                f"ws://{self.host}:{self.port}{signalk.STREAM}",
                additional_headers=headers,
                proxy=None,
                compression=None,
                open_timeout=_CONNECT,
                ping_interval=_CONNECT,
                ping_timeout=_CONNECT,
                close_timeout=1.0,
                max_size=LONGEST_MESSAGE,
            ) as connection:
                connection.send(signalk.SUBSCRIPTION.decode())
                self.opened.set()
                while not stop.is_set():
                    try:
                        text = connection.recv(timeout=_WAIT, decode=False)
                    except TimeoutError:
                        continue
                    line = text.translate(_BLANKS) + b"\n"
                    yield Chunk(self._clock.now(), self.name, line, network="signalk")
        except WebSocketException as error:
            raise ConnectionResetError(str(error)) from error


class Senders:
    """Whose datagrams are taken: those of one address, the given one or else the first that sends.

    When that first one has been silent for `SENDER_SILENT`, the next that sends takes
    its place: a sonar that was switched on again may have another address.

    Args:
        given: the address, or None.
    """

    def __init__(self, given: str | None, clock: Clock) -> None:
        self._given = given
        self._clock = clock
        self._pinned = given
        self._heard_at = 0.0
        self._strangers: set[str] = set()

    def takes(self, address: str, tell: Callable[[str], None]) -> bool:
        """Return whether a datagram of this address is taken.

        `tell` is told, once each, of an address that is not, and of one that takes the
        first one's place.
        """
        now = self._clock.now()
        silent = self._given is None and now - self._heard_at >= SENDER_SILENT
        if self._pinned is None or (silent and address != self._pinned):
            if self._pinned is not None:
                tell(f"now listening to {address}, {self._pinned} is silent")
            self._pinned = address
        if address == self._pinned:
            self._heard_at = now
            return True
        if address not in self._strangers and len(self._strangers) < MOST_STRANGERS:
            self._strangers.add(address)
            tell(f"{address} sends too, listening to {self._pinned} only")
        return False


class UdpSource:
    """Datagrams sent to a port of this computer, each with whole sentences, with or without a line end.

    ``port`` 0 takes any free one; `port` then tells which, once it is open. ``sender``
    is the only address that is listened to (None: the first that sends); `tell` is
    told, in the reader's thread, of others.
    """

    ends = False

    def __init__(
        self,
        name: str,
        port: int,
        clock: Clock,
        *,
        address: str = "127.0.0.1",
        sender: str | None = None,
        network: Network | None = None,
    ) -> None:
        self.name = name
        self._network = network
        self.port = port
        self.address = address
        self.opened = threading.Event()
        self.tell: Callable[[str], None] = lambda _: None
        self._clock = clock
        self._senders = Senders(sender, clock)

    @property
    def where(self) -> str:
        """The address and the port."""
        return f"udp {self.address} port {self.port}"

    def chunks(self, stop: threading.Event) -> Iterator[Chunk]:
        """Yield what comes in.

        Raises:
            OSError: the port is taken.
        """
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listener:
            listener.bind((self.address, self.port))
            self.port = listener.getsockname()[1]
            self.opened.set()
            listener.settimeout(_WAIT)
            while not stop.is_set():
                try:
                    data, sender = listener.recvfrom(_DATAGRAM)
                except TimeoutError:
                    continue
                if data and self._senders.takes(sender[0], self.tell):
                    whole = data if data.endswith((b"\n", b"\r")) else data + b"\r\n"
                    yield Chunk(
                        self._clock.now(), self.name, whole, network=self._network
                    )


class Reader(threading.Thread):
    """Runs a source in a thread and hands its chunks over; opens it again every `REOPEN_S` after it was lost.

    ``put`` takes each chunk and may block when its queue is full. ``lost`` is told name
    and reason once for each loss, ``back`` the name at the first chunk after one. All
    are called in the reader's thread. ``stop`` is what `stop()` sets; it is looked at
    several times a second, which shows that the reader is alive.
    """

    def __init__(
        self,
        source: Source,
        put: Callable[[Chunk], None],
        lost: Callable[[str, str], None] | None = None,
        back: Callable[[str], None] | None = None,
        *,
        retry: float = REOPEN_S,
        stop: threading.Event | None = None,
    ) -> None:
        super().__init__(name=f"reader of {source.name}", daemon=True)
        self.source = source
        self._put = put
        self._lost = lost
        self._back = back
        self._retry = retry
        self._stop_wanted = stop or threading.Event()
        self._is_lost = False

    def run(self) -> None:
        """Read until stopped or the source ends."""
        while not self._stop_wanted.is_set():
            try:
                for chunk in self.source.chunks(self._stop_wanted):
                    self._came_back()
                    self._put(chunk)
            except Exception as error:
                # pyserial's, termios' or a driver's: none may end the reader.
                self._went_away(error)
            if self.source.ends:
                break
            self._stop_wanted.wait(self._retry)

    def stop(self) -> None:
        """Ask the reader to stop; it does within a fifth of a second unless `put` blocks."""
        self._stop_wanted.set()

    def _came_back(self) -> None:
        if self._is_lost:
            self._is_lost = False
            if self._back is not None:
                self._back(self.source.name)

    def _went_away(self, error: Exception) -> None:
        if not self._is_lost:
            self._is_lost = True
            if self._lost is not None:
                told = f"{self.source.where}: {why_not(error)}"
                self._lost(self.source.name, told)


class Described(Protocol):
    """A source as the configuration describes it: `kind` is serial, tcp, udp, can, gpsd or signalk."""

    @property
    def name(self) -> str:
        """Return what it is called."""

    @property
    def kind(self) -> str:
        """Return which kind of wire it is."""

    @property
    def network(self) -> Network | None:
        """The network whose messages it gives; None: NMEA 0183."""

    @property
    def token_file(self) -> str | None:
        """The file of the token that a Signal K server asks for."""

    @property
    def device(self) -> str | None:
        """The serial port."""

    @property
    def baud(self) -> int:
        """Its speed, bit/s."""

    @property
    def host(self) -> str:
        """The address of a server, or the computer's own for datagrams."""

    @property
    def port(self) -> int:
        """The port there."""

    @property
    def sender(self) -> str | None:
        """The only address whose datagrams are taken."""


def source_for(described: Described, clock: Clock) -> Source:
    """Return the source that a description asks for, not opened yet; not for files."""
    if described.kind == "signalk":
        token_file = described.token_file
        return SignalKSource(
            described.name, described.host, described.port, clock, token_file=token_file
        )
    if described.kind in ("tcp", "gpsd"):
        network = described.network
        return TcpSource(
            described.name, described.host, described.port, clock, network=network
        )
    if described.kind == "udp":
        address, sender = described.host, described.sender
        return UdpSource(
            described.name,
            described.port,
            clock,
            address=address,
            sender=sender,
            network=described.network,
        )
    device = described.device or ""
    if described.kind == "can":
        return CanSource(described.name, device, clock)
    return SerialSource(
        described.name, device, clock, baud=described.baud, network=described.network
    )
