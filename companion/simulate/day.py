"""One invented day: everything that happened, and its folder on disk.

`make_day` draws a whole day from a seed; `InventedDay.write` puts it into a folder, in
the form of a recorded day: `sonar.nmea`, `clips/`, `companion.toml`, and beside them
`truth.json` and a `README.md`.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import numpy as np

from companion import config
from companion.simulate import boat, speech
from companion.simulate.angler import Flaw, Throw, TrueRig, TrueTouch, rig
from companion.simulate.lake import Lake
from companion.simulate.nmea import Faults, Recorder, Span, Written
from companion.simulate.script import Angler, Bite, ScriptedWords, fish, legs, wind
from companion.voice.clips import clip_name, write_clip
from companion.voice.grammar import Grammar, aboard
from companion.voice.sound import Samples

DAY_START = datetime(2026, 10, 3, 14, 15, 0, tzinfo=UTC)
"""When the day begins: an instant we chose."""

DAY_INSTRUMENTS = boat.Instruments()
_STEP = 0.1
_WATER = 17.2
_FLAW = Flaw(lift=0.95, line_drag=1.06, cast=0.97)
_HARD = "heath"  # the name of the voice of the few clips that are meant to be hard
_HARD_SNR = 8.0  # dB


class InventedUtterance(NamedTuple):
    """Something said: when it begins (s), its words, and how it sounds."""

    t: float
    words: str
    voice: str
    snr: float
    under_way: bool


@dataclass(frozen=True)
class InventedDay:
    """An invented day: the recording, what was said, and what was true."""

    seed: int
    recording: Written
    utterances: tuple[InventedUtterance, ...]
    truth: dict[str, Any]

    def write(self, folder: Path) -> None:
        """Write the day's folder; files of an earlier day with these names are replaced.

        Raises:
            speech.NoSynthesizerError: a speech synthesizer is missing.
            OSError: the folder cannot be written.
        """
        clips = folder / "clips"
        clips.mkdir(parents=True, exist_ok=True)
        for old in clips.glob("*.flac"):
            old.unlink()
        (folder / "sonar.nmea").write_bytes(self.recording.data)
        (folder / "companion.toml").write_text(boat_settings(), encoding="utf-8")
        (folder / "truth.json").write_text(_laid_out(self.truth), encoding="utf-8")
        (folder / "README.md").write_text(_read_me(self), encoding="utf-8")
        for number, utterance in enumerate(self.utterances):
            write_clip(clips / clip_name(_utc(utterance.t)), self.sound(number))

    def sound(self, number: int) -> Samples:
        """Return the sound of one of `utterances`, counted from 0."""
        u = self.utterances[number]
        rng = np.random.default_rng([self.seed, 5, number])
        voice = speech.HARD_VOICE if u.voice == _HARD else speech.DEMO_VOICES[u.voice]
        return speech.clip(u.words, voice, u.snr, rng=rng, under_way=u.under_way)


def boat_settings() -> str:
    """Return the text of the invented boat's configuration."""
    return files("companion.simulate").joinpath("demo.toml").read_text(encoding="utf-8")


def make_day(seed: int) -> InventedDay:
    """Return the day of a seed; the same seed gives the same day."""
    lake = Lake(seed)
    scenes = legs(lake)
    begins, now = {}, 0.0
    for scene in scenes:
        begins[scene.name] = now
        now += scene.leg.seconds
    at, out = lake.place("ledge", -60), lake.offset(0.0, 24.0)
    track = boat.sail(
        (at.x + out[0], at.y + out[1]),
        0.0,
        [s.leg for s in scenes],
        wind(lake),
        rng=_rng(seed, 2),
    )
    settings = config.parse(boat_settings(), "demo.toml")
    rigs = {rod.number: rig(rod, _FLAW) for rod in settings.rods}
    angler = Angler(lake, track, rigs, _rng(seed, 3))
    fish(angler, begins)
    faults = Faults(
        depth_lost=_span(begins["fish the ledge"] + 62.0, 60.0),
        gps_void=_span(begins["fish the point"] + 70.0, 20.0),
        gps_silent=_span(begins["fish the point"] + 90.0, 20.0),
        mangled=25,
    )
    readings = boat.read(lake, track, DAY_INSTRUMENTS, _rng(seed, 4))
    recorder = Recorder(
        lake,
        _milliseconds(DAY_START),
        _STEP,
        _WATER,
        DAY_INSTRUMENTS.transducer,
        faults,
    )
    recording = recorder.write(readings, _rng(seed, 6))
    utterances = tuple(_sounding(_spaced(angler.said), track, _rng(seed, 7)))
    truth = _truth(angler, utterances, settings, faults, recording)
    return InventedDay(seed, recording, utterances, truth)


def _rng(seed: int, use: int) -> np.random.Generator:
    return np.random.default_rng([seed, use])


def _span(begin: float, seconds: float) -> Span:
    return Span(begin, begin + seconds)


def _milliseconds(utc: datetime) -> int:
    return round(utc.timestamp() * 1000)


def _utc(t: float) -> datetime:
    return DAY_START + timedelta(milliseconds=round(1000 * t))


# -- speech -----------------------------------------------------------------------------------------


def _spaced(said: list[ScriptedWords]) -> Iterator[ScriptedWords]:
    """Yield what was said in order, later where one would talk over another."""
    free = 0.0
    for t, words in sorted(said):
        begin = round(max(t, free), 3)
        yield ScriptedWords(begin, words)
        free = (
            begin + 2 * speech.SILENCE_AROUND_WORDS_S + 0.9 + 0.42 * len(words.split())
        )


def _sounding(
    said: Iterator[ScriptedWords], track: boat.BoatTrack, rng: np.random.Generator
) -> Iterator[InventedUtterance]:
    """Give each utterance its voice, in turn, and noise at 12 to 20 dB; one in thirty is a hard one."""
    turns = deque(speech.DEMO_VOICES.items())
    for number, (t, words) in enumerate(said):
        snr = round(float(rng.uniform(12.0, 20.0)), 1)
        under_way = bool(np.interp(t, track.t, track.speed) > 0.1)
        if number % 30 == 20:
            yield InventedUtterance(t, words, _HARD, _HARD_SNR, under_way)
            continue
        name = next(
            name
            for name, voice in turns
            if not any(part in words for part in voice.avoids)
        )
        turns.rotate(-1)
        yield InventedUtterance(t, words, name, snr, under_way)


# -- truth ------------------------------------------------------------------------------------------


def _truth(
    angler: Angler,
    utterances: tuple[InventedUtterance, ...],
    settings: config.Settings,
    faults: Faults,
    recording: Written,
) -> dict[str, Any]:
    lake = angler.lake
    return {
        "invented": "every place, boat, word and fish in here is made up by companion.simulate",
        "lake": {
            "seed": lake.seed,
            "latitude": lake.plane.latitude,
            "longitude": lake.plane.longitude,
        },
        "start": DAY_START.isoformat(timespec="milliseconds"),
        "instruments": asdict(DAY_INSTRUMENTS),
        "faults": {
            name: list(getattr(faults, name))
            for name in ("depth_lost", "gps_void", "gps_silent")
        }
        | {"on the wire": dict(recording.faults)},
        "sentences": recording.sentences,
        "rods": [_rod(r) for r in angler.rigs.values()],
        "utterances": _said(utterances, Grammar(aboard(settings))),
        "casts": [
            _cast(lake, number, cast, angler.bites.get(number))
            for number, cast in enumerate(angler.throws, 1)
        ],
    }


def _said(
    utterances: tuple[InventedUtterance, ...], grammar: Grammar
) -> list[dict[str, Any]]:
    """Return what was said; `command` is what should be made of it, None for talk that is no command."""
    return [
        {
            "t": u.t,
            "utc": _utc(u.t).isoformat(timespec="milliseconds"),
            "clip": clip_name(_utc(u.t)),
            "words": u.words,
            "command": msgspec.to_builtins(grammar.parse(u.words)),
            "voice": u.voice,
            "snr": u.snr,
            "motor": u.under_way,
        }
        for u in utterances
    ]


def _rod(rigged: TrueRig) -> dict[str, Any]:
    return {
        "number": rigged.number,
        "line": asdict(rigged.line),
        "lure": asdict(rigged.lure),
        "retrieve": asdict(rigged.retrieve),
    }


def _cast(lake: Lake, number: int, cast: Throw, bite: Bite | None) -> dict[str, Any]:
    """One cast: `way` holds time (s), latitude, longitude and depth (m) of the lure, once a second."""
    seconds = np.arange(cast.landed, cast.ended, 1.0)
    return {
        "number": number,
        "rod": cast.rod,
        "landed": round(cast.landed, 3),
        "ended": round(cast.ended, 3),
        "bearing": round(cast.bearing, 1),
        "length": round(cast.length, 2),
        "deepest": round(float(cast.z.max()), 2),
        "way": [[round(float(t), 2), *_fix(lake, *cast.at(float(t)))] for t in seconds],
        "touches": [_touch(lake, touch) for touch in cast.touches],
        "bite": None
        if bite is None
        else {
            "t": round(bite.t, 3),
            "lure": _fix(lake, *cast.at(bite.t)),
            "outcome": bite.outcome,
        },
    }


def _touch(lake: Lake, touch: TrueTouch) -> dict[str, Any]:
    return {
        "t": round(touch.t, 2),
        "until": round(touch.until, 2),
        "lure": _fix(lake, touch.x, touch.y, touch.depth),
        "met": touch.met,
    }


def _fix(lake: Lake, x: float, y: float, depth: float) -> list[float]:
    latitude, longitude = lake.plane.to_degrees(x, y)
    return [round(float(latitude), 7), round(float(longitude), 7), round(depth, 2)]


def _laid_out(truth: dict[str, Any]) -> str:
    """Return the truth as JSON with one line for each thing in its lists, fit to read and to compare."""
    parts = []
    for key, value in truth.items():
        if isinstance(value, list):
            rows = ",\n    ".join(json.dumps(item) for item in value)
            parts.append(f"  {json.dumps(key)}: [\n    {rows}\n  ]")
        else:
            parts.append(f"  {json.dumps(key)}: {json.dumps(value)}")
    return "{\n" + ",\n".join(parts) + "\n}\n"


def _read_me(day: InventedDay) -> str:
    commands = sum(said["command"] is not None for said in day.truth["utterances"])
    minutes = float(day.truth["casts"][-1]["ended"]) / 60
    return (
        files("companion.simulate")
        .joinpath("day_readme.md")
        .read_text(encoding="utf-8")
        .format(
            seed=day.seed,
            minutes=round(minutes),
            sentences=day.recording.sentences,
            utterances=len(day.utterances),
            commands=commands,
            talk=len(day.utterances) - commands,
            casts=len(day.truth["casts"]),
            touches=sum(len(cast["touches"]) for cast in day.truth["casts"]),
            voices=len(speech.DEMO_VOICES) + 1,
        )
    )
