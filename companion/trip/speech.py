"""The trip's voice: every spoken line goes out here, and those nobody asked for when the policy allows it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

from companion.events import Said
from companion.trip.core import TripCore
from companion.trip.policy import REPEATED_AFTER_S, Kind
from companion.trip.volunteer import Noticed

About = Literal["match", "outlook", "answer", "depth", "notice", "unclear"]
SAID_ABOUT: Mapping[Kind, About] = {
    "danger": "outlook",
    "match": "match",
    "cover": "notice",
    "water": "notice",
    "depth": "depth",
    "position": "notice",
    "notice": "notice",
}
"""What a volunteered line is about, as a `Said` event tells it."""


class Speech:
    """Speaks for a trip, and remembers in its state what was said."""

    def __init__(self, core: TripCore) -> None:
        self._core = core

    def say(self, t: float, text: str, about: About) -> None:
        """Speak a line at logic time t, s."""
        core = self._core
        said = Said(**core.stamp(t), text=text, about=about)
        if about != "unclear":  # "say again" asks for what was said before
            core.state = replace(core.state, said=said)
        core.emit(said)

    def say_note(self, t: float, text: str, every: float = REPEATED_AFTER_S) -> None:
        """Speak a word of the program's own, unless the same was spoken less than `every` s ago."""
        core = self._core
        if core.state.policy.allows_note(t, text, every):
            core.state = replace(
                core.state, policy=core.state.policy.with_note(t, text)
            )
            self.say(t, text, "notice")

    def volunteer(self, t: float, noticed: Noticed | None) -> None:
        """Emit what was noticed, and speak of it if that is in place."""
        if noticed is None:
            return
        if noticed.event is not None:
            self._core.emit(noticed.event)
        self.speak_up(t, noticed.line, noticed.kind)

    def speak_up(self, t: float, line: str, kind: Kind) -> bool:
        """Speak a line nobody asked for, if that is in place; return whether it was spoken."""
        spoken = self.may_speak(t, kind)
        if spoken:
            self.speak(t, line, kind)
        return spoken

    def may_speak(self, t: float, kind: Kind) -> bool:
        """Tell whether a line nobody asked for is in place at logic time t, s."""
        state = self._core.state
        cast = state.hand.cast_at(t)
        casting = (
            cast is not None
            and cast.outlook is not None
            and cast.outlook.verdict != "unknown"
        )
        return state.policy.allows(
            t, kind, casting=casting, speed=self._core.boat.speed(t)
        )

    def speak(self, t: float, line: str, kind: Kind) -> None:
        """Speak a line nobody asked for, and note when."""
        core = self._core
        core.state = replace(core.state, policy=core.state.policy.with_spoken(t, kind))
        self.say(t, line, SAID_ABOUT[kind])
