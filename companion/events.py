"""What the engine tells the world: one frozen record per thing that happened.

`companion replay --json` prints one of these a line; the logbook stores the same
records; the page and the report read them. Times are logic seconds since the trip
began, to the millisecond; `utc` is None until the GPS has told it. Lengths are metres,
speeds metres per second, angles degrees clockwise from true north. None means not
known, never zero.
"""

from __future__ import annotations

import re
from typing import Literal

import msgspec

from companion.units import NINE_IN_TEN_RADIUS_SIGMAS

LoggedWhat = Literal[
    "bite",
    "fish",
    "touch",
    "snag",
    "broke off",
    "lost fish",
    "mark",
    "cast",
    "reeled in",
]
"""What a spoken command can put into the logbook."""

MarkKind = Literal[
    "tree top",
    "rock pile",
    "high spot",
    "grass edge",
    "brush pile",
    "ledge",
    "point",
    "stump",
    "rock",
    "hump",
    "channel",
    "spot",
]
"""What can be marked on the bottom; "spot" is a mark of no particular kind."""


class Fix(msgspec.Struct, frozen=True, omit_defaults=True):
    """A place: latitude and longitude, degrees, and the radius that holds it nine times in ten, m."""

    lat: float
    lon: float
    radius: float | None = None

    @property
    def sigma(self) -> float | None:
        """The standard deviation along any line, m, that the radius stands for; None when it is not known."""
        if self.radius is None:
            return None
        return self.radius / NINE_IN_TEN_RADIUS_SIGMAS


def told_place(lat: float, lon: float, radius: float) -> Fix:
    """Return a place as it is told: to 0.1 mm, its radius to 0.1 m.

    The last bits of a sine are each processor's own.
    """
    return Fix(round(lat, 9), round(lon, 9), round(radius, 1))


class Event(msgspec.Struct, frozen=True, kw_only=True, tag_field="event"):
    """The fields of every event: logic time `t` in s, and `utc` as ISO 8601 with milliseconds."""

    t: float
    utc: str | None = None


class TripBegan(Event, frozen=True, tag="trip began"):
    """The first event: the `name` of the recording or the boat, and what each of the `rods` carries."""

    name: str
    rods: dict[str, str]


class TripEnded(Event, frozen=True, tag="trip ended"):
    """The last event: how many `sentences` were read, and how many were `dropped`, by reason."""

    sentences: int
    dropped: dict[str, int]


class Heard(Event, frozen=True, tag="heard"):
    """An utterance and what was made of it.

    `text` is the recognised text and `clip` the name of its sound file. `command` is
    the command's name, or None when the utterance was no command; `reason` says why
    not. `alternatives` lists other recognised texts, likeliest first; `check` is the
    text of the second decoding, where there was one; `fit` is the phrase that words and
    sounds together decided for, where the first text was another. `ended` says what
    ended the utterance: a whole phrase, a pause, too much time or the end of the sound.
    `spoke` is when its words began and ended, s since the clip began. `doubt` is a
    phrase with another value that may have been spoken as well.
    """

    text: str
    clip: str | None = None
    command: str | None = None
    reason: str | None = None
    alternatives: tuple[str, ...] = ()
    check: str | None = None
    fit: str | None = None
    ended: Literal["phrase", "pause", "time", "sound"] | None = None
    spoke: tuple[float, float] | None = None
    doubt: str | None = None


class Said(Event, frozen=True, tag="said"):
    """A spoken line: its `text`, and what it is `about`; "unclear" asks for what was not understood."""

    text: str
    about: Literal["match", "outlook", "answer", "depth", "notice", "unclear"]


class RodTaken(Event, frozen=True, tag="rod"):
    """The `rod` now in hand, the `lure` and `line` it carries, and its `reach`, m."""

    rod: str
    lure: str
    line: str
    reach: float | None


class Match(Event, frozen=True, tag="match"):
    """The rod in hand against the bottom: in its casting range where that is mapped, else below.

    `rod` is the rod in hand and `reach` its reach. `where` tells where the bottom was
    taken and `depth` how deep it is there. `by` is the clearance (`state` clear), the
    shortfall (short) or how far the lure would dig (touch), m, never negative.
    """

    rod: str
    state: Literal["touch", "clear", "short", "unknown"]
    by: float | None
    depth: float | None
    reach: float | None
    where: Literal["in range", "below"] = "below"


class TopAhead(msgspec.Struct, frozen=True):
    """A tree top on a cast's way: how far, m, by how much the lure clears it, m, and the chance of a hit."""

    distance: float
    clearance: float
    chance: float


class Outlook(Event, frozen=True, kw_only=True, tag="outlook"):
    """The encounter ahead of the cast just made.

    `cast` is the cast's number among the logged things, `rod` the rod and `bearing` the
    direction. `state` is touch, clear (close above the bottom), short (well above it)
    or unknown; `chance` is the probability of a touch and `sureness` the word for it.
    `distance` (m from where the rod tip was) and `seconds` (from `t`) belong to the
    first touch, should there be one. `contact` is how many metres of the way are in
    touch, `margin` the least height of the lure above the bottom (negative when it
    would dig), `mapped` the share of the deep part of the way over mapped bottom, and
    `tops` lists the tree tops on the way.
    """

    cast: int
    rod: str
    bearing: float
    state: Literal["touch", "clear", "short", "unknown"]
    sureness: Literal["will", "should", "may", "unlikely"]
    chance: float
    distance: float | None
    seconds: float | None
    contact: float | None
    margin: float | None
    mapped: float
    tops: tuple[TopAhead, ...] = ()


class Learned(Event, frozen=True, tag="learned"):
    """A touch, or a cast without one, has changed what is believed of a rod.

    `rod` carries `lure` on `line`. Its `reach` is now believed to lie between `low` and
    `high` in nine cases of ten; `was` is what was believed before the first touch;
    `evidence` counts what has taught it so far.
    """

    rod: str
    lure: str
    line: str
    reach: float
    low: float
    high: float
    was: float
    evidence: int


class DepthNews(Event, frozen=True, tag="depth"):
    """The depth was lost or came back (`state`); `depth` is the first one after that, m."""

    state: Literal["lost", "back"]
    depth: float | None = None


class Notice(Event, frozen=True, tag="notice"):
    """A `text` about the sources, the water or the program, for whoever reads the log."""

    text: str


_LEVEL = re.compile(r"water level ([+-]\d+\.\d\d) m against the map")


def level_notice(t: float, utc: str | None, rise_m: float) -> Notice:
    """Return the notice that the water stands so many m above the map's level today."""
    return Notice(t=t, utc=utc, text=f"water level {rise_m:+.2f} m against the map")


def current_notice(
    t: float, utc: str | None, speed_mps: float, towards_deg: float
) -> Notice:
    """Return the notice of a current told, towards a bearing from true north."""
    return Notice(
        t=t,
        utc=utc,
        text=f"current {speed_mps:.2f} m/s towards {towards_deg:.0f} degrees",
    )


_CURRENT = re.compile(r"current (\d+\.\d\d) m/s towards (\d+) degrees")


def current_told(event: Event) -> tuple[float, float] | None:
    """Return speed, m/s, and bearing of a current by a notice; None of any other event."""
    if not isinstance(event, Notice):
        return None
    found = _CURRENT.fullmatch(event.text)
    if found is None:
        return None
    return float(found[1]), float(found[2])


def level_told(event: Event) -> float | None:
    """Return how far the water stands above the map's level by a notice, m; None of any other event."""
    if not isinstance(event, Notice):
        return None
    found = _LEVEL.fullmatch(event.text)
    if found is None:
        return None
    return float(found[1])


class Logged(Event, frozen=True, tag="logged"):
    """A thing that happened, put into the logbook by voice.

    `number` counts the trip's logged things from 1; "undo" and corrections refer to it.
    `what` is its kind, `detail` what was said with it ("tree top"; "wood" where the
    lure touched that), `size` a fish's weight in kg, a mark's depth or a cast's length
    in m. `boat` is where the boat was, with its `heading`, its `speed` over ground and
    `water_speed` along the bow, m/s, the `bottom` below it (m below the surface), the
    `water_temperature`, C, and the `wind_speed`, m/s, with where it comes from
    (`wind_from`), where an instrument tells them. `rod`, `lure` and `line` are what was
    fished.

    `lure_at` and `lure_depth` tell where the lure was, and `lure_bottom` how deep the
    mapped bottom is there. They are the model's estimate; at a touch the lure is on the
    mapped bottom instead, and `model_depth` keeps the model's own depth. `at` is where
    a mark lies that is not under the boat. `catch` is the number of the bite that this
    fish or loss came from: the two are one catch, with one rod and one place. `clip` is
    the name of the sound file.
    """

    number: int
    what: LoggedWhat
    detail: str | None = None
    size: float | None = None
    boat: Fix | None = None
    heading: float | None = None
    speed: float | None = None
    water_speed: float | None = None
    bottom: float | None = None
    water_temperature: float | None = None
    wind_speed: float | None = None
    wind_from: float | None = None
    rod: str | None = None
    lure: str | None = None
    line: str | None = None
    lure_depth: float | None = None
    lure_at: Fix | None = None
    lure_bottom: float | None = None
    model_depth: float | None = None
    at: Fix | None = None
    catch: int | None = None
    clip: str | None = None

    @property
    def place(self) -> Fix | None:
        """Return where it was: the lure's place or the one called out, else the boat's; None: not known."""
        return self.lure_at or self.at or self.boat


class Undone(Event, frozen=True, tag="undone"):
    """The logged thing `number`, a `what`, was taken back; it stays in the logbook, marked."""

    number: int
    what: LoggedWhat


AnyEvent = (
    TripBegan
    | TripEnded
    | Heard
    | Said
    | RodTaken
    | Match
    | Outlook
    | Learned
    | DepthNews
    | Notice
    | Logged
    | Undone
)
"""Every kind of event, for decoding."""

_encoder = msgspec.json.Encoder()
_decoder = msgspec.json.Decoder(AnyEvent)


def to_json(event: AnyEvent) -> bytes:
    """Return an event as one line of JSON, without a newline; the same event gives the same bytes."""
    return _encoder.encode(event)


def from_json(line: bytes | str) -> AnyEvent:
    """Return the event in a line of JSON.

    Raises:
        msgspec.ValidationError: the line is JSON but no event.
    """
    event: AnyEvent = _decoder.decode(line)
    return event
