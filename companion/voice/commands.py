"""What the angler can ask for: one frozen record per spoken command.

Lengths are metres, weights kilograms. A line's strength is the number on its spool, in pounds, because
that is its name aboard; it is not a force to compute with. None means it was not said.
"""

from __future__ import annotations

import msgspec

from companion.events import MarkKind


class Spoken(msgspec.Struct, frozen=True, tag_field="command"):
    """What every command is; its tag is the name it goes by in events and in the logbook."""

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
    """The lure touched the bottom on this cast."""


class Snagged(Spoken, frozen=True, tag="snag"):
    """The lure hangs fast."""


class MarkPlace(Spoken, frozen=True, tag="mark"):
    """Something on the bottom is worth coming back to; `depth` is its top, m below the surface."""

    kind: MarkKind
    depth: float | None = None


class Cast(Spoken, frozen=True, tag="cast"):
    """The lure is flying; `clock` is the hour it flies towards, 12 over the bow, 3 to starboard."""

    clock: int | None = None


class ReeledIn(Spoken, frozen=True, tag="reeled in"):
    """The lure is back at the rod tip."""


class TakeRod(Spoken, frozen=True, tag="rod"):
    """This rod is now in hand."""

    number: int


class RigLine(Spoken, frozen=True, tag="line"):
    """The line of this strength, lb on the spool: take the rod that carries it, or re-rig."""

    strength: int


class WhichRod(Spoken, frozen=True, tag="which rod"):
    """Which rod suits the depth here?"""


class HowDeep(Spoken, frozen=True, tag="how deep"):
    """How deep is the water under the boat?"""


class HowDeepLure(Spoken, frozen=True, tag="how deep lure"):
    """How deep does the lure in hand go?"""


class WaterLevel(Spoken, frozen=True, tag="water level"):
    """The lake stands this much higher than when its bottom was mapped, m; lower is negative."""

    rise: float


class UndoThat(Spoken, frozen=True, tag="undo"):
    """Take back the last thing logged."""


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
    | MarkPlace
    | Cast
    | ReeledIn
    | TakeRod
    | RigLine
    | WhichRod
    | HowDeep
    | HowDeepLure
    | WaterLevel
    | UndoThat
    | SayAgain
    | Quiet
    | SpeakUp
    | WhatCanISay
)
"""Every command there is."""
