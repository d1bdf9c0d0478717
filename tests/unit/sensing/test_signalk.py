"""Signal K's deltas: what they tell of this boat now, and what they must never be taken to tell."""

import json
import math
import threading

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from companion.clock import LiveClock
from companion.sensing import (
    Chunk,
    Depth,
    Heading,
    Motion,
    Position,
    Sensing,
    WaterSpeed,
    WaterTemperature,
)
from companion.sensing.networks import network_line
from companion.sensing.signalk import ALL_STALE_MS, PATHS, STREAM, SUBSCRIPTION
from companion.sensing.sources import SignalKSource, why_not

START = 1_791_036_900_000  # 2026-10-03T14:15:00Z
OWN = "vessels.urn:mrn:signalk:uuid:c0d79334-4e25-4245-8892-54e8ccc8021d"
HELLO = {
    "name": "a server",
    "self": OWN,
    "roles": ["main"],
    "timestamp": "2026-10-03T14:15:00.000Z",
}
DEPTH = "environment.depth.belowTransducer"

UNHURRIED = settings(
    deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow]
)


def instant(seconds: float) -> str:
    return f"2026-10-03T14:{15 + int(seconds // 60):02d}:{seconds % 60:06.3f}Z"


def delta(
    path: str,
    value: object,
    seconds: float = 0.0,
    source: str = "n2k.35",
    context: str = OWN,
) -> dict:
    values = [{"path": path, "value": value}]
    return {
        "context": context,
        "updates": [
            {"$source": source, "timestamp": instant(seconds), "values": values}
        ],
    }


class Server:
    """Deltas that arrive when they were measured, unless told otherwise."""

    def __init__(self, greeting: dict | None = HELLO) -> None:
        self.sensing = Sensing({})
        if greeting:
            self.send(greeting)

    def send(self, message: object, at: float = 0.0) -> list:
        text = message if isinstance(message, bytes) else json.dumps(message).encode()
        line = network_line(text, "server", "signalk", START + round(1000 * at))
        return [r for _, r in self.sensing.feed(Chunk(0.0, "recording", line))]


@pytest.fixture
def server() -> Server:
    return Server()


def test_depths_below_what(server):
    assert not server.send(delta("environment.depth.surfaceToTransducer", 0.3))
    (depth,) = server.send(delta("environment.depth.belowSurface", 5.7, source="a"))
    assert (depth.below_transducer, depth.below_surface) == (None, 5.7)
    warned, depth = server.send(delta(DEPTH, 5.4))
    assert (
        warned.text
        == "server tells depth twice, by a and n2k.35; one of them is listened to"
    )
    assert (depth.below_transducer, depth.below_surface) == (5.4, pytest.approx(5.7))
    assert (depth.origin.source, depth.origin.talker, depth.origin.formatter) == (
        "server",
        "n2k.35",
        DEPTH,
    )
    # The better of the two is listened to, as with sentences.
    assert not server.send(delta("environment.depth.belowSurface", 9.9, source="a"))


def test_place_motion_and_time(server):
    server.send(delta("navigation.gnss.horizontalDilution", 1.1))
    (place,) = server.send(
        delta(
            "navigation.position", {"latitude": 45.1, "longitude": -93.2, "altitude": 3}
        )
    )
    assert (place.lat, place.lon, place.hdop) == (45.1, -93.2, 1.1)
    server.send(delta("navigation.courseOverGroundTrue", math.pi / 2))
    (motion,) = server.send(delta("navigation.speedOverGround", 0.5))
    assert (motion.speed, motion.course) == (0.5, pytest.approx(90.0))
    server.send(delta("navigation.datetime", "2026-10-03T14:15:00.000Z"))
    assert server.sensing.utc(0.0).isoformat() == "2026-10-03T14:15:00+00:00"


def test_a_course_of_another_moment_or_source_is_not_this_speeds(server):
    server.send(delta("navigation.courseOverGroundTrue", 1.0, source="gps"))
    (motion,) = server.send(delta("navigation.speedOverGround", 0.5, source="other"))
    assert motion.course is None
    (motion,) = Server().send(
        delta("navigation.speedOverGround", 0.5, 3.0, source="gps"), at=3.0
    )
    assert motion.course is None


def test_heading_and_water(server):
    server.send(delta("navigation.magneticVariation", -math.pi / 18))
    (heading,) = server.send(delta("navigation.headingMagnetic", math.pi / 2))
    assert (heading.true, heading.magnetic) == (
        pytest.approx(80.0),
        pytest.approx(90.0),
    )
    (water,) = server.send(delta("environment.water.temperature", 290.9))
    assert water.celsius == pytest.approx(17.75)
    (water,) = server.send(delta("navigation.speedThroughWater", 0.6))
    assert water.speed == 0.6


@pytest.mark.parametrize(
    ("path", "value", "reason"),
    [
        (DEPTH, None, None),
        (DEPTH, 0.0, "depth lost"),
        (DEPTH, -1.0, "depth out of range"),
        (DEPTH, 42949672.94, "depth out of range"),
        (DEPTH, "5.4", "depth malformed"),
        (DEPTH, True, "depth malformed"),
        (DEPTH, {"value": 5.4}, "depth malformed"),
        ("navigation.position", None, "position void"),
        ("navigation.position", {"latitude": 45.1}, "position malformed"),
        (
            "navigation.position",
            {"latitude": None, "longitude": 1.0},
            "position malformed",
        ),
        (
            "navigation.position",
            {"latitude": 0.0, "longitude": 0.0},
            "position at 0, 0",
        ),
        (
            "navigation.position",
            {"latitude": 91.0, "longitude": 0.0},
            "position malformed",
        ),
        ("navigation.speedOverGround", -0.1, "speed out of range"),
        ("navigation.headingTrue", 7.0, "heading out of range"),
        (
            "environment.water.temperature",
            17.75,
            "water temperature out of range",
        ),  # not kelvin
    ],
)
def test_no_value(server, path, value, reason):
    for reading in server.send(delta(path, value)):
        kind = {
            Depth: "below_surface",
            Position: "lat",
            Motion: "speed",
            Heading: "true",
        }
        kind |= {WaterTemperature: "celsius", WaterSpeed: "speed"}
        assert getattr(reading, kind[type(reading)]) is None
    assert reason is None or server.sensing.dropped[reason] >= 1


@pytest.mark.parametrize("quality", ["no GPS", "Estimated (DR) mode", "Simulator mode"])
def test_a_receiver_without_a_fix_tells_no_place(server, quality):
    server.send(delta("navigation.gnss.methodQuality", quality))
    server.send(delta("navigation.position", {"latitude": 45.1, "longitude": -93.2}))
    assert server.sensing.boat(0.0).lat is None
    server.send(delta("navigation.gnss.methodQuality", "GNSS Fix"))
    assert (
        server.send(
            delta("navigation.position", {"latitude": 45.1, "longitude": -93.2})
        )[0].lat
        == 45.1
    )


@pytest.mark.parametrize(
    "context", ["vessels.urn:mrn:imo:mmsi:234567890", "atons.self", "vessels.", ""]
)
def test_other_vessels_are_passed_over(server, context):
    assert not server.send(delta(DEPTH, 5.4, context=context))
    assert server.sensing.dropped == {"of another vessel": 1}


def test_without_a_greeting_only_self_is_this_boat():
    server = Server(None)
    assert not server.send(delta(DEPTH, 5.4))
    assert server.send(delta(DEPTH, 5.4, context="vessels.self"))


def test_what_a_server_last_knew_is_not_the_present(server):
    assert not server.send(
        delta(DEPTH, 9.9, 0.0), at=10.0
    )  # by the greeting ten seconds old
    assert server.send(delta(DEPTH, 5.4, 10.2), at=10.3)
    assert not server.send(delta(DEPTH, 9.9, 4.0), at=11.0)
    assert server.sensing.dropped == {"stale": 2}


def test_a_clock_that_was_set_back_is_followed(server):
    assert server.send(delta(DEPTH, 5.4, 60.0), at=60.0)
    later = [61.0 + n for n in range(12)]
    told = [bool(server.send(delta(DEPTH, 5.5, at - 40.0), at=at)) for at in later]
    assert later[told.index(True)] - 60.0 == pytest.approx(ALL_STALE_MS / 1000.0 + 1.0)


def test_a_clock_that_is_wrong_all_along_is_as_good_as_any():
    """The server's own is days behind; the receiver's times in the same stream are right."""
    server = Server(HELLO | {"timestamp": "2026-09-29T00:00:00.000Z"})
    for n in range(5):
        at = n + 0.2
        behind = delta(DEPTH, 5.4)
        behind["updates"][0]["timestamp"] = f"2026-09-29T00:00:0{n}.000Z"
        assert server.send(behind, at=at)
        assert server.send(
            delta(
                "navigation.position", {"latitude": 45.0, "longitude": 1.0}, float(n)
            ),
            at=at,
        )


VALUES = (
    st.floats()
    | st.integers()
    | st.text(max_size=4)
    | st.sampled_from(
        [
            None,
            True,
            [],
            {},
            [[]],
            {"latitude": 1e308, "longitude": -1e308},
            {"latitude": "1"},
            "no GPS",
        ]
    )
)


@UNHURRIED
@given(st.lists(st.tuples(st.sampled_from(PATHS), VALUES), max_size=12))
def test_any_value_gives_a_reading_in_range_or_none(told):
    server = Server()
    for path, value in told:
        server.send(delta(path, value))
    boat = server.sensing.boat(0.0)
    assert boat.lat is None or abs(boat.lat) <= 90.0
    assert boat.depth is None or 0.0 < boat.depth <= 320.0
    assert boat.course is None or 0.0 <= boat.course <= 360.0
    assert boat.speed is None or 0.0 <= boat.speed <= 52.0
    assert boat.water_temperature is None or -2.5 <= boat.water_temperature <= 40.0


@UNHURRIED
@given(
    st.dictionaries(
        st.sampled_from(["context", "updates", "self", "timestamp"]),
        VALUES
        | st.lists(
            st.dictionaries(
                st.sampled_from(["values", "source", "$source", "timestamp"]), VALUES
            )
        ),
        max_size=4,
    )
)
def test_any_message_is_survived(message):
    server = Server()
    server.send(message)
    assert server.send(HELLO) == []
    assert server.send(delta(DEPTH, 5.4))


def test_a_websocket_is_asked_for_what_is_read_and_hangs_up():
    from websockets.sync.server import serve

    asked = []

    def answer(connection) -> None:
        asked.append(
            (connection.request.path, connection.request.headers.get("Authorization"))
        )
        connection.send(json.dumps(HELLO, indent=2))
        asked.append(connection.recv())
        connection.send(b"x" * 100_000)

    with serve(answer, "127.0.0.1", 0) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        port = server.socket.getsockname()[1]
        source = SignalKSource("server", "127.0.0.1", port, LiveClock())
        chunks = []
        with pytest.raises(OSError, match="too big"):
            chunks.extend(source.chunks(threading.Event()))
        server.shutdown()
        thread.join()
    assert asked == [(STREAM, None), SUBSCRIPTION.decode()]


def test_a_token_is_shown_and_a_refusal_is_told(tmp_path):
    from websockets.sync.server import serve

    token = tmp_path / "token"
    token.write_text("secret\n")

    def refuse(connection, request):
        right = request.headers.get("Authorization") == "Bearer secret"
        return connection.respond(401, "not you") if not right else None

    def answer(connection) -> None:
        connection.recv()
        connection.send("{}")
        connection.recv()

    with serve(answer, "127.0.0.1", 0, process_request=refuse) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        place = ("server", "127.0.0.1", server.socket.getsockname()[1], LiveClock())
        with pytest.raises(OSError, match="401"):
            next(SignalKSource(*place).chunks(threading.Event()))
        shown = SignalKSource(*place, token_file=str(token))
        chunks = shown.chunks(threading.Event())
        assert next(chunks).data == b"{}\n"
        chunks.close()
        server.shutdown()
        thread.join()


@pytest.mark.parametrize(
    ("written", "why"),
    [
        (None, "not there"),
        (b"", "it holds no token"),
        ("Schlüssel".encode(), "it holds no token"),
    ],
)
def test_a_token_that_cannot_be_read_is_not_taken_for_a_server_that_is_not_there(
    tmp_path, written, why
):
    token = tmp_path / "token"
    if written is not None:
        token.write_bytes(written)
    source = SignalKSource("bus", "127.0.0.1", 9, LiveClock(), token_file=str(token))
    with pytest.raises(OSError, match=f"token file .*token: {why}") as told:
        next(source.chunks(threading.Event()))
    assert why_not(told.value) == f"token file {token}: {why}"
