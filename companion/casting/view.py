"""What can be seen of the rods and of the water along the cast, as plain data for whoever shows it."""

from __future__ import annotations

from typing import NamedTuple

import msgspec
import numpy as np

from companion.casting.cast import CastInProgress
from companion.casting.deck import Deck
from companion.casting.ground import RAY_STEP_M, Ray
from companion.casting.hand import Hand, rod_of, usual_ray
from companion.casting.match import MatchRules
from companion.casting.pose import BoatPose
from companion.dive.likelihood import Casts
from companion.glance import BottomPoint, Outlook, RodView, SideView
from companion.tackle import Rod

Points = tuple[tuple[float, float], ...]
"""Distances from the rod tip, m, each with a depth, m."""
VIEW_MOVED_M, VIEW_TURNED_DEG, VIEW_KEPT_S = 1.0, 3.0, 2.0
"""A boat that has moved and turned by less, not long ago, has the same bottom over its bow on a picture."""


def rods_view(deck: Deck, hand: Hand, depth: float | None) -> tuple[RodView, ...]:
    """Return every rod as it would stand against a bottom at this depth, m."""
    return tuple(
        _rod_view(deck, rod, depth, in_hand=rod.number == hand.number)
        for rod in deck.rods
    )


def _rod_view(deck: Deck, rod: Rod, depth: float | None, *, in_hand: bool) -> RodView:
    reach, band = deck.reach(rod), deck.reach_band(rod)
    margin = None if depth is None else depth - reach
    return RodView(
        number=rod.number,
        name=rod.name,
        lure=rod.lure.name,
        line=rod.line_name,
        in_hand=in_hand,
        reach=round(reach, 3),
        low=round(band.low, 3),
        high=round(band.high, 3),
        state=_state(margin),
        margin=None if margin is None else round(margin, 3),
    )


def _state(margin: float | None) -> Outlook:
    if margin is None:
        return "unknown"
    if margin <= 0.0:
        return "touch"
    if margin <= MatchRules().near:
        return "clear"
    return "short"


class _Curves(NamedTuple):
    """The ways of a lure on some casts: the middle one, and what nine in ten lie between."""

    casts: Casts
    path: Points
    shallow: Points
    deep: Points


class _Looked(NamedTuple):
    """The bottom along a usual cast of a rod, as it was seen at a logic time, s, from where the boat lay."""

    t: float
    boat: BoatPose
    rod: Rod
    bottom: tuple[BottomPoint, ...]


class SideWatch:
    """Shows the water along a cast; what takes long to work out is kept as long as it will do.

    A page that is looked at wants ten views a second, and the bottom over the bow is
    solved anew wherever soundings have come in.

    Args:
        deck: the rods aboard, and the bottom they are cast over.
    """

    def __init__(self, deck: Deck) -> None:
        self._deck = deck
        self._kept: _Curves | None = None
        self._looked: _Looked | None = None

    def view(self, hand: Hand, t: float, boat: BoatPose) -> SideView:
        """Return the water along the cast under way, or along a usual one of the rod in hand over the bow."""
        cast = hand.cast_at(t)
        if cast is None:
            usual = self._deck.usual_casts(rod_of(self._deck, hand))
            return self._side(usual, self._usual_bottom(hand, t, boat), boat.heading)
        far, _, depth, _ = cast.at(t)
        side = self._side(cast.casts, _bottom(cast.ray), cast.bearing)
        lure = (round(far, 2), round(depth, 2))
        return msgspec.structs.replace(
            side, under_way=True, tops=_tops(cast), lure=lure
        )

    def _usual_bottom(
        self, hand: Hand, t: float, boat: BoatPose
    ) -> tuple[BottomPoint, ...]:
        """Return the bottom over the bow, looked up anew when the boat lies otherwise or time has passed."""
        rod, looked = rod_of(self._deck, hand), self._looked
        if (
            looked is None
            or looked.rod != rod
            or not 0.0 <= t - looked.t < VIEW_KEPT_S
            or not looked.boat.lies_like(boat, VIEW_MOVED_M, VIEW_TURNED_DEG)
        ):
            bottom = _bottom(usual_ray(self._deck, hand, boat))
            looked = self._looked = _Looked(t, boat, rod, bottom)
        return looked.bottom

    def _side(
        self, casts: Casts, bottom: tuple[BottomPoint, ...], bearing: float | None
    ) -> SideView:
        if self._kept is None or self._kept.casts is not casts:
            self._kept = _curves(casts)
        return SideView(
            bearing=None if bearing is None else round(bearing, 1),
            under_way=False,
            path=self._kept.path,
            shallow=self._kept.shallow,
            deep=self._kept.deep,
            bottom=bottom,
        )


def _curves(casts: Casts) -> _Curves:
    away = np.median(casts.away, axis=0)
    shallow, path, deep = (
        _points(away, np.quantile(casts.depth, share, axis=0))
        for share in (0.05, 0.5, 0.95)
    )
    return _Curves(casts, path, shallow, deep)


def _points(away: np.ndarray, depth: np.ndarray) -> Points:
    return tuple(
        (round(float(x), 2), round(float(z), 2))
        for x, z in zip(away, depth, strict=True)
    )


def _bottom(ray: Ray | None) -> tuple[BottomPoint, ...]:
    if ray is None or np.isnan(ray.depth).all():
        return ()
    return tuple(
        BottomPoint(
            round(place * RAY_STEP_M, 2),
            *(None if np.isnan(v) else round(float(v), 2) for v in both),
        )
        for place, both in enumerate(zip(ray.depth, ray.sigma, strict=True))
    )


def _tops(cast: CastInProgress) -> tuple[tuple[float, float], ...]:
    if cast.outlook is None:
        return ()
    return tuple(
        (round(top.top.distance, 2), round(top.top.depth, 2))
        for top in cast.outlook.tops
    )
