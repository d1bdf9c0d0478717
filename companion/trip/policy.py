"""When a line nobody asked for may be spoken: all of it in one place.

An angler who is told too much stops listening. The model is the practice with alarms
(ANSI/ISA-18.2, EEMUA 191, from memory): what asks for nothing to be done is no alarm;
six an hour are acceptable and twelve the most that can be borne; what has just been
said is not taken back a moment later; what chatters is held back. Answers are always
given. What is volunteered gives way to "quiet", is not said at all rather than late,
and nothing is volunteered at travelling speed, where no lure is in the water. A danger
to the lure goes before everything but quiet.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal, NamedTuple

Kind = Literal["danger", "match", "cover", "water", "depth", "position", "notice"]
"""What is volunteered: a tree top ahead of the lure, the match of rod and bottom,
cover, the level, what was lost or came back, a word of the program's own."""
Action = tuple[bool, int | None]
"""What an angler can do about a match: whether the lure gets down, and which rod to take."""

LINES_APART_S = 4.0
"""The shortest time between two volunteered lines."""
APART_S: Mapping[Kind, float] = MappingProxyType(
    {"match": 10.1, "cover": 600.0, "depth": 600.0, "position": 600.0}
)
"""The shortest time between two lines of one kind. A match stands for ten seconds once it was said."""
AFTER_COMMAND_S = 4.0
"""How long after a command nothing is volunteered that can wait: the next word is often the angler's."""
CAN_WAIT: frozenset[Kind] = frozenset(("match", "cover", "water"))
DIG_APART_S = 600.0
"""The shortest time between two words that the lure digs where it was known to get down."""
NO_ROD_REACHES: Action = (False, None)
TRAVELLING_MPS = 2.0
"""Speed over ground from which the boat travels, unless the owner sets another."""
REPEATED_AFTER_S = 60.0
"""The shortest time between two words of the program's own that are the same: a loose plug chatters."""
PART_LOST_TELLS_S = 20.0
"""How long the word that a part was lost also tells why depth or position are gone."""
ALONE_S = 4.0
"""The least time between an utterance and the one before it for it to be no part of talk."""
NOTHING_SPOKEN: Mapping[Kind, float] = MappingProxyType({})
NOTHING_NOTED: Mapping[str, float] = MappingProxyType({})


class SpeechPolicy(NamedTuple):
    """Decides whether a volunteered line may be spoken: a value, replaced when one was, or quiet asked for.

    Attributes:
        travelling: speed over ground from which nothing is volunteered, m/s.
        quiet_until: logic time until which nothing is volunteered, s.
        spoken_at: when a line of each kind was last spoken, logic s.
        told: what was last told of the match; None when nothing was.
        wanted: whether the match was asked for, by taking a rod: then it is told at
            once.
        notes: when each word of the program's own was last spoken, logic s.
        part_lost_at: when it was last told that a part was lost, logic s.
        answers_unknown: whether what may have been a command, and was not understood,
            is answered.
        asked_again: that was done, and no command has been understood since.
        heard_at: when the last utterance was decided, logic s.
        commanded_at: when a command was last carried out, logic s.
        dug_at: when it was last told that the lure digs, logic s.
    """

    travelling: float = TRAVELLING_MPS
    quiet_until: float = float("-inf")
    spoken_at: Mapping[Kind, float] = NOTHING_SPOKEN
    told: Action | None = None
    wanted: bool = False
    notes: Mapping[str, float] = NOTHING_NOTED
    part_lost_at: float = float("-inf")
    answers_unknown: bool = True
    asked_again: bool = False
    heard_at: float = float("-inf")
    commanded_at: float = float("-inf")
    dug_at: float = float("-inf")

    def with_heard(self, t: float, *, understood: bool) -> SpeechPolicy:
        """Return the policy after an utterance was decided at logic time t, s."""
        return self._replace(
            heard_at=t, asked_again=self.asked_again and not understood
        )

    def allows_asking_again(self, t: float, began: float) -> bool:
        """Tell whether an utterance that began at logic time `began`, s, may be asked for again at t.

        It has to stand alone, for amid talk it was not meant; and nobody is asked twice
        in a row.
        """
        alone = began - self.heard_at >= ALONE_S
        return (
            self.answers_unknown
            and alone
            and not self.asked_again
            and t >= self.quiet_until
        )

    def with_note(self, t: float, text: str) -> SpeechPolicy:
        """Return the policy after a word of the program's own was spoken at logic time t, s."""
        lost_at = t if text.endswith(" lost") else self.part_lost_at
        return self._replace(notes={**self.notes, text: t}, part_lost_at=lost_at)

    def allows_note(self, t: float, text: str, every: float = REPEATED_AFTER_S) -> bool:
        """Tell whether a word of the program's own may be spoken at logic time t, s; again after `every`."""
        return t - self.notes.get(text, float("-inf")) >= every

    def with_quiet(self, t: float, minutes: float) -> SpeechPolicy:
        """Return the policy that volunteers nothing for so long from logic time t, s; 0 ends it."""
        return self._replace(quiet_until=t + 60.0 * minutes)

    def with_spoken(self, t: float, kind: Kind) -> SpeechPolicy:
        """Return the policy after a line of this kind was spoken at logic time t, s."""
        return self._replace(spoken_at={**self.spoken_at, kind: t})

    def with_told(self, t: float, action: Action) -> SpeechPolicy:
        """Return the policy after a match was told at logic time t, s, or is known without being told."""
        dug_at = t if _digs(action) else self.dug_at
        return self._replace(told=action, wanted=False, dug_at=dug_at)

    def with_wish_met(self) -> SpeechPolicy:
        """Return the policy that keeps its distances again: of the rod just taken there is no news."""
        return self._replace(wanted=False)

    def is_news(self, t: float, action: Action) -> bool:
        """Tell whether a match is another than was told: that a lure digs, or no longer does, seldom is."""
        if self.told is not None and self.told[0] and action[0]:
            return (
                _digs(action)
                and not _digs(self.told)
                and t - self.dug_at >= DIG_APART_S
            )
        return action != self.told

    def with_command(self, t: float) -> SpeechPolicy:
        """Return the policy after a command was carried out at logic time t, s."""
        return self._replace(commanded_at=t)

    def with_match_wanted(self) -> SpeechPolicy:
        """Return the policy that tells the next match at once: another rod is in hand.

        That no rod reaches the bottom, told before, is no news of another rod.
        """
        told = self.told
        if told != NO_ROD_REACHES:
            told = None
        return self._replace(told=told, wanted=True)

    def is_travelling(self, speed: float | None) -> bool:
        """Tell whether a boat makes so much speed over ground, m/s, that no lure is in the water."""
        return speed is not None and speed > self.travelling

    def allows(
        self, t: float, kind: Kind, *, casting: bool = False, speed: float | None = None
    ) -> bool:
        """Tell whether a line may be spoken at logic time t, s.

        `casting` tells that a cast is under way whose outlook has been told; `speed` is
        the boat's over ground, m/s.
        """
        if t < self.quiet_until:
            return False
        if kind == "danger":
            return True
        if casting or self.is_travelling(speed):
            return False
        if kind == "match" and self.wanted:
            return True
        if kind in ("depth", "position") and t - self.part_lost_at <= PART_LOST_TELLS_S:
            return False
        return t >= self.next_at(kind)

    def next_at(self, kind: Kind) -> float:
        """Return the earliest logic time, s, at which a line of this kind keeps its distance from others."""
        after_any = max(self.spoken_at.values(), default=float("-inf")) + LINES_APART_S
        after_like = self.spoken_at.get(kind, float("-inf")) + APART_S.get(kind, 0.0)
        if kind not in CAN_WAIT:
            return max(after_any, after_like)
        return max(after_any, after_like, self.commanded_at + AFTER_COMMAND_S)


def _digs(action: Action) -> bool:
    gets_down, lesser = action
    return gets_down and lesser is not None
