"""`companion heard`: utterances are told right or wrong by their numbers, and heard again."""

from __future__ import annotations

import json
from importlib.resources import as_file, files
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from companion.cli import commands
from companion.events import Heard, TripBegan
from companion.record.logbook import Logbook
from companion.voice.clips import read_clip, write_clip
from companion.voice.sound import SAMPLE_RATE_HZ

CLIPS = [f"20261003T14150{n}.000Z.flac" for n in range(4)]
HEARD = [
    Heard(t=1.0, utc="2026-10-03T14:15:01.000Z", text="how deep", command="how deep", clip=CLIPS[0]),
    Heard(t=2.0, utc="2026-10-03T14:15:02.000Z", text="log bite", command="bite", clip=CLIPS[1]),
    Heard(t=3.0, utc="2026-10-03T14:15:03.000Z", text="lost it", reason="no cast lately", clip=CLIPS[2]),
    Heard(t=4.0, utc="2026-10-03T14:15:04.000Z", text="[unk]", reason="no phrase", clip=CLIPS[3]),
]  # fmt: skip


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, model: Path):
    """Run the command on a trip with four utterances, of which the last has no sound any more."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    day = tmp_path / "a day"
    (day / "clips").mkdir(parents=True)
    with as_file(files("companion.voice").joinpath("how_deep.flac")) as built_in:
        asked = read_clip(built_in)
    for name in CLIPS[:2]:
        write_clip(day / "clips" / name, asked)
    write_clip(day / "clips" / CLIPS[2], np.zeros(2 * SAMPLE_RATE_HZ, np.int16))
    (tmp_path / "data" / "companion" / "replays").mkdir(parents=True)
    (tmp_path / "data" / "companion" / model.name).symlink_to(model)
    book = tmp_path / "data" / "companion" / "replays" / "a day.db"
    with Logbook(book) as opened, opened.begin_trip("a day", recording="a day") as trip:
        trip.record(TripBegan(t=0.0, utc=None, name="a day", rods={}))
        for event in HEARD:
            trip.record(event)

    def heard(*arguments: str):
        return CliRunner().invoke(commands, ["heard", *arguments])

    return lambda *arguments: heard(str(day), *arguments), heard


def test_what_was_heard_is_listed_and_told_of_by_its_number(run):
    of_day, _ = run
    assert of_day().output.splitlines()[-4:] == [
        "   1  14:15:01  how deep  -> taken for how deep",
        "   2  14:15:02  log bite  -> taken for bite",
        "   3  14:15:03  lost it  -> not taken",
        "   4  14:15:04  [unk]  -> not taken",
    ]
    told = of_day(
        "--right", "1", "--meant", "2", "Mark a  stump", "--talk", "3"
    ).output.splitlines()
    assert told[-3:] == [
        "   1  14:15:01  how deep  -> taken for how deep; told: right",
        '   2  14:15:02  log bite  -> taken for bite; told: it was "mark a stump"',
        "   3  14:15:03  lost it  -> not taken; told: talk",
    ]
    (again,) = (
        json.loads(line)
        for line in of_day("--untell", "3", "--json").stdout.splitlines()
    )
    assert again["told"] is None


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (("--right", "9"), "has nothing heard under 9"),
        (("--right", "3"), "3 was not taken for a command: say --talk or --meant"),
        (("--meant", "2", "dance a jig"), '"dance a jig" is no phrase'),
        (("--talk", "4"), "its sound was not kept"),
        (("--again",), "nothing has been told right or wrong yet"),
    ],
)
def test_a_mistake_is_told_in_a_line(run, arguments, why):
    result = run[0](*arguments)
    assert result.exit_code == 2
    assert why in result.output


def test_what_was_told_is_heard_again_and_copied_only_when_asked(run, tmp_path):
    of_day, heard = run
    of_day("--right", "1", "--meant", "2", "how deep is it", "--talk", "3")
    lines = heard("--again").stdout.splitlines()
    assert lines == [
        "of commands understood: 2 of 2, 0 taken wrongly (on the trip 1, 1)",
        "of talk left alone: 1 of 1, 0 taken wrongly (on the trip 1, 0)",
    ]
    assert (
        heard("--learn").stdout
        == "nothing learned of your voice: it would not be understood better\n"
    )
    of_day("--meant", "2", "mark a stump")
    first = heard("--again").stdout.splitlines()[0]
    assert (
        first == f'{CLIPS[1]}  "mark a stump", heard as "how deep": wrong (then wrong)'
    )
    assert (
        heard("--export", str(tmp_path / "out")).output
        == f"3 clips copied to {tmp_path / 'out'}\n"
    )
    assert len(list((tmp_path / "out").iterdir())) == 6
