"""The disk's thread: order, commits, what it tells of, and that nothing that fails stops the rest."""

from __future__ import annotations

import pytest

from companion.live import disk
from companion.live.disk import COMMIT_WITHIN_S, MOST_JOBS, SLOW_AFTER_S, Disk
from companion.trip import wording
from tests.clocks import MovedClock


class Made:
    """A disk whose jobs note that they were done, and take a hundredth of a second."""

    def __init__(self) -> None:
        self.clock = MovedClock(5.0)
        self.done: list[object] = []
        self.told: list[str] = []
        self.disk = Disk(
            lambda: self.done.append("commit"),
            lambda: self.done.append("look"),
            self.clock,
            self.told.append,
        )

    def job(self, name: object, takes: float = 0.01):
        def do() -> None:
            self.clock.move_to(self.clock.now() + takes)
            self.done.append(name)

        return do

    def end(self) -> list[object]:
        """Do all that waits, in a thread of its own, and return what was done."""
        self.disk.start()
        assert self.disk.end()
        return self.done


@pytest.fixture
def made() -> Made:
    return Made()


def test_jobs_are_done_in_order_committed_together_and_looked_after(made):
    for n in range(3):
        made.disk.enqueue(made.job(n))
    done = made.end()
    assert done[:5] == [0, 1, 2, "commit", "look"]
    assert done.count("commit") == 1


def test_what_takes_longer_than_a_lot_is_committed_in_between(made):
    for n in range(3):
        made.disk.enqueue(made.job(n, takes=COMMIT_WITHIN_S * 0.6))
    done = [what for what in made.end() if what != "look"]
    assert done == [0, 1, "commit", 2, "commit"]


def test_a_job_that_fails_keeps_no_other_from_the_disk_and_is_told_once(made):
    made.disk.enqueue(lambda: 1 / 0)
    made.disk.enqueue(lambda: 1 / 0)
    made.disk.enqueue(made.job("kept"))
    assert [what for what in made.end() if what != "look"] == ["kept", "commit"]
    assert made.told == [wording.WRITING_FAILED]


def test_what_does_not_fit_is_lost_the_newest_first_and_told_once(made):
    for n in range(MOST_JOBS + 2):
        made.disk.enqueue(made.job(n, takes=0.0))
    assert made.told == [wording.DISK_BEHIND]
    kept = [what for what in made.end() if isinstance(what, int)]
    assert kept == list(range(MOST_JOBS))


def test_a_disk_that_does_not_come_back_is_told_of_once_and_only_while_it_is_away(made):
    def slow() -> None:
        made.clock.move_to(made.clock.now() + SLOW_AFTER_S)
        made.disk.check()
        assert made.told == []
        made.clock.move_to(made.clock.now() + 0.1)
        made.disk.check()
        made.disk.check()

    made.disk.check()
    made.disk.enqueue(slow)
    made.end()
    assert made.told == [wording.DISK_STUCK]
    made.told.clear()
    made.disk._told.clear()
    made.clock.move_to(99999.0)
    made.disk.check()
    assert made.told == []


def test_the_end_does_not_wait_for_ever_and_says_whether_all_was_done(
    made, monkeypatch
):
    import threading

    monkeypatch.setattr(disk, "END_WITHIN_S", 0.01)
    release = threading.Event()
    made.disk.enqueue(release.wait)
    made.disk.start()
    assert not made.disk.end()
    release.set()
    made.disk.join()
    assert made.disk.end()
