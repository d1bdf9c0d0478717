"""What the bottom under a recorded boat was, decided afterwards and by none of the project's own code.

The reader takes DPT, DBT or DBS, positions and times of day from a log in a few lines
of its own. Which pings were of the bottom is decided with the whole log in view, as no
program in the boat can: of all ways to lay one bottom through the pings, the best. Each
ping on it counts one. Each change from ping to ping beyond `STEP_M` + `SHARE` of the
depth + `SLOPE` for each metre the boat went (`MOST_WAY_M` at most) costs one for each
`EXCESS_M`, but never more than `BREAK`. So a cliff with more pings than that on each
side is a cliff, a few pings away from the rest are false echoes, and up to `SKIPPED` in
a row may be. That is the longest path through a directed graph, found exactly by
dynamic programming. `NOT_BOTTOM` holds what no filter can know, labelled by hand from a
chart of the log.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left, bisect_right
from collections import defaultdict
from functools import reduce
from operator import xor
from pathlib import Path
from typing import NamedTuple

LOGS = Path(__file__).parents[2].parent / "shared" / "data" / "logs"
TRANSDUCER_M = 0.3
"""How far below the surface the bench's boat has its transducer."""
STEP_M = 0.4
SHARE = 0.03
SLOPE = 0.2
MOST_WAY_M = 6.0
EXCESS_M = 0.5
SKIPPED = 12
BREAK = 5.0
NEAR_S = 6.0
HALF_SPAN_S = 5.0
"""The speed made good is taken from this long before to this long after."""
BYTES_PER_SECOND = 480.0
"""A 4800 baud line: the pace of a log without any clock."""
MOST_PAUSE_S = 120.0
METRES_PER_DEGREE = 111_195.0
KINDS_OF_DEPTH = ("DPT", "DBT", "DBS")
METRES_FIELD = {"DPT": 0, "DBT": 2, "DBS": 2}
FIRST_FIELD = {"RMC": 2, "GGA": 1, "GLL": 0}
"""Where the latitude of a position stands."""
TIME_FIELD = {"RMC": 0, "GGA": 0, "GLL": 4}

NOT_BOTTOM: dict[str, tuple[tuple[float, float], ...]] = {
    "ocean_false_bottom.nmea": ((0.0, math.inf),)
}
"""Spans of logic time, s, in which the sounder showed no bottom at all, by hand: this
boat leaves an island for 4.7 km of ocean at 3.6 m/s, and all the while the sounder
tells 1 to 3 m, in frozen steps."""
DOUBT_M = 1.5
DOUBT_SHARE = 0.15
"""A ping off the bottom by less than either is judged neither true nor false: a bush, a fish, a wave."""

_SENTENCE = re.compile(
    rb"\$(([A-Z0-9]{2})(DPT|DBT|DBS|RMC|GGA|GLL),([^*$\r\n]*))\*([0-9A-Fa-f]{2})"
)


class Ping(NamedTuple):
    """A sounding as it was sent: logic time, s, and depth below the surface, m."""

    t: float
    depth: float


class Place(NamedTuple):
    """A fix: logic time, s, and m east and north of the first one."""

    t: float
    east: float
    north: float


class Track:
    """Where the boat was."""

    def __init__(self, places: list[Place]) -> None:
        self.places = places
        self._times = [p.t for p in places]

    def place(self, t: float) -> Place | None:
        """Return the fix at or next after logic time t, s; None when there are none."""
        return (
            self.places[min(bisect_left(self._times, t), len(self.places) - 1)]
            if self.places
            else None
        )

    def speed(self, t: float) -> float:
        """Return the speed made good about logic time t, m/s; 0 where there are no fixes."""
        i = bisect_left(self._times, t - HALF_SPAN_S)
        j = bisect_right(self._times, t + HALF_SPAN_S) - 1
        return (
            0.0
            if j <= i
            else self.way(i, j) / max(self._times[j] - self._times[i], 1.0)
        )

    def way(self, i: int, j: int) -> float:
        """Return how far one fix is from another, m."""
        return math.dist(self.places[i][1:], self.places[j][1:])


class Reference:
    """A log as it was: its pings, the track and its length, s.

    `true` tells of each ping whether it was of the bottom; None where that is doubtful.
    """

    def __init__(
        self, name: str, pings: list[Ping], track: Track, seconds: float
    ) -> None:
        self.name = name
        self.pings = pings
        self.track = track
        self.seconds = seconds
        spans = NOT_BOTTOM.get(name, ())
        chain = longest_chain(pings, [_way(track.place(p.t)) for p in pings])
        self._times = [p.t for p in pings]
        self.true: list[bool | None] = [
            i in chain and not _within(p.t, spans) for i, p in enumerate(pings)
        ]
        doubtful = [
            i
            for i, true in enumerate(self.true)
            if not true and self._doubtful(pings[i])
        ]
        for i in doubtful:
            self.true[i] = None

    def bottom(self, since: float, until: float) -> list[float]:
        """Return the depths, m, of the pings of the bottom in a span of logic time, s."""
        i, j = bisect_left(self._times, since), bisect_right(self._times, until)
        return [
            p.depth
            for p, true in zip(self.pings[i:j], self.true[i:j], strict=True)
            if true
        ]

    def _doubtful(self, ping: Ping) -> bool:
        near = self.bottom(ping.t - NEAR_S, ping.t + NEAR_S)
        return any(abs(ping.depth - z) <= max(DOUBT_M, DOUBT_SHARE * z) for z in near)


def _within(t: float, spans: tuple[tuple[float, float], ...]) -> bool:
    return any(since <= t <= until for since, until in spans)


def longest_chain(pings: list[Ping], ways: list[tuple[float, float]]) -> set[int]:
    """Return which pings lie on the best bottom; `ways` is where each was sent, m."""
    score: list[float] = []
    came: list[int | None] = []
    for i, ping in enumerate(pings):
        best, by = 1.0 - BREAK, None
        for j in range(max(0, i - SKIPPED - 1), i):
            gain = score[j] + 1.0 - _price(pings[j], ping, math.dist(ways[i], ways[j]))
            if gain > best:
                best, by = gain, j
        score.append(best)
        came.append(by)
    at = max(range(len(pings)), key=score.__getitem__, default=None)
    chain = set()
    while at is not None:
        chain.add(at)
        at = came[at]
    return chain


def _price(a: Ping, b: Ping, way: float) -> float:
    """Return what it costs, in pings, that one bottom goes from a to b, which are `way` m apart."""
    usual = STEP_M + SHARE * min(a.depth, b.depth) + SLOPE * min(way, MOST_WAY_M)
    return min(max(abs(a.depth - b.depth) - usual, 0.0) / EXCESS_M, BREAK)


def _way(place: Place | None) -> tuple[float, float]:
    return (0.0, 0.0) if place is None else (place.east, place.north)


class _Told(NamedTuple):
    talker: str
    kind: str
    fields: list[str]
    at: int


def read(name: str) -> Reference:
    """Read a log and decide which of its pings were of the bottom."""
    data = (LOGS / name).read_bytes()
    told = [
        _Told(
            m[2].decode(),
            m[3].decode(),
            m[4].decode("ascii", "replace").split(","),
            m.start(),
        )
        for m in _SENTENCE.finditer(data)
        if reduce(xor, m[1]) == int(m[5], 16)
    ]
    receiver = _receiver(told)
    clock = _Clock()
    pings: dict[str, list[Ping]] = defaultdict(list)
    places: list[tuple[float, float, float]] = []
    for one in told:
        if one.kind in KINDS_OF_DEPTH:
            depth = _number(one.fields, METRES_FIELD[one.kind])
            if depth:
                below = 0.0 if one.kind == "DBS" else TRANSDUCER_M
                pings[one.kind].append(Ping(clock.t(one.at), depth + below))
        elif one.talker == receiver:
            clock.see(one.fields[TIME_FIELD[one.kind]])
            place = _degrees(one)
            if place is not None:
                places.append((clock.t(one.at), *place))
    kind = next(
        (
            k
            for k in KINDS_OF_DEPTH
            if 2 * len(pings[k]) > max(map(len, pings.values()))
        ),
        "DPT",
    )
    return Reference(name, pings[kind], Track(_on_plane(places)), clock.t(len(data)))


def _receiver(told: list[_Told]) -> str:
    """Return the talker whose positions are the finest: it tells the most different ones."""
    places = defaultdict(set)
    for one in told:
        if one.kind not in KINDS_OF_DEPTH and _degrees(one) is not None:
            places[one.talker].add(_degrees(one))
    return max(places, key=lambda talker: len(places[talker]), default="")


class _Clock:
    """Logic time, s, from the times of day of one receiver, or from the pace of the bytes without any."""

    def __init__(self) -> None:
        self._now = 0.0
        self._last: float | None = None

    def see(self, text: str) -> None:
        """Take a time of day; one that goes back stands still, one that leaps is no time."""
        if not re.fullmatch(r"\d{6}(\.\d+)?", text):
            return
        told = 3600.0 * int(text[:2]) + 60.0 * int(text[2:4]) + float(text[4:])
        ahead = 0.0 if self._last is None else (told - self._last) % 86400.0
        self._now += ahead if ahead <= MOST_PAUSE_S else 0.0
        self._last = told

    def t(self, at: int) -> float:
        """Return logic time, s, `at` so many bytes into the log."""
        return at / BYTES_PER_SECOND if self._last is None else self._now


def _number(fields: list[str], at: int) -> float | None:
    try:
        return float(fields[at])
    except (ValueError, IndexError):
        return None


def _degrees(one: _Told) -> tuple[float, float] | None:
    """Return latitude and longitude of a valid position, degrees."""
    f = one.fields
    void = {
        "RMC": len(f) < 2 or f[1] != "A",
        "GGA": len(f) < 6 or f[5] in ("", "0"),
        "GLL": "V" in f[5:6],
    }
    first = FIRST_FIELD[one.kind]
    lat, lon = _number(f, first), _number(f, first + 2)
    if void[one.kind] or lat is None or lon is None or not f[first + 3]:
        return None
    north = -1.0 if f[first + 1] == "S" else 1.0
    east = -1.0 if f[first + 3] == "W" else 1.0
    return north * (lat // 100 + lat % 100 / 60.0), east * (
        lon // 100 + lon % 100 / 60.0
    )


def _on_plane(places: list[tuple[float, float, float]]) -> list[Place]:
    if not places:
        return []
    _, lat0, lon0 = places[0]
    east = METRES_PER_DEGREE * math.cos(math.radians(lat0))
    return [
        Place(t, east * (lon - lon0), METRES_PER_DEGREE * (lat - lat0))
        for t, lat, lon in places
    ]
