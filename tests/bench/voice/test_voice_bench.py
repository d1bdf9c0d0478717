"""The bench in its smallest form: that it runs, and that its rows are figures with their intervals."""

from __future__ import annotations

from functools import partial
from itertools import islice

import msgspec
import pytest
from scipy.stats import binomtest

from companion.voice.model import ModelError, speech_model
from tests.bench.voice.__main__ import Row, hear, hourly, interval, measured
from tests.bench.voice.compare import paired
from tests.bench.voice.noises import NOISES
from tests.bench.voice.outcomes import Outcome, read_outcomes
from tests.bench.voice.spoken import Setting, synthetic
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
    assert {v.name for v in VOICES["choosing"]}.isdisjoint(
        v.name for v in VOICES["reporting"]
    )


@pytest.mark.parametrize("make", ["choosing", "reporting"])
def test_the_voices_are_those_whose_programs_are_here_and_the_others_are_named(make):
    assert {v.program for v in VOICES[make]} <= set(PROGRAMS)
    absent = set(missing_programs(make))
    assert {v.program for v in voices_here(make)} == {
        v.program for v in VOICES[make]
    } - absent
    assert all(not is_here(program) for program in absent)


@pytest.mark.parametrize("name", NOISES)
def test_noises_have_unit_level_and_come_from_their_seed_and_make(name):
    import numpy as np

    one, same, other = (
        NOISES[name](16000, np.random.default_rng(1), make)
        for make in ("reporting", "reporting", "choosing")
    )
    assert np.array_equal(one, same)
    assert not np.allclose(one, other)
    assert np.sqrt(np.mean(one**2)) == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize(("hits", "count"), [(1, 12), (15, 20), (239, 240)])
def test_intervals_are_those_of_a_reference(hits, count):
    low, high = binomtest(hits, count).proportion_ci(method="wilson")
    assert (
        interval(hits, count) == f"{hits / count:.3f} [{low:.3f}, {high:.3f}] n={count}"
    )


def test_a_rate_an_hour_has_its_upper_bound():
    """None in three hours: below one an hour (the rule of three)."""
    assert hourly(0, 3.0).endswith("below 1.0 an hour")
    assert interval(0, 0) == "not measured"


@pytest.mark.skipif(bool(missing()), reason=f"not here: {missing()}")
def test_a_few_utterances_are_measured_and_kept(tmp_path):
    jobs = [
        partial(hear, "few", n, "ours", made)
        for n, made in enumerate(islice(synthetic(1, Setting()), 2))
    ]
    outcomes = measured([Row("few", "", jobs)], tmp_path / "now.jsonl", 1)
    assert len(outcomes) == 2
    assert sum(outcome.right for outcome in outcomes) >= 1
    kept = sorted(read_outcomes(tmp_path / "now.jsonl"), key=lambda one: one.clip)
    assert kept == outcomes
    (line,) = paired(tmp_path / "now.jsonl", tmp_path / "now.jsonl")
    assert "gained 0, lost 0, p 1.000" in line


def test_two_runs_are_compared_clip_by_clip(tmp_path):
    """Of six that differ all are gained: two-sided, that is one in 32 (binomial)."""
    for name, right in (("before", False), ("now", True)):
        some = [
            Outcome(
                "quiet", n, "log bite", right or n > 5, False, False, 0.1, 0.1, 0.1, ()
            )
            for n in range(10)
        ]
        (tmp_path / name).write_bytes(
            b"".join(msgspec.json.encode(one) + b"\n" for one in some)
        )
    (line,) = paired(tmp_path / "before", tmp_path / "now")
    assert "0.400 -> 1.000 n 10: gained 6, lost 0, p 0.031; wrong 0 -> 0" in line
