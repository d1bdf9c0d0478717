"""The bench in its smallest form: that it runs, and that its rows are figures with their intervals."""

from __future__ import annotations

import re
from multiprocessing.pool import ThreadPool

import pytest
from scipy.stats import binomtest

from companion.voice.model import ModelError, speech_model
from tests.bench.voice.__main__ import hourly, interval, measure, synthetic
from tests.bench.voice.noises import NOISES
from tests.bench.voice.synthesizers import PROGRAMS, is_here
from tests.bench.voice.voices import VOICES, missing_programs, voices_here


def missing() -> str:
    programs = [] if is_here("espeak-ng") else ["espeak-ng"]
    try:
        speech_model()
    except ModelError:
        programs.append("the speech model")
    return ", ".join(programs)


def test_no_voice_is_used_for_choosing_and_for_reporting():
    assert {v.name for v in VOICES["choosing"]}.isdisjoint(v.name for v in VOICES["reporting"])


@pytest.mark.parametrize("make", ["choosing", "reporting"])
def test_the_voices_are_those_whose_programs_are_here_and_the_others_are_named(make):
    assert {v.program for v in VOICES[make]} <= set(PROGRAMS)
    absent = set(missing_programs(make))
    assert {v.program for v in voices_here(make)} == {v.program for v in VOICES[make]} - absent
    assert all(not is_here(program) for program in absent)


@pytest.mark.parametrize("name", NOISES)
def test_noises_have_unit_level_and_come_from_their_seed_and_make(name):
    import numpy as np

    one, same, other = (
        NOISES[name](16000, np.random.default_rng(1), make) for make in ("reporting", "reporting", "choosing")
    )
    assert np.array_equal(one, same)
    assert not np.allclose(one, other)
    assert np.sqrt(np.mean(one**2)) == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize(("hits", "count"), [(1, 12), (15, 20), (239, 240)])
def test_intervals_are_those_of_a_reference(hits, count):
    low, high = binomtest(hits, count).proportion_ci(method="wilson")
    assert interval(hits, count) == f"{hits / count:.3f} [{low:.3f}, {high:.3f}] n={count}"


def test_a_rate_an_hour_has_its_upper_bound():
    """None in three hours: below one an hour (the rule of three)."""
    assert hourly(0, 3.0).endswith("below 1.0 an hour")
    assert interval(0, 0) == "not measured"


@pytest.mark.skipif(bool(missing()), reason=f"not here: {missing()}")
def test_a_few_utterances_are_measured():
    with ThreadPool(1) as pool:
        outcomes = measure(
            pool, "ours", (case for case, _ in zip(synthetic(1, "mixed", None), range(2), strict=False))
        )
    assert len(outcomes) == 2
    assert sum(outcome.right for outcome in outcomes) >= 1
    assert re.fullmatch(r"[01]\.\d{3} \[.*\] n=2", interval(sum(o.right for o in outcomes), 2))
