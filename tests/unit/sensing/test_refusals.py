"""Every reason for which a field or a message is refused, counted by its name, as `companion check` tells."""

from __future__ import annotations

import json
import math
from collections import Counter

import pytest

from companion.sensing import Sensing
from companion.sensing.datum import MOST_BRACKETS, Datum
from companion.sensing.depth import DepthSounding
from companion.sensing.fields import Values
from companion.sensing.gpsd import GpsdDecoder
from companion.sensing.gpsd import ms_in as gpsd_ms_in
from companion.sensing.heading import Bearing, hdg
from companion.sensing.networks import message_in
from companion.sensing.position import Told, gga, gll, rmc, vtg, zda
from companion.sensing.signalk import SignalKDecoder
from companion.sensing.signalk import is_read as is_delta_read
from companion.sensing.signalk import ms_in as signalk_ms_in
from companion.sensing.water import mtw, vhw
from companion.sensing.wind import WindTold, mwd, mwv
from companion.units import KNOT

NOON_MS = 12 * 3_600_000
PLACE = "4500.000,N,09300.000,W"
RMC_VOID = f"GPRMC,120000,V,{PLACE},5,90,031026,,,A"
KMH = 1000.0 / 3600.0


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("SDDPT,,0.0", "depth blank"),
        ("SDDPT,nan,0.0", "depth malformed"),
        ("SDDPT,99999,0.0", "depth out of range"),
        ("SDDPT,5,99", "depth offset out of range"),
        ("SDDPT,5,half", "depth offset malformed"),
        (f"GPGGA,120000,{PLACE},0,05,1.2,280,M,,M,,", "position void"),
        (f"GPGGA,120000,{PLACE},1,05,120,280,M,,M,,", "hdop out of range"),
        (f"GPGLL,{PLACE},120000,V", "position void"),
        (f"GPGLL,{PLACE},120000,A,N", "position void"),
        ("GPGLL,,,,,120000,A", "position blank"),
        ("GPGLL,45x,N,,,120000,A", "position malformed"),
        ("GPGLL,0000.000,N,00000.000,E,120000,A", "position at 0, 0"),
        (RMC_VOID, "position void"),
        (f"GPRMC,120000,A,{PLACE},x,90,031026,,,A", "speed malformed"),
        (f"GPRMC,120000,A,{PLACE},5,361,031026,,,A", "course out of range"),
        (f"GPRMC,120000,A,{PLACE},5,90,031026,181,E,A", "variation out of range"),
        (f"GPRMC,120000,A,{PLACE},5,90,031026,5,N,A", "variation malformed"),
        (f"GPRMC,120000,A,{PLACE},5,90,320126,,,A", "date malformed"),
        (f"GPRMC,12:00,A,{PLACE},5,90,031026,,,A", "time malformed"),
        (f"GPRMC,,A,{PLACE},5,90,031026,,,A", "time blank"),
        ("GPVTG,90,T,,M,5,N,,K,N", "speed void"),
        ("GPVTG,90,M,,M,5,N,,K,A", "speed malformed"),
        ("GPVTG,90,T,,M,5,K,,K,A", "speed malformed"),
        ("GPVTG,90,T,,M,,N,,K,A", "speed blank"),
        ("HCHDT,361,T", "heading out of range"),
        ("HCHDM,x,M", "heading malformed"),
        ("HCHDG,,,,,", "heading blank"),
        ("HCHDG,90,181,E,,", "deviation out of range"),
        ("HCHDG,90,,,181,E", "variation out of range"),
        ("SDMTW,15,F", "water temperature malformed"),
        ("SDMTW,41,C", "water temperature out of range"),
        ("VWVHW,,T,,M,101,N,,K", "water speed out of range"),
        ("VWVHW,,T,,M,,N,186,K", "water speed out of range"),
        ("VWVHW,,T,,M,,N,,K", "water speed blank"),
        ("WIMWV,90,R,5,N,V", "wind void"),
        ("WIMWV,90,X,5,N,A", "wind void"),
        ("WIMWV,90,R,5,S,A", "wind void"),
        ("WIMWV,90,R,,N,A", "wind speed blank"),
        ("WIMWV,90,R,76,M,A", "wind speed out of range"),
        ("WIMWV,361,R,5,N,A", "wind angle out of range"),
        ("WIMWD,,T,,M,,N,,M", "wind speed blank"),
        ("WIMWD,,T,,M,146,N,,M", "wind speed out of range"),
        ("WIMWD,361,T,,M,5,N,,M", "wind angle out of range"),
        ("WIMWD,,T,361,M,5,N,,M", "wind angle out of range"),
    ],
)
def test_a_reason_is_counted_by_its_name_as_often_as_it_was_met(
    nmea, take, body, reason
):
    sensing = Sensing({})
    take(sensing, nmea("SDDPT,5.0,0.0", body, body))
    assert {key: n for key, n in sensing.dropped.items() if n} == {reason: 2}


@pytest.mark.parametrize(
    ("before", "reason"),
    [
        (b"$SDDPT,5.0,0.0*00\r\n", "wrong checksum"),
        (b"\\s:sonar*00\\", "wrong tag checksum"),
        (b"\\s:a*28\\\\s:b*00\\", "wrong tag checksum"),
        (b"\\c:x*21\\", "malformed tag time"),
    ],
)
def test_a_damaged_line_is_counted_each_time(nmea, take, before, reason):
    sensing = Sensing({})
    take(sensing, (before + nmea("SDDPT,5.0,0.0")) * 3)
    assert {key: n for key, n in sensing.dropped.items() if n} == {reason: 3}


def told(parse, body: str):
    return parse(body.split(","), Values(Counter()))


@pytest.mark.parametrize(
    ("parse", "body", "value"),
    [
        (gga, f"GPGGA,120000,{PLACE},0,05,1.2,280,M,,M,,", Told(False, NOON_MS)),
        (
            gga,
            f"GPGGA,120000,{PLACE},1,05,1.2,280,M,,M,,",
            Told(True, NOON_MS, None, (45.0, -93.0), hdop=1.2),
        ),
        (gll, f"GPGLL,{PLACE},120000,V", Told(False, NOON_MS)),
        (gll, f"GPGLL,{PLACE},120000,A", Told(True, NOON_MS, None, (45.0, -93.0))),
        (gll, f"GPGLL,{PLACE}", Told(True, None, None, (45.0, -93.0))),
        (rmc, RMC_VOID, Told(False, NOON_MS)),
        (vtg, "GPVTG,90,T,,M,5,N,,K,N", Told(False)),
        (vtg, "GPVTG,90,M,,M,5,N,,K,A", Told(False)),
        (vtg, "GPVTG,90,,,M,5,,,K,A", Told(True, speed=5 * KNOT, course=90.0)),
        (vtg, "GPVTG,90,T,,M,,N,18,K", Told(True, speed=5.0, course=90.0)),
        (vtg, "GPVTG,90,T,,M,,,18,K,A", Told(True, speed=5.0, course=90.0)),
        (vtg, "GPVTG,90,T,,M,,N,18,,A", Told(True, course=90.0)),
        (vtg, "GPVTG,90,T,,M,5,N,,K,A", Told(True, speed=5 * KNOT, course=90.0)),
        (vtg, "GPVTG,,T,,M,5,N,,K", Told(True, speed=5 * KNOT)),
        (hdg, "HCHDG,350,5,E,10,E", Bearing(5.0, 355.0, 10.0)),
        (hdg, "HCHDG,355,10,E,,", Bearing(None, 5.0, None)),
        (hdg, "HCHDG,5,10,W,10,W", Bearing(345.0, 355.0, -10.0)),
        (hdg, "HCHDG,,,,10,W", Bearing(None, None, -10.0)),
        (mtw, "SDMTW,15,C", 15.0),
        (mtw, "SDMTW,15,F", None),
        (vhw, "VWVHW,,T,,M,5,N,9.3,K", 5 * KNOT),
        (vhw, "VWVHW,,T,,M,,N,36,K", 10.0),
        (vhw, "VWVHW,,T,,M,,N", None),
        (mwv, "WIMWV,90,R,36,K,A", WindTold(36 * KMH, 90.0, "apparent")),
        (mwv, "WIMWV,90,T,5,N,A", WindTold(5 * KNOT, 90.0, "bow")),
        (mwd, "WIMWD,90,T,80,M,5,N,3,M", WindTold(3.0, 90.0, "north")),
        (mwd, "WIMWD,,T,80,M,0.5,N,,M", WindTold(0.5 * KNOT, 80.0, "magnetic")),
        (mwd, "WIMWD,,T,,M,5,N,,M", WindTold(5 * KNOT, None, "magnetic")),
    ],
)
def test_all_that_a_sentence_tells(parse, body, value):
    read = told(parse, body)
    if isinstance(value, float):
        assert read == pytest.approx(value)
        return
    if value is None:
        assert read is None
        return
    assert type(read) is type(value)
    assert list(read) == [
        pytest.approx(one) if isinstance(one, float) else one for one in value
    ]


def test_a_time_without_its_date_is_one_and_a_date_without_its_time_is_none():
    assert told(zda, "GPZDA,120000,,,,,").time == NOON_MS
    assert told(zda, "GPZDA,120000,,,,,").fixed
    assert not told(zda, "GPZDA,,03,10,2026,,").fixed


@pytest.mark.parametrize("parts", [("03", "", ""), ("", "10", ""), ("", "", "2026")])
def test_a_date_of_which_something_is_missing_is_malformed(parts):
    dropped: Counter[str] = Counter()
    assert Values(dropped).day(*parts) is None
    assert dropped == {"date malformed": 1}


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        ("235959", 86_399_000),
        ("235960.5", 86_400_500),
        ("000000", 0),
        ("240000", None),
        ("236000", None),
        ("235961", None),
    ],
)
def test_the_times_of_a_day(text, ms):
    dropped: Counter[str] = Counter()
    values = Values(dropped)
    assert values.time_of_day(text) == values.time_of_day(text) == ms
    assert dropped == ({"time malformed": 2} if ms is None else {})


@pytest.mark.parametrize(
    ("place", "known"),
    [((0.0, -93.0), True), ((45.0, 0.0), True), ((0.0, 0.0), False)],
)
def test_the_equator_and_the_meridian_are_places(place, known):
    assert Values(Counter()).degrees(*place) == (place if known else None)


class Decoded:
    """A decoder of a network, the data it gives, and what it counts."""

    def __init__(self, kind) -> None:
        self.dropped: Counter[str] = Counter()
        self.counts: Counter[str] = Counter()
        self.decoder = kind(Values(self.dropped), self.counts)

    def take(self, *messages: object) -> list[Datum]:
        """Take messages and return what the last one tells."""
        given: list[Datum] = []
        for message in messages:
            text = json.dumps(message).encode()
            given = list(self.decoder.decode(1_791_036_900_000, text))
        return given


class TestSignalK:
    """Each path's datum, whole."""

    INSTANT = "2026-10-03T14:15:00.000Z"

    @pytest.fixture
    def server(self) -> Decoded:
        return Decoded(SignalKDecoder)

    def delta(self, *values: tuple[str, object], at: str | None = INSTANT) -> dict:
        told = [{"path": path, "value": value} for path, value in values]
        return {"updates": [{"$source": "n2k.35", "timestamp": at, "values": told}]}

    DEPTH, WIND = "environment.depth.", "environment.wind."

    @pytest.mark.parametrize(
        ("path", "value", "quantity", "told", "rank"),
        [
            (DEPTH + "belowTransducer", 5.0, "depth", DepthSounding(5.0, None), 0),
            (
                DEPTH + "belowSurface",
                5.0,
                "depth",
                DepthSounding(5.0, None, "surface"),
                2,
            ),
            (DEPTH + "belowKeel", 5.0, "depth", DepthSounding(5.0, None, "keel"), 3),
            ("navigation.headingTrue", math.pi, "heading", Bearing(180.0), 0),
            (
                "navigation.headingMagnetic",
                math.pi,
                "heading",
                Bearing(None, 180.0),
                1,
            ),
            ("navigation.speedThroughWater", 1.5, "water speed", 1.5, 0),
            ("environment.water.temperature", 288.15, "temperature", 15.0, 0),
            (WIND + "speedApparent", 5.0, "wind", WindTold(5.0, None, "apparent"), 0),
            (WIND + "speedTrue", 5.0, "wind", WindTold(5.0, None, "bow"), 0),
            (WIND + "speedOverGround", 5.0, "wind", WindTold(5.0, None, "north"), 0),
            ("navigation.speedOverGround", 2.0, "motion", Told(True, speed=2.0), 0),
            (
                "navigation.position",
                {"latitude": 45.0, "longitude": -93.0},
                "place",
                Told(True, place=(45.0, -93.0)),
                0,
            ),
            ("navigation.position", None, "place", Told(False), 0),
        ],
    )
    def test_a_path(self, server, path, value, quantity, told, rank):
        (datum,) = server.take(self.delta((path, value)))
        if isinstance(told, float):
            assert datum.value == pytest.approx(told)
            datum = datum._replace(value=told)
        assert datum == Datum("n2k.35", path, quantity, told, rank)
        assert server.counts == {path: 1}

    def test_a_heading_from_magnetic_north_with_its_variation_goes_round(self, server):
        (datum,) = server.take(
            self.delta(("navigation.magneticVariation", math.radians(20.0))),
            self.delta(("navigation.headingMagnetic", math.radians(350.0))),
        )
        true, magnetic, variation = datum.value
        assert true == pytest.approx(10.0)
        assert magnetic == pytest.approx(350.0)
        assert variation == pytest.approx(20.0)

    def test_a_heading_that_is_none_has_no_true_one_either(self, server):
        (datum,) = server.take(
            self.delta(("navigation.magneticVariation", 0.1)),
            self.delta(("navigation.headingMagnetic", None)),
        )
        assert datum.value.true is datum.value.magnetic is None

    def test_what_belongs_together_was_measured_together(self, server):
        course = "navigation.courseOverGroundTrue"
        speed = "navigation.speedOverGround"
        late = "2026-10-03T14:15:09.000Z"
        (near,) = server.take(self.delta((course, math.pi)), self.delta((speed, 2.0)))
        assert near.value.course == pytest.approx(180.0)
        (far,) = server.take(self.delta((speed, 2.0), at=late))
        assert far.value.course is None
        angle = self.WIND + "angleApparent"
        wind = self.WIND + "speedApparent"
        (near,) = server.take(self.delta((angle, -1.0)), self.delta((wind, 2.0)))
        assert near.value.angle == pytest.approx(math.degrees(-1.0) % 360.0)
        (far,) = server.take(self.delta((wind, 2.0), at=late))
        assert far.value.angle is None

    def test_a_delta_without_a_time_is_of_now(self, server):
        course = "navigation.courseOverGroundTrue"
        (datum,) = server.take(
            self.delta((course, math.pi), at=None),
            self.delta(("navigation.speedOverGround", 2.0), at=None),
        )
        assert datum.value.course == pytest.approx(180.0)

    def test_an_unknown_path_hides_none_after_it(self, server):
        (datum,) = server.take(
            self.delta(("propulsion.0.revolutions", 1), (self.DEPTH + "belowKeel", 5.0))
        )
        assert datum.quantity == "depth"

    @pytest.mark.parametrize(
        ("path", "value", "reason"),
        [
            (DEPTH + "belowTransducer", -1.0, "depth out of range"),
            (DEPTH + "belowTransducer", "5", "depth malformed"),
            (DEPTH + "belowTransducer", True, "depth malformed"),
            (DEPTH + "belowTransducer", 0.0, "depth lost"),
            (DEPTH + "surfaceToTransducer", 99.0, "depth offset out of range"),
            ("navigation.headingTrue", 7.0, "heading out of range"),
            ("navigation.courseOverGroundTrue", 7.0, "course out of range"),
            ("navigation.magneticVariation", 4.0, "variation out of range"),
            ("navigation.gnss.horizontalDilution", 100.0, "hdop out of range"),
            ("navigation.speedOverGround", -1.0, "speed out of range"),
            ("navigation.speedThroughWater", -1.0, "water speed out of range"),
            ("environment.water.temperature", 15.0, "water temperature out of range"),
            (WIND + "speedTrue", 76.0, "wind speed out of range"),
            (WIND + "angleApparent", 7.0, "wind angle out of range"),
            ("navigation.position", None, "position void"),
            (
                "navigation.position",
                {"latitude": 0.0, "longitude": 0.0},
                "position at 0, 0",
            ),
        ],
    )
    def test_a_reason_is_counted_each_time(self, server, path, value, reason):
        server.take(self.delta((path, value), (path, value)))
        assert server.dropped == {reason: 2}

    def test_a_position_that_is_none_of_its_kind_is_malformed_and_void(self, server):
        server.take(self.delta(("navigation.position", 3), ("navigation.position", 3)))
        assert server.dropped == {"position malformed": 2, "position void": 2}

    def test_a_delta_that_is_none_is_counted(self, server):
        server.take([], {"updates": [[]]})
        assert server.dropped == {"Signal K delta malformed": 2}
        server.take({"updates": [], "x": [[]] * (MOST_BRACKETS - 3)})
        assert "Signal K delta nested too deep" not in server.dropped
        server.take({"updates": [], "x": [{}] * (MOST_BRACKETS - 2)})
        assert server.dropped["Signal K delta nested too deep"] == 1

    def test_a_source_is_named_by_its_label_with_its_number(self, server):
        told = {"path": self.DEPTH + "belowKeel", "value": 5.0}
        for source, name in (
            ({"label": "can0", "src": "35", "talker": "SD"}, "can0.35.SD"),
            ({"label": "can0", "src": 35}, "can0"),
            (None, ""),
            ({"label": "x" * 99}, "x" * 80),
        ):
            (datum,) = server.take({"updates": [{"source": source, "values": [told]}]})
            assert datum.talker == name

    def test_its_time_is_the_first_in_it(self):
        text = json.dumps(self.delta(("x", 1))).encode()
        assert signalk_ms_in(text) == 1_791_036_900_000
        assert signalk_ms_in(b'{"timestamp":"2026-10-03T14:15:00Z"}') is not None
        assert signalk_ms_in(b"{}") is None
        assert signalk_ms_in(b'{"timestamp":"\xff"}') is None

    def test_greetings_and_paths_that_are_read_are_kept(self):
        assert is_delta_read(b'{"self":"x"}')
        assert is_delta_read(b'{"path":"navigation.headingTrue"}')
        assert not is_delta_read(b'{"path":"propulsion.0.revolutions"}')


class TestGpsd:
    """A receiver's reports."""

    FIX = {  # noqa: RUF012
        "class": "TPV",
        "device": "gps0",
        "mode": 2,
        "time": "2026-10-03T12:00:00Z",
        "lat": 45.0,
        "lon": -93.0,
        "speed": 1.0,
        "track": 90.0,
        "magvar": -3.0,
    }

    @pytest.fixture
    def server(self) -> Decoded:
        return Decoded(GpsdDecoder)

    def test_a_fix_tells_all(self, server):
        sky = {"class": "SKY", "device": "gps0", "hdop": 0.5}
        (datum,) = server.take(sky, self.FIX)
        assert datum[:3] == ("gps0", "TPV", "fix")
        assert datum.value._replace(day=None) == Told(
            True, NOON_MS, None, (45.0, -93.0), 1.0, 90.0, -3.0, 0.5
        )

    def test_one_without_a_place_still_tells_the_time(self, server):
        (datum,) = server.take(self.FIX | {"mode": 1})
        fixed, time, day, *rest = datum.value
        assert (fixed, time, rest) == (False, NOON_MS, [None] * 6)
        assert day.isoformat() == "2026-10-03"

    @pytest.mark.parametrize(
        ("report", "reason"),
        [
            ({"class": "SKY", "device": "gps0", "hdop": 100.0}, "hdop out of range"),
            (FIX | {"mode": 1}, "position void"),
            (FIX | {"speed": -1.0}, "speed out of range"),
            (FIX | {"track": 361.0}, "course out of range"),
            (FIX | {"magvar": 181.0}, "variation out of range"),
            (FIX | {"lat": None}, "position blank"),
            (FIX | {"lat": 91.0}, "position malformed"),
            (FIX | {"time": "noon"}, "time malformed"),
            ([], "gpsd report malformed"),
        ],
    )
    def test_a_reason_is_counted_each_time(self, server, report, reason):
        server.take(report, report)
        assert server.dropped == {reason: 2}

    def test_a_dilution_that_is_no_longer_told_is_forgotten(self, server):
        told = {"class": "SKY", "device": "gps0", "hdop": 0.5}
        none = {"class": "SKY", "device": "gps0"}
        (datum,) = server.take(none, told, none, none, self.FIX)
        assert datum.value.hdop is None

    def test_the_time_of_a_report(self):
        assert gpsd_ms_in(b'{"time":"2026-10-03T14:15:00Z"}') == 1_791_036_900_000
        assert gpsd_ms_in(b"{}") is None
        assert gpsd_ms_in(b'{"time":"\xff"}') is None


class TestMessages:
    """A network's text in a recording."""

    def line(self, stamp: int = 1_791_036_900_000, text: bytes = b"x") -> bytes:
        from companion.sensing.networks import network_line

        return network_line(text, "bus", "signalk", stamp).rstrip(b"\n")

    def test_it_is_read_as_it_was_written(self):
        dropped: Counter[str] = Counter()
        message = message_in(self.line(text=rb'{"a\\b":"\u00e9^5C"}'), dropped)
        assert (message.ms, message.source) == (1_791_036_900_000, "bus")
        assert message.network == "signalk"
        assert message.payload.startswith(rb'{"a\\b":')
        assert not dropped

    def test_one_that_is_damaged_is_counted_each_time(self):
        dropped: Counter[str] = Counter()
        broken = self.line().replace(b"c:17", b"c:18")
        assert message_in(broken, dropped) is message_in(broken, dropped) is None
        assert dropped == {"wrong tag checksum": 2}

    def test_the_end_of_time_is_not_reached(self):
        from companion.sensing.fields import END_OF_TIME_MS

        dropped: Counter[str] = Counter()
        assert message_in(self.line(END_OF_TIME_MS - 1), dropped) is not None
        assert message_in(self.line(END_OF_TIME_MS), dropped) is None
