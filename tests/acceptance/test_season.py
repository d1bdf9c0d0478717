"""A season that never was: what is foretold of casts over invented lakes, held against what happens there.

A smaller one than `python tests/bench/season.py 1000`, whose account stands in the
results; the bounds leave room for that.
"""

import importlib.util
import sys
from pathlib import Path

import pytest

SOURCE = Path(__file__).parents[1] / "bench" / "season.py"


@pytest.fixture(scope="module")
def figures():
    spec = importlib.util.spec_from_file_location("season", SOURCE)
    assert spec is not None
    assert spec.loader is not None
    season = importlib.util.module_from_spec(spec)
    sys.modules["season"] = season  # the worker processes find the module by its name
    spec.loader.exec_module(season)
    return season.account(season.fish(2, 45) + season.fish(5, 45))


@pytest.mark.slow
def test_what_is_foretold_of_casts_happens(figures):
    assert figures["over mapped bottom"] > 80
    assert figures["said will"] >= 15
    assert figures["will: touched"] >= 0.9
    assert figures["touches foretold"] >= 0.85
    assert figures["Brier"] <= 0.5 * figures["Brier, rule of thumb"]


@pytest.mark.slow
def test_lures_are_where_they_are_put(figures):
    assert figures["first touch error, median m"] <= 3.0
    assert figures["bite place error, median m"] <= 5.0
    assert (
        figures["bite place error, median m"]
        < 0.5 * figures["boat place error, median m"]
    )


@pytest.mark.slow
def test_eight_touches_teach_each_rod_its_reach(figures):
    assert figures["reach error, median"] < 0.75 * figures["stated reach error, median"]
