"""Sentences out to a wire of the boat, when somebody asks for it: nothing here is ever sent by itself."""

from __future__ import annotations

import contextlib
import http.client
import re
import socket
from collections.abc import Sequence
from typing import NamedTuple

import msgspec
import serial

from companion.sensing.framing import Framer, sentence

SENT_SENTENCES = ("WPL", "RTE")
"""The sentences that may be sent: waypoints and routes, nothing that steers or tells a position."""
_CONNECT_S = 5.0
_WAYPOINTS = "/signalk/v2/api/resources/waypoints"
_LONGEST_ANSWER = 65_536
_REFUSED = {
    401: "it asks for a token; give it with --token-file",
    403: "the token may not write there",
    404: "it keeps no waypoints; switch its resources on",
}
_ON_NETWORK = re.compile(r"(tcp|udp|signalk):([^:\s]+):(\d{1,5})").fullmatch
_SERIAL = re.compile(r"(/[^@\s]+?)(?:@(\d{3,6}))?").fullmatch
_EXPECTED = (
    "expected tcp:HOST:PORT, udp:HOST:PORT, signalk:HOST:PORT or a serial port "
    "such as /dev/ttyUSB0@4800"
)


class Destination(NamedTuple):
    """A wire that is sent to: `kind` serial, tcp, udp or signalk; `number` is the baud or the port."""

    kind: str
    host: str
    number: int


def destination_in(text: str) -> Destination:
    """Return the wire that a text names, such as "udp:192.0.2.7:10110" or "/dev/ttyUSB0@4800".

    Raises:
        ValueError: it names none.
    """
    if (found := _ON_NETWORK(text)) and 0 < int(found[3]) < 65_536:
        return Destination(found[1], found[2], int(found[3]))
    if found := _SERIAL(text):
        return Destination("serial", found[1], int(found[2] or 4800))
    raise ValueError(f'"{text}" is no wire; {_EXPECTED}')


def waypoint_sentences(data: bytes) -> list[bytes]:
    """Return the sentences in a file that may be sent, each a line with a right checksum."""
    framer = Framer()
    found = [*framer.feed(data), *framer.finish()]
    bodies = [
        ",".join(fields) for fields, *_ in found if fields[0][2:] in SENT_SENTENCES
    ]
    return [sentence(body) + b"\r\n" for body in bodies]


def send(sentences: Sequence[bytes], to: Destination) -> None:
    """Send sentences to a wire, and wait until they are out.

    Raises:
        OSError: the wire is not there or takes nothing.
    """
    if to.kind == "serial":
        with serial.Serial(
            to.host, to.number, write_timeout=30.0, exclusive=True
        ) as port:
            for one in sentences:
                port.write(one)
            port.flush()
    elif to.kind == "tcp":
        with socket.create_connection(
            (to.host, to.number), timeout=_CONNECT_S
        ) as connection:
            connection.sendall(b"".join(sentences))
            connection.shutdown(socket.SHUT_WR)
    else:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for one in sentences:
                sender.sendto(one, (to.host, to.number))


def send_to_signalk(
    places: Sequence[tuple[float, float, str]],
    to: Destination,
    token: str | None = None,
) -> None:
    """Add places to a Signal K server's waypoints (its resources API, version 2), one request each.

    Args:
        places: latitude and longitude, degrees, and name.
        to: the server.
        token: shown to the server; None where it asks for nothing.

    Raises:
        OSError: nobody answers, or the server took one of them not.
    """
    headers = {"Content-Type": "application/json"}
    if token is not None:
        headers["Authorization"] = f"Bearer {token}"
    connection = http.client.HTTPConnection(to.host, to.number, timeout=_CONNECT_S)
    with contextlib.closing(connection):
        for lat, lon, name in places:
            point = {"type": "Point", "coordinates": [round(lon, 7), round(lat, 7)]}
            body = {
                "name": name,
                "feature": {"type": "Feature", "geometry": point, "properties": {}},
            }
            try:
                connection.request(
                    "POST", _WAYPOINTS, msgspec.json.encode(body), headers
                )
                answer = connection.getresponse()
                answer.read(_LONGEST_ANSWER)
            except http.client.HTTPException as error:
                raise OSError(f"no answer that is one: {error!r}") from error
            if answer.status // 100 != 2:
                raise OSError(
                    _REFUSED.get(
                        answer.status,
                        f"it answered {answer.status} {answer.reason[:60]}",
                    )
                )
