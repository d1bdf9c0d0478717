"""Live equals replay: the recording of a live trip, replayed, gives the same events."""

from __future__ import annotations

import itertools
import math
import random
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from companion import config
from companion.casting import planning
from companion.cli.run import with_ears
from companion.events import (
    DepthNews,
    Heard,
    Logged,
    Match,
    Notice,
    RodTaken,
    Said,
    TripBegan,
    TripEnded,
)
from companion.live.devices import Parts
from companion.record.logbook import Logbook
from companion.replay import find_day, replay
from companion.sensing import Chunk
from companion.sensing.sources import FileSource
from companion.simulate.nmea import sentence
from companion.tackle import calibrations
from companion.trip.assembly import RECORDING_WIRE
from companion.voice.clips import read_clip

ROOT = Path(__file__).parents[2]
DAY = ROOT / "replay_logs" / "invented_saturday"
CLIPS = 4
FRAME = 320


def only_trip(folder: Path) -> Path:
    (lines,) = (folder / "recordings").glob("*/*/sonar.nmea")
    return lines.parent


def replayed(trip: Path, piece: int = 65_536) -> list:
    day = find_day(trip)
    events: list = []
    assert day.config is not None
    chunks = (
        Chunk(0.0, RECORDING_WIRE, chunk.data[start : start + piece])
        for chunk in FileSource(RECORDING_WIRE, day.recording).chunks()
        for start in range(0, len(chunk.data), piece)
    )
    replay(day, config.load(day.config), chunks, events.append)
    return events


class Eager:
    """A sonar that has sent a depth before anyone could say that the trip begins."""

    name, where, ends = "sonar", "nowhere", False

    def __init__(self) -> None:
        self.opened = threading.Event()

    def chunks(self, stop: threading.Event) -> Iterator[Chunk]:
        yield Chunk(
            time.monotonic(), self.name, f"{sentence('SDDPT,7.9,0.0')}\r\n".encode()
        )
        self.opened.set()
        stop.wait()


@pytest.fixture(scope="module")
def recogniser():
    from companion.replay import chosen_model
    from companion.voice.grammar import Grammar, aboard
    from companion.voice.model import ModelError
    from companion.voice.recogniser import for_grammar

    settings = config.load(DAY / "companion.toml")
    try:
        return for_grammar(chosen_model(settings), Grammar(aboard(settings)))
    except ModelError as error:
        pytest.skip(f"no speech model: {error}")


def wait_for_rods(boat):
    """Wait until it is ready and knows what its rods reach."""
    boat.wait_for_text("ready")
    boat.wait_for(lambda me: any(isinstance(e, RodTaken) for e in me.events))


def spoken(speak, heard):
    """Yield a quiet microphone's frames, with four clips of the demo day once `speak` is set.

    Each is said again until it is heard: a busy machine passes over what it is too far
    behind with. `heard` tells how many were.
    """
    quiet = np.random.default_rng(1).normal(0, 8, 16000).astype(np.int16)
    yield from framed(quiet)
    speak.wait(600)
    for number, path in enumerate(sorted((DAY / "clips").iterdir())[:CLIPS], 1):
        said = np.concatenate([read_clip(path), quiet])
        while heard() < number:
            yield from framed(said)
            yield from waiting(quiet, lambda at_least=number: heard() >= at_least)
    yield from waiting(quiet, lambda: False, math.inf)


def framed(sound):
    for i in range(0, len(sound) - FRAME, FRAME):
        yield sound[i : i + FRAME]


def waiting(quiet, is_over, seconds=30.0):
    ends = time.monotonic() + seconds
    while not is_over() and time.monotonic() < ends:
        time.sleep(FRAME / 16000)
        yield quiet[:FRAME]


def test_through_two_wires_and_a_microphone(launch, wire, tools, tmp_path, recogniser):
    """A second wire, noise, lines without ends, and real speech between quiet."""
    gps = tools.Wire(tmp_path / "by-id-gps")
    text = (DAY / "companion.toml").read_text()
    head, _, rest = text.partition("[[sources]]")
    text = head + rest[rest.index("# Four rods") :]
    sources = (
        tools.serial_text("depth finder", wire.name),
        tools.serial_text("gps", gps.name),
    )
    text += "".join(f"\n[[sources]]\n{s}\n" for s in sources)
    speak = threading.Event()

    def heard():
        return sum(isinstance(e, Heard) for e in list(boat.events))

    parts = with_ears(Parts(), config.parse(text), lambda: recogniser)
    boat = launch(
        text,
        frames=lambda: spoken(speak, heard),
        hear=parts.hear,
        listener=parts.listener,
    )
    wait_for_rods(boat)
    chance = random.Random(3)
    noise = chance.randbytes(400).replace(b"\n", b" ")
    for i in range(40):
        depth = tools.depth_line(4.0 + 0.1 * i)
        if i == 12:
            depth = noise + depth
        if i == 20:
            depth = depth.replace(b"\r\n", b"")
        cut = chance.randrange(1, len(depth))
        wire.send(depth[:cut])
        gps.send(tools.place_line(f"4500.{i:03d}"))
        wire.send(depth[cut:])
        if i == 10:
            speak.set()
        threading.Event().wait(0.1)
    boat.wait_for(lambda _: heard() >= CLIPS, 3600)
    live = boat.stop()
    trip = only_trip(tmp_path)
    assert [type(live[0]), type(live[-1])] == [TripBegan, TripEnded]
    assert sum(isinstance(e, Heard) and e.command is not None for e in live) >= 3
    assert {Match, Logged} <= {type(e) for e in live}
    assert live[-1].dropped
    assert replayed(trip) == live
    assert replayed(trip, piece=61) == live
    with Logbook(tmp_path / "logbook.db") as book:
        (entry,) = book.trips()
        assert book.events(entry.id) == live
        assert entry.closed
        assert entry.recording is None
    gps.unplug()


def test_what_was_lost_and_back_is_in_the_recording_too(launch, wire, tools, tmp_path):
    boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)))
    talker = tools.Talker(wire)
    boat.wait_for_text("ready")
    wire.unplug()
    boat.wait_for_text("sonar lost")
    boat.wait_for(lambda me: any(isinstance(e, DepthNews) for e in list(me.events)))
    wire.plug()
    boat.wait_for_text("sonar back")
    talker.stop()
    live = boat.stop()
    texts = [e.text for e in live if isinstance(e, Notice)]
    assert texts.count("sonar lost") == texts.count("sonar back") == 1
    said = [e.text for e in live if isinstance(e, Said)]
    assert "depth lost" not in said, "the plug tells why"
    assert replayed(only_trip(tmp_path)) == live


def test_every_byte_is_in_the_recording(launch, wire, tools, tmp_path):
    boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)))
    boat.wait_for_text("ready")
    chance = random.Random(5)
    lines = [
        bytes(chance.choices(range(33, 127), k=chance.randrange(1, 90)))
        for _ in range(300)
    ]
    for line in lines:
        wire.send(line + b"\r\n")
    boat.wait_for(
        lambda _: lines[-1] in (only_trip(tmp_path) / "sonar.nmea").read_bytes()
    )
    boat.stop()
    recorded = (only_trip(tmp_path) / "sonar.nmea").read_bytes().split(b"\r\n")
    mine = [line for line in recorded if b"\\s:sonar," in line]
    import re

    bare = [
        re.sub(rb"\\s:sonar,c:\d+\*..\\", b"", line).replace(b"^5C", b"\\")
        for line in mine
    ]
    assert bare == lines


def test_a_trip_over_a_lake_known_from_another_day_replays_from_that_lake(
    launch, wire, tools, tmp_path
):
    trips = []
    for day in range(2):
        boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)))
        boat.wait_for_text("ready")
        for i in range(60):
            wire.send(
                tools.place_line(f"4500.{4 * i:04d}")
                + tools.depth_line(4.0 + 0.5 * day)
            )
            threading.Event().wait(0.1)  # a new bottom is believed after four seconds
        boat.live.tapped("log bite")
        boat.wait_for(lambda me: any(isinstance(e, Logged) for e in me.events))
        trips.append(boat.stop())
    first, second = (next(e for e in trip if isinstance(e, Logged)) for trip in trips)
    assert second.lure_bottom is not None
    assert second.lure_bottom != first.lure_bottom
    folders = sorted((tmp_path / "recordings").glob("*/*/"))
    assert [replayed(folder) for folder in folders] == trips
    assert not list(folders[0].glob("lake-*"))
    assert list(folders[1].glob("lake-1.msgpack"))


def test_the_trip_begins_before_the_first_depth_gives_something_to_say(
    launch, tools, tmp_path
):
    # Its tables are at hand: the one depth would be too old by the time they are made.
    calibrations(config.parse(tools.config_text()).rods)
    boat = launch(tools.config_text(), sources=(Eager(),))
    boat.wait_for(lambda me: any(isinstance(e, Match) for e in me.events))
    live = boat.stop()
    told = [type(event) for event in live if isinstance(event, Notice | Match)]
    assert told[0] is Notice
    assert Match in told
    assert replayed(only_trip(tmp_path)) == live


def sound_the_bottom(boat, wire, tools):
    """Send depths along a way until some are on the map."""
    north = itertools.count()
    while not boat.live.trip.engine._core.rooms.bed.kept > 5:
        wire.send(
            tools.depth_line(4.0) + tools.place_line(f"4500.{next(north) % 1000:03d}")
        )
        threading.Event().wait(0.1)


def answers(boat):
    """Return what was said to questions, without the word that an answer is looked for."""
    said = [e for e in list(boat.events) if isinstance(e, Said) and e.about == "answer"]
    return [e.text for e in said if e.text != "looking"]


def test_an_answer_of_the_planner_comes_at_the_same_instant(
    launch, wire, tools, tmp_path
):
    boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)))
    boat.wait_for_text("ready")
    sound_the_bottom(boat, wire, tools)
    for words in ("which rod", "where from", "which rod"):
        assert boat.live.tapped(words)
    boat.wait_for(lambda me: sum(isinstance(e, Heard) for e in list(me.events)) == 3)
    boat.wait_for(lambda me: len(answers(me)) == 3)
    live = boat.stop()
    assert replayed(only_trip(tmp_path)) == live
    assert replayed(only_trip(tmp_path), piece=97) == live


def test_a_planner_that_takes_its_time_does_not_hold_up_the_depths(
    launch, wire, tools, tmp_path, monkeypatch
):
    go_on, plan = threading.Event(), planning.plan

    def slow(*args, **named):
        assert go_on.wait(600.0)
        return plan(*args, **named)

    monkeypatch.setattr(planning, "plan", slow)
    boat = launch(tools.config_text(tools.serial_text("sonar", wire.name)))
    boat.wait_for_text("ready")
    sound_the_bottom(boat, wire, tools)
    assert boat.live.tapped("which rod")
    boat.wait_for_text("looking")
    before = boat.live.trip.engine.now
    wire.send(tools.depth_line(4.5) + tools.depth_line(4.5))
    boat.wait_for(lambda me: me.live.trip.engine.now > before + 0.5)
    assert not answers(boat)
    go_on.set()
    boat.wait_for(answers)
    live = boat.stop()
    assert replayed(only_trip(tmp_path)) == live
