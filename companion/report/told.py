"""Every event in its row: what was logged, with its corrections; what was heard, with its sound; the rest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import singledispatch
from html import escape

from companion import events
from companion.events import Heard, Logged, Match, Outlook
from companion.pictures.drawing import wrapped
from companion.record.amendments import Amendment, Corrected
from companion.report.chart import chosen_by
from companion.report.day import CATCH_EVENTS, Day
from companion.report.document import UNKNOWN_HTML, cell, link, table
from companion.report.findings import Findings
from companion.report.words import count, place, size_words
from companion.units import Units, if_known

_UNKNOWN_AT_LURE = dict.fromkeys(
    (*CATCH_EVENTS, "touch", "snag", "broke off"), UNKNOWN_HTML
)
"""What happens where the lure is, with what stands there when the lure's depth is not known."""
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
        "where",
        "heard",
    ]
    if not found.places:
        heads.remove("where")
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
    said = [heard.get(one.original.clip or "") for one in told]
    anchors = [day.anchor(one.event) for one in told[1:]]
    anchors += [day.anchor(one) for one in said if one is not None and _is_plain(one)]
    cells = (
        cell("".join(f'<i id="{one}"></i>' for one in anchors) + _numbers(told)),
        cell(day.time_words(now.t, seconds=True)),
        cell(
            "<br>".join(_what(one, units) for one in told)
            + _foretold(day, now.number, units)
        ),
        cell(_changed(_carried(now), _carried(first.original))),
        _depth(lure.lure_depth, units, unknown=_UNKNOWN_AT_LURE.get(now.what, "")),
        _depth(now.bottom, units, unknown=UNKNOWN_HTML),
        _where(found, lure),
        cell("<br>".join(words_heard(found, one) for one in said)),
    )
    return (
        f'<tr id="{day.anchor(now)}"{_kind_of_row(first, last)}>{"".join(cells)}</tr>\n'
    )


def _kind_of_row(first: Corrected, last: Logged) -> str:
    """Return the attributes of a row: its class, and by what the page's filter shows or hides it."""
    if not first.stands:
        return ' class="back"'
    now, kind, what = first.event, "", last.what
    if now.what in CATCH_EVENTS:
        kind = ' class="catch"'
    if now.what == "cast":
        what = "cast"
    return f"{kind} {chosen_by(what, now.rod)}"


def _numbers(told: Sequence[Corrected]) -> str:
    return ", ".join(f"#{one.event.number}" for one in told)


def _is_plain(event: Heard) -> bool:
    """Tell whether there is nothing to say of how something was made out."""
    return not (
        event.alternatives or event.fit or (event.check and event.check != event.text)
    )


def _what(thing: Corrected, units: Units) -> str:
    text = _changed(_named(thing.event, units), _named(thing.original, units))
    if not thing.stands:
        when = ""
        if any(one.taken_back for one in thing.amendments):
            when = " afterwards"
        text += f' <span class="tag">taken back{when}</span>'
    text += "".join(
        f'<br><span class="note">{escape(note)}</span>' for note in thing.notes
    )
    if thing.amendments:
        dates = ["", *(f" {one.utc[:10]}" for one in thing.amendments if one.utc)]
        text += f'<br><span class="tag">corrected{dates[-1]}</span>'
    return text


def _named(thing: Logged, units: Units) -> str:
    parts = (thing.what, thing.detail or "", size_words(thing, units))
    return f"<b>{escape(', '.join(part for part in parts if part))}</b>"


def _carried(thing: Logged) -> str:
    if not thing.rod:
        return UNKNOWN_HTML
    return escape(f"{thing.rod}, {thing.line}")


def _changed(now: str, then: str) -> str:
    if now == then:
        return now
    plain = then.replace("<b>", "").replace("</b>", "")
    return f"{now}<br>as logged: <s>{plain}</s>"


def _foretold(day: Day, cast: int, units: Units) -> str:
    outlook = day.outlooks.get(cast)
    if outlook is None or outlook.state == "unknown":
        return ""
    return f'<br><a href="#{day.anchor(outlook)}">foretold: {outlook_words(outlook, units)}</a>'


def _depth(metres: float | None, units: Units, *, unknown: str) -> str:
    if metres is None:
        return cell(unknown, "")
    return cell(units.depth(metres))


def _where(found: Findings, thing: Logged) -> str:
    """Return the cell of a place; "" in a copy that tells none."""
    if not found.places:
        return ""
    at = thing.place
    if at is None:
        return cell(UNKNOWN_HTML)
    whose: str = thing.what
    if at is thing.lure_at:
        whose = "lure"
    elif at is thing.boat:
        whose = "boat"
    within = wrapped(", within ", if_known(at.radius, found.units.whole_depth, ""))
    return cell(f"<small>{place(at)}<br>the {whose}{within}</small>")


def _strays(strays: Iterable[Amendment]) -> str:
    items = "".join(
        f"<li>#{one.number}: {escape(_correction(one))}</li>" for one in strays
    )
    said = "<p>Corrections of things that are no longer logged since the day was replayed:</p>"
    return wrapped(f"{said}<ul>", items, "</ul>")


def _correction(one: Amendment) -> str:
    fields = ((name, getattr(one, name)) for name in ("what", "rod", "size", "note"))
    parts = [f"{name} {value}" for name, value in fields if value is not None]
    if one.taken_back:
        parts.append("taken back")
    elif one.taken_back is not None:
        parts.append("stands again")
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
    if not left:
        return _ELSEWHERE
    return f"{_ELSEWHERE} The sound of {count(left, 'more')} is not in this file."


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
    if not rows:
        return ""
    return table(("time", "words", "understood as"), rows)


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
    made = f"<b>{escape(event.command)}</b>"
    if led_to:
        made += f", {link(day, led_to)}"
    return made + also


def words_heard(found: Findings, event: Heard | None) -> str:
    """Return the words of something said with a button that plays it."""
    if event is None:
        return '<span class="plain">not spoken</span>'
    words = escape(event.text or "(no words)").replace("[unk]", "…")
    if event.clip is None or event.clip not in found.clips:
        return f"“{words}”{_truth(found, event)}"
    telling = ""
    if found.telling is not None:
        taken = ""
        if event.command is not None:
            taken = " data-taken"
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
    left = ""
    if len(listed) < len(other):
        left = f"; {matches:,} matches are in the logbook only"
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
    by = wrapped(" by ", if_known(event.by, units.depth, ""))
    return escape(f"{event.rod}: {event.state}{by}, bottom {units.depth(event.depth)}")


@_told.register
def _(event: Outlook, units: Units) -> str:
    return f"cast #{event.cast}, {escape(event.rod)}: {outlook_words(event, units)}"


def outlook_words(event: Outlook, units: Units) -> str:
    """Return what was foretold of a cast."""
    if event.state == "unknown":
        return "nothing known there"
    if event.state == "touch":
        where = wrapped(" ", if_known(event.distance, units.distance, ""), " out")
        return f"{event.sureness} touch{where}"
    if event.margin is None:
        return event.state
    return f"{event.state}, {units.depth(abs(event.margin))}"


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
    return event.state + wrapped(" at ", if_known(event.depth, units.depth, ""))


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
