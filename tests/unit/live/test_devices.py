"""What is waited for at the start, how long, and what is told of what is missing, lost or back."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from companion.clock import ReplayClock
from companion.health.heart import Heart
from companion.live.devices import (
    FAILED_AFTER_S,
    READY_WITHIN_S,
    REST_AFTER_S,
    Devices,
    Parts,
)
from companion.live.seeking import SearchDone, Seeker
from companion.sensing import Chunk
from companion.trip import wording


class Wire:
    """A source that gives what it is told to, and is there once it has been opened."""

    ends = True
    where = "there"

    def __init__(self, name: str, *turns: bytes | Exception) -> None:
        self.name = name
        self.opened = threading.Event()
        self._turns = turns

    def chunks(self, _stop):
        for turn in self._turns:
            if isinstance(turn, Exception):
                raise turn
            self.opened.set()
            yield Chunk(1.0, self.name, turn)


class Ashore:
    """Devices, what they brought and what was told of them."""

    def __init__(self, *wires: Wire, **parts: object) -> None:
        self.clock = ReplayClock(0.0)
        self.heart = Heart(self.clock)
        self.told: list[tuple[str, bool]] = []
        self.came: list[object] = []
        self.devices = Devices(
            Parts(sources=wires, **parts),
            self.came.append,
            self.clock,
            self.heart,
            self._tell,
        )

    def _tell(self, text: str, *, aloud: bool = True) -> None:
        self.told.append((text, aloud))

    def start(self) -> Ashore:
        self.devices.start()
        for reader in self.devices._readers:
            reader.join()
        return self


def test_when_all_is_there_that_is_told_at_once_and_once():
    ashore = Ashore(Wire("sonar", b"x")).start()
    ashore.devices.look_whether_ready(0.0)
    ashore.devices.look_whether_ready(99.0)
    assert ashore.devices.ready.is_set()
    assert ashore.told == [(wording.READY, True)]
    assert [chunk.data for chunk in ashore.came] == [b"x"]


def test_what_does_not_come_is_waited_for_and_then_named():
    ashore = Ashore(Wire("sonar"), Wire("gps", b"x")).start()
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices.look_whether_ready(READY_WITHIN_S - 0.01)
    assert ashore.told == []
    ashore.devices.look_whether_ready(READY_WITHIN_S)
    assert ashore.told == [(wording.ready_without(["sonar"]), True)]


def test_what_has_said_that_it_cannot_be_had_is_not_waited_for_so_long():
    ashore = Ashore(Wire("sonar", OSError(2, "no such port"))).start()
    assert ashore.told == [("sonar: there: no such port", False)]
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices.look_whether_ready(FAILED_AFTER_S - 0.01)
    assert not ashore.devices.ready.is_set()
    ashore.devices.look_whether_ready(FAILED_AFTER_S)
    assert ashore.told[1:] == [(wording.ready_without(["sonar"]), True)]


def test_one_that_failed_does_not_cut_the_patience_with_another():
    ashore = Ashore(Wire("sonar", OSError(2, "no")), Wire("gps")).start()
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices.look_whether_ready(FAILED_AFTER_S)
    assert not ashore.devices.ready.is_set()


def test_what_is_configured_and_not_aboard_is_named_too_and_once():
    ashore = Ashore(Wire("sonar"), missing=("speech", "sonar")).start()
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices.look_whether_ready(READY_WITHIN_S)
    assert ashore.told == [(wording.ready_without(["sonar", "speech"]), True)]


def test_nothing_is_missing_before_the_rest_has_begun():
    ashore = Ashore(Wire("sonar")).start()
    ashore.devices.look_whether_ready(READY_WITHIN_S)
    assert not ashore.devices.ready.is_set()


def test_the_rest_begins_once_and_after_the_wires():
    begun: list[bool] = []
    ashore = Ashore(begin_rest=lambda: begun.append(True))
    ashore.devices.begin_rest(REST_AFTER_S - 0.01)
    assert begun == []
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices.begin_rest(99.0)
    assert begun == [True]


def test_after_the_start_a_loss_is_said_and_a_return():
    ashore = Ashore(Wire("sonar", b"x", OSError(5, "gone"), b"y"))
    ashore.devices.ready.set()
    ashore.start()
    assert ashore.told == [
        ("sonar: there: gone", False),
        (wording.part_lost("sonar"), True),
    ]
    reader = ashore.devices._readers[0]
    reader._came_back()
    assert ashore.told[2:] == [(wording.part_back("sonar"), True)]


class Deaf:
    """A listener that hears nothing."""

    def accept_frame(self, _frame):
        return None

    def restart(self) -> None:
        pass


def test_ears_that_cannot_be_loaded_are_told_and_the_rest_goes_on():
    def load(_tell):
        raise ValueError("no model")

    ashore = Ashore(Wire("sonar", b"x"), frames=lambda: iter(()), listener=load).start()
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices._loading.join()
    assert ashore.told == [("microphone: cannot listen (no model)", False)]
    ashore.devices.look_whether_ready(FAILED_AFTER_S)
    assert ashore.told[1:] == [(wording.ready_without(["microphone"]), True)]
    ashore.devices.stop()
    ashore.devices.join()


def test_ears_are_waited_for_while_they_load_and_stopped_with_the_others():
    loaded = threading.Event()

    def load(_tell):
        loaded.wait()
        return Deaf()

    ashore = Ashore(frames=lambda: iter(()), listener=load).start()
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices.look_whether_ready(READY_WITHIN_S)
    assert not ashore.devices.ready.is_set()
    loaded.set()
    ashore.devices._loading.join()
    ears = ashore.devices._ears
    ashore.devices.look_whether_ready(READY_WITHIN_S)
    assert ashore.told == [(wording.ready_without(["microphone"]), True)]
    ashore.devices.stop()
    ears.join()
    assert ashore.heart.stuck() == []


def test_ears_that_are_loaded_after_the_stop_are_not_begun():
    go = threading.Event()

    def load(_tell):
        go.wait()
        return Deaf()

    ashore = Ashore(frames=lambda: iter(()), listener=load).start()
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices._stopped = True
    go.set()
    ashore.devices.stop()
    ashore.devices.join()
    assert ashore.devices._ears is None


def test_without_a_microphone_no_ears_are_loaded():
    ashore = Ashore(listener=lambda _: pytest.fail("loaded")).start()
    ashore.devices.begin_rest(REST_AFTER_S)
    assert ashore.devices._loading is None


class Search:
    def __init__(self, found: list[object], name: str) -> None:
        self._found, self._name = found, name

    @property
    def found(self) -> str:
        self._found.append(self._name)
        if self._name == "fails":
            raise ValueError(self._name)
        return self._name


def test_searches_are_worked_at_in_order_and_each_is_told_of_also_one_that_fails():
    clock, found, done = ReplayClock(3.0), [], []
    seeker = Seeker(done.append, clock)
    for name in ("a", "fails", "b"):
        seeker.seek(Search(found, name))
    seeker.stop()
    seeker.seek(Search(found, "after the end"))
    seeker.start()
    seeker.join()
    assert found == ["a", "fails", "b"]
    assert done == [SearchDone(3.0)] * 3
    assert seeker.daemon
    assert Path(seeker.name).name == "planner"
