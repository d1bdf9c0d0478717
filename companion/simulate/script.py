"""What happens on the demo day: where the boat goes, what is cast and what is said.

`legs` is the boat's way past every kind of structure the lake has; `fish` is the
angler's day on it. The angler reacts to what truly happens: a touch is called when the
lure touches, a mark has the depth of what is marked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np

from companion.simulate.angler import Throw, TrueRig, throw
from companion.simulate.boat import BoatTrack, Leg, SteadyWind
from companion.simulate.lake import Lake, Place, PlaceName
from companion.units import FOOT
from companion.voice.grammar import clock_words, number_words

Outcome = Literal["fish", "lost", "missed"]
"""What comes of a bite."""

_REACTION = 1.3  # s from an event to the first word about it


class Scene(NamedTuple):
    """A named stretch of the day and what the boat does in it."""

    name: str
    leg: Leg


class ScriptedWords(NamedTuple):
    """Words said at `t`, s."""

    t: float
    words: str


class Bite(NamedTuple):
    """A fish strikes at `t`, s; what comes of it."""

    t: float
    outcome: Outcome


def legs(lake: Lake) -> list[Scene]:
    """Return the boat's day: first a look round, then the fishing."""

    def off(
        name: PlaceName, along: float, out: float, aside: float = 0.0
    ) -> tuple[float, float]:
        place, (dx, dy) = lake.place(name, along), lake.offset(aside, out)
        return place.x + dx, place.y + dy

    tree = wanted_tree(lake)
    return [
        Scene("start", Leg(24, off("ledge", -55, 22), 0.3, "trolling")),
        Scene("up the ledge", Leg(24, off("ledge", -30, -20), 2.2)),
        Scene("down the ledge", Leg(32, off("ledge", 0, 30), 2.2)),
        Scene("rock pile", Leg(32, lake.place("rock pile")[:2], 2.0)),
        Scene("to the point", Leg(50, lake.place("point", 45)[:2], 2.6)),
        Scene("to the timber", Leg(58, (tree.x, tree.y), 2.4)),
        Scene("to the high spot", Leg(50, lake.place("high spot")[:2], 2.2)),
        Scene("back to the timber", Leg(40, off("timber", 0, 32, -10), 2.4)),
        Scene("fish the timber", Leg(112, None, 0.0, "drift")),
        Scene("back to the point", Leg(62, lake.place("point", -4)[:2], 3.2)),
        Scene("along the point", Leg(34, lake.place("point", 54)[:2], 2.2)),
        Scene("fish the point", Leg(165, off("point", 34, 0, 2), 0.13, "trolling")),
        Scene("to the ledge", Leg(44, off("ledge", 38, 17), 2.8)),
        Scene("fish the ledge", Leg(170, off("ledge", 4, 17), 0.22, "trolling")),
        Scene("to the grass", Leg(38, off("grass edge", 5, 20), 2.2)),
        Scene("fish the grass", Leg(116, off("grass edge", -15, 18), 0.2, "trolling")),
    ]


def wind(lake: Lake) -> SteadyWind:
    """Return the day's wind: along the shore, a little off it."""
    dx, dy = lake.offset(1.0, 0.25)
    return SteadyWind(towards=math.degrees(math.atan2(dx, dy)) % 360.0)


def wanted_tree(lake: Lake) -> Place:
    """Return the tree whose top comes nearest to fifteen feet, where it matters to these lures."""
    i = int(np.argmin(np.abs(lake.trees.top - 15 * FOOT)))
    return Place(
        float(lake.trees.x[i]), float(lake.trees.y[i]), float(lake.trees.top[i])
    )


@dataclass
class Angler:
    """The angler who fishes and talks; `said`, `throws` and `bites` fill up as the day goes on."""

    lake: Lake
    track: BoatTrack
    rigs: dict[int, TrueRig]
    rng: np.random.Generator
    said: list[ScriptedWords] = field(default_factory=list)
    throws: list[Throw] = field(default_factory=list)
    bites: dict[int, Bite] = field(default_factory=dict)

    def say(self, t: float, words: str) -> None:
        """Say something at `t`, s."""
        self.said.append(ScriptedWords(t, words))

    def mark(self, t: float, kind: str, depth: float | None = None) -> None:
        """Mark what is under the boat, with the depth of its top, m, when that is known."""
        self.say(
            t, f"mark a {kind}" if depth is None else f"mark {kind} {in_feet(depth)}"
        )

    def cast(
        self,
        t: float,
        rod: int,
        at: tuple[float, float],
        bite: Outcome | None = None,
        quiet: bool = False,
    ) -> Throw:
        """Cast a rod at a place (x, y in m) at `t`, s, and fish the cast out.

        Args:
            t: when the rod is swung, s.
            rod: which.
            at: what to cast at.
            bite: what comes of a bite on this cast, None for no bite.
            quiet: say nothing about cast and touches.
        """
        landed = t + 2.2
        x, y = (float(v) for v in self.track.at(landed))
        bearing = math.degrees(math.atan2(at[0] - x, at[1] - y)) + self.rng.normal(0, 3)
        length = self.rigs[rod].retrieve.cast * self.rng.normal(1.0, 0.04)
        cast = throw(
            self.lake,
            self.track,
            self.rigs[rod],
            landed=landed,
            bearing=bearing % 360.0,
            length=length,
        )
        self.throws.append(cast)
        if not quiet:
            self.say(t, self._casting(t, cast.bearing))
            self._call_touch(cast)
            self.say(cast.ended + 0.8, "reeled in")
        if bite is not None:
            self._bitten(cast, bite)
        return cast

    def _casting(self, t: float, bearing: float) -> str:
        """Return what is said at a cast: the hour it flies towards, but at every fourth not even that."""
        if len(self.throws) % 4 == 2:
            return "cast now"
        heading = float(
            np.interp(t, self.track.t, np.unwrap(self.track.heading, period=360.0))
        )
        hour = round((bearing - heading) / 30.0) % 12 or 12
        return f"cast {clock_words(hour)}"

    def _call_touch(self, cast: Throw) -> None:
        """Say what the angler feels first: the bottom, or a tree."""
        felt = [
            t
            for t in cast.touches
            if t.met == "tree" or (t.met == "bottom" and t.until - t.t > 0.3)
        ]
        if felt:
            self.say(
                felt[0].t + _REACTION,
                "touched bottom" if felt[0].met == "bottom" else "snagged up",
            )

    def _bitten(self, cast: Throw, outcome: Outcome) -> None:
        """Put a bite where the lure comes off what it touched, or else where it is deepest."""
        spot = (
            cast.touches[-1].until + 1.0
            if cast.touches
            else float(cast.t[int(np.argmax(cast.z))])
        )
        bite = Bite(min(spot, cast.ended - 6.0), outcome)
        self.bites[len(self.throws)] = bite
        self.say(bite.t + _REACTION, "log bite")


def in_feet(depth: float) -> str:
    """Return a depth, m, in the words an angler says it in: whole feet.

    >>> in_feet(4.6)
    'fifteen feet'
    """
    return f"{number_words(round(depth / FOOT))} feet"


def fish(angler: Angler, begins: dict[str, float]) -> None:
    """Live the day; `begins` is when each scene begins, s."""
    _look_round(angler, begins)
    _fish_the_timber(angler, begins["fish the timber"])
    _fish_the_point(angler, begins["fish the point"])
    _fish_the_ledge(angler, begins["fish the ledge"])
    _fish_the_grass(angler, begins["fish the grass"])


def _look_round(a: Angler, begins: dict[str, float]) -> None:
    a.say(5.0, "rod one")
    a.say(13.0, "looks like the wind is going to pick up later")
    a.say(19.5, "how deep")
    a.mark(_steepest(a, begins["up the ledge"]), "ledge")
    rocks = _passing(a, begins["rock pile"], a.lake.place("rock pile"))
    a.mark(rocks, "rock pile", _shallowest(a, rocks))
    a.say(rocks + 7.0, "how deep does it go")
    a.mark(_passing(a, begins["to the point"], a.lake.place("point", 45)), "point")
    tree = wanted_tree(a.lake)
    a.mark(_passing(a, begins["to the timber"], tree), "tree top", tree.depth)
    spot = a.lake.place("high spot")
    a.mark(_passing(a, begins["to the high spot"], spot), "high spot", spot.depth)
    a.say(
        begins["back to the timber"] + 14.0,
        "there was a big bird sitting on that stump yesterday",
    )


def _passing(a: Angler, begin: float, place: Place) -> float:
    """When, within half a minute or so of `begin`, the boat first comes within 3 m of a place."""
    t = begin + np.arange(0.0, 58.0, 0.5)
    x, y = a.track.at(t)
    far = np.hypot(x - place.x, y - place.y)
    return float(t[int(np.argmax(far < max(3.0, float(far.min()) + 0.1)))])


def _steepest(a: Angler, begin: float) -> float:
    """When, in the 22 s after `begin`, the bottom under the boat changes fastest."""
    t = begin + np.arange(2.0, 22.0, 0.5)
    x, y = a.track.at(t)
    return float(t[int(np.argmax(np.abs(np.diff(a.lake.bottom(x, y)))))])


def _shallowest(a: Angler, t: float) -> float:
    """Depth of the shallowest bottom the boat crosses around `t`, m."""
    x, y = a.track.at(t + np.arange(-5.0, 5.0, 0.2))
    return float(np.min(a.lake.bottom(x, y)))


def _fish_the_timber(a: Angler, t: float) -> None:
    timber = a.lake.place("timber")[:2]
    a.say(t - 8.0, "which rod")
    a.say(t - 3.0, "line seventeen")
    first = a.cast(t + 2.0, 3, timber)
    a.say(first.ended + 4.5, "rod one")
    second = a.cast(first.ended + 9.0, 1, timber, "fish")
    a.say(second.ended + 6.5, "log fish three pounds two ounces")


def _fish_the_point(a: Angler, t: float) -> None:
    crest = a.lake.place("point", 0.0)[:2]
    first = a.cast(t + 6.0, 1, crest)
    a.say(first.ended + 4.0, "log bite")
    a.say(first.ended + 7.5, "undo that")
    second = a.cast(first.ended + 12.0, 1, crest, "lost")
    a.say(second.ended - 3.5, "lost it")
    a.say(second.ended + 4.5, "rod two")
    third = a.cast(second.ended + 9.0, 2, crest)
    a.say(third.ended + 5.0, "hand me that sandwich will you")


def _fish_the_ledge(a: Angler, t: float) -> None:
    shelf = a.lake.place("ledge", 20.0)
    inwards = a.lake.offset(0.0, -14.0)
    target = (shelf.x + inwards[0], shelf.y + inwards[1])
    a.say(t - 6.0, "line fourteen")
    first = a.cast(t + 6.0, 2, target, "fish")
    a.say(first.ended + 6.0, "log fish one pound nine ounces")
    a.say(first.ended + 12.0, "how deep")
    second = a.cast(first.ended + 17.0, 2, target, quiet=True)
    a.say(second.ended + 1.0, "say again")
    a.say(second.ended + 5.5, "rod four")
    a.cast(second.ended + 10.0, 4, target)


def _fish_the_grass(a: Angler, t: float) -> None:
    edge = a.lake.place("grass edge", 12.0)
    a.mark(t - 4.0, "grass edge", edge.depth)
    first = a.cast(t + 6.0, 4, edge[:2], "missed")
    a.say(first.ended + 5.0, "which rod here")
    second = a.cast(first.ended + 10.0, 4, edge[:2], quiet=True)
    a.say(second.ended + 3.0, "water up two feet")
    a.say(second.ended + 8.0, "that is it for this morning let us head in")
