"""The script that finds what is worth how many points: moments drawn with a known worth, and a real clip."""

from pathlib import Path

import numpy as np
import pytest

from companion.voice.clips import read_clip
from companion.voice.judging import Features
from companion.voice.recogniser import for_grammar
from tests.bench.voice.spoken import PLAIN
from tests.training.points import Moment, Utterance, Watched, taken, worth

CLIP = Path(__file__).parents[2] / "companion" / "voice" / "how_deep.flac"
TRUE = Features(0.6, 1.2, 0.8, 1.0, 0.0, 0.5, 0.1)


def drawn(count: int) -> list[Moment]:
    """Return moments that are right as often as their true worth says."""
    rng = np.random.default_rng(3)
    spread = np.array([2.0, 2.0, 1.0, 1.5, 1.0, 2.0, 9.0])
    parts = rng.normal(0.0, spread, (count, len(spread)))
    right = rng.random(count) < 1.0 / (1.0 + np.exp(-parts @ np.array(TRUE)))
    return [
        Moment(Features(*map(float, some)), None, bool(so))
        for some, so in zip(parts, right, strict=True)
    ]


def test_the_worth_of_each_part_is_found() -> None:
    assert list(worth(drawn(20_000))) == pytest.approx(list(TRUE), abs=0.1)


def test_an_utterance_is_what_its_first_moment_over_the_limit_is() -> None:
    nothing = Features(*[0.0] * len(TRUE))
    weak, strong = (
        nothing._replace(noise_net_llr=1.0),
        nothing._replace(noise_net_llr=2.0),
    )
    moments = [
        Moment(weak, None, True),
        Moment(strong, weak, False),
        Moment(strong, strong, True),
    ]
    some = [Utterance("voices", None, moments), Utterance("voices", None, [])]
    only_here = nothing._replace(noise_net_llr=1.0)
    assert taken(some, only_here, 1.0) == {("voices", None): (1, 0, 2)}
    assert taken(some, only_here, 1.5) == {("voices", None): (0, 1, 2)}
    assert taken(some, only_here, 1.5, at_once=True) == {("voices", None): (1, 0, 2)}
    assert taken(some, only_here, 9.0) == {("voices", None): (0, 0, 2)}


def test_what_is_watched_takes_nothing_and_keeps_what_was_weighed(model: Path) -> None:
    sound = read_clip(CLIP)
    heard = for_grammar(model, PLAIN).hear(sound)
    ear = Watched(model, PLAIN.meanings, means=PLAIN.parse)
    ear.meant = PLAIN.parse(heard.text)
    assert ear.meant is not None
    assert PLAIN.parse(ear.hear(sound).text) is None
    (moments,) = ear.moments
    assert moments
    assert all(moment.right for moment in moments)
