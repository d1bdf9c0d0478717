"""What can be seen of the rods and of the water along the cast, as plain data for whoever shows it."""

from __future__ import annotations

import msgspec
import numpy as np

from companion.casting.cast import CastInProgress
from companion.casting.deck import Deck
from companion.casting.ground import RAY_STEP_M, Ray
from companion.casting.hand import Hand, rod_of, usual_ray
from companion.casting.match import MatchRules
from companion.casting.pose import BoatPose
from companion.dive.calibration import Casts
from companion.glance import BottomPoint, Outlook, RodView, SideView
from companion.tackle import Rod


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


def side_view(deck: Deck, hand: Hand, t: float, boat: BoatPose) -> SideView:
    """Return the water along the cast under way, or along a usual cast of the rod in hand over the bow."""
    cast = hand.cast_at(t)
    if cast is None:
        usual = deck.usual_casts(rod_of(deck, hand))
        return _side(usual, usual_ray(deck, hand, boat), boat.heading)
    far, _, depth, _ = cast.at(t)
    side = _side(cast.casts, cast.ray, cast.bearing)
    lure = (round(far, 2), round(depth, 2))
    return msgspec.structs.replace(side, under_way=True, tops=_tops(cast), lure=lure)


def _side(casts: Casts, bottom: Ray | None, bearing: float | None) -> SideView:
    away = np.median(casts.away, axis=0)
    shallow, path, deep = (
        _points(away, np.quantile(casts.depth, share, axis=0))
        for share in (0.05, 0.5, 0.95)
    )
    return SideView(
        bearing=None if bearing is None else round(bearing, 1),
        under_way=False,
        path=path,
        shallow=shallow,
        deep=deep,
        bottom=() if bottom is None else _bottom(bottom),
    )


def _points(away: np.ndarray, depth: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple(
        (round(float(x), 2), round(float(z), 2))
        for x, z in zip(away, depth, strict=True)
    )


def _bottom(ray: Ray) -> tuple[BottomPoint, ...]:
    if np.isnan(ray.depth).all():
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
