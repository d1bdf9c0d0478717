"""A lure that is thrown off widely: for how long a hit loses the bottom, told before the cast meets rock."""

import msgspec
import numpy as np
import pytest

from companion.casting.deck import Deck
from companion.casting.hand import Aim, Hand, begin_cast
from companion.casting.planning import Planner
from companion.casting.pose import BoatPose
from companion.config import example_text, parse
from companion.events import Fix
from companion.lakebed.bed import Bed
from companion.sensing import moved
from companion.trip.entries import Rooms
from companion.trip.handlers import HARD_ASIDE_M, _after_a_hit
from companion.voice.grammar import Grammar, aboard
from tests.unit.casting.test_casts import Level

SETTINGS = parse(example_text(), "the example")
WIDE = msgspec.structs.replace(
    SETTINGS.rods[0],
    lure=msgspec.structs.replace(SETTINGS.rods[0].lure, deflection="wide"),
)
AT = Fix(45.0, -93.0)


def said(rod, kind, aside=0.0, depth_share=0.7):
    """Return what is said of a hit on a cast northward past a mark 15 m off."""
    bed = Bed()
    for north in np.arange(-5.0, 40.0, 2.0):
        lat, lon = moved(AT.lat, AT.lon, 0.0, float(north))
        bed.add(lat, lon, 5.0)
    on_way = moved(AT.lat, AT.lon, 0.0, 15.0)
    bed.mark(kind, *moved(*on_way, 90.0, aside))
    level = Level(depth_share * Deck([rod]).reach(rod))
    deck = Deck([rod], ground=level)
    rooms = Rooms(deck, bed, Planner(deck, bed), Grammar(aboard(SETTINGS)), "feet")
    hand = begin_cast(deck, Hand(rod.number), 0.0, BoatPose(AT, 0.0), Aim(12))
    assert hand.cast is not None
    return _after_a_hit(hand.cast, rooms)


def test_over_rock_it_is_told_for_how_long():
    assert said(WIDE, "rock pile").startswith("after a hit off the bottom for ")


@pytest.mark.parametrize(
    ("rod", "kind", "aside", "depth_share"),
    [
        (SETTINGS.rods[0], "rock pile", 0.0, 0.7),
        (WIDE, "grass edge", 0.0, 0.7),
        (WIDE, "rock pile", 2.0 * HARD_ASIDE_M, 0.7),
        (WIDE, "rock pile", 0.0, 1.6),
    ],
    ids=["not thrown off", "soft", "beside the cast", "too deep to hit"],
)
def test_else_nothing_is(rod, kind, aside, depth_share):
    assert said(rod, kind, aside, depth_share) is None
