"""What each NMEA 2000 message tells, whole; the times in its texts; why a field is refused."""

from __future__ import annotations

import math
import struct
from collections import Counter

import pytest

from companion.sensing.datum import Datum
from companion.sensing.depth import DepthSounding
from companion.sensing.fields import Values
from companion.sensing.framing import checksum
from companion.sensing.heading import Bearing
from companion.sensing.nmea2000 import (
    INSTANCES,
    Nmea2000Decoder,
    Packet,
    ms_in,
    packet_in,
)
from companion.sensing.position import Told
from companion.sensing.wind import WindTold

DEPTH = "0034020000F4FFFF"
NOON_MS = 12 * 3_600_000
DAY = 20_729  # 2026-10-03, days since 1970
TURN = 2.0 * math.pi


def frame(pgn: int, data: bytes, source: int = 0x23) -> bytes:
    below = 0xFF00 if pgn == 60928 else 0
    return f"(0.0) can0 {2 << 26 | pgn << 8 | below | source:08X}#{data.hex()}".encode()


class Bus:
    """A decoder, and what it counts."""

    def __init__(self) -> None:
        self.dropped: Counter[str] = Counter()
        self.counts: Counter[str] = Counter()
        self.decoder = Nmea2000Decoder(Values(self.dropped), self.counts)

    def take(self, *lines: bytes) -> Datum | None:
        """Take frames and return what the last one tells."""
        given = ()
        for line in lines:
            given = self.decoder.decode(0, line)
        assert len(given) <= 1
        return given[0] if given else None


@pytest.fixture
def bus() -> Bus:
    return Bus()


def angle(degrees: float) -> int:
    return round(math.radians(degrees) * 10_000)


def heading(
    compass: float | None,
    deviation: float | None = None,
    variation: float | None = None,
    reference: int = 1,
) -> bytes:
    told = (
        0xFFFF if compass is None else angle(compass),
        0x7FFF if deviation is None else angle(deviation),
        0x7FFF if variation is None else angle(variation),
    )
    return frame(127250, struct.pack("<BHhhB", 0, *told, 0xFC | reference))


def depth(metres: float = 5.64, offset: float = 0.3) -> bytes:
    data = struct.pack("<BIhB", 0, round(metres * 100), round(offset * 1000), 255)
    return frame(128267, data)


def near(bearing: Bearing) -> tuple[float | None, ...]:
    return tuple(None if one is None else round(one, 1) for one in bearing)


@pytest.mark.parametrize(
    ("told", "bearing", "rank"),
    [
        (heading(90.0, reference=0), (90.0, None, None), 0),
        (heading(90.0, None, 10.0, reference=0), (90.0, None, 10.0), 0),
        (heading(350.0, 5.0, 10.0), (5.0, 355.0, 10.0), 1),
        (heading(350.0, 15.0), (None, 5.0, None), 1),
        (heading(5.0, None, -10.0), (355.0, 5.0, -10.0), 1),
        (heading(None, None, -10.0), (None, None, -10.0), 1),
        (heading(90.0, None, 10.0, reference=3), (None, None, 10.0), 1),
    ],
)
def test_a_heading_with_its_deviation_and_variation(bus, told, bearing, rank):
    datum = bus.take(told)
    assert (datum.talker, datum.address, datum.quantity) == ("35", "127250", "heading")
    assert near(datum.value) == bearing
    assert datum.rank == rank * INSTANCES


def test_a_variation_alone(bus):
    datum = bus.take(frame(127258, struct.pack("<BBHhH", 0, 0xF4, DAY, angle(-3.0), 0)))
    assert datum[:3] == ("35", "127258", "heading")
    assert near(datum.value) == (None, None, -3.0)
    assert datum.rank == 2 * INSTANCES


@pytest.mark.parametrize(
    ("reference", "name"),
    [(0, "north"), (1, "magnetic"), (2, "apparent"), (3, "bow"), (4, "bow")],
)
def test_a_wind_by_what_its_angle_is_told_from(bus, reference, name):
    data = struct.pack("<BHHB", 0, 523, angle(90.0), 0xF8 | reference)
    speed, degrees, told_from = bus.take(frame(130306, data)).value
    assert (speed, told_from) == (pytest.approx(5.23), name)
    assert degrees == pytest.approx(90.0, abs=0.01)


def test_a_wind_from_anything_else_is_none(bus):
    datum = bus.take(frame(130306, struct.pack("<BHHB", 0, 523, 0, 0xFF)))
    assert datum == Datum("35", "130306", "wind", WindTold(None))


def test_a_depth_and_what_was_lost_of_it(bus):
    assert bus.take(depth()) == Datum("35", "128267", "depth", DepthSounding(5.64, 0.3))
    for _ in range(2):
        assert bus.take(depth(0.0)).value == DepthSounding(None, 0.3)
    assert bus.dropped == {"depth lost": 2}
    assert bus.counts == {"128267": 3}


def test_a_place_and_a_motion(bus):
    place = frame(129025, struct.pack("<ii", 451_000_000, -932_000_000))
    assert bus.take(place) == Datum(
        "35", "129025", "place", Told(True, place=(45.1, -93.2))
    )
    data = struct.pack("<BBHHH", 0, 0xFC, angle(90.0), 150, 0xFFFF)
    datum = bus.take(frame(129026, data))
    assert datum[:3] == ("35", "129026", "motion")
    assert datum.value.fixed
    assert datum.value.speed == pytest.approx(1.5)
    assert datum.value.course == pytest.approx(90.0, abs=0.01)
    magnetic = struct.pack("<BBHHH", 0, 0xFD, angle(90.0), 150, 0xFFFF)
    assert bus.take(frame(129026, magnetic)).value.course is None


def fix(method: int = 1, hdop: int = 110, seconds: int = 432_000_000) -> list[bytes]:
    place = (round(45.1 * 1e16), round(-93.2 * 1e16), 100_000_000)
    head = struct.pack("<BHIqqq", 1, DAY, seconds, *place)
    data = head + struct.pack("<BBBhhiB", method << 4, 0xFC, 9, hdop, 150, 0, 0)
    rest = bytes([len(data)]) + data
    pieces = [rest[n : n + 7].ljust(7, b"\xff") for n in range(0, len(rest), 7)]
    return [frame(129029, bytes([n]) + piece) for n, piece in enumerate(pieces)]


def test_a_fix_tells_time_place_and_its_dilution(bus):
    datum = bus.take(*fix())
    assert datum[:3] == ("35", "129029", "place")
    fixed, time, day, place, *_, hdop, _ = datum.value
    assert (fixed, time, day.isoformat()) == (True, 12 * 3_600_000, "2026-10-03")
    assert place == pytest.approx((45.1, -93.2))
    assert hdop == pytest.approx(1.1)


def test_without_a_fix_only_the_time_is_told_and_the_rapid_place_is_void_too(bus):
    datum = bus.take(*fix(method=0))
    assert datum.value._replace(day=None) == Told(False, 12 * 3_600_000)
    place = frame(129025, struct.pack("<ii", 451_000_000, -932_000_000))
    assert bus.take(place).value == Told(False)
    assert bus.dropped == {"position void": 2}


def test_the_first_millisecond_of_a_day_is_one(bus):
    assert bus.take(*fix(seconds=0)).value.time == 0


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (fix(hdop=9999), "hdop out of range"),
        ([depth(900.0)], "depth out of range"),
        (
            [frame(130306, struct.pack("<BHHB", 0, 9000, 0, 0xFA))],
            "wind speed out of range",
        ),
        (
            [frame(129026, struct.pack("<BBHHH", 0, 0xFC, 0, 60_000, 0))],
            "speed out of range",
        ),
        (
            [frame(128259, struct.pack("<BHHB", 0, 60_000, 0xFFFF, 0))],
            "water speed out of range",
        ),
        (
            [frame(130310, struct.pack("<BHHH", 0, 10_000, 0xFFFF, 0xFFFF))],
            "water temperature out of range",
        ),
        ([frame(128267, b"\x00\x01")], "frame too short"),
        ([b"no frame"], "frame malformed"),
        ([frame(127245, b"\x00" * 8)], "frame malformed"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_reason_is_counted_each_time(bus, line, reason):
    bus.take(*line, *line)
    assert bus.dropped == {reason: 2}


def test_of_the_waters_temperature_each_message_has_its_address(bus):
    kelvin = round(288.15 * 100)
    sent = [
        frame(130310, struct.pack("<BHHH", 0, kelvin, 0xFFFF, 0xFFFF)),
        frame(130312, struct.pack("<BBBHHB", 0, 0, 0, kelvin, 0xFFFF, 255)),
        frame(
            130316,
            struct.pack("<BBB", 0, 0, 0)
            + (288_150).to_bytes(3, "little")
            + b"\xff\xff",
        ),
    ]
    for line, address in zip(sent, ("130310", "130312", "130316"), strict=True):
        datum = bus.take(line)
        assert datum[:3] == ("35", address, "temperature")
        assert datum.value == pytest.approx(15.0)
    air = frame(130312, struct.pack("<BBBHHB", 0, 0, 1, kelvin, 0xFFFF, 255))
    assert bus.take(air) is None


def claim(source: int, name: int, instance: int) -> bytes:
    data = struct.pack("<IBBBB", name, instance, 130, 120, 0xC0)
    return frame(60928, data, source)


def test_a_device_is_its_name_and_its_instance_ranks_it(bus):
    assert bus.take(claim(0x23, 7, 3)) is None
    assert bus.take(depth()).rank == 3
    assert bus.take(heading(5.0)).rank == INSTANCES + 3
    bus.take(claim(0x30, 7, 3))
    moved = frame(128267, bytes.fromhex(DEPTH), 0x30)
    assert bus.take(moved).talker == "35"
    assert bus.take(depth()).talker == "35"
    other = frame(128267, bytes.fromhex(DEPTH), 0x44)
    assert bus.take(other)[:2] == ("68", "128267")


def test_a_device_without_an_instance_has_the_first(bus):
    bus.take(claim(0x23, 7, 0))
    assert bus.take(depth()).rank == 0


def sentence(body: str) -> bytes:
    return f"${body}*{checksum(body.encode()):02X}".encode()


DATA = bytes.fromhex(DEPTH)


@pytest.mark.parametrize(
    ("text", "packet"),
    [
        (
            f"A141500.250 23FF2 1F50B {DEPTH}".encode(),
            Packet(128267, 0x23, DATA, b"141500.250"),
        ),
        (
            b"2026-10-03T14:15:00.250Z,2,128267,35,255,8,00,34,02,00,00,f4,ff,ff",
            Packet(128267, 35, DATA, b"2026-10-03T14:15:00.250"),
        ),
        (
            b"14:15:00.250 R 09F50B23 00 34 02 00 00 F4 FF FF",
            Packet(128267, 0x23, DATA, b"14:15:00.250", is_frame=True),
        ),
        (
            f"(1791036900.123456) can0 09F50B23#{DEPTH}".encode(),
            Packet(128267, 0x23, DATA, b"1791036900.123456", is_frame=True),
        ),
        (sentence(f"PCDIN,01F50B,00000000,23,{DEPTH}"), Packet(128267, 0x23, DATA)),
        (
            sentence(f"MXPGN,01F50B,2823,{DATA[::-1].hex().upper()}"),
            Packet(128267, 0x23, DATA, is_frame=True),
        ),
        (b"2026-10-03T14:15:00.250Z,2,128267,256,255,1,00", None),
        (
            b"2026-10-03T14:15:00.250Z,2,128267,255,255,1,00",
            Packet(128267, 255, b"\0", b"2026-10-03T14:15:00.250"),
        ),
    ],
)
def test_what_stands_on_a_line(text, packet):
    assert packet_in(text) == packet
    assert packet_in(b"  " + text + b"\r\n") == packet


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        (f"(1791036900.125) can0 09F50B23#{DEPTH}", 1_791_036_900_125),
        (f"A141500.250 23FF2 1F50B {DEPTH}", NOON_MS + 135 * 60_000 + 250),
        (f"A141501 23FF2 1F50B {DEPTH}", NOON_MS + 135 * 60_000 + 1000),
        (
            "14:15:07.250 R 09F50B23 00 34 02 00 00 F4 FF FF",
            NOON_MS + 135 * 60_000 + 7250,
        ),
        (
            "2026-10-03T14:15:00.250Z,2,128267,35,255,8,00,34,02,00,00,f4,ff,ff",
            1_791_036_900_250,
        ),
        (
            "2026-10-03-14:15:00.250,2,128267,35,255,8,00,34,02,00,00,f4,ff,ff",
            1_791_036_900_250,
        ),
        (sentence(f"PCDIN,01F50B,00000000,23,{DEPTH}").decode(), None),
        ("nothing", None),
    ],
)
def test_the_time_in_a_line(text, ms):
    assert ms_in(text.encode()) == ms


@pytest.mark.parametrize(
    ("length", "too_short"), [(33, 1), (34, 0), (223, 0), (224, 1)]
)
def test_a_message_of_several_frames_is_as_long_as_it_can_be(bus, length, too_short):
    bus.take(frame(129029, bytes([0, length]) + b"\0" * 6))
    assert bus.dropped["frame too short"] == too_short


def test_a_later_frame_of_two_bytes_is_one_and_of_one_byte_none(bus):
    bus.take(frame(129029, bytes([1, 0])))
    assert bus.dropped["frame too short"] == 0
    bus.take(frame(129029, bytes([1])))
    assert bus.dropped["frame too short"] == 1


def test_seconds_of_two_figures_are_read_whole():
    line = f"A141512.250 23FF2 1F50B {DEPTH}".encode()
    assert ms_in(line) == NOON_MS + 135 * 60_000 + 12_250


def test_a_dilution_below_one_is_one(bus):
    assert bus.take(*fix(hdop=50)).value.hdop == pytest.approx(0.5)


def test_a_speed_through_the_water_and_a_wind_are_told_by_their_messages(bus):
    data = struct.pack("<BHHB", 0, 120, 0xFFFF, 0)
    assert bus.take(frame(128259, data)) == Datum("35", "128259", "water speed", 1.2)
    wind = bus.take(frame(130306, struct.pack("<BHHB", 0, 500, 0, 0xFA)))
    assert wind == Datum("35", "130306", "wind", WindTold(5.0, 0.0, "apparent"))


def test_a_time_is_told_by_its_message_and_by_a_gps_alone(bus):
    told = struct.pack("<HIh", DAY, 432_000_000, 0)
    datum = bus.take(frame(129033, told))
    assert datum[:3] == ("35", "129033", "time")
    assert datum.value._replace(day=None) == Told(True, NOON_MS)
    assert datum.value.day.isoformat() == "2026-10-03"
    system = struct.pack("<BBHI", 0, 0xF0, DAY, 432_000_000)
    assert bus.take(frame(126992, system)) == datum._replace(address="126992")
    crystal = struct.pack("<BBHI", 0, 0xF5, DAY, 432_000_000)
    assert bus.take(frame(126992, crystal)) is None


def test_the_end_of_a_day_is_none_of_its_times(bus):
    past = bus.take(*fix(seconds=864_000_000)).value
    assert (past.time, past.day) == (None, None)
    assert bus.take(*fix(seconds=863_999_000)).value.time == 86_399_900
