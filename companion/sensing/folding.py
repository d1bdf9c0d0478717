"""What each kind of value does to the boat's state: who is believed, and what reading comes of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

from companion.sensing import depth, heading, position, wind
from companion.sensing.fields import Values, turned
from companion.sensing.readings import (
    Depth,
    Heading,
    Motion,
    Origin,
    Position,
    Reading,
    Remark,
    WaterSpeed,
    WaterTemperature,
    Wind,
)
from companion.sensing.settings import BoatOffsets, SourceSettings
from companion.sensing.state import Boat, Latch
from companion.sensing.timebase import TimeBase

Parser = Callable[[list[str], Values], Any]
"""Parses the fields of a sentence."""
Fold = Callable[["Talker", Any, int], Sequence[Reading]]
"""Folds what a speaker has told; the last argument is where its sentence ends in the stream, byte."""
_PLACES = frozenset(("GGA", "GNS", "GLL", "RMC", "place", "fix"))
_MOTIONS = frozenset(("RMC", "VTG", "motion", "fix"))
_WIND_RANKS: dict[wind.WindReference, int] = {
    "north": 0,
    "magnetic": 0,
    "bow": 1,
    "apparent": 2,
}


def _already_parsed(value: object, _values: Values) -> object:
    return value


BELOW_KEEL = "depth below keel, and the keel's depth is not configured"
"""Why a depth is dropped that is counted from the keel."""
_ALONE_AFTER = 20
TWO_DEPTHS = "two depths are told that differ"
"""How the line begins that warns of two sounders."""
_DEPTHS_APART_M, _DEPTHS_APART, _APART_FOR = 1.0, 0.1, 8
# m and share of the depth; readings in a row, as a relayed depth is late on a slope


class Talker:
    """One sentence or message of one talker of one source, and how it is taken."""

    __slots__ = (
        "fewest",
        "fold",
        "is_noted",
        "moves",
        "not_before",
        "origin",
        "parse",
        "priority",
        "rank",
        "sentence",
        "settings",
        "talker",
        "tells_motion",
        "tells_place",
    )

    def __init__(
        self,
        origin: Origin,
        settings: SourceSettings,
        fold: Fold,
        quality: int,
        tells: str,
        fewest: int = 0,
        parse: Parser = _already_parsed,
        not_before: date | None = None,
    ) -> None:
        """`tells`: the sentence, or the quantity of a network, by which a fix tells place or motion.

        `not_before`: no date of this speaker is older; None: as its wire's settings
        have it.
        """
        self.origin = origin
        self.settings = settings
        self.fewest, self.parse = fewest, parse
        self.tells_place, self.tells_motion = tells in _PLACES, tells in _MOTIONS
        self.rank = (origin.priority, quality)
        self.priority = (origin.priority, 0)
        self.fold = fold
        self.is_noted = False  # of a network: it is known whether others tell the same
        self.talker = f"{origin.source} {origin.talker}"
        self.sentence = f"{self.talker}{origin.formatter}"
        self.moves = settings.time in ("auto", "sentences")
        self.not_before = not_before or settings.not_before


class Folds:
    """Folds values into the state of the boat, and returns the readings that are believed.

    Attributes:
        by_family: what folds each family of sentences and data ("depth", "position").
    """

    def __init__(
        self,
        boat: Boat,
        time: TimeBase,
        offsets: BoatOffsets,
        dropped: Counter[str],
        passed_over: Counter[str],
    ) -> None:
        """`dropped` and `passed_over` count what is not used, by reason."""
        self._boat, self._time, self._offsets = boat, time, offsets
        self._dropped, self._passed_over = dropped, passed_over
        self._apart, self._told_apart = 0, False
        self._fix: tuple[str, int | None, Origin | None] = ("", None, None)
        self.by_family: dict[str, Fold] = {
            "depth": self._fold_depth,
            "position": self._fold_position,
            "heading": self._fold_heading,
            "temperature": self._number_into(
                self._boat.water_temperature, WaterTemperature, "water temperature"
            ),
            "water speed": self._number_into(
                self._boat.water_speed, WaterSpeed, "water speed"
            ),
            "wind": self._fold_wind,
            "remark": self._fold_remark,
        }

    def _fold_depth(
        self, by: Talker, sounding: depth.DepthSounding, _end: int
    ) -> Sequence[Reading]:
        below_transducer, below_surface = self._depths(sounding)
        reading = Depth(below_transducer, below_surface, by.origin)
        known = sounding.depth is not None
        if self._boat.depth.offer(
            self._time.now / 1000.0, by.sentence, by.rank, reading, known
        ):
            return (reading,)
        self._compare_with_believed(reading)
        return self._not_believed("depth", known)

    def _compare_with_believed(self, reading: Depth) -> None:
        """Warn once where two talkers tell depths that stay apart: two sounders, or wrong offsets."""
        believed = self._boat.depth.reading
        if (
            believed is None
            or believed.below_surface is None
            or reading.below_surface is None
            or believed.origin.talker == reading.origin.talker
        ):
            return
        most = max(_DEPTHS_APART_M, _DEPTHS_APART * believed.below_surface)
        if abs(reading.below_surface - believed.below_surface) <= most:
            self._apart = 0
            return
        self._apart += 1
        if self._apart == _APART_FOR and not self._told_apart:
            self._told_apart = True
            self._time.warnings.append(
                f"{TWO_DEPTHS}, by {believed.origin.talker} and "
                f"{reading.origin.talker}; {believed.origin.talker} is listened to"
            )

    def _depths(
        self, sounding: depth.DepthSounding
    ) -> tuple[float | None, float | None]:
        """Return the depth below the transducer and below the surface, m."""
        told = sounding.depth
        transducer = self._offsets.transducer
        if told is None:
            return None, None
        if sounding.below == "transducer":
            if transducer is None:
                transducer = max(sounding.offset or 0.0, 0.0)
            return told, told + transducer
        surface = told
        if sounding.below == "keel":
            keel = self._offsets.keel
            if keel is None:
                self._dropped[BELOW_KEEL] += 1
                self._tell_of_keel()
                return None, None
            surface += keel
        if transducer is None:
            return None, surface
        return surface - transducer, surface

    def _tell_of_keel(self) -> None:
        """Warn once where by now no other sentence has told the depth."""
        last = self._boat.depth.reading
        alone = last is None or last.below_surface is None
        if alone and self._dropped[BELOW_KEEL] == _ALONE_AFTER:
            self._time.warnings.append(f"{BELOW_KEEL} (keel_depth)")

    def _fold_position(
        self, by: Talker, told: position.Told, end: int
    ) -> Sequence[Reading]:
        base = self._time
        origin = by.origin
        running = True
        if told.time is not None:
            day = told.day
            if day is not None:
                day = self._true_day(by, told, day)
            moves = by.moves and not base.tagged
            running = base.by_sentence(
                origin.source, by.talker, by.sentence, told.time, day, end, moves=moves
            )
        t = base.now / 1000.0
        readings: list[Reading] = []
        if by.tells_place:
            self._fold_place(t, by, told, running, readings)
        if by.tells_motion:
            self._fold_motion(t, by, told, readings)
        return readings

    def _true_day(self, by: Talker, told: position.Told, day: date) -> date:
        """Return the date, put right by what is known of the source and by the sentence's own form."""
        settings = by.settings
        not_before = max(by.not_before, told.not_before or date.min)
        return self._time.true_day(day, not_before, by.talker, settings.recorded)

    def _fold_place(
        self,
        t: float,
        by: Talker,
        told: position.Told,
        running: bool,
        readings: list[Reading],
    ) -> None:
        place = told.place
        latch = self._boat.position
        if place is None:
            reading = Position(None, None, None, by.origin)
            if latch.offer(t, by.talker, by.priority, reading, False):
                readings.append(reading)
            return
        if not running:
            self._dropped["position standing still in time"] += 1
            latch.drop(by.talker)
            return
        # The sentences of one instant tell one fix: the first to come is taken.
        talker, time, origin = self._fix
        if (
            told.time == time
            and origin is not by.origin
            and talker == by.talker
            and time is not None
        ):
            if told.hdop is not None:
                self._boat.hdop.accept_value(t, told.hdop)
            self._passed_over["position told twice"] += 1
            return
        reading = Position(place[0], place[1], told.hdop, by.origin)
        if latch.offer(t, by.talker, by.priority, reading, True):
            self._fix = (by.talker, told.time, by.origin)
            self._boat.hdop.accept_value(t, told.hdop)
            readings.append(reading)
        else:
            self._not_believed("position", True)

    def _fold_motion(
        self, t: float, by: Talker, told: position.Told, readings: list[Reading]
    ) -> None:
        known = told.speed is not None
        reading = Motion(told.speed, told.course, by.origin)
        if self._boat.motion.offer(t, by.sentence, by.rank, reading, known):
            readings.append(reading)
        else:
            self._not_believed("motion", known)
        self._boat.variation.accept_value(t, told.variation)

    def _fold_heading(
        self, by: Talker, told: heading.Bearing, _end: int
    ) -> Sequence[Reading]:
        t = self._time.now / 1000.0
        self._boat.variation.accept_value(t, told.variation)
        true = told.true
        if true is None:
            true = turned(told.magnetic, self._boat.variation.at(t))
        reading = Heading(true, told.magnetic, by.origin)
        known = true is not None or told.magnetic is not None
        if self._boat.heading.offer(t, by.sentence, by.rank, reading, known):
            return (reading,)
        return self._not_believed("heading", known)

    def _number_into(
        self,
        latch: Latch[WaterTemperature] | Latch[WaterSpeed],
        kind: type[WaterTemperature] | type[WaterSpeed],
        what: str,
    ) -> Fold:
        """Return what folds a quantity that is a single number."""

        def take(by: Talker, value: float | None, _end: int) -> Sequence[Reading]:
            t = self._time.now / 1000.0
            reading, known = kind(value, by.origin), value is not None
            if latch.offer(t, by.sentence, by.rank, reading, known):  # type: ignore[arg-type]
                return (reading,)
            return self._not_believed(what, known)

        return take

    def _fold_wind(
        self, by: Talker, told: wind.WindTold, _end: int
    ) -> Sequence[Reading]:
        t = self._time.now / 1000.0
        if told.reference == "magnetic":
            angle = turned(told.angle, self._boat.variation.at(t))
            told = wind.WindTold(told.speed, angle)
        # One sentence tells the apparent wind and the true one in turn: they are
        # different speakers.
        holder, rank = (
            f"{by.sentence} {told.reference}",
            (by.rank[0], _WIND_RANKS[told.reference]),
        )
        reading = Wind(told, by.origin)
        if self._boat.wind.offer(t, holder, rank, reading, told.speed is not None):
            return (reading,)
        return self._not_believed("wind", told.speed is not None)

    def _fold_remark(self, _by: Talker, remark: Remark, _end: int) -> Sequence[Reading]:
        return (remark,)

    def _not_believed(self, what: str, known: bool) -> Sequence[Reading]:
        if known:
            self._passed_over[what + " from another source"] += 1
        return ()
