"""The truth of a trial: where the boat goes, what the bottom is, what is cast, bitten, marked and said.

A scenario is an hour over one kind of structure of an invented lake. Everything is
drawn from a seed before the trial begins, so that the sensors, the angler's words and
the judge tell of one world. Times are seconds of the world, which begins when the
program is ready; places are metres east and north of the lake's origin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from companion import config
from companion.simulate import boat
from companion.simulate.angler import Flaw, Throw, TrueRig, rig, throw
from companion.simulate.boat import BoatTrack, Leg
from companion.simulate.lake import Lake, Place
from companion.units import FOOT
from companion.voice.grammar import clock_words, number_words

STEP_S = 0.1
AT_REST_S = 25.0
"""How long the boat lies still at first; as long as the program takes to be ready, this is repeated."""
FLAW = Flaw(lift=0.95, line_drag=1.06, cast=0.97)
"""How far the owner's statements are from the truth."""
INSTRUMENTS = boat.Instruments()
RUNNING_M_S = 11.0
"""A small boat on the plane: 21 knots."""
Point = tuple[float, float]

SCENARIOS = {
    "ledge": ("ledge", "ledge"),
    "hump": ("high spot", "high spot"),
    "timber": ("timber", "tree top"),
    "grass": ("grass edge", "grass edge"),
    "point": ("point", "point"),
    "open water": ("ledge", "spot"),
}
"""For each scenario the structure of the lake, and what it is called when it is marked."""


class Saying(NamedTuple):
    """Words: when they are meant to begin, s, and the truth of what they log, if they log anything.

    `what` is what should be logged, `happened` when that was, s, `place` where, `depth`
    how deep the lure was, m.
    """

    t: float
    words: str
    what: str | None = None
    happened: float | None = None
    place: Point | None = None
    depth: float | None = None


@dataclass
class World:
    """All that is true in one trial."""

    name: str
    lake: Lake
    track: BoatTrack
    readings: boat.Readings
    sayings: list[Saying]
    throws: list[Throw]
    seconds: float

    def boat_at(self, t: float) -> Point:
        """Return where the boat is."""
        x, y = self.track.at(t)
        return float(x), float(y)

    def speed_at(self, t: float) -> float:
        """Return the boat's speed, m/s."""
        return float(np.interp(t, self.track.t, self.track.speed))

    def bottom_at(self, t: float) -> float:
        """Return the depth under the boat, m below the surface."""
        return float(self.lake.bottom(*self.boat_at(t)))

    def bottoms_in_range(self, t: float, bearing: float, cast: float) -> list[float]:
        """Return the depths where a lure cast from here is deepest, over a fan of 20 degrees each way."""
        x, y = self.boat_at(t)
        ways = np.radians(bearing + np.arange(-20.0, 21.0, 10.0))[:, None]
        far = cast * np.array([0.35, 0.5, 0.65])
        return list(
            self.lake.bottom(x + far * np.sin(ways), y + far * np.cos(ways)).ravel()
        )


@dataclass
class _Script:
    """Legs and words as they are written down; `now` is where the legs have got to, s."""

    lake: Lake
    rng: np.random.Generator
    rigs: dict[int, TrueRig]
    legs: list[Leg] = field(default_factory=list)
    now: float = 0.0
    crossings: list[tuple[float, float, Place]] = field(default_factory=list)
    fishings: list[tuple[float, float, Point, int]] = field(default_factory=list)
    runs: list[tuple[float, float]] = field(default_factory=list)

    def go(
        self, seconds: float, to: Point, speed: float, way: boat.Way = "idle"
    ) -> tuple[float, float]:
        """Add a leg; return when it begins and ends."""
        self.legs.append(Leg(seconds, to, speed, way))
        began, self.now = self.now, self.now + seconds
        return began, self.now


def make_world(scenario: str, minutes: float, seed: int) -> World:
    """Return the world of a scenario."""
    lake = Lake(seed)
    rng = np.random.default_rng([seed, sorted(SCENARIOS).index(scenario)])
    settings = config.parse(config_text([]), "trial")
    rigs = {rod.number: rig(rod, FLAW) for rod in settings.rods}
    script = _Script(lake, rng, rigs)
    start, heading = _plan(script, scenario, minutes * 60.0)
    track = boat.sail(
        start, heading, script.legs, boat.SteadyWind(), rng=rng, step=STEP_S
    )
    angler = _Angler(lake, track, rigs, rng)
    angler.live(script, SCENARIOS[scenario][1])
    said = sorted(saying for saying in angler.said if saying.t < script.now - 5.0)
    readings = boat.read(lake, track, INSTRUMENTS, rng)
    return World(scenario, lake, track, readings, said, angler.throws, script.now)


def _plan(script: _Script, scenario: str, seconds: float) -> tuple[Point, float]:
    """Write down the legs; return where the boat lies at first and its heading, degrees."""
    name = SCENARIOS[scenario][0]
    spot = script.lake.place(name)  # type: ignore[arg-type]
    start = _off(script.lake, spot, 0.0, 20.0)
    script.go(AT_REST_S, start, 0.0, "trolling")
    cycle = 0
    while script.now < AT_REST_S + seconds - 1.0:
        left = AT_REST_S + seconds - script.now
        if scenario == "open water":
            _run_about(script, spot, cycle, left)
        else:
            _fish_over(script, name, cycle, left)
        cycle += 1
    return start, script.lake.towards_shore()


def _fish_over(script: _Script, name: str, cycle: int, left: float) -> None:
    """Cross the structure at a walk, mark it, come back and fish it; the first time in two minutes."""
    along = (
        0.0
        if cycle == 0 or name in ("high spot", "timber")
        else float(script.rng.uniform(-20.0, 20.0))
    )
    spot = script.lake.place(name, along)  # type: ignore[arg-type]
    if name == "timber":
        spot = _tree(script.lake, cycle)
    if cycle:
        script.go(40.0, _off(script.lake, spot, 0.0, 28.0), 2.4)
    over = script.go(
        28.0 if cycle == 0 else 40.0, _off(script.lake, spot, 0.0, -14.0), 1.5
    )
    script.crossings.append((*over, spot))
    script.go(26.0, _off(script.lake, spot, 4.0, 32.0), 2.2)
    seconds = 66.0 if cycle == 0 else min(200.0, max(left - 106.0, 30.0))
    fish = script.go(seconds, _off(script.lake, spot, 9.0, 18.0), 0.2, "trolling")
    script.fishings.append((*fish, (spot.x, spot.y), cycle))


def _run_about(script: _Script, spot: Place, cycle: int, left: float) -> None:
    """Run between two places half a kilometre apart, then cross one of them at five knots, and mark it."""
    side = 1.0 if cycle % 2 == 0 else -1.0
    far = _off(script.lake, spot, 260.0 * side, 120.0)
    run = script.go(min(48.0, left), far, RUNNING_M_S)
    script.runs.append(run)
    if left < 60.0:
        return
    here = script.lake.bottom(far[0], far[1])
    mark = Place(far[0], far[1], float(here))
    script.go(24.0, _off(script.lake, mark, 0.0, 40.0), 3.0)
    over = script.go(34.0, _off(script.lake, mark, 0.0, -45.0), 2.6)
    script.crossings.append((*over, mark))


def _off(lake: Lake, place: Place | Point, along: float, out: float) -> Point:
    east, north = lake.offset(along, out)
    return place[0] + east, place[1] + north


def _tree(lake: Lake, cycle: int) -> Place:
    """Return one of the trees whose tops are where these lures run, another each time."""
    wanted = np.argsort(np.abs(lake.trees.top - 15 * FOOT))[:6]
    i = int(wanted[cycle % len(wanted)])
    return Place(
        float(lake.trees.x[i]), float(lake.trees.y[i]), float(lake.trees.top[i])
    )


@dataclass
class _Angler:
    """Who casts and talks, and when things truly happen."""

    lake: Lake
    track: BoatTrack
    rigs: dict[int, TrueRig]
    rng: np.random.Generator
    said: list[Saying] = field(default_factory=list)
    throws: list[Throw] = field(default_factory=list)

    def live(self, script: _Script, kind: str) -> None:
        """Live the hour."""
        for began, ended, spot in script.crossings:
            self._mark(began, ended, spot, kind)
        for began, ended in script.runs:
            self._say(began + 15.0, "how deep")
            self._say(ended - 6.0, "how deep")
        for began, ended, spot, cycle in script.fishings:
            self._fish(began, ended, spot, cycle)

    def _say(self, t: float, words: str, **truth: object) -> None:
        self.said.append(Saying(round(t, 3), words, **truth))  # type: ignore[arg-type]

    def _react(self) -> float:
        """Return how long the first word comes after what it is about, s."""
        return float(np.clip(self.rng.normal(0.7, 0.2), 0.3, 1.3))

    def _mark(self, began: float, ended: float, spot: Place, kind: str) -> None:
        t = np.arange(began, ended, 0.1)
        x, y = self.track.at(t)
        passed = float(t[int(np.argmin(np.hypot(x - spot.x, y - spot.y)))])
        words = f"mark a {kind}"
        if kind == "tree top":
            words = f"mark {kind} {number_words(round(spot.depth / FOOT))} feet"
        truth = {"what": "mark", "happened": passed, "place": (spot.x, spot.y)}
        self._say(passed + self._react(), words, **truth)
        self._say(passed + 8.0, "how deep")

    def _fish(self, began: float, ended: float, spot: Point, cycle: int) -> None:
        now = began + 3.0
        number = 0
        while now < ended - 40.0 or number == 0:
            rod = 1 + (cycle + number) % len(self.rigs)
            self._say(now, f"rod {number_words(rod)}")
            now = self._cast(now + 4.0, rod, spot, bitten=number % 2 == 0)
            number += 1
            if now > ended - 5.0:
                return
            if number == 2:
                self._say(now, "which rod")
                now += 5.0

    def _cast(self, t: float, rod: int, spot: Point, *, bitten: bool) -> float:
        """Cast, tell of it, and of what happens to the lure; return when there is time for the next thing."""
        landed = t + 2.2
        x, y = (float(v) for v in self.track.at(landed))
        bearing = math.degrees(math.atan2(spot[0] - x, spot[1] - y)) + float(
            self.rng.normal(0.0, 3.0)
        )
        length = self.rigs[rod].retrieve.cast * float(self.rng.normal(1.0, 0.04))
        cast = throw(
            self.lake,
            self.track,
            self.rigs[rod],
            landed=landed,
            bearing=bearing % 360.0,
            length=length,
        )
        self.throws.append(cast)
        hour = round((bearing - float(self.track.heading_at(t))) / 30.0) % 12 or 12
        self._say(t, f"cast {clock_words(hour)}")
        self._touch(cast)
        if bitten:
            self._bite(cast)
        self._say(cast.ended + 1.0, "reeled in")
        if bitten:
            pounds = int(self.rng.integers(2, 6))
            self._say(
                cast.ended + 4.5,
                f"log fish {number_words(pounds)} pounds",
                what="fish",
                **self._bitten,
            )
        return cast.ended + (11.0 if bitten else 5.0)

    def _touch(self, cast: Throw) -> None:
        felt = [t for t in cast.touches if t.met == "tree" or t.until - t.t > 0.3]
        if felt and felt[0].met != "grass":
            first = felt[0]
            what, words = (
                ("touch", "touched bottom")
                if first.met == "bottom"
                else ("snag", "snagged up")
            )
            truth = {
                "what": what,
                "happened": first.t,
                "place": (first.x, first.y),
                "depth": first.depth,
            }
            self._say(first.t + self._react(), words, **truth)

    def _bite(self, cast: Throw) -> None:
        middle = cast.landed + 0.55 * (cast.ended - cast.landed)
        bite = max(middle, cast.touches[0].t + 5.0) if cast.touches else middle
        bite = min(bite, cast.ended - 5.0)
        x, y, z = cast.at(bite)
        self._bitten = {"happened": bite, "place": (x, y), "depth": z}
        self._say(bite + self._react(), "log bite", what="bite", **self._bitten)


def config_text(parts: list[str]) -> str:
    """Return the config of the trial's boat: what is said of its parts, and its four rods."""
    rods = [
        ("fluorocarbon", "12 lb", "0.28 mm", 45),
        ("fluorocarbon", "14 lb", "0.31 mm", 42),
    ]
    rods += [
        ("fluorocarbon", "17 lb", "0.36 mm", 38),
        ("nylon", "20 lb", "0.43 mm", 32),
    ]
    text = (
        'units = "feet"\n[boat]\ntransducer_depth = "0.3 m"\nrod_tip = "0.5 m"\n'
        + "".join(parts)
    )
    text += """
[[lures]]
name = "trial deep"
length = "7 cm"
rated = { depth = "20 ft", line = { material = "fluorocarbon", strength = "10 lb" }, cast = "40 yd" }
style = "gradual curve"
when_stopped = "rises slowly"
"""
    for number, (material, strength, thick, cast) in enumerate(rods, 1):
        line = f'{{ material = "{material}", strength = "{strength}", diameter = "{thick}" }}'
        reel = '{ per_turn = "24 in", turns = "1.6 /s" }'
        text += (
            f'\n[[rods]]\nnumber = {number}\nlure = "trial deep"\ncast = "{cast} yd"\n'
        )
        text += f"line = {line}\nreel = {reel}\n"
    return text
