"""An error of the program's own, in a line, an utterance or a rebuild: told once, and the trip goes on."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from companion import config
from companion.events import AnyEvent, Heard, Notice, TripEnded
from companion.live import beginning
from companion.live.devices import Parts
from companion.live.live import Live, Places
from companion.live.trip import MOST_TRIES, RESUME_TRIES_FILE, Rebuilt
from companion.record.logbook import Logbook
from companion.record.recording import TRIP_NAME_FORMAT, Recording, ms_of, stamped
from companion.replay import find_day, replay
from companion.sensing import Chunk, Depth
from companion.sensing.believed_boat import BelievedBoat
from companion.sensing.folding import Folds
from companion.sensing.framing import sentence
from companion.sensing.sources import FileSource
from companion.trip.agenda import Utterance
from companion.trip.assembly import RAISE_VARIABLE, RECORDING_WIRE, assemble_trip
from companion.trip.keep import KeepNothing, Known
from companion.voice.grammar import Grammar, aboard

TEXT = config.example_text()
SETTINGS = config.parse(TEXT)
GRAMMAR = Grammar(aboard(SETTINGS))
START = ms_of(datetime(2026, 11, 29, 10, 0, tzinfo=UTC))
BAD = 6.25


def day(depths: list[float], start: int = START) -> bytes:
    bodies = (sentence(f"SDDPT,{depth:.2f},0.0") for depth in depths)
    return b"".join(
        stamped(body, "sonar", start + 500 * n) for n, body in enumerate(bodies)
    )


def folded(data: bytes, piece: int, *utterances: Utterance) -> list[AnyEvent]:
    events: list[AnyEvent] = []
    engine = assemble_trip(
        "a day", SETTINGS, GRAMMAR, events.append, KeepNothing(), Known()
    )
    for utterance in utterances:
        engine.utterance(utterance)
    for start in range(0, len(data), piece):
        engine.chunk(Chunk(0.0, RECORDING_WIRE, data[start : start + piece]))
    engine.finish()
    return events


def errors(events: list[AnyEvent]) -> dict[str, int]:
    return {why: n for why, n in events[-1].dropped.items() if why != "no position"}


@pytest.fixture
def passing_over(monkeypatch):
    monkeypatch.delenv(RAISE_VARIABLE)


@pytest.fixture
def stumbling(monkeypatch):
    """A program that stumbles over the depth `BAD`."""
    true = BelievedBoat.accept_reading

    def accept_reading(self, t, reading):
        deep = reading.below_surface if isinstance(reading, Depth) else None
        # The transducer may hang below the surface.
        if deep is not None and BAD <= deep < BAD + 0.7:
            raise KeyError("a mistake of ours")
        return true(self, t, reading)

    monkeypatch.setattr(BelievedBoat, "accept_reading", accept_reading)


@pytest.mark.usefixtures("passing_over", "stumbling")
def test_one_line_costs_itself_however_the_bytes_are_cut():
    data = day([5.0, BAD, 5.0, BAD, 5.0])
    events = folded(data, len(data))
    assert [e.text for e in events if isinstance(e, Notice)] == [
        "error passed over: KeyError in accept_reading"
    ]
    assert errors(events) == {"KeyError in accept_reading": 2}
    assert events[-1].sentences == 5
    assert folded(data, 7) == events
    good = folded(day([5.0, 5.0, 5.0]), 7)
    assert [type(e) for e in events if not isinstance(e, Notice)] == [
        type(e) for e in good
    ]


@pytest.mark.usefixtures("stumbling")
def test_in_tests_it_is_raised():
    with pytest.raises(KeyError, match="a mistake of ours"):
        folded(day([5.0, BAD]), 7)


@pytest.mark.usefixtures("passing_over")
def test_a_sentence_over_which_sensing_stumbles(monkeypatch):
    true = Folds._depths

    def depths(self, sounding):
        if sounding.depth == BAD:
            raise OverflowError("date value out of range")
        return true(self, sounding)

    monkeypatch.setattr(Folds, "_depths", depths)
    data = day([5.0, BAD, 5.0, BAD, 5.0])
    events = folded(data, len(data))
    assert errors(events) == {"OverflowError in depths": 2, "error in a sentence": 2}
    assert folded(data, 7) == events


@pytest.mark.usefixtures("passing_over")
def test_an_utterance_whose_words_cannot_be_had():
    def broken() -> str:
        raise RuntimeError("no words")

    at = datetime(2026, 11, 29, 10, 0, 1, tzinfo=UTC)
    spoken = [Utterance(at, at, words) for words in (broken, lambda: "how deep")]
    late = Utterance(at + timedelta(hours=1), at + timedelta(hours=1), broken)
    events = folded(day([5.0] * 9), 64, *spoken, late)
    assert [e.command for e in events if isinstance(e, Heard)] == ["how deep"]
    assert errors(events) == {"RuntimeError in broken": 2}


@pytest.mark.usefixtures("passing_over")
def test_what_fails_where_events_go_is_not_passed_over():
    def full(_event: AnyEvent) -> None:
        raise OSError("no space left")

    engine = assemble_trip("a day", SETTINGS, GRAMMAR, full, KeepNothing(), Known())
    with pytest.raises(OSError, match="no space left"):
        engine.chunk(Chunk(0.0, RECORDING_WIRE, day([5.0])))


@pytest.mark.usefixtures("passing_over", "stumbling")
def test_a_live_trip_goes_on_keeps_the_line_and_replays_the_same(
    launch, wire, tools, tmp_path
):
    boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)))
    boat.wait_for_text("ready")
    for depth in (5.0, BAD, 5.0, BAD, 5.5):
        wire.send(tools.depth_line(depth))
    boat.wait_for(
        lambda me: (
            (deep := me.live.trip.engine.glance(me.live.trip.engine.now).depth)
            and deep == 5.5
        )
    )
    live = boat.stop()
    assert [e.text for e in live if isinstance(e, Notice) and "error" in e.text] == [
        "error passed over: KeyError in accept_reading"
    ]
    (lines,) = (tmp_path / "recordings").glob("*/*/sonar.nmea")
    assert lines.read_bytes().count(b"$SDDPT,6.25,") == 2
    again, kept = [], find_day(lines.parent)
    replay(
        kept,
        config.load(kept.config),
        FileSource(RECORDING_WIRE, kept.recording).chunks(),
        again.append,
    )
    assert again == live


@pytest.mark.usefixtures("passing_over")
def test_what_fails_beside_the_engine_does_not_end_the_trip(launch, wire, tools):
    def broken(_event: AnyEvent) -> None:
        raise AttributeError("a mistake of ours")

    boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)), tell=broken)
    boat.wait_for_text("error passed over: AttributeError")
    boat.wait_for_text("ready")
    events = boat.stop()
    assert isinstance(events[-1], TripEnded)
    assert (
        sum(getattr(e, "text", "").startswith("error passed over") for e in events) == 1
    )


@pytest.fixture
def cut_off(tmp_path):
    """A trip that was cut off a second ago: its recording, and its place in the logbook."""
    now = datetime.now(UTC)
    folder = (
        tmp_path / "recordings" / f"{now:%Y-%m-%d}" / now.strftime(TRIP_NAME_FORMAT)
    )
    recording = Recording(folder, TEXT)
    recording.write(day([5.0] * 4, ms_of(now) - 3000))
    recording.close()
    with Logbook(tmp_path / "logbook.db") as book:
        book.begin_trip(folder.name)
    return folder


def begun(folder: Path) -> list[str]:
    """Start a companion and end it; return what it said at the beginning."""
    events: list[AnyEvent] = []
    places = Places(folder / "logbook.db", folder / "recordings")
    live = Live(SETTINGS, TEXT, Parts(), places, events.append)
    live.stop()
    live.run()
    return [e.text for e in events if isinstance(e, Notice)]


@pytest.mark.usefixtures("cut_off")
def test_a_rebuild_that_fails_for_whatever_reason_is_not_tried_again(
    tmp_path, monkeypatch
):
    def broken(*_: object) -> None:
        raise ZeroDivisionError("a mistake of ours")

    with monkeypatch.context() as patched:
        patched.setattr(beginning, "Rebuilt", broken)
        told = begun(tmp_path)
    assert told[:2] == [
        "could not go on: a mistake of ours",
        "last trip was cut off, new trip",
    ]
    assert begun(tmp_path) == ["starting"]
    with Logbook(tmp_path / "logbook.db") as book:
        assert [trip.closed for trip in book.trips()] == [True] * 3


def test_a_trip_is_gone_on_with_again_after_a_cut_in_the_midst_of_that(
    cut_off, tmp_path
):
    (cut_off / RESUME_TRIES_FILE).write_bytes(b"1")
    assert begun(tmp_path) == ["trip goes on"]
    assert not (cut_off / RESUME_TRIES_FILE).exists()


def test_a_trip_that_ended_the_program_twice_is_left_alone(cut_off, tmp_path):
    (cut_off / RESUME_TRIES_FILE).write_bytes(b"%d" % MOST_TRIES)
    assert begun(tmp_path)[0] == "last trip was cut off, new trip"
    assert Rebuilt is beginning.Rebuilt
