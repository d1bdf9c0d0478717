"""What is waited for at the start, how long, and what is told of what is missing, lost or back."""

from __future__ import annotations

import threading
from errno import ENOENT
from pathlib import Path

import numpy as np
import pytest

from companion.health.heart import Heart
from companion.live.devices import (
    FAILED_AFTER_S,
    READY_WITHIN_S,
    REST_AFTER_S,
    Devices,
    Parts,
)
from companion.live.seeking import Worker
from companion.live.wires import SOURCE_BURST_BYTES
from companion.sensing import Chunk
from companion.sensing.sources import UdpSource
from companion.trip import wording
from companion.voice.heard import Hearing
from companion.voice.listening import Listened
from companion.voice.microphone import MicrophoneError
from companion.voice.sound import SOUND_FRAME_SAMPLES
from tests.clocks import MovedClock


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
        self.clock = MovedClock(0.0)
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
    ashore = Ashore(Wire("sonar", OSError(ENOENT, "no such port"))).start()
    assert ashore.told == [("sonar: there: not there", False)]
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices.look_whether_ready(FAILED_AFTER_S - 0.01)
    assert not ashore.devices.ready.is_set()
    ashore.devices.look_whether_ready(FAILED_AFTER_S)
    assert ashore.told[1:] == [(wording.ready_without(["sonar"]), True)]


def test_one_that_failed_does_not_cut_the_patience_with_another():
    ashore = Ashore(Wire("sonar", OSError(ENOENT, "no")), Wire("gps")).start()
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


def test_a_microphone_whose_listener_loads_for_long_is_waited_for_and_told_of_later():
    """On a slow board it took longer to load than the patience: "no microphone", for good."""
    comes = threading.Event()

    def frames():
        comes.wait()
        yield np.ones(SOUND_FRAME_SAMPLES, np.int16)
        ashore.devices.stop()

    ashore = Ashore(Wire("sonar", b"x"), frames=frames, listener=lambda _: Deaf())
    ashore.start()
    waited = 3.0 * READY_WITHIN_S
    ashore.devices.look_whether_ready(waited)
    ashore.devices.begin_rest(waited)
    ashore.devices._loading.join()
    ashore.devices.look_whether_ready(waited + 0.01)
    assert ashore.told == []
    ashore.devices.look_whether_ready(waited + READY_WITHIN_S)
    assert ashore.told == [(wording.ready_without(["microphone"]), True)]
    comes.set()
    ashore.devices.join()
    assert ashore.told[1:] == [(wording.part_back("microphone"), True)]


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
    ashore.devices.look_whether_ready(2.0 * READY_WITHIN_S)
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
    clock, found, done = MovedClock(3.0), [], []
    seeker = Worker("planner", done.append, clock)
    for name in ("a", "fails", "b"):
        seeker.work_at(Search(found, name))
    seeker.stop()
    seeker.work_at(Search(found, "after the end"))
    seeker.start()
    seeker.join()
    assert found == ["a", "fails", "b"]
    assert done == [3.0] * 3
    assert seeker.daemon
    assert Path(seeker.name).name == "planner"


class Socket(UdpSource):
    """Datagrams that come from nowhere."""

    def __init__(self, size: int) -> None:
        super().__init__("net", 0, MovedClock(0.0))
        self._size = size

    def chunks(self, _stop):
        self.opened.set()
        self.tell("another sender is passed over")
        for _ in range(3):
            yield Chunk(0.0, self.name, b"$" * self._size)


def test_datagrams_that_are_too_many_are_told_of_by_the_name_of_their_source():
    ashore = Ashore(Socket(round(SOURCE_BURST_BYTES)))
    ashore.devices.start()
    ashore.devices._readers[0].stop()
    ashore.devices._readers[0].join()
    assert ("net: another sender is passed over", False) in ashore.told
    assert (wording.sends_too_much("net"), True) in ashore.told
    assert len(ashore.came) == 1


def test_each_wire_beats_by_its_name():
    stopped = threading.Event()

    class Slow(Wire):
        def chunks(self, stop):
            stop.wait(0.0)
            stopped.wait()
            yield from ()

    ashore = Ashore(Slow("sonar"))
    ashore.devices.start()
    stopped.set()
    ashore.devices._readers[0].join()
    ashore.clock.move_to(9999.0)
    assert ashore.heart.stuck() == ["sonar"]


def test_a_microphone_that_fails_and_comes_back_is_told_of_and_heard():
    turns = iter([MicrophoneError("unplugged"), "sound", "end"])
    over = threading.Event()

    def frames():
        turn = next(turns, "end")
        if isinstance(turn, Exception):
            raise turn
        if turn == "sound":
            yield np.full(SOUND_FRAME_SAMPLES, 9, np.int16)
            return
        over.set()
        while True:
            yield np.full(SOUND_FRAME_SAMPLES, 9, np.int16)

    class Hears(Deaf):
        def __init__(self, complain) -> None:
            self.complain = complain

        def accept_frame(self, frame):
            self.complain("microphone is quiet")
            return Listened(0.0, 0.02, frame, Hearing("log bite"), 9.0, 1.0)

    ashore = Ashore(frames=frames, listener=Hears).start()
    ashore.devices.ready.set()
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices._loading.join()
    ashore.devices._ears._retry = 0.0
    assert over.wait(600.0)
    ashore.devices.stop()
    ashore.devices._ears.join()
    assert ashore.told[:4] == [
        ("microphone: unplugged", False),
        (wording.part_lost("microphone"), True),
        (wording.part_back("microphone"), True),
        ("microphone is quiet", True),
    ]
    assert ashore.came[0].hearing.text == "log bite"


def test_nothing_of_it_keeps_the_program_from_ending():
    ashore = Ashore(Wire("sonar"), frames=lambda: iter(()), listener=lambda _: Deaf())
    ashore.devices.start()
    ashore.devices.begin_rest(REST_AFTER_S)
    ashore.devices._loading.join()
    threads = (
        *ashore.devices._readers,
        ashore.devices._loading,
        ashore.devices._ears,
    )
    assert all(thread.daemon for thread in threads)
    ashore.devices.stop()
    ashore.devices.join()
    ashore.devices._ears.join()
