"""How long a plan takes, beside brute force over the same lattice in the same run. Times are only printed.

Wanted: a full plan over 300 m by 300 m, from the soundings to the best three, in at
most 2 s; and at least 20 times faster than a plain loop over the same casts
(`plan_brute.py`, which also vouches for the answer).
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from companion import config
from companion.casting.plan import Target, ground, plan
from companion.casting.swim import Wish
from companion.clock import stopwatch
from companion.lakebed.relief import relief
from companion.lakebed.surface import Surface
from companion.tackle import calibrations, reaches

_spec = importlib.util.spec_from_file_location(
    "plan_brute", Path(__file__).with_name("plan_brute.py")
)
brute = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(brute)

SIDE = 300.0
TRIED = 400
"""Casts that brute force really makes; the rest of its time follows from how many there are."""


@pytest.fixture(scope="module")
def rods():
    settings = config.parse(config.example_text(), "the example config")
    return reaches(settings.rods, calibrations(settings.rods))


@pytest.fixture(scope="module")
def surface():
    """An invented shelf, a winding ledge and a deep flat, sounded on lines 10 m apart."""
    lake, rng = Surface(), np.random.default_rng(0)
    for north in np.arange(0.0, SIDE + 1.0, 10.0):
        for east in np.arange(0.0, SIDE + 1.0, 1.3):
            ledge = 4.0 / (
                1.0 + np.exp(-(east - 150.0 - 10.0 * np.sin(north / 40.0)) / 2.0)
            )
            lake.add(east, north, 3.0 + 0.0075 * east + ledge + rng.normal(0.0, 0.1))
    return lake


def mapped(surface):
    return ground(relief(surface, 2.0, (0.0, 0.0, SIDE, SIDE)))


TARGETS = {
    "everything": Target("everything"),
    "a ledge": Target("ledge", (np.array([[150.0, 50.0], [150.0, 250.0]]),)),
    "a place": Target.at("place", 145.0, 150.0),
}


@pytest.mark.parametrize("name", TARGETS)
def test_beside_brute_force(rods, surface, name):
    """The time of the loop is that of an even sample of its casts, times their number."""
    on, target = mapped(surface), TARGETS[name]
    slow = brute.Brute(on, rods, target, Wish())
    casts = list(slow.casts())
    start = stopwatch()
    for cast in casts[:: len(casts) // TRIED]:
        slow.metres(*cast)
    each = (stopwatch() - start) / len(casts[:: len(casts) // TRIED])
    start = stopwatch()
    found = plan(on, rods, target)
    taken = stopwatch() - start
    print(
        f"\n{name}: plan {taken:.2f} s; brute force {len(casts)} casts, {1e6 * each:.0f} us each, "
        f"{each * len(casts):.0f} s: {each * len(casts) / taken:.0f} times as long"
    )
    assert found
    assert len(casts) > 100_000


@pytest.mark.parametrize("name", ["a place", "everything"])
def test_a_small_case_to_its_end(rods, name):
    """Both to the end, on a hump in 54 m by 54 m; most casts of the loop miss a place and cost it little."""
    lake = Surface()
    for north in np.arange(0.0, 55.0, 3.0):
        for east in np.arange(0.0, 55.0, 3.0):
            hump = 1.8 * np.exp(-((east - 30.0) ** 2 + (north - 26.0) ** 2) / 150.0)
            lake.add(east, north, 6.0 - hump)
    on = ground(relief(lake, 2.0, (0.0, 0.0, 54.0, 54.0)))
    target = Target.at("hump", 30.0, 26.0) if name == "a place" else Target(name)
    start = stopwatch()
    most, _, count = brute.Brute(on, rods[2:], target, Wish()).best()
    loop = stopwatch() - start
    start = stopwatch()
    found = plan(on, rods[2:], target)
    taken = stopwatch() - start
    print(
        f"\na small case, {name}: plan {found[0].metres:.2f} m in {taken:.2f} s; "
        f"brute force {most:.2f} m, {count} casts in {loop:.1f} s: {loop / taken:.0f} times as long"
    )
    assert found[0].metres >= 0.98 * most


def test_a_full_plan(benchmark, rods, surface):
    """From the soundings to the best three over 300 m by 300 m, three rods; wanted: at most 2 s."""

    def whole():
        return plan(mapped(surface), rods, Target("everything"))

    start = stopwatch()
    found = benchmark(whole)
    if benchmark.disabled:
        print(f"\nfull plan over 300 m by 300 m: {stopwatch() - start:.2f} s")
    else:
        print(
            f"\nfull plan over 300 m by 300 m: {benchmark.stats['median']:.2f} s in the median"
        )
    assert len(found) == 3
