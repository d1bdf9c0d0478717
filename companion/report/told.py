"""Every event in its row: what was logged, with its corrections; what was heard, with its sound; the rest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import singledispatch
from html import escape

from companion import events
from companion.events import Heard, Logged, Match, Outlook
from companion.record.amendments import Amendment, Corrected
from companion.report.day import CATCH_EVENTS, Day
from companion.report.document import UNKNOWN_HTML, link, table
from companion.report.findings import Findings
from companion.report.words import count, place, size_words
from companion.units import Units

_AT_LURE = (*CATCH_EVENTS, "touch", "snag", "broke off")
"""What happens where the lure is."""
_ELSEWHERE = (
    "What was made out of what was said, except what stands beside its entry above."
)
MOST_MATCHES = 2000
"""Of more matches than these only the logbook tells."""


# -- logged -------------------------------------------------------------------------------------------


def logged(found: Findings) -> str:
    """Return the table of the logged things, each as it stands and, where that differs, as it was logged.

    A catch is one row, however often it was told of, and so is a cast with its reeling
    in.
    """
    heard = {
        event.clip: event
        for event in found.day.events
        if isinstance(event, Heard) and event.clip
    }
    rows = [_logged(found, told, lure, heard) for told, lure in _one_row_each(found)]
    if not rows:
        return '<p class="plain">Nothing was logged.</p>'
    heads = [
        "number",
        "time",
        "what",
        "on",
        "lure",
        "bottom",
        *(["where"] if found.places else []),
        "heard",
    ]
    return table(heads, rows, sorts=True) + _strays(found.day.strays)


def _one_row_each(found: Findings) -> Iterator[tuple[list[Corrected], Logged]]:
    """Yield what stands in one row together, and the one of it that tells where the lure was."""
    corrected = {thing.original.number: thing for thing in found.day.things}
    together = {
        catch.first.number: (catch.things, catch.at_lure) for catch in found.catches
    }
    together |= {
        cast.event.number: ((cast.event, cast.reeled), cast.event)
        for cast in found.casts
        if cast.reeled
    }
    later = {one.number for things, _ in together.values() for one in things[1:]}
    for number, thing in corrected.items():
        if number not in later:
            things, lure = together.get(number, ((thing.event,), thing.event))
            yield [corrected[one.number] for one in things], lure


def _logged(
    found: Findings, told: Sequence[Corrected], lure: Logged, heard: Mapping[str, Heard]
) -> str:
    """Return the row of one thing, or of all that was told of a catch or a cast."""
    day, units, first, last = found.day, found.units, told[0], told[-1].event
    now = first.event
    kind = (
        ' class="back"'
        if not first.stands
        else ' class="catch"'
        if now.what in CATCH_EVENTS
        else ""
    )
    said = [heard.get(one.original.clip or "") for one in told]
    anchors = [day.anchor(one.event) for one in told[1:]]
    anchors += [day.anchor(one) for one in said if one is not None and _is_plain(one)]
    cells = (
        _cell("".join(f'<i id="{one}"></i>' for one in anchors) + _numbers(told)),
        _cell(day.time_words(now.t, seconds=True)),
        _cell(
            "<br>".join(_what(one, units) for one in told)
            + _foretold(day, now.number, units)
        ),
        _cell(_changed(_carried(now), _carried(first.original))),
        _depth(
            lure.lure_depth, units, unknown=UNKNOWN_HTML if now.what in _AT_LURE else ""
        ),
        _depth(now.bottom, units, unknown=UNKNOWN_HTML),
        _cell(_where(lure, units)) if found.places else "",
        _cell("<br>".join(words_heard(found, one) for one in said)),
    )
    what = now.what if now.what == "cast" else last.what
    chosen = (
        f' data-kind="{what}" data-rod="{escape(now.rod or "")}"'
        if first.stands
        else ""
    )
    return f'<tr id="{day.anchor(now)}"{kind}{chosen}>{"".join(cells)}</tr>\n'


def _numbers(told: Sequence[Corrected]) -> str:
    return ", ".join(f"#{one.event.number}" for one in told)


def _is_plain(event: Heard) -> bool:
    """Tell whether there is nothing to say of how something was made out."""
    return not (
        event.alternatives or event.fit or (event.check and event.check != event.text)
    )


def _cell(inside: str, key: object = None) -> str:
    by = "" if key is None else f' data-sort="{escape(str(key))}"'
    return f"<td{by}>{inside}</td>"


def _what(thing: Corrected, units: Units) -> str:
    text = _changed(_named(thing.event, units), _named(thing.original, units))
    if not thing.stands:
        later = any(one.taken_back for one in thing.amendments)
        text += f' <span class="tag">taken back{" afterwards" if later else ""}</span>'
    text += "".join(
        f'<br><span class="note">{escape(note)}</span>' for note in thing.notes
    )
    if thing.amendments:
        dates = [f" {one.utc[:10]}" for one in thing.amendments if one.utc]
        text += f'<br><span class="tag">corrected{dates[-1] if dates else ""}</span>'
    return text


def _named(thing: Logged, units: Units) -> str:
    parts = (thing.what, thing.detail or "", size_words(thing, units))
    return f"<b>{escape(', '.join(part for part in parts if part))}</b>"


def _carried(thing: Logged) -> str:
    return escape(f"{thing.rod}, {thing.line}") if thing.rod else UNKNOWN_HTML


def _changed(now: str, then: str) -> str:
    plain = then.replace("<b>", "").replace("</b>", "")
    return now if now == then else f"{now}<br>as logged: <s>{plain}</s>"


def _foretold(day: Day, cast: int, units: Units) -> str:
    outlook = day.outlooks.get(cast)
    if outlook is None or outlook.state == "unknown":
        return ""
    return f'<br><a href="#{day.anchor(outlook)}">foretold: {outlook_words(outlook, units)}</a>'


def _depth(metres: float | None, units: Units, *, unknown: str) -> str:
    return _cell(unknown, "") if metres is None else _cell(units.depth(metres))


def _where(thing: Logged, units: Units) -> str:
    at = thing.place
    if at is None:
        return UNKNOWN_HTML
    whose = (
        "lure" if at is thing.lure_at else "boat" if at is thing.boat else thing.what
    )
    within = f", within {units.whole_depth(at.radius)}" if at.radius is not None else ""
    return f"<small>{place(at)}<br>the {whose}{within}</small>"


def _strays(strays: Iterable[Amendment]) -> str:
    items = "".join(
        f"<li>#{one.number}: {escape(_correction(one))}</li>" for one in strays
    )
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
    names = {
        event.clip
        for event in found.day.events
        if isinstance(event, Heard) and event.clip
    }
    if not names:
        return "Nothing was heard."
    if not found.clips:
        return f"{_ELSEWHERE} The sound is not in this file."
    left = len(names) - len(found.clips)
    rest = f" The sound of {count(left, 'more')} is not in this file." if left else ""
    return f"{_ELSEWHERE}{rest}"


def heard(found: Findings) -> str:
    """Return the table of what was said beside what was logged: the words, and what they were taken for."""
    day = found.day
    led_to = {
        thing.original.clip: thing.event for thing in day.things if thing.original.clip
    }
    rows = [
        _row(
            day,
            event,
            words_heard(found, event),
            _made(day, event, led_to.get(event.clip or "")),
        )
        for event in day.events
        if isinstance(event, Heard) and not (event.clip in led_to and _is_plain(event))
    ]
    return table(("time", "words", "understood as"), rows) if rows else ""


def _row(day: Day, event: events.Event, *cells: str) -> str:
    time = f"<td>{day.time_words(event.t, seconds=True)}</td>"
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
    return (
        f"<b>{escape(event.command)}</b>"
        + (f", {link(day, led_to)}" if led_to else "")
        + also
    )


def words_heard(found: Findings, event: Heard | None) -> str:
    """Return the words of something said with a button that plays it."""
    if event is None:
        return '<span class="plain">not spoken</span>'
    words = escape(event.text or "(no words)").replace("[unk]", "…")
    if event.clip is None or event.clip not in found.clips:
        return f"“{words}”{_truth(found, event)}"
    telling = ""
    if found.telling is not None:
        taken = "" if event.command is None else " data-taken"
        number = found.day.heard_number(event)
        telling = f' <span class="telling screen" data-heard="{number}"{taken}></span>'
    name = f"c{list(found.clips).index(event.clip) + 1}"
    kind = f'class="play" data-clip="{name}" aria-pressed="false" aria-label="play: {words}"'
    return f"<button {kind}>▶</button> “{words}”{_truth(found, event)}{telling}"


def _truth(found: Findings, event: Heard) -> str:
    """Return what was told of an utterance afterwards; empty where nothing was."""
    truth = found.truths.get(event.clip or "")
    if truth is None:
        return ""
    if truth.said is None:
        return ' <span class="tag">it was talk</span>'
    if truth.said == event.text:
        return ' <span class="tag">right</span>'
    return f' <span class="tag">it was “{escape(truth.said)}”</span>'


def telling(found: Findings) -> str:
    """Return where the command is put together that tells what was heard right; empty without one."""
    if found.telling is None or not found.clips:
        return ""
    return (
        f'<div class="telling-line screen" id="telling" data-command="{escape(found.telling)}" hidden>'
        "<p>Was it right? Choose beside what was heard, then run this where the logbook is. In the place of "
        'the dots write what you said.</p><textarea id="telling-line" rows="3" spellcheck="false" '
        'aria-label="the command that tells what was right"></textarea></div>'
    )


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
    listed = [
        event
        for event in other
        if matches <= MOST_MATCHES or not isinstance(event, Match)
    ]
    rows = [
        _row(day, one, str(one.__struct_config__.tag), _told(one, found.units))
        for one in listed
    ]
    left = (
        ""
        if len(listed) == len(other)
        else f"; {matches:,} matches are in the logbook only"
    )
    return (
        f"<details><summary>{len(other):,} other events: what was said, how the rod matched the bottom, "
        f"notices{left}</summary>{table(('time', 'event', 'what it said'), rows)}</details>"
    )


@singledispatch
def _told(event: events.Event, units: Units) -> str:  # noqa: ARG001
    raise TypeError(f"no words for {type(event).__name__}: add them to told.py")


@_told.register
def _(event: events.Said, units: Units) -> str:  # noqa: ARG001
    return f"“{escape(event.text)}”"


@_told.register
def _(event: Match, units: Units) -> str:
    by = f" by {units.depth(event.by)}" if event.by is not None else ""
    return escape(f"{event.rod}: {event.state}{by}, bottom {units.depth(event.depth)}")


@_told.register
def _(event: Outlook, units: Units) -> str:
    return f"cast #{event.cast}, {escape(event.rod)}: {outlook_words(event, units)}"


def outlook_words(event: Outlook, units: Units) -> str:
    """Return what was foretold of a cast."""
    if event.state == "unknown":
        return "nothing known there"
    where = (
        f" {units.distance(event.distance)} out" if event.distance is not None else ""
    )
    margin = f", {units.depth(abs(event.margin))}" if event.margin is not None else ""
    if event.state == "touch":
        return f"{event.sureness} touch{where}"
    return f"{event.state}{margin}"


@_told.register
def _(event: events.Learned, units: Units) -> str:
    band = f"{units.depth_number(event.low):.1f} to {units.depth(event.high)}"
    was = units.depth(event.was)
    return escape(
        f"{event.rod}, {event.line}: reach {units.depth(event.reach)} ({band}), first {was}"
    )


@_told.register
def _(event: events.RodTaken, units: Units) -> str:
    return escape(
        f"{event.rod}: {event.lure} on {event.line}, reaches {units.depth(event.reach)}"
    )


@_told.register
def _(event: events.DepthNews, units: Units) -> str:
    return event.state + (
        f" at {units.depth(event.depth)}" if event.depth is not None else ""
    )


@_told.register
def _(event: events.Undone, units: Units) -> str:  # noqa: ARG001
    return f"#{event.number} {event.what}"


@_told.register
def _(event: events.TripBegan, units: Units) -> str:  # noqa: ARG001
    return escape("; ".join(f"{rod}: {carries}" for rod, carries in event.rods.items()))


@_told.register
def _(event: events.TripEnded, units: Units) -> str:  # noqa: ARG001
    dropped = ", ".join(f"{n} {why}" for why, n in sorted(event.dropped.items()))
    return escape(
        f"{event.sentences:,} sentences read; dropped: {dropped or 'nothing'}"
    )


@_told.register
def _(event: events.Notice, units: Units) -> str:  # noqa: ARG001
    return escape(event.text)
