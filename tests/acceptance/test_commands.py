"""The commands as they are typed: help, documentation, exit codes, one clear line for each mistake."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from companion import config
from companion.cli import (
    BUG,
    CODES,
    COMMANDS,
    CONFIG,
    DATABASE,
    DEVICE,
    OK,
    USAGE,
    commands,
)
from companion.sensing.framing import checksum
from companion.voice.clips import write_words
from companion.voice.heard import Hearing

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
COMPANION = Path(sys.executable).parent / "companion"
SHORT = b"$SDDPT,5.0,0.0*52\r\n"


def with_checksum(body: bytes) -> bytes:
    return b"$%s*%02X\r\n" % (body, checksum(body))


@pytest.fixture
def companion(tmp_path):
    def run(*arguments):
        return subprocess.run(
            [COMPANION, *map(str, arguments)],
            capture_output=True,
            text=True,
            check=False,
            env=os.environ
            | {"XDG_DATA_HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path)},
        )

    return run


@pytest.fixture
def recording(tmp_path):
    path = tmp_path / "short.nmea"
    path.write_bytes(SHORT)
    return path


@pytest.mark.parametrize("name", ["", *commands.commands])
def test_help_begins_with_an_example_and_ends_with_the_cautions(companion, name):
    result = companion(*name.split(), "--help")
    assert result.returncode == OK
    assert result.stdout.startswith(f"Example: companion {name}".rstrip())
    assert "Not for navigation" in result.stdout


HEAVY = {
    "numpy",
    "scipy",
    "vosk",
    "soundfile",
    "sqlite_utils",
    "starlette",
    "uvicorn",
    "msgspec",
    "asyncio",
}
MOST_MODULES = 200
"""Python with click imports about 120; the commands with all that they need 970."""


TELLS_MODULES = """
import atexit, os, sys
atexit.register(lambda: open(os.environ["MODULES"], "w").write(" ".join(sys.modules)))
sys.argv[0] = "companion"
from companion.cli import main
main()
"""


@pytest.mark.parametrize("typed", ["--help", "--version", "no-such-command", "re\t"])
def test_what_needs_no_command_imports_none(typed, tmp_path):
    """Counted in modules, which does not depend on how busy the machine is."""
    environment = {"MODULES": str(tmp_path / "modules")}
    if typed.endswith("\t"):
        typed = typed.rstrip()
        environment |= {"COMP_WORDS": f"companion {typed}", "COMP_CWORD": "1"}
        environment |= {"_COMPANION_COMPLETE": "bash_complete"}
    result = subprocess.run(
        [sys.executable, "-c", TELLS_MODULES, typed],
        env=os.environ | environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "Traceback" not in result.stderr
    imported = (tmp_path / "modules").read_text().split()
    assert "companion.cli" in imported
    assert HEAVY.isdisjoint(imported)
    assert len(imported) < MOST_MODULES
    if "COMP_WORDS" in environment:
        assert result.stdout.split() == [
            "plain,reach",
            "plain,replay",
            "plain,report",
            "plain,restore",
        ]


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_of_commands_says_each_in_a_line(name):
    assert commands.commands[name].name == name
    assert 10 < len(COMMANDS[name].summary) <= 60


@pytest.mark.parametrize("name", CODES)
def test_every_error_with_an_exit_code_exists(name):
    module, _, kind = name.rpartition(".")
    assert issubclass(getattr(importlib.import_module(module), kind), Exception)


@pytest.fixture
def engine_without_its_library(tmp_path):
    """The speech engine as it is on a system that lacks one of the libraries it is linked with."""
    package = tmp_path / "lame" / "vosk"
    shutil.copytree(Path(importlib.util.find_spec("vosk").origin).parent, package)
    library = package / "libvosk.so"
    library.write_bytes(
        library.read_bytes().replace(b"libstdc++.so.6\0", b"libstdc++.so.0\0")
    )
    return str(package.parent)


def test_without_a_library_of_the_system_one_line_says_so(
    engine_without_its_library, tmp_path
):
    def run(*arguments):
        return subprocess.run(
            [COMPANION, *map(str, arguments)], capture_output=True, text=True, check=False,
            env=os.environ | {"PYTHONPATH": engine_without_its_library, "XDG_CONFIG_HOME": str(tmp_path)},
        )  # fmt: skip

    assert run("--help").returncode == OK
    assert run("reach").returncode == OK
    clip = next((ROOT / "replay_logs" / "invented_saturday" / "clips").glob("*.flac"))
    heard = run("listen", clip)
    assert heard.returncode == DEVICE
    (line,) = [
        line for line in heard.stderr.splitlines() if line.startswith("companion: ")
    ]
    assert "the speech engine cannot be loaded" in line
    assert "libstdc++.so.0: cannot open shared object file" in line
    assert "run hardware/install.sh again" in line
    assert "Traceback" not in heard.stderr


def test_a_file_that_cannot_be_written_is_told_by_its_name(companion, tmp_path):
    path = tmp_path / "nowhere" / "reach.svg"
    result = companion("reach", "--svg", path)
    assert result.returncode == DEVICE
    assert (
        result.stderr.splitlines()[-1]
        == f"companion: {path}: no such file or directory"
    )


MOST_WORDS = {"README.md": 700, "DEVELOPERS.md": 1300}


@pytest.mark.parametrize("page", MOST_WORDS)
def test_the_first_pages_stay_short(page):
    assert len((ROOT / page).read_text().split()) <= MOST_WORDS[page]


def test_the_readme_begins_with_the_job_and_two_commands():
    blocks = README.split("\n\n")
    assert blocks[0].startswith("# ")
    assert blocks[2].startswith("```")
    assert len(blocks[2].splitlines()) == 4
    assert "companion replay replay_logs/" in blocks[2]
    assert "pytest" in blocks[2]


def test_a_log_whose_weeks_rolled_over_gets_its_day_from_its_file(companion, tmp_path):
    """2007-02-17 is what such a receiver tells on 2026-10-03; the same log may as well be of 2007."""

    def days(name: str, written: date) -> tuple[set[str], str]:
        log = tmp_path / name
        log.write_bytes(
            b"".join(
                with_checksum(
                    b"GPRMC,%d,A,3506.0,N,08412.0,W,2.0,0.0,170207,," % (140000 + n)
                )
                for n in range(30)
            )
        )
        at = datetime(*written.timetuple()[:3], 12, tzinfo=UTC).timestamp()
        os.utime(log, (at, at))
        told = companion(
            "replay", log, "--json", "--logbook", tmp_path / f"{name}.db"
        ).stdout
        events = [json.loads(line) for line in told.splitlines()]
        notices = [e["text"] for e in events if "1024 weeks" in e.get("text", "")]
        assert len(notices) == 1
        return {e["utc"][:10] for e in events if e["utc"]}, notices[0]

    early = "recording GP gives the date 2007-02-17"
    put_right = f"{early}; it lags by 1024 weeks, taken as 2026-10-03"
    assert days("a.nmea", date(2026, 10, 3)) == ({"2026-10-03"}, put_right)
    assert days("2026-10-03.nmea", date(2026, 11, 30)) == ({"2026-10-03"}, put_right)
    kept, hint = days("b.nmea", date(2026, 11, 30))
    assert kept == {"2007-02-17"}
    assert hint.startswith(f"{early}, kept as it is")


def test_a_plain_file_is_replayed_and_its_logbook_read(companion, recording, tmp_path):
    replayed = companion(
        "replay", recording, "--json", "--logbook", tmp_path / "book.db"
    )
    assert replayed.returncode == OK
    kinds = [json.loads(line)["event"] for line in replayed.stdout.splitlines()]
    assert kinds == ["trip began", "rod", "match", "trip ended"]
    read = companion("logbook", tmp_path / "book.db", "--all", "--json")
    assert read.stdout == replayed.stdout
    listed = companion("logbook", tmp_path / "book.db")
    assert "short.nmea: 0 logged" in listed.stdout


def test_a_file_without_a_sentence_says_so_when_it_is_replayed(companion, tmp_path):
    notes = tmp_path / "notes.nmea"
    notes.write_text("bring worms\n")
    said = "no sentence in it could be read"
    assert said in companion("replay", notes).stderr
    notes.write_bytes(SHORT)
    assert said not in companion("replay", notes).stderr


def test_a_bar_is_drawn_on_a_terminal_only(companion, recording):
    assert "%" not in companion("replay", recording, "--json").stderr


def test_the_example_config_is_sound(companion, tmp_path):
    example = companion("settings", "--example")
    assert example.returncode == OK
    (tmp_path / "c.toml").write_text(example.stdout)
    checked = companion("settings", tmp_path / "c.toml")
    assert checked.returncode == OK
    assert checked.stdout.startswith("rod 1: wide dorrow on 12 lb fluorocarbon")


def test_phrases_are_those_of_the_rods_aboard(companion):
    every = companion("phrases", "--every").stdout.splitlines()
    assert {"rod three", "line seventeen", "log bite"} <= set(every)
    assert "rod four" not in every
    assert "line N" not in companion("phrases").stdout


def test_reach_shows_every_rod_and_what_if(companion, tmp_path):
    usual = companion("reach", "--json")
    short = companion(
        "reach", "--json", "--cast", "20 yd", "--svg", tmp_path / "reach.svg"
    )
    for one, other in zip(
        json.loads(usual.stdout), json.loads(short.stdout), strict=True
    ):
        assert one["reach"]["low"] < one["reach"]["best"] < one["reach"]["high"]
        assert other["reach"]["best"] < one["reach"]["best"]
    assert (tmp_path / "reach.svg").read_text().startswith("<svg")
    assert (
        "rod"
        in companion("reach", "--line", "nylon 0.33 mm", "--speed", "1 m/s").stdout
    )


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("replay", "nowhere"), USAGE, "no such file or folder"),
        (("replay", "--pace", "0", "x"), USAGE, "Invalid value"),
        (("fly",), USAGE, "No such command"),
        (("logbook", "nowhere.db"), USAGE, "no such logbook"),
        (("reach", "--line", "rope"), USAGE, "expected a material"),
        (
            ("settings", "nowhere.toml"),
            CONFIG,
            "nowhere.toml:1: file: there is no such file",
        ),
        (("listen", "nowhere.flac"), DEVICE, "speech model is not there"),
    ],
)
def test_mistakes_are_told_in_one_line_with_the_right_code(
    companion, arguments, code, words
):
    result = companion(*arguments)
    assert result.returncode == code
    assert words in result.stderr
    assert "Traceback" not in result.stderr


def test_a_backup_goes_where_it_was_meant_to_and_is_never_empty(companion, tmp_path):
    data = tmp_path / "companion"
    empty = companion("backup", tmp_path / "b.zip")
    assert empty.returncode == DATABASE
    assert f"{data}: no logbook and no recordings there to back up" in empty.stderr
    (data / "recordings").mkdir(parents=True)
    unplugged = companion("backup", tmp_path / "stick")
    assert unplugged.returncode == USAGE
    assert "there is no such folder; is the stick plugged in?" in unplugged.stderr
    made = companion("backup", tmp_path / "b.zip")
    assert made.returncode == OK
    assert "the same disk as the logbook" in made.stderr
    assert {path.name for path in tmp_path.iterdir()} == {"companion", "b.zip"}


def test_a_config_mistake_names_file_line_and_nearest_name(
    companion, recording, tmp_path
):
    text = config.example_text().replace('units = "feet"', 'unit = "feet"', 1)
    (tmp_path / "bad.toml").write_text(text)
    result = companion("replay", recording, "--config", tmp_path / "bad.toml")
    assert result.returncode == CONFIG
    assert "bad.toml:4: unit: no such key here" in result.stderr
    assert 'did you mean "units"?' in result.stderr


def test_a_config_without_rods_is_a_config_mistake(companion, recording, tmp_path):
    (tmp_path / "bare.toml").write_text('units = "feet"\n')
    result = companion("replay", recording, "--config", tmp_path / "bare.toml")
    assert result.returncode == CONFIG
    assert "bare.toml:1: rods: no rod is rigged; give at least one" in result.stderr


def test_a_file_that_is_no_logbook_is_told_and_left_alone(
    companion, recording, tmp_path
):
    other = tmp_path / "other.db"
    other.write_bytes(b"this is no database, whatever its name says" * 100)
    result = companion("replay", recording, "--logbook", other)
    assert result.returncode == DATABASE
    assert "other.db" in result.stderr
    assert other.read_bytes().startswith(b"this is no database")


def test_a_missing_port_is_a_device_trouble(companion, recording):
    result = companion("replay", recording, "--port", "/dev/no-such-port")
    assert result.returncode == DEVICE
    assert "/dev/no-such-port" in result.stderr


def test_codes_are_those_documented():
    assert (OK, BUG, USAGE, CONFIG, DEVICE, DATABASE) == (0, 1, 2, 3, 4, 5)


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_every_command_can_print_json(name):
    assert "--json" in [
        option
        for parameter in commands.commands[name].params
        for option in parameter.opts
    ]


def test_settings_and_phrases_as_json(companion):
    settings = json.loads(companion("settings", "--json").stdout)
    assert [rod["spec"]["number"] for rod in settings["rods"]] == [1, 2, 3]
    phrases = json.loads(companion("phrases", "--json").stdout)
    assert any("log bite" in form["wordings"] for form in phrases["phrases"])
    assert "log bite" in json.loads(companion("phrases", "--every", "--json").stdout)


@pytest.mark.parametrize("words", [("replay", "{day}"), ("season", "--rerun", "{day}")])
def test_a_replay_that_cannot_hear_leaves_the_earlier_one_as_it_was(
    companion, tmp_path, words
):
    day = tmp_path / "spoken"
    (day / "clips").mkdir(parents=True)
    (day / "sonar.nmea").write_bytes(SHORT * 20)
    assert companion("replay", day).returncode == OK
    book = tmp_path / "companion" / "replays" / "spoken.db"
    earlier = companion("logbook", book, "--all", "--json").stdout
    assert "trip ended" in earlier
    soundfile.write(
        day / "clips" / "20261003T141500.250Z.flac", np.zeros(16000, np.int16), 16000
    )
    refused = companion(*(word.format(day=day) for word in words))
    assert refused.returncode == DEVICE
    assert "speech model is not there" in refused.stderr
    assert companion("logbook", book, "--all", "--json").stdout == earlier


def test_a_day_whose_words_alone_were_kept_is_replayed_without_the_speech_model(
    companion, tmp_path
):
    day = tmp_path / "told"
    (day / "clips").mkdir(parents=True)
    (day / "sonar.nmea").write_bytes(SHORT * 20)
    heard = Hearing("some talk")
    write_words(day / "clips" / "20261003T141500.250Z.flac", 1200, heard)
    done = companion("replay", day, "--json")
    assert done.returncode == OK
    assert '"text":"some talk"' in done.stdout


def test_a_terminal_without_the_letters_of_a_name_gets_the_others(tmp_path):
    text = config.example_text().replace("wide dorrow", "Größe 🎣")
    (tmp_path / "boat.toml").write_text(text, encoding="utf-8")
    result = subprocess.run(
        (COMPANION, "settings", tmp_path / "boat.toml"),
        env={**os.environ, "PYTHONIOENCODING": "latin-1"},
        capture_output=True,
        check=True,
    )
    assert "rod 1: Größe ? on" in result.stdout.decode("latin-1")
