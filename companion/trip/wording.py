"""Every line that a trip speaks: short, plain, and never a phrase that the companion listens for.

Depths are m below the surface and are spoken in the unit configured.
tests/unit/trip/test_wording.py tries the lines against the grammar, so that the
companion does not hear itself.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType

from companion.casting.cast import CastInProgress
from companion.casting.deck import Lesson
from companion.casting.match import JUST_CLEAR_M, Standing
from companion.casting.outlook import CastOutlook, TopOutlook
from companion.casting.plan import Plan
from companion.tackle import Rod
from companion.units import KNOT, YARD, LengthUnit, fine_compass, spoken_depth
from companion.voice.grammar import (
    NUMBER_WORDS,
    SPOKEN_CURRENTS,
    TENS_WORDS,
    clock_words,
    number_words,
)

NUMBERS = frozenset([*NUMBER_WORDS, *TENS_WORDS])
_DISTANCE_UNITS: Mapping[LengthUnit, tuple[str, float]] = MappingProxyType(
    {"feet": ("yard", YARD), "metres": ("metre", 1.0)}
)
"""The unit distances are spoken in where depths are in feet or in metres, and the metres in it."""
TOLD_BEFORE_S = 2.0
"""Nothing is said of an event that comes sooner than this."""
TOP_ASIDE_M = 2.0
"""A tree top further than this beside a cast's line is not spoken of."""
WILL_SHARE, SHOULD_SHARE = 0.9, 0.7
"""From which sureness a touch is said to be one that will or should come; below, it may."""
HERE_M, FAR_DISTANCE = 5.0, 95.0
"""A place nearer than this is here; a distance, in yards or metres, from which it is just far."""

FARTHEST_AMOUNT_M = 2.5
"""How far above the bottom a lure may pass for the amount to be worth a word."""

DEPTH_NOT_KNOWN = "depth not known"
DEPTH_LOST = "depth lost"
POSITION_LOST = "position lost"
POSITION_BACK = "position back"
LEVEL_TAKEN_BACK = "water may stand as on the map after all"
NOTHING_MAPPED = "nothing mapped here yet"
NOTHING_IN_RANGE = "nothing in range"
NOTHING_TO_UNDO = "nothing to take back"
NOTHING_TO_CORRECT = "nothing logged to put right"
CAST_TOO_SHORT = "its cast is too short for that"
HEADING_NOT_KNOWN = "heading not known"
NO_CAST = "no cast under way"
NO_STOP = "the reel is turning"
NO_SUCH_NUMBER = "that had no such number"
TREE_NOW = "tree now"
AGAIN_TO_UNDO_FISH = "the fish? repeat to take it back"
NOT_UNDERSTOOD = "again?"
STOP_NOW = "stop now"
OFF_THE_BOTTOM = "off the bottom from here"
LET_IT_FLOAT = "let it float"
RAISE_THE_ROD = "raise the rod"
HEARD_LATE = "I hear you late, nothing learned"
LOOKING = "looking"
RODS_NOT_KNOWN = "a rod cannot be as it is described, look at the settings"

STARTING = "starting"
READY = "ready"
TRIP_GOES_ON = "trip goes on"
TRIP_WAS_CUT_OFF = "last trip was cut off, new trip"
CLOCK_NOT_SET = "clock not set"
CLOCK_WRONG = "clock is wrong, GPS time is used"
DISK_LOW = "low disk, not recording"
DISK_BEHIND = "disk does not keep up, something is lost"
DISK_STUCK = "disk is stuck"
WRITING_FAILED = "error while writing, see the log"
RECORDING_AGAIN = "recording again"
LOGBOOK_WRITTEN_AGAIN = "logbook written again"
LOGBOOK_WAS_GONE = "logbook was gone, written anew"
LOGBOOK_WAS_REPLACED = "logbook was replaced, trip written again"


def no_such_rod(number: int) -> str:
    """Return the answer to the number of a rod that is not aboard."""
    return f"there is no number {number_words(number)}"


def again_to_forget(number: int) -> str:
    """Return what asks for a command to be repeated that forgets what was learned with a rod.

    >>> again_to_forget(2)
    'number two? repeat to forget it'
    """
    return f"number {number_words(number)}? repeat to forget it"


def or_else(taken: str, instead: str) -> str:
    """Return what was taken, and of what may have been meant instead the words that differ.

    >>> or_else("fish seven pounds", "fish seven and a half pounds")
    'fish seven pounds, or seven and a half'
    >>> or_else("number two in hand", "number three in hand")
    'number two in hand, or three'
    """
    ours, theirs = taken.split(), instead.split()
    while ours and theirs and ours[-1] == theirs[-1]:
        del ours[-1], theirs[-1]
    while (
        ours
        and theirs
        and ours[0] == theirs[0]
        and len(theirs) > 1
        and theirs[0] not in NUMBERS
    ):
        del ours[0], theirs[0]
    return f"{taken}, or {' '.join(theirs) or instead}"


def rod_rigged(name: str, strength: int) -> str:
    """Return that a rod carries line of this strength, lb on the spool, from now on."""
    return f"{name} now has {strength} pound"


def rod_for_depth(rod: Rod, reach: float, depth: float, unit: LengthUnit) -> str:
    """Return which rod suits a bottom at this depth, m, where no map tells more."""
    which, far = number_words(rod.number), spoken_depth(reach, unit)
    if reach < depth:
        return f"none gets down, number {which} goes to {far}"
    return f"take number {which}, it gets to {far}"


def depth_under_boat(depth: float | None, unit: LengthUnit) -> str:
    """Return how deep it is under the boat."""
    if depth is None:
        return DEPTH_NOT_KNOWN
    return f"{spoken_depth(depth, unit)} under us"


def depth_back(depth: float, unit: LengthUnit) -> str:
    """Return that the depth is there again."""
    return f"depth back, {spoken_depth(depth, unit)}"


def bottom_is(depth: float, unit: LengthUnit) -> str:
    """Return how deep the bottom is where something was marked that would lie below it.

    >>> bottom_is(3.6, "feet")
    'but bottom is 12 feet'
    """
    return f"but bottom is {spoken_depth(depth, unit)}"


def lure_reach(reach: float, unit: LengthUnit) -> str:
    """Return how deep the lure in hand goes."""
    return f"it gets to {spoken_depth(reach, unit)}"


def lure_depth(depth: float, unit: LengthUnit) -> str:
    """Return how deep the lure is now."""
    return f"it is at {spoken_depth(depth, unit)}"


def off_the_bottom(metres: float | None, unit: LengthUnit) -> str:
    """Return for how long a lure that was thrown off has lost the bottom; None: it does not come back.

    >>> off_the_bottom(3.2, "feet"), off_the_bottom(None, "feet")
    ('off the bottom for three yards', 'off the bottom from here')
    """
    if metres is None:
        return OFF_THE_BOTTOM
    name, size = _DISTANCE_UNITS[unit]
    far = max(round(metres / size), 1)
    return f"off the bottom for {number_words(far)} {_plural(name, far)}"


def after_a_hit(metres: float | None, unit: LengthUnit) -> str:
    """Return the same of a hit that may come.

    >>> after_a_hit(3.2, "feet")
    'after a hit off the bottom for three yards'
    """
    return f"after a hit {off_the_bottom(metres, unit)}"


def _plural(name: str, count: int) -> str:
    if count == 1:
        return name
    return f"{name}s"


def taken_back(what: str) -> str:
    """Return that a logged thing was taken back."""
    return f"{what} taken back"


def possible_cover(top: float, unit: LengthUnit) -> str:
    """Return that something may stand on the bottom, with the depth of its top, m."""
    return f"possible cover, up to {spoken_depth(top, unit)}"


def water_level(higher: float, unit: LengthUnit) -> str:
    """Return that the water seems to stand `higher` m above the map's."""
    way = "higher" if higher > 0.0 else "lower"
    return f"water seems {spoken_depth(abs(higher), unit)} {way} than the map"


def felt_current(speed: float, towards: float, heading: float | None) -> str:
    """Return that touches tell of a current, to a quarter of a knot, by the hour it runs towards.

    >>> felt_current(0.27, 100.0, 40.0), felt_current(0.5, 0.0, None)
    ("water seems to run half a knot, two o'clock", 'water seems to run one knot, north')
    """
    quarters = max(round(speed / (0.25 * KNOT)), 1)
    known = {round(4.0 * knots): words for words, knots in SPOKEN_CURRENTS.items()}
    how = known.get(quarters) or known[min(known, key=lambda one: abs(one - quarters))]
    return f"water seems to run {how}, {_direction(towards, heading)}"


def match(
    standing: Standing,
    unit: LengthUnit,
    *,
    ahead: bool = False,
    names_lesser: bool = True,
    over_tree: float | None = None,
) -> str:
    """Return the words for how the rod in hand stands; `ahead` tells that the bottom in range is meant.

    Amounts are said only near the bottom, where they decide something. `names_lesser`
    has the rod named that would do where this one digs. `over_tree` is how far above a
    tree in range its lure passes, m, which is told where no rod gets down.

    >>> match(Standing("clear", 6.0, 0.92), "feet")
    'clear by 3 feet'
    >>> match(Standing("short", 6.9, 1.3, better=2), "feet", ahead=True)
    'short by 4 feet ahead, take number two'
    >>> match(Standing("short", 30.0, 24.0), "feet")
    'too deep for any rod'
    >>> match(Standing("short", 30.0, 24.0), "feet", ahead=True, over_tree=0.9)
    'too deep, over the tree ahead by 3 feet'
    """
    if standing.margin is None or standing.state == "unknown":
        return DEPTH_NOT_KNOWN
    where = " ahead" if ahead else ""
    if standing.state == "touch":
        if standing.better is None:
            return f"touch{where}"
        digs = f"digs by {spoken_depth(-standing.margin, unit)}{where}"
        if not names_lesser:
            return digs
        return f"{digs}, number {number_words(standing.better)} will do"
    if standing.state == "short" and standing.better is None:
        return _too_deep(where, over_tree, unit)
    line: str = standing.state
    if standing.margin <= FARTHEST_AMOUNT_M:
        line = one_rod(standing, unit)
    return _and_take(standing.better, line + where)


def _too_deep(where: str, over_tree: float | None, unit: LengthUnit) -> str:
    if over_tree is None or over_tree > FARTHEST_AMOUNT_M:
        return f"too deep for any rod{where}"
    if over_tree < JUST_CLEAR_M:
        return "too deep, but hits the tree ahead"
    return f"too deep, over the tree ahead by {spoken_depth(over_tree, unit)}"


def _and_take(better: int | None, line: str) -> str:
    """Return a line, and after it which rod would do better, if one would."""
    if better is None:
        return line
    return f"{line}, take number {number_words(better)}"


def one_rod(standing: Standing, unit: LengthUnit) -> str:
    """Return how one rod stands against the bottom, whatever the others do.

    >>> one_rod(Standing("short", 30.0, 24.0), "feet")
    'short by 79 feet'
    """
    if standing.margin is None or standing.state == "unknown":
        return DEPTH_NOT_KNOWN
    if standing.state == "touch":
        return "touch"
    if standing.margin < JUST_CLEAR_M:
        return "just clear"
    return f"{standing.state} by {spoken_depth(standing.margin, unit)}"


def cast_outlook(
    cast: CastInProgress, t: float, unit: LengthUnit, better: int | None = None
) -> str | None:
    """Return the line about what a cast will meet, or None when there is none in time.

    Args:
        cast: with its outlook.
        t: logic time the line is said at, s.
        unit: depths are spoken in.
        better: the number of a rod that would do better.
    """
    seen = cast.outlook
    if seen is None:
        return None
    danger = cast.danger()
    if danger is not None:
        return _of_danger(cast, danger, t)
    if seen.verdict == "touch":
        return _of_touch(cast, seen, t)
    return _over_a_tree(cast, seen, t, unit) or _clear(seen, unit, better)


def _over_a_tree(
    cast: CastInProgress, seen: CastOutlook, t: float, unit: LengthUnit
) -> str | None:
    for top in seen.tops:
        in_time = cast.retrieved_from + top.after - t >= TOLD_BEFORE_S
        if in_time and abs(top.top.aside) <= TOP_ASIDE_M and top.clearance.best > 0.0:
            return f"over the tree by {spoken_depth(top.clearance.best, unit)}"
    return None


def _clear(seen: CastOutlook, unit: LengthUnit, better: int | None) -> str:
    if seen.verdict == "unknown" or seen.margin is None:
        return "nothing known there"
    if seen.sureness == "may":
        return "may touch"
    if seen.margin.best < JUST_CLEAR_M:
        return "just clear"
    gap = f"{seen.verdict} by {spoken_depth(seen.margin.best, unit)}"
    return _and_take(better, gap)


def _of_touch(cast: CastInProgress, seen: CastOutlook, t: float) -> str | None:
    if seen.after is None:
        return None
    left = cast.retrieved_from + seen.after.best - t
    if left < TOLD_BEFORE_S:
        return None
    return f"{seen.sureness} touch in {_seconds(left)}"


def _of_danger(cast: CastInProgress, danger: TopOutlook, t: float) -> str | None:
    left = cast.retrieved_from + danger.after - t
    if left < TOLD_BEFORE_S:
        return None
    line = f"tree in {_seconds(left)}"
    if cast.advised is not None:
        return f"{line}, stop for {_seconds(cast.advised.length)}"
    if cast.raise_rod:
        return f"{line}, {RAISE_THE_ROD}"
    return line


def lesson(lessons: Sequence[Lesson], in_hand: Rod, unit: LengthUnit) -> str:
    """Return what was learned of the rod in hand, or else of the one that changed most, in a breath."""
    if not lessons:
        return "nothing learned yet"
    of_it = [one for one in lessons if one.rod == in_hand]
    changed = sorted(
        lessons, key=lambda one: -abs(one.belief.reach.best - one.belief.before.best)
    )
    rod, belief = (of_it or changed)[0]
    now, was = (
        spoken_depth(depth, unit) for depth in (belief.reach.best, belief.before.best)
    )
    line = f"number {number_words(rod.number)}, {now}"
    if now == was:
        return line
    return f"{line}, was {was}"


def _seconds(seconds: float) -> str:
    whole = max(round(seconds), 1)
    return f"{whole} {_plural('second', whole)}"


def which_rod(plan: Plan, heading: float | None, unit: LengthUnit) -> str:
    """Return what to say to "which rod" for the best plan from where the boat lies.

    The cast is the rod's usual one; so far out the lure is where it is wanted.
    `heading` is the bow's, degrees true; without it the direction is that of a compass.
    """
    rod, over = number_words(plan.rod), plan.over_timber
    way = _direction(plan.bearing, heading)
    if over is not None and over >= JUST_CLEAR_M:
        return f"{rod} over the tree by {spoken_depth(over, unit)}, {way}"
    does = "do" if over is None else "hit a tree"
    far = spoken_distance(plan.stand_off, unit)
    return f"{rod} {_chance(plan.sureness)} {does}, {far} out, {way}"


def where_from(
    plan: Plan | None,
    boat: tuple[float, float] | None,
    heading: float | None,
    unit: LengthUnit,
) -> str:
    """Return what to say to "where from": how far off to lie, which rod, which way.

    `boat` is east and north, m, of where it is now; without it, only on which side of
    what is fished. `heading` is the bow's, degrees true, for a boat that lies there.

    >>> where_from(None, None, None, "feet")
    'no good place found'
    """
    if plan is None:
        return "no good place found"
    rod = number_words(plan.rod)
    throw = f"throw {rod} {compass(plan.bearing)}"
    if boat is None:
        return f"lie {compass(plan.bearing + 180.0)} of it, {throw}"
    east, north = plan.east - boat[0], plan.north - boat[1]
    away = math.hypot(east, north)
    if away < HERE_M:
        return f"from here, throw {rod}, {_direction(plan.bearing, heading)}"
    towards = compass(math.degrees(math.atan2(east, north)))
    return f"{spoken_distance(away, unit)} {towards}, {throw}"


def spoken_distance(metres: float, unit: LengthUnit) -> str:
    """Return a distance along the water in yards or metres: to five, from twenty on to ten, then "far".

    >>> spoken_distance(14.0, "feet"), spoken_distance(36.0, "metres")
    ('fifteen yards', 'forty metres')
    """
    name, size = _DISTANCE_UNITS[unit]
    far = metres / size
    if far >= FAR_DISTANCE:
        return "far"
    step = 5 if far < 22.5 else 10
    return f"{number_words(max(step * round(far / step), 5))} {name}s"


def compass(bearing: float) -> str:
    """Return the one of sixteen directions that is nearest to a bearing, degrees.

    Of eight a boat sent 70 yards off would lie up to 27 yards, and a lure thrown out 40
    yards 15 yards, from where they are meant to be; of sixteen half as much.

    >>> compass(350.0), compass(-30.0)
    ('north', 'north north west')
    """
    return fine_compass(bearing).replace("-", " ")


def _direction(bearing: float, heading: float | None) -> str:
    if heading is None:
        return compass(bearing)
    hour = round(((bearing - heading) % 360.0) / 30.0) % 12 or 12
    return clock_words(hour)


def _chance(sureness: float) -> str:
    if sureness >= WILL_SHARE:
        return "will"
    if sureness >= SHOULD_SHARE:
        return "should"
    return "may"


# --- the program's own state ----------------------------------------------------------------------------


def ready_without(missing: Sequence[str]) -> str:
    """Return that the trip has begun, with what is missing.

    >>> ready_without(["sonar", "microphone"])
    'ready, no sonar, no microphone'
    """
    return ", ".join((READY, *map(not_there, missing)))


def not_there(part: str) -> str:
    """Return that a part is missing."""
    return f"no {part}"


def part_lost(part: str) -> str:
    """Return that a part was lost."""
    return f"{part} lost"


def part_back(part: str) -> str:
    """Return that a part is there again."""
    return f"{part} back"


def parts_stuck(parts: Sequence[str]) -> str:
    """Return that parts of the program do not go on."""
    return f"{', '.join(parts)} stuck"


def sends_too_much(source: str) -> str:
    """Return that a source sends more than is taken."""
    return f"{source} sends too much"


def not_gone_on(why: str) -> str:
    """Return why a trip that was cut off is not gone on with."""
    return f"could not go on: {why}"


def not_recording(why: str) -> str:
    """Return that the disk does not take the recording."""
    return f"not recording: {why}"


def logbook_not_read(why: str) -> str:
    """Return that the logbook cannot be read."""
    return f"logbook not read: {why}"


def logbook_not_written(why: str) -> str:
    """Return that the disk does not take the logbook."""
    return f"logbook not written: {why}"


def logbook_lost(why: str) -> str:
    """Return that the logbook is lost and another begun."""
    return f"logbook lost, new one begun: {why}"


def logbook_damaged(old: str | None) -> str:
    """Return that the logbook is damaged and another begun; `old` is what the damaged file is called now."""
    line = "logbook damaged, new one begun"
    if old is None:
        return line
    return f"{line}, old one is {old}"


def heard_late(seconds: float) -> str:
    """Return how long after its words a command was decided.

    >>> heard_late(2.34)
    'understood 2.3 s late: not learned from'
    """
    return f"understood {seconds:.1f} s late: not learned from"


def error_passed_over(kind: str) -> str:
    """Return that an error of the program's own was passed over."""
    return f"error passed over: {kind}"
