"""The look-out: depth and position lost or back, how the rods match the bottom, and what lies ahead."""

from __future__ import annotations

from dataclasses import replace

from companion.casting.hand import Hand
from companion.casting.pose import STILL_WATER, pose_of
from companion.events import DepthNews, Notice
from companion.lakebed.bed import CoverHint
from companion.sensing import MaximumAges, Position
from companion.sensing.believed_depth import Verdict
from companion.trip import wording
from companion.trip.core import TripCore
from companion.trip.presence import NEVER_S, Presence
from companion.trip.speech import Speech
from companion.trip.volunteer import Matched, Volunteer

KNOWN_COVER_M = 12.0
"""Possible cover this near to a mark is what was marked, and no news."""


class Lookout:
    """Follows depth and position, and speaks up about what it sees.

    Attributes:
        rods_known: whether it is known what the rods reach, to be matched with depths.
    """

    def __init__(self, core: TripCore, speech: Speech) -> None:
        self.rods_known = False
        self._core = core
        self._speech = speech
        self._volunteer = Volunteer(core.rooms.deck, core.rooms.unit)
        self._depth = Presence(MaximumAges().depth)
        self._position = Presence(MaximumAges().position)
        self._matched: Matched | None = None
        self._match_due = NEVER_S

    @property
    def depth_seen(self) -> float | None:
        """Return when the last believed depth came, logic s; None before the first."""
        return self._depth.seen

    @property
    def depth_lost(self) -> bool:
        """Return whether the depth counts as lost."""
        return self._depth.lost

    @property
    def bottom(self) -> float | None:
        """The depth that rods are matched against now, m."""
        return self._volunteer.bottom

    @property
    def looks_ahead(self) -> bool:
        """Return whether that is the bottom in the casting range, not the one under the boat."""
        return self._volunteer.looks_ahead

    @property
    def next_due(self) -> float:
        """Return when something is due to be done, logic s; infinite when nothing is."""
        there = (self._depth, self._position)
        lost = min(
            due for one in there for due in (one.expires, one.untold, one.back_untold)
        )
        return min(lost, self._volunteer.remind_at, self._match_due)

    def do_due(self, t: float) -> None:
        """Do one thing that is due at logic time t, s."""
        if self._depth.expires <= t:
            self._depth.lose(t)
            self._volunteer.forget_depth()
            self._matched = None
            self._core.emit(DepthNews(**self._core.stamp(t), state="lost"))
        elif self._position.expires <= t:
            self._position.lose(t)
            self._notice(t, wording.POSITION_LOST)
        elif self._depth.untold <= t:
            self._depth.loss_told(
                t, spoken=self._speech.speak_up(t, wording.DEPTH_LOST, "depth")
            )
        elif self._position.untold <= t:
            self._position.loss_told(
                t, spoken=self._speech.speak_up(t, wording.POSITION_LOST, "position")
            )
        elif self._depth.back_untold <= t:
            self._tell_depth_back(t)
        elif self._position.back_untold <= t:
            self._position.back_told()
            self._speech.say(t, wording.POSITION_BACK, "notice")
        elif self._volunteer.remind_at <= t:
            self._speech.volunteer(t, self._volunteer.remind(t, self._core.state.hand))
        else:
            self._tell_match(t)

    def accept_verdict(self, t: float, verdict: Verdict) -> None:
        """Fold in what is made of a depth at logic time t, s."""
        core = self._core
        if verdict.belief != "believed":
            return
        depth = core.boat.smoothed_depth(t)
        assert depth is not None, "a depth was just believed"
        self._depth.maximum_age = core.boat.oldest_depth
        if self._depth.accept(t):
            core.emit(DepthNews(**core.stamp(t), state="back", depth=round(depth, 3)))
        if self.rods_known and not self._depth.lost:
            self._match(t, depth)

    def accept_rods(self, t: float) -> None:
        """Match the rods from logic time t, s, on: what they reach is known now."""
        self.rods_known = True
        depth = self._core.boat.smoothed_depth(t)
        if depth is not None and not self._depth.lost:
            self._match(t, depth)

    def accept_position(self, t: float, reading: Position) -> None:
        """Fold in a position at logic time t, s."""
        if reading.lat is not None and self._position.accept(t):
            self._notice(t, wording.POSITION_BACK)

    def accept_cover(self, t: float, hint: CoverHint) -> None:
        """Tell of possible cover seen at logic time t, s, unless it is marked."""
        core = self._core
        if not core.rooms.bed.marked_near(hint.lat, hint.lon, KNOWN_COVER_M):
            self._speech.volunteer(
                t, self._volunteer.notice_cover(core.instant(t), hint)
            )

    def look_at_level(self, t: float) -> None:
        """Tell at logic time t, s, where the water stands otherwise than when the lake was mapped."""
        core = self._core
        bed, at = core.rooms.bed, core.instant(t)
        self._speech.volunteer(
            t,
            self._volunteer.notice_level(at, bed.level_hint(), bed.level_taken_back),
        )

    def look_at_current(self, t: float) -> None:
        """Tell at logic time t, s, what the touches tell of a current that nobody has told of."""
        core = self._core
        if core.state.current == STILL_WATER:
            hint, pose = core.rooms.deck.felt_current.hint, pose_of(core.boat.at(t))
            self._speech.volunteer(
                t, self._volunteer.notice_current(core.instant(t), hint, pose.heading)
            )

    def follow_hand(self, t: float, before: Hand) -> None:
        """Follow what a command at logic time t, s, has changed in the hand."""
        core = self._core
        hand = core.state.hand
        if hand.number != before.number:
            self._volunteer.look_anew()
            core.state = replace(
                core.state, policy=core.state.policy.with_match_wanted()
            )
        if hand.cast is not None and hand.cast is not before.cast:
            self._volunteer.look_anew()
            self._volunteer.watch_cast(hand.cast, t)

    def _notice(self, t: float, text: str) -> None:
        self._core.emit(Notice(**self._core.stamp(t), text=text))

    def _tell_depth_back(self, t: float) -> None:
        self._depth.back_told()
        depth = self._core.boat.smoothed_depth(t)
        if depth is not None:
            self._speech.say(
                t, wording.depth_back(depth, self._core.rooms.unit), "depth"
            )

    def _match(self, t: float, depth: float) -> None:
        """Look how the rods match a depth, m, and tell it where that has changed what can be done."""
        core = self._core
        boat = None
        if core.state.policy.is_travelling(core.boat.speed(t)):
            self._volunteer.look_away()
        elif self._volunteer.wants_boat(t):
            boat = pose_of(core.boat.at(t), core.state.current)
        self._matched = self._volunteer.notice_depth(t, depth, core.state.hand, boat)
        self._tell_match(t)

    def _tell_match(self, t: float) -> None:
        self._match_due = NEVER_S
        core = self._core
        matched, policy = self._matched, core.state.policy
        if matched is None:
            return
        if not policy.is_news(t, matched.action):
            core.state = replace(core.state, policy=policy.with_wish_met())
            return
        begins = policy.told is None and not policy.wanted
        if begins or self._speech.may_speak(t, "match"):
            core.emit(matched.event(*core.instant(t)))
            core.state = replace(core.state, policy=policy.with_told(t, matched.action))
            if not begins:  # how a trip begins asks for nothing to be done
                line = matched.line(core.rooms.unit, just_taken=policy.wanted)
                self._speech.speak(t, line, "match")
        elif policy.next_at("match") > t:
            self._match_due = policy.next_at("match")
