"""The bottom taken along for another thread: the same as it was, whatever is sounded afterwards."""

import numpy as np

from companion.lakebed.surface import Surface

EAST, NORTH = np.meshgrid(np.arange(-20.0, 21.0, 5.0), np.arange(-20.0, 21.0, 5.0))
WITHIN = (-20.0, -20.0, 20.0, 20.0)


def sounded():
    rng = np.random.default_rng(1)
    surface = Surface(level=0.4)
    surface.half_beam = 0.17
    for east, north in rng.uniform(-300.0, 300.0, (600, 2)):
        surface.add(east, north, 8.0 + 2.0 * np.sin(east / 20.0) + rng.normal(0.0, 0.1))
    return surface


def test_a_copy_is_the_bottom_as_it_was_bit_by_bit():
    surface = sounded()
    copied = surface.copy_around(*WITHIN)
    before = surface.at(EAST, NORTH)
    for place in range(-20, 20):
        surface.add(float(place), 0.5 * place, 3.0)
    found = copied.at(EAST, NORTH)
    assert np.array_equal(found.depth, before.depth)
    assert np.array_equal(found.sigma, before.sigma)
    assert not np.array_equal(surface.at(EAST, NORTH).depth, before.depth)
