"""The readable timeline: one line of plain words for each event, as `companion replay` prints it."""

from __future__ import annotations

from functools import singledispatch

from companion import events
from companion.units import KNOT, LengthUnit, Units, spoken_depth

_MARGIN = " " * 10


def printed(event: events.AnyEvent, unit: LengthUnit, *, as_json: bool) -> str:
    """Return an event as a line of JSON, or as `line` does."""
    if as_json:
        return events.to_json(event).decode()
    return line(event, unit)


def line(event: events.AnyEvent, unit: LengthUnit) -> str:
    """Return an event as a line: the time, what kind of thing it is, and what happened."""
    kind, text = _told(event, unit)
    return f"{_time(event)}  {kind:<8}{text}"


def _time(event: events.Event) -> str:
    """The time of day, UTC, when it is known; else minutes and seconds since the trip began."""
    if event.utc is not None:
        return event.utc[11:19]
    minutes, seconds = divmod(int(event.t), 60)
    return f"+{minutes:04d}:{seconds:02d}"


@singledispatch
def _told(event: events.Event, unit: LengthUnit) -> tuple[str, str]:  # noqa: ARG001
    raise TypeError(f"no words for {type(event).__name__}: add them to timeline.py")


@_told.register
def _(event: events.TripBegan, unit: LengthUnit) -> tuple[str, str]:  # noqa: ARG001
    rods = "".join(
        f"\n{_MARGIN}        {name}: {carries}" for name, carries in event.rods.items()
    )
    return "trip", f"{event.name}{rods}"


@_told.register
def _(event: events.TripEnded, unit: LengthUnit) -> tuple[str, str]:  # noqa: ARG001
    dropped = ", ".join(
        f"{count} {reason}" for reason, count in sorted(event.dropped.items())
    )
    return (
        "trip",
        f"ended after {event.sentences} sentences; dropped: {dropped or 'nothing'}",
    )


@_told.register
def _(event: events.Heard, unit: LengthUnit) -> tuple[str, str]:  # noqa: ARG001
    words = event.text or "(no words)"
    if not event.command:
        words += f"   [not taken: {event.reason}]"
    return "heard", words


@_told.register
def _(event: events.Said, unit: LengthUnit) -> tuple[str, str]:  # noqa: ARG001
    return "said", f'"{event.text}"'


@_told.register
def _(event: events.RodTaken, unit: LengthUnit) -> tuple[str, str]:
    return (
        "rod",
        f"{event.rod}: {event.lure} on {event.line}, reaches {_length(event.reach, unit)}",
    )


@_told.register
def _(event: events.Match, unit: LengthUnit) -> tuple[str, str]:
    by = ""
    if event.by is not None:
        by = f" by {spoken_depth(event.by, unit)}"
    depth, reach = _length(event.depth, unit), _length(event.reach, unit)
    return "match", f"{event.state}{by} (bottom {depth}, {event.rod} reaches {reach})"


@_told.register
def _(event: events.Outlook, unit: LengthUnit) -> tuple[str, str]:
    parts = [f"{event.rod} towards {event.bearing:.0f}: "]
    if (
        event.state == "touch"
        and event.distance is not None
        and event.seconds is not None
    ):
        far = _length(event.distance, unit)
        parts.append(f"{event.sureness} touch {far} out, in {event.seconds:.0f} s")
    elif event.state == "unknown" or event.margin is None:
        parts.append("bottom not known")
    else:
        parts.append(f"{event.state} by {_length(event.margin, unit)}")
    parts += [f"; {_top(top, unit)}" for top in event.tops]
    return "outlook", "".join(parts)


def _top(top: events.TopAhead, unit: LengthUnit) -> str:
    """A tree top on the way. One that stands higher than the lure swims may yet be passed beside."""
    where = f"tree top {_length(top.distance, unit)} out"
    if top.clearance >= 0.0:
        return f"{where}, cleared by {_length(top.clearance, unit)}"
    high, chance = _length(-top.clearance, unit), round(100.0 * top.chance)
    return f"{where}, {high} too high to clear, {chance} % to run into it"


@_told.register
def _(event: events.Learned, unit: LengthUnit) -> tuple[str, str]:
    band = f"{_length(event.low, unit)} to {_length(event.high, unit)}"
    return (
        "learned",
        f"{event.rod} reaches {_length(event.reach, unit)} ({band}), was {_length(event.was, unit)}",
    )


@_told.register
def _(event: events.DepthNews, unit: LengthUnit) -> tuple[str, str]:
    if not event.depth:
        return "depth", event.state
    return "depth", f"{event.state} at {_length(event.depth, unit)}"


@_told.register
def _(event: events.Notice, unit: LengthUnit) -> tuple[str, str]:  # noqa: ARG001
    return "notice", event.text


@_told.register
def _(event: events.Logged, unit: LengthUnit) -> tuple[str, str]:
    parts = [f"{event.number}. {event.what}"]
    if event.detail:
        parts.append(event.detail)
    if event.size is not None:
        units = Units(unit)
        written = {"fish": units.weight, "cast": units.distance}
        parts.append(written.get(event.what, units.depth)(event.size))
    if event.rod:
        parts.append(f"{event.rod} ({event.line})")
    if event.lure_depth is not None:
        parts.append(f"lure at {_length(event.lure_depth, unit)}")
    if event.lure_bottom is not None:
        parts.append(f"over {_length(event.lure_bottom, unit)}")
    if event.bottom is not None:
        parts.append(f"bottom {_length(event.bottom, unit)}")
    if event.place is not None:
        parts.append(_place(event.place, unit))
    if event.speed is not None and event.speed > KNOT / 2:
        parts.append(f"{event.speed / KNOT:.1f} kn")
    return "logged", ", ".join(parts)


@_told.register
def _(event: events.Undone, unit: LengthUnit) -> tuple[str, str]:  # noqa: ARG001
    return "undone", f"{event.number}. {event.what}"


def _length(metres: float | None, unit: LengthUnit) -> str:
    return Units(unit).depth(metres)


def _place(fix: events.Fix, unit: LengthUnit) -> str:
    place = f"at {fix.lat:.5f} {fix.lon:.5f}"
    if fix.radius is None:
        return place
    return f"{place} within {_length(fix.radius, unit)}"
