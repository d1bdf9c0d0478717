"""What the angler can ask for: one frozen record per spoken command.

Lengths are metres, weights kilograms. A line's strength is the number on its spool, in
pounds, because that is its name aboard; it is not a force to compute with. None means
it was not said.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from companion.events import MarkKind
from companion.tackle import TipHeld
from companion.units import Units


class Spoken(msgspec.Struct, frozen=True, tag_field="command"):
    """A spoken command; its tag is the name it goes by in events and in the logbook."""

    @property
    def name(self) -> str:
        """The command's name, as in the `heard` event."""
        return str(type(self).__struct_config__.tag)


class LogBite(Spoken, frozen=True, tag="bite"):
    """A fish struck."""


class LogFish(Spoken, frozen=True, tag="fish"):
    """A fish is in the boat; `weight` in kg."""

    weight: float | None = None


class LostFish(Spoken, frozen=True, tag="lost fish"):
    """A fish was on and came off."""


class Touched(Spoken, frozen=True, tag="touch"):
    """The lure touched the bottom on this cast, or what stands `on` it: wood, or a rock."""

    on: Literal["wood", "rock"] | None = None


class Snagged(Spoken, frozen=True, tag="snag"):
    """The lure hangs fast."""


class BrokeOff(Spoken, frozen=True, tag="broke off"):
    """The line broke, and the lure is lost."""


class MarkPlace(Spoken, frozen=True, tag="mark"):
    """Something on the bottom is worth coming back to; `depth` is its top, m below the surface.

    `distance`, m, and `clock`, the hour off the bow, say where it is when it is not
    under the boat.
    """

    kind: MarkKind
    depth: float | None = None
    distance: float | None = None
    clock: int | None = None


class Cast(Spoken, frozen=True, tag="cast"):
    """The lure is flying.

    `clock` is the hour it flies towards, 12 over the bow, 3 to starboard; `distance` is
    how far it goes, m; `short` tells that it goes well short of the usual cast.
    """

    clock: int | None = None
    distance: float | None = None
    short: bool = False


class ReeledIn(Spoken, frozen=True, tag="reeled in"):
    """The lure is back at the rod tip."""


class StopReel(Spoken, frozen=True, tag="reel stopped"):
    """The reel stands still."""


class StartReel(Spoken, frozen=True, tag="reel turns"):
    """The reel turns again after a stop."""


class HoldTip(Spoken, frozen=True, tag="rod tip"):
    """The tip of the rod in hand is held down, up or as usual, until this is said again."""

    held: TipHeld


class TakeRod(Spoken, frozen=True, tag="rod"):
    """This rod is now in hand."""

    number: int


class RigLine(Spoken, frozen=True, tag="line"):
    """The line of this strength, lb on the spool: take the rod that carries it, or re-rig."""

    strength: int


class WhichRod(Spoken, frozen=True, tag="which rod"):
    """The question which rod suits the depth here."""


class WhereFrom(Spoken, frozen=True, tag="where from"):
    """From where, and which way, is the place ahead best cast to?"""


class HowDeep(Spoken, frozen=True, tag="how deep"):
    """The question how deep the water under the boat is."""


class HowDeepLure(Spoken, frozen=True, tag="how deep lure"):
    """The question how deep the lure in hand goes."""


class WaterLevel(Spoken, frozen=True, tag="water level"):
    """The lake stands this much higher than when its bottom was mapped, m; lower is negative."""

    rise: float


class WaterCurrent(Spoken, frozen=True, tag="current"):
    """The water moves at `speed`, m/s, towards the hour `clock` off the bow; None where it stands still."""

    speed: float = 0.0
    clock: int | None = None


class UndoThat(Spoken, frozen=True, tag="undo"):
    """Take back the last thing logged."""


class Correct(Spoken, frozen=True, tag="correct"):
    """The number in the last command was another; one of these is given.

    `number` is a bare number (a rod, a line, an hour, a depth in the boat's unit,
    minutes), `clock` an hour, `distance` m, `weight` kg.
    """

    number: int | None = None
    clock: int | None = None
    distance: float | None = None
    weight: float | None = None


class GoOn(Spoken, frozen=True, tag="goes on"):
    """The rest of the command just before it, which was taken too early: "eight feet", "and a half"."""

    rest: str


class ThatWasRod(Spoken, frozen=True, tag="that was rod"):
    """The last logged thing happened on this rod, which is the one in hand."""

    number: int


class WhatLearned(Spoken, frozen=True, tag="what learned"):
    """The question what touches have taught about the rods."""


class ForgetRod(Spoken, frozen=True, tag="forget rod"):
    """Forget what the touches taught about this rod."""

    number: int


class SayAgain(Spoken, frozen=True, tag="say again"):
    """Speak the last line once more."""


class Quiet(Spoken, frozen=True, tag="quiet"):
    """Volunteer nothing for so many minutes; answers are still given."""

    minutes: int


class SpeakUp(Spoken, frozen=True, tag="speak up"):
    """End the quiet."""


class WhatCanISay(Spoken, frozen=True, tag="help"):
    """Name a few of the commands."""


Command = (
    LogBite
    | LogFish
    | LostFish
    | Touched
    | Snagged
    | BrokeOff
    | MarkPlace
    | Cast
    | ReeledIn
    | StopReel
    | StartReel
    | HoldTip
    | TakeRod
    | RigLine
    | WhichRod
    | WhereFrom
    | HowDeep
    | HowDeepLure
    | WaterLevel
    | WaterCurrent
    | UndoThat
    | Correct
    | GoOn
    | ThatWasRod
    | WhatLearned
    | ForgetRod
    | SayAgain
    | Quiet
    | SpeakUp
    | WhatCanISay
)
"""Every command there is."""


def corrected(command: Command, put_right: Correct, units: Units) -> Command | None:
    """Return a command with its number put right; None where it has no such number.

    Args:
        command: the command that was understood.
        put_right: the number it should have had.
        units: those of a bare number where a depth or a weight was said.

    >>> corrected(TakeRod(2), Correct(number=3), Units())
    TakeRod(number=3)
    >>> corrected(Cast(clock=2), Correct(distance=27.0), Units())
    Cast(clock=2, distance=27.0, short=False)
    """
    given = {
        name: value
        for name, value in msgspec.structs.asdict(put_right).items()
        if value is not None
    }
    number = given.pop("number", None)
    if number is not None:
        given = _as_meant(command, number, units)
    has = {field.name for field in msgspec.structs.fields(type(command))}
    if isinstance(command, MarkPlace) and command.distance is None:
        has -= {"distance", "clock"}  # it lies under the boat
    if not given or not given.keys() <= has:
        return None
    if "distance" in given and "short" in has:
        given["short"] = False
    return msgspec.structs.replace(command, **given)


def _as_meant(command: Command, number: int, units: Units) -> dict[str, float]:
    """Return the field of a command that a bare number stands for."""
    match command:
        case TakeRod() | ThatWasRod() | ForgetRod():
            return {"number": number}
        case RigLine():
            return {"strength": number}
        case Quiet():
            return {"minutes": number}
        case Cast() | WaterCurrent() if 1 <= number <= 12:
            return {"clock": number}
        case LogFish(weight=weight) if weight and units.is_whole_weight(weight):
            return {"weight": number * units.weight_kg}
        case _:
            return _length_as_meant(command, number * units.depth_m)


def _length_as_meant(command: Command, length: float) -> dict[str, float]:
    match command:
        case WaterLevel(rise=rise):
            return {"rise": length if rise >= 0 else -length}
        case MarkPlace(distance=None):
            return {"depth": length}
        case _:
            return {}
