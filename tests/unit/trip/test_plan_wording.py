"""A plan in a few words: short, right, and never a phrase that is listened for."""

import itertools
import math
import re
import subprocess

import msgspec
import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from companion.casting.plan import Plan, Step
from companion.trip.wording import (
    NOTHING_IN_RANGE,
    spoken_distance,
    where_from,
    which_rod,
)
from companion.units import fine_compass
from companion.voice.grammar import Aboard, Grammar
from companion.voice.speaker import Manner
from tests.phrases import echoes

PLAN = Plan(
    rod=2,
    name="rod 2",
    target="ledge",
    east=0.0,
    north=0.0,
    bearing=300.0,
    cast=36.0,
    stand_off=27.0,
    metres=12.0,
    low=4.0,
    high=17.0,
    sureness=0.93,
    clear=0.5,
    manner="along",
    depth=4.0,
    reach=4.4,
    begins=30.0,
    ends=20.0,
    way=(),
)


def over_a_tree(by):
    """A way on which the lure passes a tree so far above its top, m, and fishes nothing else."""
    return (
        Step(30.0, 2.0, 18.0, 0.3, 18.0, False),
        Step(25.0, 4.0, 18.0, 0.3, 4.0 + by, True),
        Step(15.0, 4.0, 18.0, 0.3, 18.0, False),
    )


def lines():
    """Every line that can be said: rods, directions, sureness, distances, both units."""
    for rod, unit in itertools.product(range(1, 11), ("feet", "metres")):
        for bearing, sureness, away in itertools.product(
            range(0, 360, 15), (0.95, 0.8, 0.3), (11.0, 36.0, 66.0)
        ):
            one = msgspec.structs.replace(
                PLAN, rod=rod, bearing=float(bearing), sureness=sureness, stand_off=away
            )
            yield which_rod(one, 0.0, unit)
            yield which_rod(one, None, unit)
            for by in (0.0, 0.9, 2.1):
                tree = msgspec.structs.replace(one, way=over_a_tree(by))
                yield which_rod(tree, 0.0, unit)
                yield which_rod(tree, None, unit)
            for boat in (None, (0.0, 0.0), (40.0, 70.0), (50.0, -50.0)):
                yield where_from(one, boat, None, unit)
                yield where_from(one, boat, 0.0, unit)
    yield NOTHING_IN_RANGE
    yield where_from(None, None, None, "feet")


def test_no_line_is_a_phrase_that_is_listened_for():
    grammars = [
        Grammar(Aboard(tuple(range(1, 11)), (8, 12, 17), unit))
        for unit in ("feet", "metres")
    ]
    said = set(lines())
    assert len(said) > 500
    for grammar in grammars:
        listened = re.compile(
            r"\b(" + "|".join(map(re.escape, grammar.phrases)) + r")\b"
        )
        found = listened.search("\n".join(said))
        assert found is None, found
        assert not any(echoes(grammar, line) for line in itertools.islice(said, 20))


def test_which_rod():
    assert which_rod(PLAN, 0.0, "feet") == "two will do, thirty yards out, ten o'clock"
    assert (
        which_rod(PLAN, 300.0, "metres")
        == "two will do, thirty metres out, twelve o'clock"
    )
    assert which_rod(PLAN, None, "feet") == (
        "two will do, thirty yards out, west north west"
    )
    for sureness, words in ((0.75, "two should do"), (0.4, "two may do")):
        assert which_rod(
            msgspec.structs.replace(PLAN, sureness=sureness), 0.0, "feet"
        ).startswith(words)


def test_a_tree_is_told_where_the_lure_fishes_that_and_not_the_bottom():
    def said(by):
        return which_rod(
            msgspec.structs.replace(PLAN, way=over_a_tree(by)), 0.0, "feet"
        )

    assert said(0.0) == "two will hit a tree, thirty yards out, ten o'clock"
    assert said(0.9) == "two over the tree by 3 feet, ten o'clock"
    assert said(14.0) == "two will do, thirty yards out, ten o'clock"


def test_where_from():
    def said(boat, heading=0.0, unit="feet"):
        return where_from(PLAN, boat, heading, unit)

    assert said((0.0, -37.0)) == "forty yards north, throw two west north west"
    assert said((1.0, 1.0)) == "from here, throw two, ten o'clock"
    assert said((1.0, 1.0), None) == "from here, throw two, west north west"
    assert said((0.0, 400.0)) == "far south, throw two west north west"
    beside = said(None, unit="metres")
    assert beside == "lie east south east of it, throw two west north west"


@given(st.floats(0.0, 360.0))
def test_a_boat_that_goes_as_told_comes_within_fifteen_yards_of_seventy(bearing):
    told = fine_compass(bearing)
    where = where_from(
        msgspec.structs.replace(PLAN, bearing=bearing), None, 0.0, "feet"
    )
    assert where.endswith(f"throw two {told.replace('-', ' ')}")
    points = [fine_compass(22.5 * n) for n in range(16)]
    off = math.radians(22.5 * points.index(told) - bearing)
    assert 2.0 * 70.0 * abs(math.sin(off / 2.0)) <= 15.0


@pytest.mark.parametrize(
    ("metres", "words"),
    [
        (0.5, "five metres"),
        (22.0, "twenty metres"),
        (94.0, "ninety metres"),
        (300.0, "far"),
    ],
)
def test_distances(metres, words):
    assert spoken_distance(metres, "metres") == words


def test_lines_take_less_than_three_seconds(tmp_path):
    """Spoken by the program that speaks aboard, at its pace, up to the last sound: the longest to say."""
    syllables = {line: len(re.findall(r"[aeiouy]+", line)) for line in lines()}
    ordered = sorted(syllables, key=lambda one: syllables[one])
    from_where = [line for line in ordered if "throw" in line]
    for line in ordered[-8:] + from_where[-8:]:
        path = tmp_path / "line.wav"
        try:
            subprocess.run(
                ["espeak-ng", "-s", str(Manner().rate), "-w", path, line], check=True
            )
        except FileNotFoundError:
            pytest.skip("espeak-ng is not installed")
        samples, rate = soundfile.read(path)
        seconds = np.flatnonzero(np.abs(samples) > 0.005)[-1] / rate
        print(f"{seconds:.2f} s: {line}")
        assert seconds < 3.0
