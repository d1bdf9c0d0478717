"""Lines whose checksums are right and whose contents are not to be believed: no wire
speaks as the companion, and no date or time ends a trip, neither live nor when it is
gone on with."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from companion import config
from companion.events import AnyEvent, Heard, Notice, Said, TripEnded
from companion.live.trip import LiveTrip, Rebuilt, Stamps
from companion.record.recording import CONFIG_FILE, Recording
from companion.replay import find_day, replay
from companion.sensing import Chunk
from companion.sensing.framing import sentence
from companion.sensing.remarks import OWN_SOURCE, txt_body
from companion.sensing.sources import FileSource
from companion.trip.assembly import assemble_trip
from companion.trip.keep import KeepNothing, Known
from companion.voice.grammar import Grammar, aboard

PROGRAM = Path(sys.executable).parent / "companion"
TEXT = config.example_text()
SETTINGS = config.parse(TEXT)
GRAMMAR = Grammar(aboard(SETTINGS))
WALL = datetime(2026, 11, 29, 10, 0, tzinfo=UTC)


def tag(contents: str) -> bytes:
    return b"\\%s\\" % sentence(contents)[1:]


def as_companion(text: str, **kind: bool) -> bytes:
    """A sentence that claims to be the companion's own."""
    return tag(f"s:{OWN_SOURCE}") + sentence(txt_body(text, **kind))


DEPTH = sentence("SDDPT,5.00,0.0")
FAR_DATES = [
    sentence("GPZDA,235959.00,31,12,9999,00,00"),
    sentence("GPRMC,235959.00,A,4500.000,N,09300.000,W,0.5,090.0,31129999,,,A"),
    sentence("GPRMC,120000.00,A,4500.000,N,09300.000,W,0.5,090.0,99999999999,,,A"),
    sentence("GPZDA,120000.00,31,12,99999999999999999999,00,00"),
    sentence("GPZDA,120000.00,01,01,0001,00,00"),
    tag("c:999999999999999") + DEPTH,
    tag("c:253402300800000") + DEPTH,
    tag("s:sonar,c:99999999999") + DEPTH,
]
FORGED = [
    DEPTH + as_companion("log bite", tapped=True),
    as_companion("log bite", tapped=True) + DEPTH,
    as_companion("you are on fire", aloud=True),
    b"!" + as_companion("undo that", tapped=True),
    b"$\0" + as_companion("forget rod one", tapped=True),
    as_companion("quiet for ten minutes", tapped=True) * 3,
    tag("g:1-2-3,s:companion,c:1795946400000")
    + sentence(txt_body("log fish", tapped=True)),
    b"\\s:sonar*00\\" + as_companion("log fish", tapped=True),
    b"x" * 600 + as_companion("log fish", tapped=True),
]


class Hand:
    """A clock moved by hand."""

    t = 100.0

    def now(self) -> float:
        return self.t


class Afloat:
    """A live trip without its threads, recorded in a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.events: list[AnyEvent] = []
        self.clock = Hand()
        engine = assemble_trip(
            folder.name, SETTINGS, GRAMMAR, self.events.append, KeepNothing(), Known()
        )
        recording = Recording(folder, TEXT)
        self.trip = LiveTrip(
            engine,
            Stamps(self.clock, WALL),
            recording,
            lambda _: None,
            lambda job: job(),
        )

    def come(self, data: bytes, source: str = "sonar") -> None:
        self.clock.t += 0.2
        self.trip.chunk(Chunk(self.clock.t, source, data))

    def replayed(self) -> list[AnyEvent]:
        day, again = find_day(self.folder), []
        replay(
            day,
            config.load(self.folder / CONFIG_FILE),
            FileSource("x", day.recording).chunks(),
            again.append,
        )
        return again

    def rebuilt(self) -> list[AnyEvent]:
        return Rebuilt(self.folder, SETTINGS, GRAMMAR, {}, None, Known()).events


@pytest.fixture
def afloat(tmp_path: Path) -> Afloat:
    return Afloat(tmp_path / "2026-11-29 100000")


def words(events: list[AnyEvent]) -> list[AnyEvent]:
    """What was heard, noted or said, but for lines on the depth, which is the wires' own matter."""
    return [
        e
        for e in events
        if isinstance(e, Heard | Notice)
        or (isinstance(e, Said) and e.about in ("answer", "notice"))
    ]


@pytest.mark.parametrize("line", FORGED)
def test_no_wire_speaks_as_the_companion(afloat, line):
    for data in (
        DEPTH + b"\r\n",
        line + b"\r\n",
        line,
        b"\r\n",
        *(bytes([b]) for b in line),
        b"\r\n",
    ):
        afloat.come(data)
    afloat.trip.remark(afloat.clock.t, "this one is its own")
    afloat.trip.finish()
    assert [e.text for e in words(afloat.events)] == ["this one is its own"]
    assert afloat.replayed() == afloat.events


LOOSE = [tag("s:companion"), b"\\", b"\r\n", b"\n", b"\0", b"$", b"*"]
PIECES = st.one_of(
    st.binary(max_size=30),
    st.sampled_from(
        [
            *FORGED,
            *FAR_DATES,
            DEPTH,
            tag("s:companion"),
            b"\\",
            b"\r\n",
            b"\n",
            b"\0",
            b"$",
            b"*",
        ]
    ),
    st.text("log biteundo", max_size=12).map(
        lambda text: as_companion(text, tapped=True)
    ),
    st.text(max_size=12).map(lambda text: as_companion(text, aloud=True)),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(PIECES, max_size=12), st.booleans())
def test_no_bytes_of_any_wire_are_a_word(tmp_path_factory, pieces, two_wires):
    """Whatever comes, cut anywhere, on one wire or two: nothing is heard or said, and live is replay."""
    afloat = Afloat(tmp_path_factory.mktemp("trip") / "2026-11-29 100000")
    for n, piece in enumerate((*pieces, b"\r\n")):
        afloat.come(piece, ("sonar", "gps")[n % 2 if two_wires else 0])
    afloat.come(b"\r\n", "sonar")
    afloat.trip.finish()
    assert [e for e in words(afloat.events) if not isinstance(e, Notice)] == []
    assert afloat.replayed() == afloat.events


@pytest.mark.parametrize("line", FAR_DATES)
def test_a_date_beyond_all_years_ends_no_trip(afloat, line):
    for data in (DEPTH, line, DEPTH, line, DEPTH):
        afloat.come(data + b"\r\n")
    assert afloat.rebuilt() == afloat.events
    afloat.trip.finish()
    assert isinstance(afloat.events[-1], TripEnded)
    assert afloat.events[-1].t < 10.0
    assert afloat.replayed() == afloat.events


def test_a_date_beyond_all_years_in_a_file_of_others():
    events: list[AnyEvent] = []
    engine = assemble_trip(
        "theirs", SETTINGS, GRAMMAR, events.append, KeepNothing(), Known()
    )
    engine.chunk(Chunk(0.0, "recording", b"\r\n".join([*FAR_DATES, DEPTH, b""])))
    engine.finish()
    assert isinstance(events[-1], TripEnded)


def test_the_program_goes_on_after_them_and_after_a_kill(tmp_path):
    """`companion run` on UDP: each forged line sent, the program killed, and the trip gone on with."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    source = (
        f'[[sources]]\nname = "sonar"\nkind = "udp"\naddress = "127.0.0.1:{port}"\n'
    )
    text = (
        f'[voice]\nmicrophone = "none"\nspeaker = "none"\n[page]\non = false\n{source}'
    )
    (tmp_path / "boat.toml").write_text(
        text + "[[lures]]" + TEXT.partition("[[lures]]")[2]
    )
    command = [
        PROGRAM,
        "run",
        "--json",
        "--config",
        tmp_path / "boat.toml",
        "--data",
        tmp_path / "data",
    ]
    told = []
    for how in (signal.SIGKILL, signal.SIGTERM):
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, env=dict(os.environ)
        )
        try:
            told += read_until(process, "ready")
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
                for line in (*FAR_DATES, *FORGED, DEPTH):
                    out.sendto(line + b"\r\n", ("127.0.0.1", port))
                # The last that is sent: once its depth is told, all before it has been
                # taken.
                out.sendto(
                    sentence(f"SDDPT,{9 + how}.00,0.0") + b"\r\n", ("127.0.0.1", port)
                )
            recording = next((tmp_path / "data").rglob("sonar.nmea"))
            while f"DPT,{9 + how}.00".encode() not in recording.read_bytes():
                assert process.poll() is None
            process.send_signal(how)
            rest, _ = process.communicate()
            told += [
                json.loads(line) for line in rest.splitlines() if line.endswith("}")
            ]
            assert process.returncode == (-how if how == signal.SIGKILL else 0)
        finally:
            process.kill()
            process.wait()
    kept = list((tmp_path / "data").rglob("*"))
    assert len(kept) > 5
    for path in kept:
        private = 0o700 if path.is_dir() else 0o644 if path.name == ".in-use" else 0o600
        assert path.stat().st_mode & 0o777 == private, path
    texts = [event.get("text") for event in told]
    assert "trip goes on" in texts
    assert told[-1]["event"] == "trip ended"
    assert not any(event["event"] == "heard" for event in told)
    assert not {"log bite", "you are on fire"} & set(texts)


def read_until(process: subprocess.Popen[str], text: str) -> list[dict]:
    events = []
    for line in process.stdout:
        events.append(json.loads(line))
        if events[-1].get("text", "").startswith(text):
            return events
    raise AssertionError(f"it ended before it said {text!r}")
