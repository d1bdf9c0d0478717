"""What brought bites: counts against effort, the interval each count leaves open, and what may be said of it.

Per cast when casts were called: the share of casts with a strike has Wilson's interval
(Wilson 1927, J. Am. Stat. Assoc. 22, 209), and a class is compared with all the others
by Fisher's exact test. Over a season per hour that a lure was in the water, and without
casts per hour of boat time: a rate has Garwood's exact Poisson interval (Garwood 1936,
Biometrika 28, 437), and is compared by the binomial test that two Poisson counts allow
(both from memory). The classes of one table share their error (Bonferroni): of twenty
tables in which nothing is going on, one will point at something.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy.special import gammaincinv

from companion.events import Fix, Logged, RodTaken
from companion.report.casts import CastMade, catches_of, off_casts
from companion.report.day import CATCH_EVENTS, MONTHS, Day
from companion.report.ground import GroundGrid
from companion.report.localtime import light_at
from companion.units import MILE_PER_HOUR, Units

Z = 1.959963984540054
"""95 %, two-sided."""
SURE_SHARE = 0.6
"""A place is of a class when at least this share of where it may be is."""
NEAR_MARK_M = 15.0
"""A mark counts as fished within this, m."""
FEW_STRIKES, FEW_TRIES = 10, 30
"""Below either nothing is called equal, only too few."""
LONGEST_STEP = 5.0
"""Between two readings further apart than this, s, nobody knows where the boat was."""
FLAT_SLOPE, BREAK_SLOPE = 0.1, 0.25
"""Where flat ends and a break begins, m per m; the latter as `lakebed.breaks` has it."""

By = Literal["cast", "lure hour", "hour"]
"""What effort is counted in: casts, hours of a lure in the water on casts that were called, boat time."""
TRY_KINDS: Mapping[By, Literal["cast", "hour"]] = {
    "cast": "cast",
    "lure hour": "cast",
    "hour": "hour",
}
"""What a try is, by what its effort is counted in."""
Verdict = Literal[
    "more than elsewhere",
    "fewer than elsewhere",
    "too few to tell",
    "no clear difference",
    "",
]


@dataclass(frozen=True)
class Row:
    """One class: its strikes, its effort (casts, or hours), the rate, and the 95 % interval of the rate.

    `tries` are the casts' own events, empty where effort is time.
    """

    label: str
    strikes: tuple[Logged, ...]
    effort: float
    tries: tuple[Logged, ...]
    low: float
    high: float
    verdict: Verdict

    @property
    def rate(self) -> float:
        """Strikes per cast, or per hour."""
        if self.effort <= 0.0:
            return math.nan
        return len(self.strikes) / self.effort


@dataclass(frozen=True)
class RateTable:
    """One question: its classes, and what could not be put into any."""

    question: str
    how: str
    by: By
    rows: tuple[Row, ...]
    unknown: Row | None

    @property
    def bears(self) -> bool:
        """Return whether any of its counts stands out."""
        return any(row.verdict.endswith("elsewhere") for row in self.rows)


def wilson(hits: int, tries: int) -> tuple[float, float]:
    """Return the 95 % interval of a share.

    >>> tuple(round(end, 3) for end in wilson(1, 10))
    (0.018, 0.404)
    """
    if tries == 0:
        return 0.0, 1.0
    p, z2 = hits / tries, Z * Z
    middle = (p + z2 / (2 * tries)) / (1 + z2 / tries)
    half = (
        Z / (1 + z2 / tries) * math.sqrt(p * (1 - p) / tries + z2 / (4 * tries * tries))
    )
    return max(0.0, middle - half), min(1.0, middle + half)


def garwood(hits: int, effort: float) -> tuple[float, float]:
    """Return the exact 95 % interval of a Poisson rate.

    >>> tuple(round(end, 2) for end in garwood(3, 1.0))
    (0.62, 8.77)
    """
    if effort <= 0.0:
        return 0.0, math.inf
    low = 0.0
    if hits > 0:
        low = float(gammaincinv(hits, 0.025))
    return low / effort, float(gammaincinv(hits + 1, 0.975)) / effort


def fisher(hits: int, tries: int, other_hits: int, other_tries: int) -> float:
    """Return the two-sided probability of so uneven a split of hits over two sets of tries, by chance.

    >>> round(fisher(8, 10, 1, 10), 4)
    0.0055
    """
    all_hits, all_tries = hits + other_hits, tries + other_tries
    ways = math.comb(all_tries, all_hits)

    def chance(k: int) -> float:
        return math.comb(tries, k) * math.comb(other_tries, all_hits - k) / ways

    least, most = max(0, all_hits - other_tries), min(all_hits, tries)
    seen = chance(hits)
    return min(
        1.0,
        sum(p for k in range(least, most + 1) if (p := chance(k)) <= seen * (1 + 1e-9)),
    )


def binomial(hits: int, tries: int, share: float) -> float:
    """Return the two-sided probability of so uneven a number of hits by chance."""
    chances = [
        math.comb(tries, k) * share**k * (1 - share) ** (tries - k)
        for k in range(tries + 1)
    ]
    return min(1.0, sum(p for p in chances if p <= chances[hits] * (1 + 1e-9)))


@dataclass(frozen=True)
class Try:
    """A piece of effort with its classes by question: a cast, or the time of one reading.

    `effort` is 1 cast or hours of boat time; of a cast `wet_h` is how long its lure was
    in the water, hours.
    """

    classes: Mapping[str, str | None]
    effort: float
    strikes: tuple[Logged, ...] = ()
    event: Logged | None = None
    wet_h: float = 0.0


CATCH_RATE_QUESTIONS = ("depth", "slope", "structure", "rod", "hour", "light")
"""What is asked of a day, in the order of the tables."""
SEASON_QUESTIONS = (
    "depth",
    "slope",
    "structure",
    "light",
    "month",
    "water",
    "level",
    "wind",
    "rod",
    "hour",
)
"""What is asked of many days."""


def tables(
    tries: Sequence[Try], by: By, questions: Sequence[str] = CATCH_RATE_QUESTIONS
) -> list[RateTable]:
    """Return a table for each question about efforts and what they brought."""
    return [_table(question, tries, by) for question in questions]


def _table(question: str, tries: Sequence[Try], by: By) -> RateTable:
    labels = sorted(
        {label for one in tries if (label := one.classes[question]) is not None},
        key=_natural_order,
    )
    groups = {
        label: [one for one in tries if one.classes[question] == label]
        for label in labels
    }
    all_hits = sum(len(one.strikes) for group in groups.values() for one in group)
    all_effort = math.fsum(
        _effort(one, by) for group in groups.values() for one in group
    )
    rows = tuple(
        _row(label, group, by, all_hits, all_effort, len(groups))
        for label, group in groups.items()
    )
    lost = [one for one in tries if one.classes[question] is None]
    unknown = None
    if lost:
        unknown = _row("not known well enough", lost, by, 0, 0.0, 0)
    return RateTable(question, _HOW[question][TRY_KINDS[by]], by, rows, unknown)


def _effort(one: Try, by: By) -> float:
    if by == "lure hour":
        return one.wet_h
    return one.effort


def _rate_interval(hits: int, effort: float, by: By) -> tuple[float, float]:
    if by == "cast":
        return wilson(hits, round(effort))
    return garwood(hits, effort)


def _row(
    label: str,
    group: Sequence[Try],
    by: By,
    all_hits: int,
    all_effort: float,
    classes: int,
) -> Row:
    hits = tuple(strike for one in group for strike in one.strikes)
    effort = math.fsum(_effort(one, by) for one in group)
    low, high = _rate_interval(len(hits), effort, by)
    return Row(
        label=label,
        strikes=hits,
        effort=effort,
        tries=tuple(one.event for one in group if one.event is not None),
        low=low,
        high=high,
        verdict=_verdict(len(hits), effort, all_hits, all_effort, by, classes),
    )


def _verdict(
    hits: int, effort: float, all_hits: int, all_effort: float, by: By, classes: int
) -> Verdict:
    rest = all_effort - effort
    if classes < 2 or rest <= 0.0 or effort <= 0.0:
        return ""
    if by == "cast":
        chance = fisher(hits, round(effort), all_hits - hits, round(rest))
    else:
        chance = binomial(hits, all_hits, effort / all_effort)
    if chance * classes < 0.05:
        if hits / effort > (all_hits - hits) / rest:
            return "more than elsewhere"
        return "fewer than elsewhere"
    if all_hits < FEW_STRIKES or (by == "cast" and all_effort < FEW_TRIES):
        return "too few to tell"
    return "no clear difference"


def tries_of(
    day: Day, casts: Sequence[CastMade], ground: GroundGrid | None, units: Units
) -> tuple[list[Try], By, list[Logged]]:
    """Return a day's efforts, what they are counted in, and the catches that belong to none of them.

    Casts when at least half of the strikes fell on casts that were called, else time.
    """
    off = off_casts(day, casts)
    on = [cast for cast in casts if cast.catches]
    if casts and len(on) >= len(catches_of(off)):
        return [_cast_try(day, ground, units, cast) for cast in casts], "cast", off
    return _time_tries(day, ground, units), "hour", []


def _cast_try(day: Day, ground: GroundGrid | None, units: Units, cast: CastMade) -> Try:
    depth = steep = np.full(len(cast.x), np.nan)
    if ground is not None:
        depth = ground.depth_at(cast.x, cast.y)
        steep = ground.steepness_at(cast.x, cast.y)
    marks = _marks(day)
    structure = [
        _structure(x, y, s, marks)
        for x, y, s in zip(cast.x, cast.y, steep, strict=True)
    ]
    return Try(
        classes={
            "depth": _most([_depth_class(d, units) for d in depth]),
            "slope": _most([_slope_class(s) for s in steep]),
            "structure": _most(structure),
            "rod": _rod_class(cast.event.rod, cast.event.line),
            **_moment_classes(
                day, cast.event.t, cast.event.boat, cast.event.water_temperature, units
            ),
            "wind": _wind_class(cast.event.wind_speed, units),
        },
        effort=1.0,
        strikes=cast.catches[:1],
        event=cast.event,
        wet_h=max(cast.ended - cast.event.t, 0.0) / 3600.0,
    )


def _time_tries(day: Day, ground: GroundGrid | None, units: Units) -> list[Try]:
    """Return the boat's time in classes, gathered; a strike goes where the boat was."""
    track, marks = day.track, _marks(day)
    steep = np.full(len(track.t), np.nan)
    if ground is not None:
        steep = ground.steepness_at(track.x, track.y)
    rods = _rods_in_hand(day)
    fixes, warm = (
        [r.fix for r in day.readings],
        [r.water_temperature for r in day.readings],
    )
    lasts = np.minimum(np.diff(track.t, append=track.t[-1:]), LONGEST_STEP) / 3600.0
    spent: dict[tuple[str | None, ...], float] = {}
    at: list[tuple[str | None, ...]] = []
    for i, t in enumerate(track.t):
        found = (
            _depth_class(track.depth[i], units),
            _slope_class(steep[i]),
            _structure(track.x[i], track.y[i], steep[i], marks),
            rods(float(t)),
            *_moment_classes(day, float(t), fixes[i], warm[i], units).values(),
            None,  # no wind is kept beside the way
        )
        at.append(found)
        spent[found] = spent.get(found, 0.0) + float(lasts[i])
    caught: dict[tuple[str | None, ...], list[Logged]] = {}
    for catch in catches_of(day.of(*CATCH_EVENTS)):
        if len(track.t):
            nearest = int(np.argmin(np.abs(track.t - catch.first.t)))
            caught.setdefault(at[nearest], []).append(catch.first)
    return [
        Try(dict(zip(_ASKED, found, strict=True)), effort, tuple(caught.get(found, ())))
        for found, effort in spent.items()
    ]


def _marks(day: Day) -> list[tuple[float, float, str]]:
    placed = (
        (day.xy(mark.at or mark.boat), mark.detail or "spot") for mark in day.of("mark")
    )
    return [(*place, kind) for place, kind in placed if place is not None]


def _rods_in_hand(day: Day) -> Callable[[float], str | None]:
    taken = [event for event in day.events if isinstance(event, RodTaken)]
    times = np.array([event.t for event in taken])

    def at(t: float) -> str | None:
        place = int(np.searchsorted(times, t, side="right")) - 1
        if place < 0:
            return None
        return _rod_class(taken[place].rod, taken[place].line)

    return at


def _most(classes: Sequence[str | None]) -> str | None:
    """Return the class that holds most of the places, if it holds enough of them."""
    if not classes:
        return None
    known = [one for one in classes if one is not None]
    best = max(sorted(set(known)), key=known.count, default=None)
    if best is None or known.count(best) < SURE_SHARE * len(classes):
        return None
    return best


def _band(figure: float, wide: float, unit: str) -> str:
    """Return the class of a figure among classes of one width that begin at zero."""
    low = math.floor(figure / wide) * wide
    return f"{low:g} to {low + wide:g} {unit}"


def _depth_class(depth: float, units: Units) -> str | None:
    if math.isnan(depth):
        return None
    wide = {"feet": 5.0, "metres": 1.5}[units.name]
    return _band(depth / units.depth_m, wide, units.depth_unit)


def _slope_class(steepness: float) -> str | None:
    if math.isnan(steepness):
        return None
    if steepness < FLAT_SLOPE:
        return "1. flat, less than 1 in 10"
    if steepness < BREAK_SLOPE:
        return "2. sloping"
    return "3. a break, more than 1 in 4"


def _structure(
    x: float, y: float, steepness: float, marks: Sequence[tuple[float, float, str]]
) -> str | None:
    near = [(math.hypot(x - mx, y - my), kind) for mx, my, kind in marks]
    closest = min(near, default=(math.inf, ""))
    if closest[0] <= NEAR_MARK_M:
        return closest[1]
    if math.isnan(steepness):
        return None
    if steepness >= BREAK_SLOPE:
        return "a break, not marked"
    return "nothing marked"


def _rod_class(rod: str | None, line: str | None) -> str | None:
    if rod is None:
        return None
    return f"{rod}, {line}"


_ASKED = (
    "depth",
    "slope",
    "structure",
    "rod",
    "hour",
    "light",
    "month",
    "water",
    "level",
    "wind",
)
"""All that a try is put into classes by."""


def _moment_classes(
    day: Day, t: float, fix: Fix | None, celsius: float | None, units: Units
) -> dict[str, str | None]:
    """Return the classes of a moment: its hour, light, month and the water's temperature."""
    at = day.clock(t)
    return {
        "hour": _hour_class(at, t),
        "light": _light(at, fix),
        "month": _month_class(at),
        "water": _water_class(celsius, units),
        "level": _level_class(day.level(t), units),
    }


def _light(at: datetime | None, fix: Fix | None) -> str | None:
    if at is None or fix is None:
        return None
    # The sun moves a degree in four minutes: a reading's light is that of its ten
    # minutes.
    began = at.replace(minute=at.minute // 10 * 10, second=0, microsecond=0)
    return _light_of(began, round(fix.lat, 1), round(fix.lon, 1))


@lru_cache(maxsize=4096)
def _light_of(at: datetime, lat: float, lon: float) -> str:
    return light_at(at, lat, lon)


def _month_class(at: datetime | None) -> str | None:
    if at is None:
        return None
    return f"{at.month:02d}. {MONTHS[at.month - 1]}"


def _water_class(celsius: float | None, units: Units) -> str | None:
    if celsius is None or math.isnan(celsius):
        return None
    if units.name == "feet":
        return _band(celsius * 1.8 + 32.0, 5.0, "°F")
    return _band(celsius, 3.0, "°C")


def _wind_class(speed: float | None, units: Units) -> str | None:
    """Return the class of a wind over the ground, m/s, where an instrument told it."""
    if speed is None:
        return None
    if units.name == "feet":
        return _band(speed / MILE_PER_HOUR, 5.0, "mph")
    return _band(speed, 2.0, "m/s")


def _level_class(rise_m: float | None, units: Units) -> str | None:
    """Return the class of a level against the map's: it is told, and holds until the next one is."""
    if rise_m is None:
        return None
    number = units.depth_number(rise_m)
    if number == 0.0:
        return "2. as on the map"
    side = "1. below"
    if number > 0.0:
        side = "3. above"
    return f"{side} the map's by up to {math.ceil(abs(number)):g} {units.depth_unit}"


def _hour_class(at: datetime | None, t: float) -> str:
    """Return the hour of the day, or of the trip where the time of day was never known."""
    if at is None:
        return f"hour {int(t // 3600) + 1}"
    return f"{at.hour:02d}:00 to {(at.hour + 1) % 24:02d}:00"


def _natural_order(label: str) -> tuple[float, str]:
    """Order by a number at the beginning ("5 to 10 ft" before "10 to 15 ft"), then by the words."""
    head = label.partition(" ")[0].partition(":")[0].rstrip(".")
    if not head.replace(".", "", 1).isdigit():
        return math.inf, label
    return float(head), label


def shown(label: str) -> str:
    """Return a class as it is shown, without the number that only orders it."""
    number, dot, words = label.partition(". ")
    if dot and number.isdigit():
        return words
    return label


_HOW: Mapping[str, Mapping[Literal["cast", "hour"], str]] = {
    "depth": {
        "cast": "Depth of the mapped bottom along the cast.",
        "hour": "Depth under the boat.",
    },
    "slope": {
        "cast": "Steepness of the mapped bottom along the cast.",
        "hour": "Steepness of the mapped bottom under the boat.",
    },
    "structure": {
        "cast": "The nearest mark, if one lies within three boat lengths of the cast; else the bottom.",
        "hour": "The nearest mark, if one lies within three boat lengths; else the bottom.",
    },
    "rod": {
        "cast": "The rod that was cast, with its line.",
        "hour": "The rod in hand, with its line.",
    },
    "hour": {"cast": "The hour the cast was made in.", "hour": "The hour."},
    "light": {
        "cast": "The sun when the cast was made: low is from dawn to 10° and again to dusk.",
        "hour": "The sun: low is from dawn to 10° and again to dusk.",
    },
    "month": {"cast": "The month.", "hour": "The month."},
    "level": {
        "cast": "The water's level against the map's, as you told it that day.",
        "hour": "The water's level against the map's, as you told it that day.",
    },
    "wind": {
        "cast": "The wind over the ground when the cast was made, where an instrument told it.",
        "hour": "The wind is kept with casts only.",
    },
    "water": {
        "cast": "Temperature of the water at the boat.",
        "hour": "Temperature of the water at the boat.",
    },
}
