"""How far a lure swims, after it was thrown off something, before it is on the bottom again."""

from dataclasses import replace

import numpy as np
import pytest

from companion import dive
from companion.casting.deflection import THROWN_OFF_M, lost_for

LINE = dive.Line(0.285e-3, 1775.0)
LURE = dive.Lure(1.47e-3, 0.75, 3.0, 0.005)
CAST = dive.Retrieve(41.0, 1.0, 0.5)


@pytest.fixture(scope="module")
def free():
    return dive.solve(LINE, LURE, CAST)


def at(path, away):
    return float(np.interp(-away, -path.x, path.z))


def test_a_lure_thrown_off_widely_loses_the_bottom_for_longer(free):
    depth = 0.8 * at(free, 25.0)
    small, wide = (
        lost_for(free.x, free.z, 25.0, depth, kind) for kind in ("small", "wide")
    )
    assert 0.0 < small < wide < 10.0


def test_where_the_path_rises_it_does_not_come_back(free):
    away = float(free.x[int(np.flatnonzero(free.x < 5.0)[0])])
    assert lost_for(free.x, free.z, away, at(free, away) + 0.1, "wide") is None


def test_the_way_back_is_about_that_of_a_lure_cast_to_where_it_was_thrown(free):
    """By the solver: over a bottom 22 m off that the lure is thrown up from."""
    depth = 0.7 * at(free, 22.0)
    lost = lost_for(free.x, free.z, 22.0, depth, "wide")
    # A lure whose free path is so much higher there is one that was cast less far.
    shorter = next(
        path
        for cast in np.arange(41.0, 20.0, -0.25)
        if at(path := dive.solve(LINE, LURE, replace(CAST, cast=float(cast))), 22.0)
        < depth - THROWN_OFF_M["wide"]
    )
    back = 22.0 - float(
        np.interp(
            depth, shorter.z[: shorter.z.argmax()], shorter.x[: shorter.z.argmax()]
        )
    )
    assert lost == pytest.approx(back, rel=0.35)
