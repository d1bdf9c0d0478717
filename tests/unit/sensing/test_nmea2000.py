"""NMEA 2000: every text of a frame, messages in pieces, talkers, and what must never become a number."""

import math
import struct
import threading
from datetime import date

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from companion.clock import LiveClock
from companion.sensing import Chunk, Depth, Sensing
from companion.sensing.framing import checksum
from companion.sensing.networks import network_line
from companion.sensing.nmea2000 import SHORTEST, is_read, packet_in
from companion.sensing.sources import CanSource, FileSource

UNHURRIED = settings(
    deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow]
)
START = 1_791_036_900_000
DEPTH = "0034020000F4FFFF"  # 5.64 m below the transducer, the keel 0.012 m below it


def frame(pgn: int, data: bytes | str, source: int = 0x23, priority: int = 2) -> str:
    data = data if isinstance(data, str) else data.hex().upper()
    below = 0xFF00 if pgn == 60928 else 0
    return f"(1791036900.000000) can0 {priority << 26 | pgn << 8 | below | source:08X}#{data}"


def depth(metres: float = 5.64, offset: float = 0.3, source: int = 0x23) -> str:
    return frame(
        128267,
        struct.pack("<BIhB", 0, round(metres * 100), round(offset * 1000), 255),
        source,
    )


def claim(source: int, name: int, instance: int = 0) -> str:
    data = struct.pack("<IBBBB", name, instance, 130, 120, 0xC0)
    return frame(60928, data, source, priority=6)


def fix(
    lat: float = 45.1,
    lon: float = -93.2,
    method: int = 1,
    source: int = 0x23,
    seq: int = 0,
) -> list[str]:
    """The frames of a 129029: a counter, in the first the length, then seven bytes each."""
    days = (date(2026, 10, 3) - date(1970, 1, 1)).days
    place = (round(lat * 1e16), round(lon * 1e16), 100_000_000)
    data = struct.pack(
        "<BHIqqqBBBhhiB",
        1,
        days,
        513_000_000,
        *place,
        method << 4,
        0xFC,
        9,
        110,
        150,
        0,
        0,
    )
    rest = bytes([len(data)]) + data
    pieces = [rest[n : n + 7].ljust(7, b"\xff") for n in range(0, len(rest), 7)]
    return [
        frame(129029, bytes([seq << 5 | n]) + piece, source)
        for n, piece in enumerate(pieces)
    ]


class Bus:
    def __init__(self) -> None:
        self.sensing = Sensing({})
        self.now = START

    def send(self, *lines: str, after: float = 0.1) -> list:
        readings = []
        for line in lines:
            self.now += round(after * 1000)
            chunk = Chunk(
                0.0,
                "recording",
                network_line(line.encode(), "bus", "nmea2000", self.now),
            )
            readings += [r for _, r in self.sensing.feed(chunk)]
        return readings

    @property
    def boat(self):
        return self.sensing.boat(self.sensing.now)


@pytest.fixture
def bus() -> Bus:
    return Bus()


def sentence(body: str) -> str:
    return f"${body}*{checksum(body.encode()):02X}"


TEXTS = [
    f"(1791036900.123456) can0 09F50B23#{DEPTH}",
    f"(1791036900.123456) can0 09f50b23#{DEPTH.lower()} R",
    "  can0  09F50B23   [8]  00 34 02 00 00 F4 FF FF",
    " (1791036900.123456)  can0  09F50B23   [8]  00 34 02 00 00 F4 FF FF",
    "14:15:00.250 R 09F50B23 00 34 02 00 00 F4 FF FF",
    f"A141500.250 23FF2 1F50B {DEPTH}",
    "2026-10-03T14:15:00.250Z,2,128267,35,255,8,00,34,02,00,00,f4,ff,ff",
    "2026-10-03-14:15:00.250,2,128267,35,255,8,00,34,02,00,00,f4,ff,ff",
    sentence(f"PCDIN,01F50B,00000000,23,{DEPTH}"),
    sentence(f"MXPGN,01F50B,2823,{bytes.fromhex(DEPTH)[::-1].hex().upper()}"),
]


@pytest.mark.parametrize("text", TEXTS)
def test_every_text_of_a_frame(bus, text):
    (reading,) = bus.send(text)
    assert reading.below_transducer == pytest.approx(5.64)
    assert (reading.origin.source, reading.origin.talker, reading.origin.formatter) == (
        "bus",
        "35",
        "128267",
    )
    assert bus.sensing.counts == {"128267": 1}


@pytest.mark.parametrize("text", TEXTS)
def test_a_text_cut_anywhere_is_none_or_dropped(bus, text):
    for n in range(len(text)):
        for reading in bus.send(text[:n]):
            assert reading.below_surface in (None, pytest.approx(5.64))


@pytest.mark.parametrize(
    "text",
    [
        "14:15:00.250 T 09F50B23 00 34 02 00 00 F4 FF FF",  # sent by the gateway itself
        "$PCDIN,01F50B,00000000,23,0034020000F4FFFF*00",
        "$MXPGN,01F50B,2823,FFFFF40000023400*00",
        "2026-10-03T14:15:00.250Z,2,128267,35,255,7,00,34,02,00,00,f4,ff,ff",
        f"(1791036900.123456) can0 09F50B23#{DEPTH}00",
        f"(1791036900.123456) can0 123#{DEPTH}",
        "$SDDPT,5.4,0.2*54",
        "",
    ],
)
def test_what_is_no_frame(text):
    assert packet_in(text.encode()) is None
    assert not is_read(text.encode())


def test_messages_that_are_not_read_are_not_recorded():
    assert not is_read(frame(127488, "00FFFFFFFFFFFFFF").encode())
    assert is_read(frame(128267, DEPTH).encode())


def test_the_offset_to_the_surface_and_to_the_keel(bus):
    assert bus.send(depth(5.4, 0.3))[0].below_surface == pytest.approx(5.7)
    assert bus.send(depth(5.4, -0.5))[0].below_surface == pytest.approx(5.4)


def test_position_time_and_precision(bus):
    (reading,) = bus.send(*fix())
    assert (reading.lat, reading.lon, reading.hdop) == (
        pytest.approx(45.1),
        pytest.approx(-93.2),
        1.1,
    )
    assert bus.sensing.utc(bus.sensing.now).isoformat().startswith("2026-10-03T14:15:0")
    rapid = struct.pack("<ii", 451_000_000, -932_000_000)
    (reading,) = bus.send(frame(129025, rapid))
    assert (reading.lat, reading.lon) == (pytest.approx(45.1), pytest.approx(-93.2))


def test_motion_heading_and_water(bus):
    (motion,) = bus.send(
        frame(129026, struct.pack("<BBHHH", 0, 0xFC, 10_000, 250, 0xFFFF))
    )
    assert (motion.speed, motion.course) == (2.5, pytest.approx(math.degrees(1.0)))
    (motion,) = bus.send(
        frame(129026, struct.pack("<BBHHH", 0, 0xFD, 10_000, 250, 0xFFFF))
    )
    assert motion.course is None  # from magnetic north
    (heading,) = bus.send(
        frame(127250, struct.pack("<BHhhB", 0, 20_000, 0x7FFF, 1_000, 0xFD))
    )
    assert heading.magnetic == pytest.approx(math.degrees(2.0))
    assert heading.true == pytest.approx(math.degrees(2.1))
    (speed,) = bus.send(frame(128259, struct.pack("<BHHBH", 0, 120, 0xFFFF, 0, 0xFFFF)))
    assert speed.speed == 1.2
    (water,) = bus.send(
        frame(130312, struct.pack("<BBBHHB", 0, 0, 0, 29_262, 0xFFFF, 0xFF))
    )
    assert water.celsius == pytest.approx(19.47)
    assert not bus.send(
        frame(130312, struct.pack("<BBBHHB", 0, 0, 14, 35_000, 0xFFFF, 0xFF))
    )  # exhaust gas
    (water,) = bus.send(
        frame(
            130316,
            struct.pack("<BBB", 0, 0, 0)
            + (292_620).to_bytes(3, "little")
            + b"\xff\xff",
        ),
        after=6.0,
    )
    assert water.celsius == pytest.approx(19.47)


NOT_KNOWN = {
    1: (0xFF, 0xFE, 0xFD),
    2: (0xFFFF, 0xFFFE, 0xFFFD),
    4: (0xFFFFFFFF, 0xFFFFFFFE, 0xFFFFFFFD),
}
SIGNED = {2: (0x7FFF, 0x7FFE, 0x7FFD), 4: (0x7FFFFFFF, 0x7FFFFFFE, 0x7FFFFFFD)}


@pytest.mark.parametrize("n", range(3))  # not available, error, reserved
def test_what_is_not_known_is_never_a_number(bus, n):
    half, whole = NOT_KNOWN[2][n], NOT_KNOWN[4][n]
    bus.send(
        frame(128267, struct.pack("<BIHB", 0, whole, SIGNED[2][n], 255)),
        frame(129025, struct.pack("<II", SIGNED[4][n], SIGNED[4][n])),
        frame(129026, struct.pack("<BBHHH", 0, 0xFC, half, half, 0xFFFF)),
        frame(127250, struct.pack("<BHHHB", 0, half, SIGNED[2][n], SIGNED[2][n], 0xFC)),
        frame(128259, struct.pack("<BHHBH", 0, half, half, 0, 0xFFFF)),
        frame(130312, struct.pack("<BBBHHB", 0, 0, 0, half, half, 0xFF)),
        frame(126992, struct.pack("<BBHI", 0, 0xF0, half, whole)),
        frame(129033, struct.pack("<HIH", half, whole, SIGNED[2][n])),
    )
    boat = bus.boat
    for value in (
        boat.lat,
        boat.lon,
        boat.depth,
        boat.speed,
        boat.course,
        boat.heading,
        boat.water_temperature,
    ):
        assert value is None
    assert boat.water_speed is None
    assert bus.sensing.utc(bus.sensing.now) is None


@pytest.mark.parametrize("metres", [0.0, 300.01, 42_949_672.92])
def test_no_depth_a_lure_is_cast_over(bus, metres):
    bus.send(depth(metres))
    assert bus.boat.depth is None


@pytest.mark.parametrize("pgn", SHORTEST)
def test_a_frame_cut_short_tells_nothing(bus, pgn):
    shortest = min(SHORTEST[pgn], 8)
    for n in range(1, shortest):
        data = (
            bytes([0, 20, *range(1, 7)])[:n]
            if pgn == 129029
            else bytes(range(1, n + 1))
        )
        assert not bus.send(frame(pgn, data))
    assert bus.sensing.dropped["frame too short"] == shortest - 1


@pytest.mark.parametrize("method", [0, 6, 7, 8])
def test_no_fix_voids_the_rapid_place_too(bus, method):
    rapid = frame(129025, struct.pack("<ii", 451_000_000, -932_000_000))
    bus.send(*fix(), rapid, *fix(method=method), rapid)
    assert bus.boat.lat is None
    bus.send(*fix(seq=2), rapid)
    assert bus.boat.lat == pytest.approx(45.1)


@UNHURRIED
@given(st.permutations(range(7)), st.permutations(range(7)), st.integers(0, 6))
def test_frames_out_of_order_and_lost(first, second, lost):
    """A message is told whole or not at all, and none is lost for longer than the next."""
    bus, one, other, third = (
        Bus(),
        fix(lat=45.1, seq=3),
        fix(lat=46.1, seq=4),
        fix(lat=47.1, seq=5),
    )
    told = bus.send(*(one[n] for n in first if n != lost))
    assert not told
    told = bus.send(*(other[n] for n in second))
    assert [r.lat for r in told] in ([], [pytest.approx(46.1)])
    assert bus.send(*third)[-1].lat == pytest.approx(47.1)


@pytest.mark.parametrize(
    "order", [(0, 2, 1, 3, 4, 5, 6), (1, 0, 2, 3, 4, 5, 6), (0, 6, 5, 4, 3, 2, 1)]
)
def test_frames_out_of_order(bus, order):
    """From a clean beginning they may change places; only the first must not come last."""
    frames = fix()
    assert [r.lat for r in bus.send(*(frames[n] for n in order))] == [
        pytest.approx(45.1)
    ]


def test_two_talkers_of_one_depth_are_told_once_and_the_lower_instance_is_listened_to(
    bus,
):
    bus.send(claim(0x23, 1111, instance=2), claim(0x24, 2222, instance=0))
    told = bus.send(
        *(
            d
            for _ in range(5)
            for d in (depth(5.0, source=0x23), depth(9.0, source=0x24))
        )
    )
    assert [r.text for r in told if not isinstance(r, Depth)] == [
        "bus tells depth twice, by 35 and 36; one of them is listened to"
    ]
    assert bus.boat.depth == pytest.approx(9.3)
    assert all(r.origin.talker == "36" for r in told[3:] if isinstance(r, Depth))


def test_a_device_that_takes_another_address_stays_the_same(bus):
    bus.send(claim(0x23, 1111), depth(5.0, source=0x23))
    bus.send(claim(0x40, 1111))
    told = bus.send(depth(5.1, source=0x40))
    assert [r.origin.talker for r in told] == ["35"]
    # Whoever takes the address that was left is somebody else.
    told = bus.send(claim(0x23, 9999), depth(8.0, source=0x23))
    assert bus.boat.depth == pytest.approx(5.4)


def test_a_claim_after_the_first_words_changes_nothing(bus):
    bus.send(depth(5.0))
    assert [r.origin.talker for r in bus.send(claim(0x23, 1111), depth(5.1))] == ["35"]


def test_a_log_of_others_is_timed_by_its_lines(tmp_path):
    path = tmp_path / "others.log"
    lines = [depth(5.0 + n).replace("900.000000", f"90{n}.500000") for n in range(3)]
    path.write_text(
        "".join(f"{line}\n" for line in [frame(127488, "00FFFFFFFFFFFFFF"), *lines])
    )
    sensing = Sensing({})
    told = [
        (t, r)
        for chunk in FileSource("x", path).chunks()
        for t, r in sensing.feed(chunk)
    ]
    assert [t for t, r in told if isinstance(r, Depth)] == [0.0, 1.0, 2.0]


def test_a_bus_of_this_computer():
    """python-can's virtual bus: frames that are not read, or not extended, do not come in."""
    source, stop = (
        CanSource("bus", "test", LiveClock(), driver="virtual"),
        threading.Event(),
    )
    chunks = source.chunks(stop)
    lines: list[bytes] = []
    thread = threading.Thread(
        target=lambda: lines.extend(
            c.data for _, c in zip(range(2), chunks, strict=False)
        )
    )
    thread.start()
    assert source.opened.wait(600.0)
    with can.Bus(channel="test", interface="virtual") as sender:
        for pgn, extended in (
            (127488, True),
            (128267, False),
            (128267, True),
            (60928, True),
        ):
            can_id = (
                (2 << 26 | pgn << 8 | (0xFF00 if pgn == 60928 else 0) | 0x23)
                if extended
                else 0x23
            )
            sender.send(
                can.Message(
                    arbitration_id=can_id,
                    data=bytes.fromhex(DEPTH),
                    is_extended_id=extended,
                )
            )
        thread.join(600.0)
    stop.set()
    assert [packet_in(line.strip()).pgn for line in lines] == [128267, 60928]


@UNHURRIED
@given(
    st.lists(
        st.tuples(
            st.sampled_from([*SHORTEST, 127488]),
            st.binary(min_size=1, max_size=8),
            st.integers(0, 255),
        ),
        max_size=20,
    )
)
def test_any_frames_give_values_in_range_or_none(frames):
    bus = Bus()
    for pgn, data, source in frames:
        bus.send(frame(pgn, data, source))
    boat = bus.boat
    assert boat.lat is None or abs(boat.lat) <= 90.0
    assert boat.depth is None or 0.0 < boat.depth <= 320.0
    assert boat.speed is None or 0.0 <= boat.speed <= 52.0
    assert boat.course is None or 0.0 <= boat.course <= 360.0
    assert boat.heading is None or 0.0 <= boat.heading <= 360.0
    assert boat.water_temperature is None or -2.5 <= boat.water_temperature <= 40.0


@UNHURRIED
@given(st.binary(max_size=120))
def test_any_bytes_are_passed_over(noise):
    assert packet_in(noise) is None or packet_in(noise).pgn >= 0
    bus = Bus()
    list(
        bus.sensing.feed(
            Chunk(
                0.0,
                "r",
                network_line(noise.translate(None, b"\r\n"), "bus", "nmea2000", START),
            )
        )
    )
    assert bus.send(depth(5.0))
