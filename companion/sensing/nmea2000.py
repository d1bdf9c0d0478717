"""NMEA 2000: frames of a CAN bus and what its messages tell, their fields read by the library `nmea2000`.

Frames come as text: candump's, which SocketCAN's are turned into, and those that
gateways publish, some of them put together already. A message of several frames may
lose some, or have them out of order: the library tells it whole or not at all. It would
read a message that is cut short as if zeros followed; so frames that are too short are
dropped here.

A device is known by its address until it claims the address by its name (PGN 60928).
From then on the name counts: whoever takes another address stays the same talker. Of
several talkers of one quantity the one with the lower device instance is listened to.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from functools import lru_cache
from typing import Any, NamedTuple

from companion.sensing.datum import Datum
from companion.sensing.depth import DEEPEST_READING_M, LARGEST_OFFSET, DepthSounding
from companion.sensing.fields import CREDIBLE_YEARS, DAY_MS, Values, turned
from companion.sensing.framing import checksum
from companion.sensing.heading import Bearing
from companion.sensing.position import FASTEST_KN, Told
from companion.sensing.water import COLDEST_READING_K, WARMEST_READING_K, celsius
from companion.sensing.wind import WINDIEST_M_S, WindReference, WindTold
from companion.units import KNOT

ADDRESS_CLAIM = 60928
SHORTEST = {
    128267: 5, 129025: 8, 129026: 6, 129029: 34, 127250: 8, 127258: 6, 128259: 3, 130310: 3, 130312: 5,
    130316: 6, 126992: 8, 129033: 6, 130306: 6, ADDRESS_CLAIM: 8,
}  # fmt: skip
"""The PGNs that are read, and the fewest bytes that hold what is read of each."""
_NAMES = {pgn: str(pgn) for pgn in SHORTEST}
MOST_TALKERS = 512
"""Names and addresses that are kept apart; a bus has 252 addresses."""
INSTANCES = 256
_FAST = 129029  # the one of several frames
_FAST_LONGEST = 223
_GPS_TIME = frozenset((0, 1))
_NO_FIX = frozenset((0, 6, 7, 8))  # none, dead reckoning, by hand, simulated
_SEA = 0
_WIND_REFERENCES: dict[int, WindReference] = {
    0: "north",
    1: "magnetic",
    2: "apparent",
    3: "bow",
    4: "bow",
}

_ID, _BYTES = rb"([0-9A-Fa-f]{8})", rb"((?:[0-9A-Fa-f]{2} ?){1,8})"
_TIME = rb"\((\d{1,12}(?:\.\d{1,9})?)\) +"
_FRAME_TEXTS = (  # the first is met most, and most by far: no alternatives in it, nothing that ignores case
    re.compile(_TIME + rb"[^\s#]+ +" + _ID + rb"#([0-9A-Fa-f]{2,16})(?: [RT])?$").match,
    re.compile(
        rb"(?:" + _TIME + rb")?[A-Za-z]\S* +" + _ID + rb" +\[\d\] +" + _BYTES + rb"$"
    ).match,
    re.compile(
        rb"(\d\d:\d\d:\d\d(?:\.\d{1,6})?) [Rr] " + _ID + rb" " + _BYTES + rb"$"
    ).match,
)
"""A frame as candump logs it, as candump prints it, and as gateways send it with the time of day."""
_HEX = rb"((?:[0-9A-F]{2}){1,223})"
_ASCII = re.compile(
    rb"A(\d{6}(?:\.\d{1,6})?) ([0-9A-F]{2})([0-9A-F]{2})([0-7]) ([0-9A-F]{5,6}) "
    + _HEX
    + b"$",
    re.IGNORECASE,
)
_PLAIN = re.compile(
    rb"(\d{4}-\d\d-\d\d[T-]\d\d:\d\d:\d\d(?:\.\d{1,6})?)Z?,([0-7]),(\d{1,6}),(\d{1,3}),(\d{1,3}),(\d{1,3}),"
    rb"([0-9A-F]{2}(?:,[0-9A-F]{2}){0,222})$",
    re.IGNORECASE,
)
_PCDIN = re.compile(
    rb"\$(PCDIN,([0-9A-F]{6}),[0-9A-F]{8},([0-9A-F]{2}),"
    + _HEX
    + rb")\*([0-9A-F]{2})$",
    re.IGNORECASE,
)
_MXPGN = re.compile(
    rb"\$(MXPGN,([0-9A-F]{6}),([0-9A-F]{2})([0-9A-F]{2}),((?:[0-9A-F]{2}){1,8}))\*([0-9A-F]{2})$",
    re.IGNORECASE,
)


class Packet(NamedTuple):
    """A frame, or a message that a gateway has put together: PGN, sender's address, bytes, time if told."""

    pgn: int
    source: int
    data: bytes
    time: bytes | None = None
    is_frame: bool = False


def packet_in(line: bytes) -> Packet | None:
    """Return what stands on a line of any of the texts; None when it is none of them, or damaged."""
    line = line.strip()
    if frame := _frame_in(line):
        return frame
    if told := _ASCII.match(line):
        return Packet(
            int(told[5], 16), int(told[2], 16), bytes.fromhex(told[6].decode()), told[1]
        )
    if told := _PLAIN.match(line):
        return _plain_in(told)
    if (told := _PCDIN.match(line)) and checksum(told[1]) == int(told[5], 16):
        return Packet(
            int(told[2], 16), int(told[3], 16), bytes.fromhex(told[4].decode())
        )
    if (told := _MXPGN.match(line)) and checksum(told[1]) == int(told[6], 16):
        data = bytes.fromhex(told[5].decode())[::-1]
        return Packet(int(told[2], 16), int(told[4], 16), data, is_frame=True)
    return None


def _plain_in(told: re.Match[bytes]) -> Packet | None:
    """Return the message in a match of `_PLAIN`; None when bytes are missing, or there is no such address."""
    data = bytes.fromhex(told[7].replace(b",", b"").decode())
    if len(data) != int(told[6]) or int(told[4]) >= 256:
        return None
    return Packet(int(told[3]), int(told[4]), data, told[1])


def _frame_in(line: bytes) -> Packet | None:
    for text in _FRAME_TEXTS:
        if found := text(line):
            time, can_id, data = found.groups()
            if len(data) % 2 == 0 or b" " in data:
                return Packet(
                    *_pgn_and_source(can_id), bytes.fromhex(data.decode()), time, True
                )
    return None


@lru_cache(maxsize=1024)
def _pgn_and_source(can_id: bytes) -> tuple[int, int]:
    """Return the PGN and the sender's address in a CAN identifier, eight hexadecimal digits."""
    number = int(can_id, 16)
    pgn = number >> 8 & 0x3FFFF
    if (pgn >> 8 & 0xFF) < 240:  # for one device alone: its last byte is that address
        pgn &= 0x3FF00
    return pgn, number & 0xFF


def is_read(line: bytes) -> bool:
    """Return whether a line holds a frame of one of the PGNs that are read."""
    packet = packet_in(line)
    return packet is not None and packet.pgn in SHORTEST


def ms_in(line: bytes) -> int | None:
    """Return the time in a line, ms of UTC or of a day without a name."""
    packet = packet_in(line)
    if packet is None or packet.time is None:
        return None
    text = packet.time.decode()
    if ":" not in text and len(text.partition(".")[0]) != 6:
        return int(float(text) * 1000.0)
    if "-" in text:
        return Values(Counter()).epoch_ms(f"{text[:10]}T{text[11:]}Z")
    digits = text.replace(":", "")
    return (int(digits[:2]) * 3600 + int(digits[2:4]) * 60) * 1000 + int(
        float(digits[4:]) * 1000.0
    )


def can_filters() -> list[dict[str, Any]]:
    """Return the filters that let the PGNs that are read into this computer, as python-can wants them."""
    return [
        {
            "can_id": pgn << 8,
            "can_mask": 0x3FF0000 if pgn == ADDRESS_CLAIM else 0x3FFFF00,
            "extended": True,
        }
        for pgn in SHORTEST
    ]


def _is_cut(pgn: int, data: bytes, pieced: bool) -> bool:
    """Tell whether a frame is cut, or, the first of several (`pieced`), begins a message of wrong length."""
    if not pieced:
        return len(data) < SHORTEST[pgn]
    begins = data[0] & 0x1F == 0
    return len(data) < 2 or (begins and not SHORTEST[_FAST] <= data[1] <= _FAST_LONGEST)


class Nmea2000Decoder:
    """Reads the frames of one bus."""

    def __init__(self, values: Values, counts: Counter[str]) -> None:
        # Loaded by boats with such a bus alone: it costs a third of a second of the
        # start.
        from nmea2000 import NMEA2000Decoder as Library  # noqa: PLC0415
        from nmea2000 import backend  # noqa: PLC0415

        self._values = values
        self._counts = counts
        self._library = Library()  # for frames that belong together
        self._read: Callable[[int, bytes, int], Any] = (
            backend.decode
        )  # for a whole message, at half the cost
        self._label_of: dict[int, str] = {}  # by address
        self._name_of: dict[str, int] = {}  # by label
        self._instance: dict[str, int] = {}
        self._no_fix: set[str] = set()
        self._readers: Mapping[
            int, Callable[[str, Mapping[str, Any]], Datum | None]
        ] = {
            128267: self._depth,
            129025: self._rapid_place,
            129026: self._motion,
            129029: self._fix,
            127250: self._heading,
            127258: self._variation,
            128259: self._water_speed,
            130310: self._temperature("130310", "waterTemperature"),
            130312: self._temperature("130312", "actualTemperature"),
            130316: self._temperature("130316", "temperature"),
            126992: self._system_time,
            129033: self._time,
            130306: self._wind,
        }

    def decode(self, _ms: int, payload: bytes) -> Sequence[Datum]:
        """Return what the message tells that a frame completes."""
        packet = packet_in(payload)
        if packet is None or packet.pgn not in SHORTEST:
            self._values.dropped["frame malformed"] += 1
            return ()
        pgn, source, data = packet.pgn, packet.source, packet.data
        pieced = pgn == _FAST and packet.is_frame
        if _is_cut(pgn, data, pieced):
            self._values.dropped["frame too short"] += 1
            return ()
        message = self._message_of(packet, pieced)
        if message is None:
            return ()
        self._counts[_NAMES[pgn]] += 1
        if pgn == ADDRESS_CLAIM:
            self._claim(
                source, int.from_bytes(data[:8], "little"), message.source_iso_name
            )
            return ()
        label = self._label_of.get(source) or self._label_of.setdefault(
            source, str(source)
        )
        datum = self._readers[pgn](label, {field.id: field for field in message.fields})
        if datum is None:
            return ()
        instance = self._instance.get(label, 0)
        if instance or datum.rank:
            datum = datum._replace(rank=datum.rank * INSTANCES + instance)
        return (datum,)

    def _message_of(self, packet: Packet, pieced: bool) -> Any:  # noqa: ANN401 (the library's own type)
        """Return the message that a frame completes; None where others are still to come."""
        if not pieced and packet.pgn != ADDRESS_CLAIM:
            return self._read(packet.pgn, packet.data, packet.source)
        broadcast = 0xFF00 if packet.pgn == ADDRESS_CLAIM else 0
        can_id = 6 << 26 | (packet.pgn << 8) | broadcast | packet.source
        try:
            return self._library.decode(
                f"(0.0) can0 {can_id:08X}#{packet.data[:8].hex().upper()}"
            )
        except ValueError:
            self._values.dropped["frame malformed"] += 1
            return None

    def _claim(self, source: int, name: int, told: Any) -> None:  # noqa: ANN401 (the library's own type)
        """Note that the device of this name has this address now."""
        labels = {known: label for label, known in self._name_of.items()}
        label = labels.get(name)
        if label is None:
            label = self._label_of.get(source, str(source))
            # The address was another device's.
            if self._name_of.get(label, name) != name:
                label = f"{source} {name:016X}"
            if len(self._name_of) >= MOST_TALKERS:
                return
            self._name_of[label] = name
        self._label_of[source] = label
        self._instance[label] = min(int(told.device_instance or 0), INSTANCES - 1)

    def _number(self, field: Any, what: str, low: float, high: float) -> float | None:  # noqa: ANN401
        """Return a field's number in range; None where it says "not available", an error or nonsense."""
        value = field.value
        if value is None or not isinstance(value, int | float):
            return None
        return self._values.real(float(value), what, low, high)

    def _degrees(self, field: Any, what: str, low: float = 0.0) -> float | None:  # noqa: ANN401
        number = self._number(field, what, low, math.tau + 1e-3)
        if number is None:
            return None
        return min(math.degrees(number), 360.0)

    def _depth(self, label: str, told: Mapping[str, Any]) -> Datum:
        depth = self._number(told["depth"], "depth", 0.0, DEEPEST_READING_M)
        if depth == 0.0 or told["depth"].value is None:
            self._values.dropped["depth lost"] += 1
            depth = None
        offset = self._number(
            told["offset"], "depth offset", -LARGEST_OFFSET, LARGEST_OFFSET
        )
        return Datum(label, "128267", "depth", DepthSounding(depth, offset))

    def _place(self, label: str, told: Mapping[str, Any]) -> tuple[float, float] | None:
        lat, lon = told["latitude"].value, told["longitude"].value
        if label in self._no_fix:
            self._values.dropped["position void"] += 1
            return None
        return self._values.degrees(lat, lon)

    def _rapid_place(self, label: str, told: Mapping[str, Any]) -> Datum:
        place = self._place(label, told)
        return Datum(label, "129025", "place", Told(place is not None, place=place))

    def _fix(self, label: str, told: Mapping[str, Any]) -> Datum:
        if told["method"].raw_value in _NO_FIX:
            self._no_fix.add(label)
        else:
            self._no_fix.discard(label)
        place, hdop = self._place(label, told), None
        if place is not None:
            hdop = self._number(told["hdop"], "hdop", 0.01, 99.0)
        time, day = self._instant(told)
        return Datum(
            label,
            "129029",
            "place",
            Told(place is not None, time, day, place, hdop=hdop),
        )

    def _instant(self, told: Mapping[str, Any]) -> tuple[int | None, date | None]:
        seconds, day = told["time"].raw_value, told["date"].value
        if not isinstance(seconds, int | float) or not 0.0 <= seconds * 1000.0 < DAY_MS:
            return None, None
        if not isinstance(day, date) or day.year not in CREDIBLE_YEARS:
            day = None
        return int(seconds * 1000.0), day

    def _motion(self, label: str, told: Mapping[str, Any]) -> Datum:
        speed = self._number(told["sog"], "speed", 0.0, FASTEST_KN * KNOT)
        course = self._degrees(told["cog"], "course")
        if told["cogReference"].raw_value != 0:  # not from true north
            course = None
        return Datum(
            label,
            "129026",
            "motion",
            Told(speed is not None, speed=speed, course=course),
        )

    def _heading(self, label: str, told: Mapping[str, Any]) -> Datum:
        heading = self._degrees(told["heading"], "heading")
        deviation = self._degrees(told["deviation"], "deviation", -math.pi)
        variation = self._degrees(told["variation"], "variation", -math.pi)
        if told["reference"].raw_value == 0:
            return Datum(label, "127250", "heading", Bearing(heading, None, variation))
        if heading is None or told["reference"].raw_value != 1:
            return Datum(label, "127250", "heading", Bearing(None, None, variation), 1)
        magnetic = (heading + (deviation or 0.0)) % 360.0
        bearing = Bearing(turned(magnetic, variation), magnetic, variation)
        return Datum(label, "127250", "heading", bearing, 1)

    def _variation(self, label: str, told: Mapping[str, Any]) -> Datum:
        variation = self._degrees(told["variation"], "variation", -math.pi)
        return Datum(label, "127258", "heading", Bearing(None, None, variation), 2)

    def _water_speed(self, label: str, told: Mapping[str, Any]) -> Datum:
        speed = self._number(
            told["speedWaterReferenced"], "water speed", 0.0, FASTEST_KN * KNOT
        )
        return Datum(label, "128259", "water speed", speed)

    def _temperature(
        self, address: str, name: str
    ) -> Callable[[str, Mapping[str, Any]], Datum | None]:
        """Return what reads the water's temperature from a message, and no other's."""

        def read(label: str, told: Mapping[str, Any]) -> Datum | None:
            if "source" in told and told["source"].raw_value != _SEA:
                return None
            kelvin = self._number(
                told[name], "water temperature", COLDEST_READING_K, WARMEST_READING_K
            )
            return Datum(label, address, "temperature", celsius(kelvin))

        return read

    def _system_time(self, label: str, told: Mapping[str, Any]) -> Datum | None:
        if told["source"].raw_value not in _GPS_TIME:
            return None
        return self._time(label, told, "126992")

    def _wind(self, label: str, told: Mapping[str, Any]) -> Datum:
        speed = self._number(told["windSpeed"], "wind speed", 0.0, WINDIEST_M_S)
        angle = self._degrees(told["windAngle"], "wind angle")
        reference = _WIND_REFERENCES.get(told["reference"].raw_value)
        if reference is None:
            return Datum(label, "130306", "wind", WindTold(None))
        return Datum(label, "130306", "wind", WindTold(speed, angle, reference))

    def _time(
        self, label: str, told: Mapping[str, Any], address: str = "129033"
    ) -> Datum:
        time, day = self._instant(told)
        return Datum(label, address, "time", Told(time is not None, time, day))
