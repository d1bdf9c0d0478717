"""The day in one paragraph, and its figures; every number that comes from events leads to them."""

from __future__ import annotations

import re
from html import escape, unescape

import numpy as np

from companion.events import Heard, Logged
from companion.pictures.drawing import wrapped
from companion.report.document import link, links
from companion.report.findings import Findings
from companion.report.words import count, lasting

_MOST_LINKS = 12


def summary(found: Findings) -> str:
    """Return the day in one paragraph, as plain text."""
    return unescape(re.sub("<[^>]*>", "", paragraph(found)))


def paragraph(found: Findings) -> str:
    """Return the day in one paragraph, as HTML with links."""
    parts = (_outing(found), _fishing(found), _bottom(found), _talk(found))
    return " ".join(part for part in parts if part)


def tiles(found: Findings) -> str:
    """Return the day's figures as HTML."""
    day, best = found.day, found.best_fish
    hits = [hit.first for hit in found.catches]
    shown = [
        (
            "casts called",
            str(len(found.casts)),
            _few(found, [cast.event for cast in found.casts]),
        ),
        ("bites", str(len(hits)), _few(found, hits)),
        ("fish in the boat", str(len(day.of("fish"))), _few(found, day.of("fish"))),
        (
            "touches of the bottom",
            str(len(day.of("touch"))),
            _few(found, day.of("touch")),
        ),
    ]
    if best is not None:
        shown.insert(
            3, ("best fish", found.units.weight(best.size or 0.0), link(day, best))
        )
    inside = "".join(
        f"<div><dt>{name}</dt><dd>{value}<small>{whence or '&nbsp;'}</small></dd></div>\n"
        for name, value, whence in shown
    )
    return f'<dl class="tiles">\n{inside}</dl>'


def _few(found: Findings, things: list[Logged]) -> str:
    few = links(found.day, things[:_MOST_LINKS])
    if len(things) > _MOST_LINKS:
        few += ', <a href="#log">…</a>'
    return few


def _outing(found: Findings) -> str:
    day, units, track = found.day, found.units, found.day.track
    text = wrapped("", day.date, ": ")
    text += f"{lasting(day.entry.seconds)} on the water"
    if (way := track.way) > 10.0:
        text += f", {units.way(way)} along"
    depth = track.believed[~np.isnan(track.believed)]
    if len(depth):
        shallow, deep = float(depth.min()), float(depth.max())
        text += f", over {units.whole_depth(shallow).split()[0]} to {units.whole_depth(deep)} of water"
    if not np.isnan(track.temperature).all():
        text += f" at {units.temperature(float(np.nanmedian(track.temperature)))}"
    return escape(text) + "."


def _fishing(found: Findings) -> str:
    day, hits = found.day, found.catches
    rods = {cast.event.rod for cast in found.casts}
    casts = ""
    if found.casts:
        casts = (
            f"{count(len(found.casts), 'cast')} called with {count(len(rods), 'rod')}"
        )
    if not hits:
        return _sentence(f"{casts or 'no cast was called'}, and no bite was logged")
    brought = f"{count(len(hits), 'bite')} ({_few(found, [hit.first for hit in hits])})"
    if fish := day.of("fish"):
        brought += f" and {count(len(fish), 'fish', 'fish')} in the boat"
    return _sentence(wrapped("", casts, " brought ") + brought) + _best(found)


def _best(found: Findings) -> str:
    best = found.best_fish
    if best is None:
        return ""
    weight = found.units.weight(best.size or 0.0)
    which = "The best"
    if len(found.day.of("fish")) == 1:
        which = "It"
    text = f" {which} ({link(found.day, best)}) weighed {weight}"
    if best.rod:
        text += f" and came on {escape(f'{best.rod} ({best.line})')}"
    strike = next(hit for hit in found.catches if best in hit.things)
    if strike.lure_depth is not None:
        text += f", the lure about {found.units.whole_depth(strike.lure_depth)} down"
    return text + "."


def _bottom(found: Findings) -> str:
    day = found.day
    touches, snags, lost, marks = (
        day.of(what) for what in ("touch", "snag", "broke off", "mark")
    )
    parts = []
    if touches:
        parts.append(
            f"the lure was felt to touch bottom {_times(len(touches))} ({_few(found, touches)})"
        )
    if snags:
        parts.append(f"it snagged {_times(len(snags))} ({_few(found, snags)})")
    if lost:
        parts.append(f"{count(len(lost), 'lure')} broke off ({_few(found, lost)})")
    if marks:
        placed = count(len(marks), "place was", "places were")
        parts.append(f"{placed} marked ({_few(found, marks)})")
    if not parts:
        return ""
    return _sentence("; ".join(parts))


def _talk(found: Findings) -> str:
    day = found.day
    heard = [event for event in day.events if isinstance(event, Heard)]
    if not heard:
        return ""
    taken = sum(event.command is not None for event in heard)
    gone = [thing.event for thing in day.things if not thing.stands]
    changed = [thing.event for thing in day.things if thing.stands and thing.amendments]
    commands = "none was taken for a command"
    if taken:
        commands = count(taken, "was taken for a command", "were taken for commands")
    parts = [f'of <a href="#heard">{count(len(heard), "thing")} said</a>, {commands}']
    if gone:
        parts.append(
            f"{count(len(gone), 'entry was', 'entries were')} taken back ({_few(found, gone)})"
        )
    if changed:
        said = count(len(changed), "entry was", "entries were")
        parts.append(f"{said} corrected afterwards ({_few(found, changed)})")
    return _sentence("; ".join(parts))


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, count(number, "time"))
