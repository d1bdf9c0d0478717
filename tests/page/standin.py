"""A glance made from the engine's inside, until the engine makes its own: without the mapped bottom."""

from __future__ import annotations

from companion.casting.answers import fix_of
from companion.engine import Engine
from companion.events import Heard, Logged, Said, Undone
from companion.glance import Glance, RodView, SideView


class Standin:
    """Makes glances of an engine whose events it is told."""

    def __init__(self) -> None:
        self.said = self.heard = None
        self.logged = 0

    def take(self, event) -> None:
        if isinstance(event, Said):
            self.said = event
        elif isinstance(event, Heard):
            self.heard = event
        elif isinstance(event, Logged | Undone):
            self.logged += 1 if isinstance(event, Logged) else -1

    def glance(self, engine: Engine) -> Glance:
        t, deck, boat = engine.now, engine._deck, engine._sensing.boat(engine.now)
        known = boat.depth is not None
        rods = []
        for rod in deck.rods:
            margin = boat.depth - deck.reach(rod) if known else None
            band = deck.reach_band(rod)
            state = (
                "unknown"
                if margin is None
                else "touch"
                if margin <= 0
                else "clear"
                if margin <= 1
                else "short"
            )
            rods.append(
                RodView(
                    number=rod.number,
                    name=rod.name,
                    lure=rod.lure.name,
                    line=rod.line.name,
                    in_hand=rod == deck.in_hand,
                    reach=deck.reach(rod),
                    low=band.low,
                    high=band.high,
                    state=state,
                    margin=margin,
                )
            )
        path = deck.path(deck.in_hand)
        points = tuple((float(x), float(z)) for x, z in zip(path.x[::8], path.z[::8], strict=True))
        cast = deck.cast_at(t)
        place = path.at(max(0.0, t - cast.began - 2.5)) if cast else None
        return Glance(
            t=t,
            utc=engine._stamp(t)["utc"],
            boat=fix_of(boat),
            heading=boat.heading,
            speed=boat.speed,
            depth=boat.depth,
            depth_at=engine._depth._seen,
            water_temperature=boat.water_temperature,
            rods=tuple(rods),
            side=SideView(
                bearing=cast.bearing if cast else boat.heading,
                under_way=cast is not None,
                path=points,
                shallow=tuple((x, z * 0.9) for x, z in points),
                deep=tuple((x, z * 1.1) for x, z in points),
                lure=None if place is None else (float(place[0]), float(place[1])),
            ),
            said=self.said.text if self.said else None,
            said_at=self.said.t if self.said else None,
            heard=self.heard.text if self.heard else None,
            heard_at=self.heard.t if self.heard else None,
            understood=self.heard.command if self.heard else None,
            logged=self.logged,
        )
