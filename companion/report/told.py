"""Every event in its row: what was logged, with its corrections; what was heard, with its sound; the rest."""

from __future__ import annotations

from collections.abc import Iterable
from functools import singledispatch
from html import escape

from companion import events
from companion.events import Heard, Logged, Match, Outlook
from companion.record.amendments import Amendment, Corrected
from companion.report.day import CATCHES, Day
from companion.report.document import UNKNOWN, link, table
from companion.report.findings import Findings
from companion.report.words import Words, count, place

_AT_LURE = (*CATCHES, "touch", "snag")
"""What happens where the lure is."""
MOST_MATCHES = 2000
"""Of more matches than these only the logbook tells."""


# -- logged -------------------------------------------------------------------------------------------


def logged(found: Findings) -> str:
    """Return the table of the logged things, each as it stands and, where that differs, as it was logged."""
    day = found.day
    heard = {event.clip: event for event in day.events if isinstance(event, Heard) and event.clip}
    rows = [
        _logged(found, thing, heard.get(thing.original.clip or ""), day.outlooks.get(thing.event.number))
        for thing in day.things
    ]
    if not rows:
        return '<p class="plain">Nothing was logged.</p>'
    heads = ("number", "time", "what", "on", "lure", "bottom", "where", "heard")
    return table(heads, rows, sorts=True) + _strays(day.strays)


def _logged(found: Findings, thing: Corrected, heard: Heard | None, foretold: Outlook | None) -> str:
    day, words, now = found.day, found.words, thing.event
    kind = "back" if not thing.stands else "catch" if now.what in CATCHES else ""
    cells = (
        _cell(f"<b>#{now.number}</b>", now.number, tight=True),
        _cell(day.time_words(now.t, seconds=True), f"{now.t:.3f}", tight=True),
        _cell(_what(thing, words) + _foretold(day, foretold, words) + _way_to_correct(day, thing), now.what),
        _cell(_changed(_carried(now), _carried(thing.original)), now.rod or ""),
        _depth(now.lure_depth, words, unknown=UNKNOWN if now.what in _AT_LURE else ""),
        _depth(now.bottom, words, unknown=UNKNOWN),
        _cell(_where(now, words)),
        _cell(words_heard(found, heard)),
    )
    return f'<tr id="{day.anchor(now)}" class="{kind}">{"".join(cells)}</tr>\n'


def _cell(inside: str, key: object = None, *, tight: bool = False) -> str:
    by = "" if key is None else f' data-sort="{escape(str(key))}"'
    kind = ' class="tight"' if tight else ""
    return f"<td{by}{kind}>{inside}</td>"


def _what(thing: Corrected, words: Words) -> str:
    text = _changed(_named(thing.event, words), _named(thing.original, words))
    if not thing.stands:
        later = any(one.taken_back for one in thing.amendments)
        text += f' <span class="tag">taken back{" afterwards" if later else ""}</span>'
    text += "".join(f'<br><span class="note">{escape(note)}</span>' for note in thing.notes)
    if thing.amendments:
        dates = [f" {one.utc[:10]}" for one in thing.amendments if one.utc]
        text += f'<br><span class="tag">corrected{dates[-1] if dates else ""}</span>'
    return text


def _named(thing: Logged, words: Words) -> str:
    parts = (thing.what, thing.detail or "", words.size(thing))
    return f"<b>{escape(', '.join(part for part in parts if part))}</b>"


def _carried(thing: Logged) -> str:
    return escape(f"{thing.rod}, {thing.line}") if thing.rod else UNKNOWN


def _changed(now: str, then: str) -> str:
    plain = then.replace("<b>", "").replace("</b>", "")
    return now if now == then else f"{now}<br>as logged: <s>{plain}</s>"


def _foretold(day: Day, outlook: Outlook | None, words: Words) -> str:
    if outlook is None or outlook.state == "unknown":
        return ""
    return f'<br><a href="#{day.anchor(outlook)}">foretold: {_outlook_words(outlook, words)}</a>'


def _way_to_correct(day: Day, thing: Corrected) -> str:
    other = "--take-back" if thing.stands else "--restore"
    command = f"companion amend {thing.original.number} --trip {day.entry.id}"
    return (
        f'<details class="fix"><summary>correct it</summary><code>{command} {other}</code><br>'
        "or <code>--what fish</code>, <code>--rod 2</code>, <code>--size &quot;3 lb 2 oz&quot;</code>, "
        "<code>--note &quot;...&quot;</code></details>"
    )


def _depth(metres: float | None, words: Words, *, unknown: str) -> str:
    return _cell(
        unknown if metres is None else words.depth(metres), "" if metres is None else metres, tight=True
    )


def _where(thing: Logged, words: Words) -> str:
    at = thing.place
    if at is None:
        return UNKNOWN
    whose = "lure" if at is thing.lure_at else "boat" if at is thing.boat else thing.what
    within = f", within {words.whole(at.radius)}" if at.radius is not None else ""
    return f'<small class="place">{place(at)}<br>the {whose}{within}</small>'


def _strays(strays: Iterable[Amendment]) -> str:
    items = "".join(f"<li>#{one.number}: {escape(_correction(one))}</li>" for one in strays)
    said = "<p>Corrections of things that are no longer logged since the day was replayed:</p>"
    return f"{said}<ul>{items}</ul>" if items else ""


def _correction(one: Amendment) -> str:
    fields = ((name, getattr(one, name)) for name in ("what", "rod", "size", "note"))
    parts = [f"{name} {value}" for name, value in fields if value is not None]
    if one.taken_back is not None:
        parts.append("taken back" if one.taken_back else "stands again")
    return ", ".join(parts)


# -- heard --------------------------------------------------------------------------------------------


def how_heard(found: Findings) -> str:
    """Return how much of the sound is in the page."""
    names = {event.clip for event in found.day.events if isinstance(event, Heard) and event.clip}
    if not names:
        return "Nothing was heard."
    if not found.clips:
        return "What the recogniser made of each utterance. The sound is not in this file."
    left = len(names) - len(found.clips)
    rest = f" The sound of {count(left, 'more')} is not in this file." if left else ""
    return f"What the recogniser made of each utterance, beside its sound.{rest}"


def heard(found: Findings) -> str:
    """Return the table of utterances: the words made out, and what they were taken for."""
    day = found.day
    led_to = {thing.original.clip: thing.event for thing in day.things if thing.original.clip}
    rows = [
        _row(day, event, words_heard(found, event), _made(day, event, led_to.get(event.clip or "")))
        for event in day.events
        if isinstance(event, Heard)
    ]
    return table(("time", "words", "understood as"), rows) if rows else ""


def _row(day: Day, event: events.Event, *cells: str) -> str:
    time = f'<td class="tight">{day.time_words(event.t, seconds=True)}</td>'
    return f'<tr id="{day.anchor(event)}">{time}{"".join(f"<td>{cell}</td>" for cell in cells)}</tr>\n'


def _made(day: Day, event: Heard, led_to: Logged | None) -> str:
    also = ""
    if event.check is not None and event.check != event.text:
        also += f"<br><small>heard again as “{escape(event.check)}”</small>"
    if event.fit is not None:
        also += "<br><small>first heard otherwise; words and sounds together speak for this phrase</small>"
    if event.alternatives:
        others = ", ".join(f"“{escape(one)}”" for one in event.alternatives)
        also += f"<br><small>it may have been {others}</small>"
    if event.command is None:
        return f'<span class="plain">not taken: {escape(event.reason or "no reason kept")}</span>{also}'
    return f"<b>{escape(event.command)}</b>" + (f", {link(day, led_to)}" if led_to else "") + also


def words_heard(found: Findings, event: Heard | None) -> str:
    """Return the words of an utterance with a button that plays it."""
    if event is None:
        return '<span class="plain">not spoken</span>'
    words = escape(event.text or "(no words)").replace("[unk]", "…")
    if event.clip is None or event.clip not in found.clips:
        return f"“{words}”"
    name = f"c{list(found.clips).index(event.clip) + 1}"
    kind = f'class="play" data-clip="{name}" aria-pressed="false" aria-label="play: {words}"'
    return f"<button {kind}>▶</button> “{words}”"


def sounds(found: Findings) -> str:
    """Return the sounds themselves, unseen."""
    return "\n".join(
        f'<audio id="c{i}" preload="none" src="{sound}"></audio>'
        for i, sound in enumerate(found.clips.values(), 1)
    )


# -- the rest -----------------------------------------------------------------------------------------


def rest(found: Findings) -> str:
    """Return every other event, folded."""
    day = found.day
    other = [event for event in day.events if not isinstance(event, Logged | Heard)]
    matches = sum(isinstance(event, Match) for event in other)
    listed = [event for event in other if matches <= MOST_MATCHES or not isinstance(event, Match)]
    rows = [_row(day, one, str(one.__struct_config__.tag), _told(one, found.words)) for one in listed]
    left = "" if len(listed) == len(other) else f"; {matches:,} matches are in the logbook only"
    return (
        f"<details><summary>{len(other):,} other events: what was said, how the rod matched the bottom, "
        f"notices{left}</summary>{table(('time', 'event', ''), rows)}</details>"
    )


@singledispatch
def _told(event: events.Event, words: Words) -> str:  # noqa: ARG001
    raise TypeError(f"no words for {type(event).__name__}: add them to told.py")


@_told.register
def _(event: events.Said, words: Words) -> str:  # noqa: ARG001
    return f"“{escape(event.text)}”"


@_told.register
def _(event: Match, words: Words) -> str:
    by = f" by {words.depth(event.by)}" if event.by is not None else ""
    return escape(f"{event.rod}: {event.state}{by}, bottom {words.depth(event.depth)}")


@_told.register
def _(event: Outlook, words: Words) -> str:
    return f"cast #{event.cast}, {escape(event.rod)}: {_outlook_words(event, words)}"


def _outlook_words(event: Outlook, words: Words) -> str:
    if event.state == "unknown":
        return "nothing known there"
    where = f" {words.cast(event.distance)} out" if event.distance is not None else ""
    margin = f", {words.depth(abs(event.margin))}" if event.margin is not None else ""
    if event.state == "touch":
        return f"{event.sureness} touch{where}"
    return f"{event.state}{margin}"


@_told.register
def _(event: events.Learned, words: Words) -> str:
    band = f"{words.number(event.low):.1f} to {words.depth(event.high)}"
    was = words.depth(event.was)
    return escape(f"{event.rod}, {event.line}: reach {words.depth(event.reach)} ({band}), first {was}")


@_told.register
def _(event: events.RodTaken, words: Words) -> str:
    return escape(f"{event.rod}: {event.lure} on {event.line}, reaches {words.depth(event.reach)}")


@_told.register
def _(event: events.DepthNews, words: Words) -> str:
    return event.state + (f" at {words.depth(event.depth)}" if event.depth is not None else "")


@_told.register
def _(event: events.Undone, words: Words) -> str:  # noqa: ARG001
    return f"#{event.number} {event.what}"


@_told.register
def _(event: events.TripBegan, words: Words) -> str:  # noqa: ARG001
    return escape("; ".join(f"{rod}: {carries}" for rod, carries in event.rods.items()))


@_told.register
def _(event: events.TripEnded, words: Words) -> str:  # noqa: ARG001
    dropped = ", ".join(f"{n} {why}" for why, n in sorted(event.dropped.items()))
    return escape(f"{event.sentences:,} sentences read; dropped: {dropped or 'nothing'}")


@_told.register
def _(event: events.Notice, words: Words) -> str:  # noqa: ARG001
    return escape(event.text)
