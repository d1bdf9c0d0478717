"""Depth through the day: the bottom under the boat, the reach of the rod in hand, and what happened."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

import numpy as np

from companion.events import Learned, RodTaken
from companion.pictures.drawing import Box, outline, rounded, text
from companion.pictures.palette import rod_class
from companion.report.casts import CastMade, Catch
from companion.report.chart import (
    MOST_CHART_POINTS,
    DayChart,
    ShownEntry,
    chart,
    chosen_by,
    label,
    pin,
    rods_of,
    runs_of,
    shown_of,
    thing,
)
from companion.report.day import Day, Floats
from companion.units import Units, round_steps

_MOST_TICKS = 150
_MOST_MOMENTS = 1800
_TIME_WIDE, _TIME_HIGH = 1000.0, 330.0
_TIME_BOX = Box(38.0, 0.0, 1000.0, 300.0)
_AIR_HIGH = 34.0


def timeline_of(
    day: Day, casts: Sequence[CastMade], catches: Sequence[Catch], units: Units
) -> DayChart | None:
    """Return depth against time, the reach of the rod in hand and what happened; None without readings."""
    track = day.track
    if not len(track.t):
        return None
    line = _TimeLine(day)
    world = [
        Box(line.box.left, line.surface, line.box.right, line.box.bottom).rect(
            "", ' fill="url(#unknown)"'
        ),
        *line.bottom(),
        *line.reaches(),
        *line.cast_spans(casts),
        *line.ticks(),
        *(line.thing(one) for one in shown_of(day, catches)),
        f'<path class="cursor time-now" id="time-now" hidden="" d="M0 0V{line.box.bottom:.0f}"/>',
    ]
    return DayChart(
        chart(
            "time-chart",
            "Depth through the day: the bottom under the boat, the reach of the rod in hand, what happened",
            _TIME_WIDE,
            _TIME_HIGH,
            line.depth_axis(units),
            world,
            Box(line.box.left, 0.0, line.box.right, _TIME_HIGH),
        ),
        _TIME_WIDE,
        _TIME_HIGH,
        {"began": float(track.t[0]), "lasted": line.lasted},
    )


class _TimeLine:
    """The scales of the chart of the day: time and depth."""

    def __init__(self, day: Day) -> None:
        self.day, self.box, self.surface = day, _TIME_BOX, _TIME_BOX.top + _AIR_HIGH
        self.began = float(day.track.t[0])
        self.lasted = max(float(day.track.t[-1]) - self.began, 1.0)
        self.deepest = 1.1 * float(
            np.nanmax([*day.track.believed, *(r for _, r, *_ in _steps(day)), 1.0])
        )

    def x(self, t: float) -> float:
        return self.box.left + (t - self.began) / self.lasted * self.box.wide

    def y(self, depth: float) -> float:
        return self.surface + depth / self.deepest * (self.box.bottom - self.surface)

    def thing(self, one: ShownEntry) -> str:
        """Return a thing at its time and depth."""
        return thing(self.day, one, self.x(one.things[0].t), self.y_of(one), one.said)

    def y_of(self, one: ShownEntry) -> float:
        """Return where a thing hangs: at its depth, above the water when that is not known."""
        depth = one.at.lure_depth
        if depth is None and one.kind in ("mark", "touch"):
            depth = one.at.bottom
        if depth is None:
            return self.box.top + 14.0
        return self.y(depth)

    def bottom(self) -> Iterator[str]:
        """Yield water and ground over the stretches over which the depth was known."""
        track = self.day.track
        known = ~np.isnan(track.believed)
        share = MOST_CHART_POINTS / max(int(known.sum()), 1)
        for run in runs_of(track.t, known):
            kept = run[_thinned(track.believed[run], math.ceil(share * len(run)))]
            line = [
                (self.x(t), self.y(z))
                for t, z in zip(track.t[kept], track.believed[kept], strict=True)
            ]
            ends = (line[0][0], line[-1][0])
            yield Box(ends[0], self.surface, ends[1], self.box.bottom).rect("water")
            floor = [*line, (ends[1], self.box.bottom), (ends[0], self.box.bottom)]
            yield f'<path class="ground" d="{outline(floor, closed=True)}"/>'
            yield f'<path class="bottom" d="{outline(line)}"/>'

    def reaches(self) -> Iterator[str]:
        """Yield the reach of the rod in hand, rod by rod."""
        steps, rods = _steps(self.day), rods_of(self.day)
        until = [*(t for _, _, t in steps[1:]), float(self.day.track.t[-1])][
            : len(steps)
        ]
        for place, rod in enumerate(rods):
            ways = (
                f"M{self.x(begins):.1f} {self.y(reach):.1f}H{self.x(ends):.1f}"
                for (name, reach, begins), ends in zip(steps, until, strict=True)
                if name == rod
            )
            yield f'<path class="way {rod_class(place)}" {chosen_by("reach", rod)} d="{"".join(ways)}"/>'

    def cast_spans(self, casts: Sequence[CastMade]) -> Iterator[str]:
        """Yield when a lure was in the water, rod by rod."""
        for rod in dict.fromkeys(cast.event.rod for cast in casts):
            mine = [cast for cast in casts if cast.event.rod == rod]
            ways = (
                f"M{self.x(c.event.t):.1f} {self.surface:.1f}H{self.x(c.ended):.1f}"
                for c in mine
            )
            yield f'<path class="span" {chosen_by("cast", rod)} d="{"".join(ways)}"/>'

    def ticks(self) -> Iterator[str]:
        """Yield times of day along the lower edge, round ones first where not all have room."""
        y = self.box.bottom
        for t, rank in _tick_times(self.day, self.began, self.lasted):
            yield pin(
                self.x(t),
                y,
                label(self.day.time_words(t), rank, 0.0, 19.0, "tick", "middle"),
            )

    def depth_axis(self, units: Units) -> Iterator[str]:
        """Yield the surface and the depths at the left."""
        left, right = self.box.left, self.box.right
        yield f'<path class="surface" d="M{left} {self.surface:.1f}H{right}"/>'
        yield f'<path class="axis" d="M{left} {self.box.top}V{self.box.bottom}H{right}"/>'
        yield pin(
            left - 6.0,
            self.surface,
            text(0.0, 5.0, units.depth_unit, "tick depth-tick", "end"),
        )
        for z in round_steps(self.deepest / units.depth_m)[1:]:
            y = self.y(z * units.depth_m)
            yield f'<path class="grid" d="M{left} {y:.1f}H{right}"/>'
            yield pin(left - 6.0, y, text(0.0, 5.0, f"{z:g}", "tick depth-tick", "end"))


def _thinned(depth: Floats, most: int) -> np.ndarray[Any, np.dtype[np.intp]]:
    """Return which readings to draw: of a long stretch the shallowest and deepest of each part."""
    if len(depth) <= max(most, 4):
        return np.arange(len(depth))
    kept = {0, len(depth) - 1}
    for part in np.array_split(np.arange(len(depth)), max(most // 2, 2)):
        kept |= {int(part[np.argmin(depth[part])]), int(part[np.argmax(depth[part])])}
    return np.array(sorted(kept))


def _steps(day: Day) -> list[tuple[str, float, float]]:
    """Return the rod in hand and its reach, m, each with the logic time from which it holds."""
    steps: list[tuple[str, float, float]] = []
    for event in day.events:
        taken = isinstance(event, RodTaken) and event.reach is not None
        learned = (
            isinstance(event, Learned) and bool(steps) and steps[-1][0] == event.rod
        )
        if isinstance(event, RodTaken | Learned) and (taken or learned):
            steps.append((event.rod, event.reach or 0.0, event.t))
    return steps


def _tick_times(day: Day, began: float, lasted: float) -> Iterator[tuple[float, int]]:
    """Yield round times within the day and a rank, the lower the rounder."""
    minutes = next(
        m for m in (1, 2, 5, 10, 15, 30, 60, 1e9) if lasted / 60.0 / m <= _MOST_TICKS
    )
    clock = day.clock(began)
    origin = began
    if clock is not None:
        origin -= _past_midnight(clock)
    t = origin + math.ceil((began - origin) / (60.0 * minutes)) * 60.0 * minutes
    levels = (180, 60, 30, 15, 10, 5, 2, 1)
    while t <= began + lasted:
        minute = round((t - origin) / 60.0)
        yield (
            t,
            next((rank for rank, level in enumerate(levels) if minute % level == 0), 9),
        )
        t += 60.0 * minutes


def _past_midnight(at: datetime) -> float:
    """Return how long ago the day began, s."""
    return 3600.0 * at.hour + 60.0 * at.minute + at.second + 1e-6 * at.microsecond


def playback(day: Day, *, places: bool) -> dict[str, Any]:
    """Return the day for the time cursor: times, s, depths and places, m; None where not known."""
    track = day.track
    every = max(1, math.ceil(len(track.t) / _MOST_MOMENTS))
    some = slice(None, None, every)

    def thinned(values: Floats, digits: int) -> list[float | None]:
        return [rounded(float(value), digits) for value in values[some]]

    data: dict[str, Any] = {
        "t": thinned(track.t, 0),
        "depth": thinned(track.believed, 2),
    }
    if places:
        data |= {"x": thinned(track.x, 1), "y": thinned(track.y, 1)}
    at = day.clock(0.0)
    data["clock"] = at
    if at is not None:
        data["clock"] = round(_past_midnight(at))
    data["hands"] = [[round(t, 1), rod] for rod, _, t in _steps(day)]
    return data
