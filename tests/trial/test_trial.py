"""Two minutes of the trial on every change: nothing lost, nothing wrong, no process left behind.

What depends on how busy the machine is (delays, whether a word was understood) is
printed and not asserted.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest

from companion.voice.model import ModelError, speech_model
from tests.trial.__main__ import faults, rows, table
from tests.trial.course import run_trial
from tests.trial.judge import events_of, judged
from tests.trial.sound import NoSoundError

SLIPPED_S = 0.5
"""A trial that was itself later than this fed the program no boat but a stutter."""


@pytest.fixture(scope="module")
def course(tmp_path_factory):
    try:
        speech_model()
        done = run_trial(
            "ledge", 2.0, 1.0, 7, tmp_path_factory.mktemp("trial"), gentle=True
        )
    except (NoSoundError, ModelError) as error:
        pytest.skip(f"not here: {error}")
    if done.slipped > SLIPPED_S:
        pytest.skip(
            f"the machine was too busy for real time: the trial was {done.slipped:.1f} s late"
        )
    return done


@pytest.mark.slow
class TestTwoMinutes:
    def test_nothing_is_wrong(self, course):
        figures = judged(course)
        print(
            "\n" + table({"ledge": rows(course, figures)}), *faults(figures), sep="\n"
        )
        assert figures.wrong == []
        assert figures.taps > 0
        assert figures.taps_lost == 0
        assert figures.right > 0
        assert figures.unplaced == 0

    def test_nothing_told_is_lost(self, course):
        """All that was printed stands in the logbook, and the recording gives the same again."""
        with closing(
            sqlite3.connect(f"file:{course.logbook}?mode=ro", uri=True)
        ) as book:
            kept = [
                kind for (kind,) in book.execute("SELECT event FROM events ORDER BY id")
            ]
        assert kept == [told.event["event"] for told in course.told]
        assert course.first_difference == ""
        assert [e["event"] for e in events_of(course, "trip ended")] == ["trip ended"]

    def test_it_ends_in_order_and_leaves_no_process(self, course):
        assert course.status == 0
        assert course.left_behind == []
        assert [line for line in course.errors if not line.startswith("page: ")] == []
