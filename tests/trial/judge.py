"""What a trial showed, beside the truth: commands, places, advice, delays, lines, appetite.

- A command is right when what was made of it means the same, and lost when nothing was.
  It is lost to the companion's own voice when that sounded while it was said or in the
  half second after.
- False is a command that nobody gave.
- A place is as far off as it lies from the truth; beyond the GPS is what is left when
  the error of the GPS at that moment is taken out. A time is that of the thing, not of
  its words.
- Advice is wrong when no bottom it may be about, under the boat within 3 s or in
  casting range, lets the believed reach of the rod in hand touch (or not), by
  `WRONG_M`. A change under the boat is told late when it was not said 4 s after the
  bottom had crossed that reach by `BAND_M` for 10 s, at under 2 m/s, with no cast under
  way.
- An answer was heard whole when sound came within `ANSWERED_WITHIN_S` of it, and was
  not cut off at once.
- What is told of a rod when it is taken was asked for; all other lines of `UNASKED`
  were not.
- The delay of a reply is from the end of the words at the microphone to the first sound
  of the speaker.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from itertools import zip_longest
from statistics import median

import numpy as np

from companion import config
from companion.voice.grammar import Grammar, aboard
from tests.bench.real_logs import LASTING_S, TOLD_S, TRAVELLING_M_S, Line, spoken_lines
from tests.trial.aboard import Event, Told
from tests.trial.course import Course, Spoken
from tests.trial.world import STEP_S, config_text

ANSWERED_WITHIN_S = 3.0
HEARD_WITHIN_S = 8.0
LATEST_S = 30.0
"""A command decided later than this after its words is not theirs."""
OWN_VOICE_S = 0.5
WRONG_M = 0.6
BAND_M = 0.3
ROD_CAST_M = 38.0
CUT_OFF_S = 0.15
"""A shorter sound is one that was cut off: the shortest, a tone, is longer."""
ON_TAKING_S = 2.0
UNASKED = ("match", "depth", "notice")
EXPECTED_NOTICES = ("starting", "ready")


@dataclass
class Figures:
    """What a trial showed."""

    hours: float = 0.0
    commands: int = 0
    right: int = 0
    wrong: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    lost_to_own_voice: list[str] = field(default_factory=list)
    false: list[str] = field(default_factory=list)
    taps: int = 0
    taps_lost: int = 0
    off: dict[str, list[float]] = field(default_factory=dict)
    off_beyond_gps: dict[str, list[float]] = field(default_factory=dict)
    within_radius: int = 0
    placed: int = 0
    unplaced: int = 0
    times_off: list[float] = field(default_factory=list)
    depths_off: list[float] = field(default_factory=list)
    delays: list[float] = field(default_factory=list)
    decided_after: list[float] = field(default_factory=list)
    answers: int = 0
    answers_cut: list[str] = field(default_factory=list)
    on_taking: int = 0
    unasked: int = 0
    never_sounded: int = 0
    travelling: int = 0
    advice: int = 0
    advice_wrong: list[str] = field(default_factory=list)
    changes: int = 0
    changes_late: list[str] = field(default_factory=list)
    foretold: int = 0
    foretold_touched: int = 0


def judged(course: Course) -> Figures:
    """Compare what was told with what was true."""
    seen = Figures(hours=course.world.seconds / 3600.0)
    _judge_commands(course, seen)
    _judge_taps(course, seen)
    _judge_lines(course, seen)
    _judge_outlooks(course, seen)
    return seen


def _grammar() -> Grammar:
    return Grammar(aboard(config.parse(config_text([]), "trial")))


def _judge_commands(course: Course, seen: Figures) -> None:
    grammar = _grammar()
    heard = [
        it
        for it in course.told
        if it.event["event"] == "heard" and it.event.get("clip")
    ]
    taken = [it for it in heard if it.event.get("command")]
    pairs = _aligned(grammar, course.spoken, taken)
    rest = [it for i, it in enumerate(taken) if i not in pairs.values()]
    for i, spoken in enumerate(course.spoken):
        seen.commands += 1
        if i in pairs:
            seen.right += 1
            seen.decided_after.append(taken[pairs[i]].t - spoken.ended)
            _judge_logged(course, spoken, taken[pairs[i]], seen)
            _judge_delay(course, spoken, taken[pairs[i]], seen)
            continue
        near = [
            it for it in heard if spoken.began < it.t < spoken.ended + HEARD_WITHIN_S
        ]
        instead = next((it for it in near if it in rest), None)
        if instead is None:
            _lost(
                course,
                spoken,
                [it.event["text"] for it in near if it not in taken],
                seen,
            )
        else:
            rest.remove(instead)
            seen.wrong.append(
                f"{spoken.saying.words!r} taken for {instead.event['text']!r}"
            )
    seen.false += [f"{it.t - course.began:.0f} s {it.event['text']!r}" for it in rest]


def _aligned(
    grammar: Grammar, spoken: list[Spoken], taken: list[Told]
) -> dict[int, int]:
    """Return which command that was taken answers which saying: as many as can be, in their order."""
    meant = [grammar.parse(one.saying.words) for one in spoken]
    made = [grammar.parse(one.event["text"]) for one in taken]
    best = np.zeros((len(meant) + 1, len(made) + 1), int)

    def fit(i: int, j: int) -> bool:
        return (
            meant[i] == made[j]
            and spoken[i].began < taken[j].t < spoken[i].ended + LATEST_S
        )

    for i in reversed(range(len(meant))):
        for j in reversed(range(len(made))):
            best[i, j] = max(
                best[i + 1, j], best[i, j + 1], fit(i, j) + best[i + 1, j + 1]
            )
    pairs, i, j = {}, 0, 0
    while i < len(meant) and j < len(made):
        if fit(i, j) and best[i, j] == 1 + best[i + 1, j + 1]:
            pairs[i], i, j = j, i + 1, j + 1
        else:
            i, j = (i + 1, j) if best[i, j] == best[i + 1, j] else (i, j + 1)
    return pairs


def _lost(course: Course, spoken: Spoken, made: list[str], seen: Figures) -> None:
    what = (
        f"{spoken.began - course.began:.0f} s {spoken.saying.words!r} heard as {made}"
    )
    own = any(
        s.began < spoken.ended + OWN_VOICE_S and s.ended > spoken.began
        for s in course.sounded
    )
    (seen.lost_to_own_voice if own else seen.lost).append(what)


def _judge_logged(course: Course, spoken: Spoken, heard: Told, seen: Figures) -> None:
    saying = spoken.saying
    if saying.what is None or saying.place is None or saying.happened is None:
        return
    clip = heard.event["clip"]
    logged = next(
        (
            t.event
            for t in course.told
            if t.event["event"] == "logged" and t.event["clip"] == clip
        ),
        None,
    )
    if logged is None:
        seen.wrong.append(f"{saying.words!r} was heard and nothing logged")
        return
    place = logged.get("lure_at") or logged.get("at") or logged.get("boat")
    if saying.what != "fish":
        seen.times_off.append(_wall(logged["utc"]) - (course.wall + saying.happened))
    if saying.depth is not None and logged.get("lure_depth") is not None:
        seen.depths_off.append(logged["lure_depth"] - saying.depth)
    if place is None:
        seen.unplaced += 1
        return
    x, y = course.world.lake.plane.to_metres(place["lat"], place["lon"])
    off = np.array([float(x) - saying.place[0], float(y) - saying.place[1]])
    tick = min(round(saying.happened / STEP_S), len(course.world.track.t) - 1)
    shown, track = course.world.readings, course.world.track
    gps = np.array([shown.x[tick] - track.x[tick], shown.y[tick] - track.y[tick]])
    seen.off.setdefault(saying.what, []).append(float(np.hypot(*off)))
    seen.off_beyond_gps.setdefault(saying.what, []).append(
        float(np.hypot(*(off - gps)))
    )
    seen.placed += 1
    seen.within_radius += float(np.hypot(*off)) <= (place.get("radius") or 0.0)


def _wall(utc: str) -> float:
    return datetime.fromisoformat(utc).timestamp()


def _judge_delay(course: Course, spoken: Spoken, heard: Told, seen: Figures) -> None:
    """Take the first sound after the words were heard, if an answer was given and sounded."""
    answers = [
        t
        for t in course.told
        if heard.t <= t.t < heard.t + 3.0 and t.event["event"] == "said"
    ]
    if not any(t.event["about"] in ("answer", "outlook") for t in answers):
        return
    first = next((s.began for s in course.sounded if s.began > heard.t - 0.15), None)
    if first is not None and first < heard.t + ANSWERED_WITHIN_S:
        seen.delays.append(first - spoken.ended)


def _judge_taps(course: Course, seen: Figures) -> None:
    tapped = [
        done.what.removeprefix("tap ")
        for done in course.done
        if done.what.startswith("tap ")
    ]
    carried_out = [
        e["command"] for e in events_of(course, "heard") if not e.get("clip")
    ]
    seen.taps = len(tapped)
    seen.taps_lost = sum(a != b for a, b in zip_longest(tapped, carried_out))


def _judge_lines(course: Course, seen: Figures) -> None:
    """Judge what was volunteered: how much, whether it sounded, whether it was so, and when it was late."""
    lines = [line for line in _lines(course) if line.t > course.began]
    taken = [told.t for told in course.told if told.event["event"] == "rod"]
    for line in lines:
        if line.about in ("answer", "outlook"):
            _judge_answer(course, line, seen)
        on_taking = line.about == "match" and any(
            0.0 <= line.t - t < ON_TAKING_S for t in taken
        )
        seen.on_taking += on_taking
        if (
            line.about in UNASKED
            and not on_taking
            and not line.text.startswith(EXPECTED_NOTICES)
        ):
            seen.unasked += 1
            fast = course.world.speed_at(line.t - course.began) > TRAVELLING_M_S
            seen.travelling += fast and line.about == "match"
            seen.never_sounded += not any(
                -0.1 < s.began - line.t < 4.0 for s in course.sounded
            )
        if line.about == "match" and line.touch is not None:
            seen.advice += 1
            if _is_wrong(course, line):
                seen.advice_wrong.append(f"{line.t - course.began:.0f} s {line.text!r}")
    for t, touch in _changes(course):
        seen.changes += 1
        last = next(
            (
                x
                for x in reversed(lines)
                if x.touch is not None and x.t <= t + TOLD_S + course.began
            ),
            None,
        )
        if last is None or last.touch != touch:
            seen.changes_late.append(
                f"{t:.0f} s will {'touch' if touch else 'not touch'}"
            )


def _judge_answer(course: Course, line: Line, seen: Figures) -> None:
    seen.answers += 1
    sounded = next(
        (s for s in course.sounded if -0.15 < s.began - line.t < ANSWERED_WITHIN_S),
        None,
    )
    if sounded is None or sounded.ended - sounded.began < CUT_OFF_S:
        how = "not heard" if sounded is None else "cut off"
        seen.answers_cut.append(f"{line.t - course.began:.0f} s {line.text!r} {how}")


def _lines(course: Course) -> list[Line]:
    """Return the spoken lines, timed by when they were printed; all earlier ones, too."""
    lines = spoken_lines([told.event for told in course.told])
    printed = [told.t for told in course.told if told.event["event"] == "said"]
    return [line._replace(t=t) for line, t in zip(lines, printed, strict=True)]


def _reach_at(course: Course, t: float) -> float | None:
    """Return the believed reach of the rod in hand, m, at a monotonic time; None before one is told."""
    reaches = [
        told.event["reach"]
        for told in course.told
        if told.event["event"] == "rod" and told.t <= t
    ]
    return float(reaches[-1]) if reaches else None


def _is_wrong(course: Course, line: Line) -> bool:
    t, world = line.t - course.began, course.world
    reach = _reach_at(course, line.t)
    assert reach is not None, f"{line.text!r} before any rod was told"
    bottoms = [world.bottom_at(t - back) for back in np.arange(0.0, 3.5, 0.5)]
    if line.in_range:
        heading = float(world.track.heading_at(t))
        thrown = [throw.bearing for throw in world.throws if throw.landed < t]
        for bearing in (heading, *thrown[-1:]):
            bottoms += world.bottoms_in_range(t, bearing, ROD_CAST_M)
    if line.touch:
        return min(bottoms) - reach > WRONG_M
    return max(bottoms) - reach < -WRONG_M


def _changes(course: Course) -> Iterator[tuple[float, bool]]:
    """Yield when the bottom under the boat came into the reach of the rod in hand, or left it, to stay."""
    world = course.world
    state: bool | None = None
    flips: list[tuple[float, bool]] = []
    rods: list[float] = []
    for t in np.arange(20.0, world.seconds, 0.5):
        reach = _reach_at(course, t + course.began)
        if reach is None:
            continue
        beyond = world.bottom_at(t) - reach
        new = state if abs(beyond) < BAND_M else beyond < 0.0
        if rods and rods[-1] != reach:
            state, new = None, None
        rods.append(reach)
        if new is not None and new != state:
            if state is not None:
                flips.append((float(t), new))
            state = new
    ends = [t for t, _ in flips[1:]] + [world.seconds] * bool(flips)
    for (t, touch), end in zip(flips, ends, strict=True):
        casting = any(
            throw.landed - 4.0 < t + TOLD_S and throw.ended + 2.0 > t
            for throw in world.throws
        )
        below = _judged_below(course, t)
        if (
            end - t >= LASTING_S
            and world.speed_at(t) < TRAVELLING_M_S
            and not casting
            and below
        ):
            yield t, touch


def _judged_below(course: Course, t: float) -> bool:
    """Tell whether the program looks at the bottom below the boat, and not at that in range."""
    matches = [
        x.event
        for x in course.told
        if x.event["event"] == "match" and x.t <= t + course.began + TOLD_S
    ]
    return not matches or matches[-1].get("where") == "below"


def _judge_outlooks(course: Course, seen: Figures) -> None:
    """Count the casts that were told to touch, and those of them that did."""
    for told in course.told:
        if told.event["event"] != "outlook" or told.event["sureness"] not in (
            "will",
            "should",
        ):
            continue
        t = told.t - course.began
        cast = min(
            course.world.throws, key=lambda throw: abs(throw.landed - t), default=None
        )
        if (
            cast is not None
            and abs(cast.landed - t) < 10.0
            and told.event["state"] == "touch"
        ):
            seen.foretold += 1
            seen.foretold_touched += bool(cast.touches)


def events_of(course: Course, kind: str) -> list[Event]:
    """Return the events of a kind."""
    return [told.event for told in course.told if told.event["event"] == kind]


def middle(values: list[float]) -> float:
    """Return the median; not a number where there is none."""
    return median(values) if values else math.nan


def share_below(values: list[float], share: float) -> float:
    """Return what that share of the values is at most; not a number where there is none."""
    return float(np.quantile(values, share)) if values else math.nan
