"""A glance put into words: each part of the page with its text and its state, as data.

The page's first HTML and every later change of it are made from the same `View`, so
that they cannot disagree. A part is named as the element that shows it; a state goes
beside the words and never instead of them. What is not known is said in words, never as
a number.
"""

from __future__ import annotations

from collections import deque
from typing import Literal

import msgspec

from companion.casting.match import Standing
from companion.events import AnyEvent, Logged, TripBegan, TripEnded, Undone
from companion.glance import Glance, RodView
from companion.page.headline import WORKED_OUT, headline
from companion.page.side import draw
from companion.pictures.drawing import wrapped
from companion.trip import wording
from companion.units import KNOT, LengthUnit, Units

NOW_AGE_S = 2.0
"""What is younger than this counts as now, s."""
SILENT_AGE_S = 5.0
"""A companion that has shown nothing for so long is told to be silent, s."""
MOST_UNDO_STEPS = 50
"""How many logged things are remembered for what undo would take back."""

Feed = Literal["waiting", "live", "silent", "ended"]
"""waiting: nothing was shown yet; live: it goes on; silent: nothing new comes; ended: the day is over."""


class View(msgspec.Struct, frozen=True):
    """The page at one instant.

    Attributes:
        text: the words of each part.
        state: what each part that has one stands at.
        picture: the side view, as the inside of an SVG element.
    """

    text: dict[str, str]
    state: dict[str, str]
    picture: str

    def since(self, older: View) -> View:
        """Return only what has changed since an older view; an unchanged picture is empty."""
        picture = self.picture
        if picture == older.picture:
            picture = ""
        return View(
            {
                part: text
                for part, text in self.text.items()
                if older.text.get(part) != text
            },
            {
                part: state
                for part, state in self.state.items()
                if older.state.get(part) != state
            },
            picture,
        )


class News:
    """The page's memory of the events: what undo would take back, and whether the day is over."""

    def __init__(self) -> None:
        self._standing: deque[Logged] = deque(maxlen=MOST_UNDO_STEPS)
        self.ended = False

    def note_event(self, event: AnyEvent) -> None:
        """Note an event."""
        if isinstance(event, Logged):
            self._standing.append(event)
        elif isinstance(event, Undone):
            kept = [
                logged for logged in self._standing if logged.number != event.number
            ]
            self._standing = deque(kept, MOST_UNDO_STEPS)
        elif isinstance(event, TripBegan | TripEnded):
            self.ended = isinstance(event, TripEnded)

    @property
    def last(self) -> str:
        """The last logged thing that stands, in words."""
        if not self._standing:
            return "nothing logged yet"
        logged = self._standing[-1]
        return f"{logged.number}. {logged.what}{wrapped(', ', logged.detail)}"


def make_view(
    glance: Glance | None, news: News, unit: LengthUnit, quiet_for: float
) -> View:
    """Put a glance into words.

    Args:
        glance: what is to be seen, None before the first one.
        news: what the events told.
        unit: what depths are shown in.
        quiet_for: how long ago the glance came, s.
    """
    feed = _feed(glance, news, quiet_for)
    seen = glance or Glance(t=0.0)
    now = seen.t
    if feed == "silent":
        now += quiet_for  # while nothing new comes, what was true gets older
    needs = _needs(glance, news)
    in_hand = next((rod for rod in seen.rods if rod.in_hand), None)
    text = {
        "feed": _feed_words(feed, quiet_for),
        "clock": wrapped("", (seen.utc or "")[11:19], " UTC") or "time not known",
        "boat": _boat(seen, unit),
        "logged": _count(seen.logged),
        "last": news.last,
        **_depth(seen, now, unit),
        **_words(seen, now),
        **_in_hand(in_hand, unit, known=seen.rods_known),
        **needs,
    }
    told = headline(seen, in_hand, unit)
    text |= {
        "word": told.word,
        "figure": told.figure,
        "band": told.band,
        "about": told.about,
    }
    state: dict[str, str] = {"feed": feed, "depth": "known"}
    if seen.depth is None:
        state["depth"] = "not-known"
    state |= {f"rod-{rod.number}": rod.state for rod in seen.rods}
    if in_hand is not None:
        state[f"rod-{in_hand.number}"] = "in-hand"
    for rod in seen.rods:
        text |= _other(rod, in_hand, unit)
    state["clock"] = f"{seen.t:.3f}"
    state["utc"] = seen.utc or ""
    state["rods"] = " ".join(str(rod.number) for rod in seen.rods)
    state["headline"] = told.state
    state |= {name: _missing(words) for name, words in needs.items()}
    state["needs"] = _missing("".join(needs.values()))
    drawn = draw(seen.side, unit, seen.depth, seen.heading)
    return View(text | {"side": drawn.words}, state, drawn.picture)


def _feed(glance: Glance | None, news: News, quiet_for: float) -> Feed:
    if glance is None:
        return "waiting"
    if news.ended:
        return "ended"
    if quiet_for > SILENT_AGE_S:
        return "silent"
    return "live"


def _feed_words(feed: Feed, quiet_for: float) -> str:
    return {
        "waiting": "waiting for the sensors",
        "live": "live",
        "silent": f"OLD: nothing new from the sensors, {age(quiet_for)}",
        "ended": "over: this is the last moment of the day",
    }[feed]


def age(seconds: float) -> str:
    """Return how long ago something was, in words.

    >>> age(0.4), age(12.7), age(200.0), age(4000.0)
    ('just now', '12 s ago', '3 min ago', 'over an hour ago')
    """
    if seconds < NOW_AGE_S:
        return "just now"
    if seconds < 90.0:
        return f"{int(seconds)} s ago"
    if seconds < 3600.0:
        return f"{int(seconds // 60)} min ago"
    return "over an hour ago"


def _age_of(at: float | None, now: float) -> str:
    if at is None:
        return ""
    return age(now - at)


def _depth(seen: Glance, now: float, unit: LengthUnit) -> dict[str, str]:
    if seen.depth_at is None:
        return {
            "depth": Units(unit).short_depth(seen.depth),
            "depth-age": "none heard yet",
        }
    when = age(now - seen.depth_at)
    heard = f"measured {when}"
    if seen.depth is None:
        heard = f"the last one came {when}"
    return {"depth": Units(unit).short_depth(seen.depth), "depth-age": heard}


def _words(seen: Glance, now: float) -> dict[str, str]:
    heard, understood = "nothing yet", ""
    if seen.heard is not None:
        heard = seen.heard or "no words made out"
        understood = f"taken as: {seen.understood or 'no command'}"
    return {
        "said": seen.said or "nothing yet",
        "said-age": _age_of(seen.said_at, now),
        "heard": heard,
        "heard-age": _age_of(seen.heard_at, now),
        "understood": understood,
    }


def _first_large(name: str) -> str:
    """Return a name with a capital to begin with; the letters after it are its owner's."""
    return name[:1].upper() + name[1:]


def _in_hand(rod: RodView | None, unit: LengthUnit, *, known: bool) -> dict[str, str]:
    if not known:
        return {"rod": "rods", "carries": "", "reach": WORKED_OUT}
    if rod is None:
        return {"rod": "no rod in hand", "carries": "", "reach": "reach not known"}
    return {
        "rod": _first_large(rod.name),
        "carries": f"{rod.lure} on {rod.line}",
        "reach": _reach(rod, unit),
    }


def _other(rod: RodView, in_hand: RodView | None, unit: LengthUnit) -> dict[str, str]:
    carries = f"{rod.lure} on {rod.line}"
    if in_hand is not None and rod.lure == in_hand.lure:
        carries = rod.line
    return {
        f"rod-{rod.number}-name": _first_large(rod.name),
        f"rod-{rod.number}-carries": carries,
        f"rod-{rod.number}-reach": _reach(rod, unit),
        f"rod-{rod.number}-match": _match(rod, unit),
    }


def _reach(rod: RodView, unit: LengthUnit) -> str:
    low, best, high = (
        Units(unit).short_depth(depth) for depth in (rod.low, rod.reach, rod.high)
    )
    return f"reaches {best} ({low.split()[0]} to {high.split()[0]})"


def _match(rod: RodView, unit: LengthUnit) -> str:
    if rod.in_hand:
        return "in hand"
    return wording.one_rod(Standing(rod.state, margin=rod.margin), unit)


def _count(logged: int) -> str:
    return f"{logged or 'none'} logged"


def _boat(seen: Glance, unit: LengthUnit) -> str:
    parts = []
    if seen.heading is not None:
        parts.append(f"bow {wording.compass(seen.heading).replace(' ', '-')}")
    if seen.speed is not None:
        parts.append(f"{seen.speed / KNOT:.1f} kn")
    if seen.water_temperature is not None:
        parts.append(f"water {Units(unit).temperature(seen.water_temperature)}")
    return ", ".join(parts) or "bow, speed and water not known"


def _needs(glance: Glance | None, news: News) -> dict[str, str]:
    """Return what is missing at first and how to mend it, in a sentence each; "" where nothing is."""
    nothing = dict.fromkeys(_MENDED, "")
    if news.ended:
        return nothing
    seen = glance or Glance(t=0.0)
    missing = {
        "need-depth": seen.depth_at is None,
        "need-place": seen.boat is None and not seen.logged,
        "need-bow": seen.heading is None and not seen.logged,
        "need-rods": seen.rods_known and not seen.rods,
    }
    return nothing | {name: _MENDED[name] for name, gone in missing.items() if gone}


def _missing(words: str) -> str:
    """Return the state of what is needed, by the words that tell how to mend it."""
    if words:
        return "missing"
    return "there"


_MENDED = {
    "need-depth": "No depth has come yet. Is the sonar on, its transducer in the water, and its cable or "
    "network address named under [sources] in the config?",
    "need-place": "The boat's place is not known. Give the GPS a minute under open sky; if it stays so, look "
    "whether its sentences reach the computer.",
    "need-bow": "Where the bow points is not known, so casts cannot be told by the clock. A compass sends "
    "it; a GPS alone does only while the boat goes.",
    "need-rods": "No rods are described yet. Write what lies on the deck under [[rods]] in the config.",
}
