"""Waypoints out to a wire: where to, what may go, and what a server that refuses is answered by."""

from __future__ import annotations

import json
import os
import pty
import socket
import threading
import tty
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from companion.sensing.sending import (
    Destination,
    destination_in,
    send,
    send_to_signalk,
    waypoint_sentences,
)

WAYPOINTS = [b"$U1WPL,4500.000,N,09300.000,W,ONE*11\r\n", b"$U1RTE,1,1,c,0,ONE*1C\r\n"]


@pytest.mark.parametrize(
    ("text", "wire"),
    [
        ("udp:192.0.2.7:10110", Destination("udp", "192.0.2.7", 10110)),
        ("tcp:plotter.local:1", Destination("tcp", "plotter.local", 1)),
        ("signalk:192.0.2.7:65535", Destination("signalk", "192.0.2.7", 65535)),
        ("/dev/ttyUSB0@38400", Destination("serial", "/dev/ttyUSB0", 38400)),
        ("/dev/ttyUSB0", Destination("serial", "/dev/ttyUSB0", 4800)),
    ],
)
def test_a_wire_is_named_by_kind_place_and_number(text, wire):
    assert destination_in(text) == wire


@pytest.mark.parametrize(
    "text",
    ["", "udp:192.0.2.7", "udp:192.0.2.7:0", "udp:x:65536", "ftp:x:1", "/dev/x@12"],
)
def test_what_names_none_is_told_with_what_was_expected(text):
    with pytest.raises(ValueError, match=f'^"{text}" is no wire; expected tcp:HOST'):
        destination_in(text)


def test_of_a_file_only_waypoints_and_routes_go_out_with_right_checksums(nmea):
    route, place = "GPRTE,1,1,c,0,ONE", "GPWPL,4500.000,N,09300.000,W,ONE"
    data = nmea("SDDPT,5.0,0.0", place, "GPRMC,,V,,,,,,,,,,N", route)
    assert waypoint_sentences(data) == [nmea(place), nmea(route)]
    assert waypoint_sentences(nmea(place).rstrip()) == [nmea(place)]
    assert waypoint_sentences(nmea(place).replace(b"ONE", b"TWO")) == []


def test_each_sentence_is_a_datagram():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as plotter:
        plotter.bind(("127.0.0.1", 0))
        plotter.settimeout(600.0)
        send(WAYPOINTS, Destination("udp", *plotter.getsockname()))
        assert [plotter.recv(999), plotter.recv(999)] == WAYPOINTS


def test_all_goes_through_one_connection_that_is_ended():
    with socket.create_server(("127.0.0.1", 0)) as plotter:
        plotter.settimeout(600.0)
        send(WAYPOINTS, Destination("tcp", *plotter.getsockname()))
        connection, _ = plotter.accept()
        with connection, connection.makefile("rb") as file:
            assert file.read() == b"".join(WAYPOINTS)


def test_nobody_there_is_an_error():
    with socket.create_server(("127.0.0.1", 0)) as plotter:
        number = plotter.getsockname()[1]
    with pytest.raises(OSError, match="refused"):
        send(WAYPOINTS, Destination("tcp", "127.0.0.1", number))


def test_a_serial_port_gets_them_one_after_the_other():
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    try:
        send(WAYPOINTS, Destination("serial", os.ttyname(theirs), 38400))
        came = b""
        while len(came) < len(b"".join(WAYPOINTS)):
            came += os.read(ours, 999)
        assert came == b"".join(WAYPOINTS)
    finally:
        os.close(ours)
        os.close(theirs)


class Server(HTTPServer):
    """A server of waypoints that keeps what it is asked, and answers as it is told."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Answering)
        self.asked: list[tuple[str, dict[str, str], object]] = []
        self.status, self.reason = 200, "fine"
        self.thread = threading.Thread(target=self.serve_forever, daemon=True)
        self.thread.start()

    @property
    def wire(self) -> Destination:
        return Destination("signalk", "127.0.0.1", self.server_port)

    def end(self) -> None:
        self.shutdown()
        self.thread.join()
        self.server_close()


class Answering(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.asked.append((self.path, dict(self.headers), json.loads(body)))
        self.send_response(self.server.status, self.server.reason)
        self.send_header("Content-Length", "2")
        self.send_header("Connection", "close")
        self.end_headers()
        self.wfile.write(b"{}")

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def server():
    made = Server()
    yield made
    made.end()


def test_each_place_is_a_waypoint_of_the_servers(server):
    places = [(45.123456789, -93.2, "hump"), (45.5, -93.25, "ledge")]
    send_to_signalk(places, server.wire)
    assert [path for path, *_ in server.asked] == [
        "/signalk/v2/api/resources/waypoints"
    ] * 2
    assert [body for *_, body in server.asked] == [
        {
            "name": name,
            "feature": {
                "type": "Feature",
                "geometry": {"type": "Point", "coordinates": [lon, lat]},
                "properties": {},
            },
        }
        for lat, lon, name in [(45.1234568, -93.2, "hump"), (45.5, -93.25, "ledge")]
    ]
    _, headers, _ = server.asked[0]
    assert headers["Content-Type"] == "application/json"
    assert "Authorization" not in headers


def test_a_token_is_shown(server):
    send_to_signalk([(45.0, -93.0, "hump")], server.wire, "abc")
    assert server.asked[0][1]["Authorization"] == "Bearer abc"


@pytest.mark.parametrize(
    ("status", "why"),
    [
        (401, "it asks for a token; give it with --token-file"),
        (403, "the token may not write there"),
        (404, "it keeps no waypoints; switch its resources on"),
        (500, "it answered 500 fine"),
        (301, "it answered 301 fine"),
    ],
)
def test_a_refusal_is_told_with_what_helps_and_ends_it(server, status, why):
    server.status = status
    with pytest.raises(OSError, match=f"^{why}$"):
        send_to_signalk([(45.0, -93.0, "hump"), (45.0, -93.0, "x")], server.wire)
    assert len(server.asked) == 1


@pytest.mark.parametrize("status", [201, 202, 299])
def test_any_kind_of_success_is_one(server, status):
    server.status = status
    send_to_signalk([(45.0, -93.0, "hump")], server.wire)


def test_a_long_reason_is_cut(server):
    server.status, server.reason = 500, "x" * 300
    with pytest.raises(OSError, match=f"^it answered 500 {'x' * 60}$"):
        send_to_signalk([(45.0, -93.0, "hump")], server.wire)


def test_an_answer_that_is_none_is_an_error_of_the_wire():
    with socket.create_server(("127.0.0.1", 0)) as other:

        def babble() -> None:
            connection, _ = other.accept()
            with connection:
                connection.recv(65_536)
                connection.sendall(b"no such thing as HTTP\r\n\r\n")

        thread = threading.Thread(target=babble)
        thread.start()
        wire = Destination("signalk", "127.0.0.1", other.getsockname()[1])
        with pytest.raises(OSError, match="no answer that is one: BadStatusLine"):
            send_to_signalk([(45.0, -93.0, "hump")], wire)
        thread.join()
