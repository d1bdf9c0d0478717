"""One trial as it is run: the world goes, words are said, plugs pulled, buttons tapped, all is noted."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path
from typing import NamedTuple

import numpy as np

from companion.voice.clips import read_clip
from companion.voice.model import speech_model
from companion.voice.sound import SAMPLE_RATE_HZ
from tests.bench.reference_bottom import LOGS
from tests.bench.voice.noises import NOISES
from tests.bench.voice.voices import SPEECH_LEVEL, active_level, speak, voices_here
from tests.trial.aboard import COMPANION, Aboard, Throttle, Told
from tests.trial.sound import Air, Ear, Sounded, measured_delay, sound_cards
from tests.trial.wires import Plug, Sensors, free_port
from tests.trial.world import Saying, World, config_text, make_world

TALK = LOGS.parent / "speech" / "talk"
READY_WITHIN_S = 300.0
LOOP_S = 40
GUSTS_S = 7.0
TALK_DB = -5.0
"""How loud others are at the microphone, beside the angler."""
TALK_EVERY_S = 45.0
SETTLING_S = 8.0
"""How long the program is let be after the last of the world, s."""
END_WITHIN_S = 120.0
NOISE_DB = ((0.0, 15.0), (2.0, 12.0), (5.0, 8.0))
"""How far the angler is above the noise, dB, from which speed of the boat on, m/s."""


class Spoken(NamedTuple):
    """A saying as it sounded at the microphone: from when to when, s of the monotonic clock."""

    saying: Saying
    began: float
    ended: float


class Done(NamedTuple):
    """A thing done to the program: when, s of the monotonic clock, and what."""

    t: float
    what: str
    taken: bool = True


@dataclass
class Course:
    """All that happened in one trial."""

    world: World
    throttled: str
    began: float = 0.0
    wall: float = 0.0
    started_in: float = float("nan")
    spoken: list[Spoken] = field(default_factory=list)
    done: list[Done] = field(default_factory=list)
    told: list[Told] = field(default_factory=list)
    sounded: list[Sounded] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    status: int = 0
    left_behind: list[str] = field(default_factory=list)
    logbook: Path = Path()
    first_difference: str = ""
    share: float = float("nan")
    memory: float = float("nan")
    slipped: float = 0.0
    delay: float = 0.0
    talk_s: float = 0.0


def run_trial(
    scenario: str,
    minutes: float,
    throttle: float,
    seed: int,
    folder: Path,
    *,
    gentle: bool = False,
) -> Course:
    """Run a trial in a folder of its own; `gentle` leaves out the faults, the talk of others and loud noise.

    Raises:
        NoSoundError: there are no sound cards to be had.
        ModelError: the speech model is not here.
    """
    world = make_world(scenario, minutes, seed)
    rng = np.random.default_rng([seed, 9])
    voices = voices_here("reporting")
    sounds = [
        speak(voices[n % len(voices)], saying.words)
        for n, saying in enumerate(world.sayings)
    ]
    held = Throttle(throttle)
    course = Course(world, "")
    with sound_cards(folder / "pulse") as environment:
        plug, port, home = Plug(folder / "sonar"), free_port(), folder / "home"
        _write_config(home, plug, port)
        sensors = Sensors(world, plug, port)
        air = Air(environment, _Noise(world, sensors, rng, gentle=gentle))
        ear = Ear(environment, air.own_voice)
        threads = (sensors, air, ear)
        try:
            for thread in threads:
                thread.start()
            course.delay = min(measured_delay(environment, air) for _ in range(3))
            boat = Aboard(home, environment, held)
            course.throttled = held.way
            try:
                _until_ready(boat, course)
                _live(course, boat, plug, sensors, air, sounds, rng, gentle=gentle)
            finally:
                course.share = boat.appetite.share(course.began)
                course.status = boat.stop(END_WITHIN_S)
                course.memory = boat.appetite.most_memory
        finally:
            for part in reversed(threads):
                part.stop()
            if plug.is_in:
                plug.pull()
    course.told, course.errors, course.sounded = boat.told, boat.errors, ear.sounded
    course.left_behind = boat.left_behind()
    course.slipped = max(sensors.latest, air.skipped)
    course.logbook = home / ".local" / "share" / "companion" / "logbook.db"
    course.first_difference = _replayed_otherwise(boat, folder)
    return course


def _write_config(home: Path, plug: Plug, port: int) -> None:
    parts = [
        f'[voice]\nmicrophone = "boatmic"\nspeaker = "boatear"\nmodel = "{speech_model()}"\n',
        "[page]\nport = 0\n",
        f'[[sources]]\nname = "sonar"\nkind = "serial"\ndevice = "{plug.name}"\nbaud = 38400\n',
        f'[[sources]]\nname = "gps"\nkind = "udp"\naddress = "127.0.0.1:{port}"\n',
    ]
    file = home / ".config" / "companion" / "companion.toml"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(config_text(parts))


def _until_ready(boat: Aboard, course: Course) -> None:
    while not boat.has_said("ready"):
        if not boat.is_running or time.monotonic() - boat.began > READY_WITHIN_S:
            raise RuntimeError(f"it is not ready: {boat.errors[-5:]}")
        time.sleep(0.05)
    course.started_in = time.monotonic() - boat.began


def _live(
    course: Course,
    boat: Aboard,
    plug: Plug,
    sensors: Sensors,
    air: Air,
    sounds: list[np.ndarray],
    rng: np.random.Generator,
    *,
    gentle: bool,
) -> None:
    """Let the world go, and live it to its end."""
    world = course.world
    talk = (
        []
        if gentle or not TALK.is_dir()
        else [read_clip(path) for path in sorted(TALK.glob("*.flac"))]
    )
    boat.pair()
    sensors.latest = air.skipped = 0.0
    sensors.go()
    sensors.started.wait()
    course.began = sensors.began
    course.wall = time.time() - (time.monotonic() - sensors.began)
    free = 0.0
    for saying, sound in zip(world.sayings, sounds, strict=True):
        t = max(saying.t, free)
        free = t + len(sound) / SAMPLE_RATE_HZ + 0.8
        air.say(course.began + t - course.delay, sound)
        course.spoken.append(
            Spoken(
                saying, course.began + t, course.began + t + len(sound) / SAMPLE_RATE_HZ
            )
        )
    if talk:
        course.talk_s = _talk(course, air, talk, rng)
    for t, what in _things_to_do(world, gentle=gentle):
        time.sleep(max(course.began + t - time.monotonic(), 0.0))
        course.done.append(_do(what, boat, plug, sensors))
    time.sleep(max(course.began + world.seconds + SETTLING_S - time.monotonic(), 0.0))


def _things_to_do(world: World, *, gentle: bool) -> Iterator[tuple[float, str]]:
    """Yield what is done to the program and when, s of the world: taps, and every ten minutes a plug."""
    busy = [(s.t - 3.0, s.t + 6.0) for s in world.sayings]
    free = [
        t
        for t in np.arange(30.0, world.seconds - 20.0, 1.0)
        if not any(a <= t <= b for a, b in busy)
    ]
    wanted = [
        (120.0 * n + 66.0, ("tap bite", "tap undo"))
        for n in range(int(world.seconds // 120) + 1)
    ]
    plugs = [("pull sonar", "put in sonar"), ("gps off", "gps on")]
    if not gentle:
        wanted += [
            (600.0 * n + 240.0, plugs[n % 2])
            for n in range(int(world.seconds // 600) + 1)
        ]
    found = []
    for about, (first, second) in wanted:
        t = next((t for t in free if t >= about), None)
        if t is not None and t + 15.0 < world.seconds:
            found += [
                (float(t), first),
                (float(t) + (4.0 if first.startswith("tap") else 14.0), second),
            ]
    return iter(sorted(found))


def _do(what: str, boat: Aboard, plug: Plug, sensors: Sensors) -> Done:
    t, taken = time.monotonic(), True
    if what.startswith("tap "):
        taken = boat.tap(what.removeprefix("tap "))
    elif what == "pull sonar":
        plug.pull()
    elif what == "put in sonar":
        plug.put_in()
    else:
        sensors.gps_is_on = what == "gps on"
    return Done(t, what, taken)


def _talk(
    course: Course, air: Air, clips: list[np.ndarray], rng: np.random.Generator
) -> float:
    """Have others talk where the angler does not; return for how long, s."""
    total = 0.0
    t = course.began + 30.0
    while (
        t := t + float(rng.exponential(TALK_EVERY_S))
    ) < course.began + course.world.seconds - 10.0:
        clip = clips[int(rng.integers(len(clips)))]
        seconds = float(rng.uniform(3.0, 7.0))
        if any(
            s.began - 1.0 < t + seconds and s.ended + 1.0 > t for s in course.spoken
        ):
            continue
        at = int(rng.integers(len(clip) - round(seconds * SAMPLE_RATE_HZ)))
        piece = clip[at : at + round(seconds * SAMPLE_RATE_HZ)].astype(float)
        air.say(
            t,
            piece * SPEECH_LEVEL * 10 ** (TALK_DB / 20) / max(active_level(piece), 1.0),
        )
        total += seconds
    return total


class _Noise:
    """The noise of the boat at any moment: wind, waves and a motor in gusts, louder the faster it goes."""

    def __init__(
        self, world: World, sensors: Sensors, rng: np.random.Generator, *, gentle: bool
    ) -> None:
        self._world, self._sensors, self._gentle = world, sensors, gentle
        self._calm = NOISES["mixed"](LOOP_S * SAMPLE_RATE_HZ, rng, "reporting")
        self._fast = NOISES["outboard"](LOOP_S * SAMPLE_RATE_HZ, rng, "reporting")
        self._at = 0
        self._phase = float(rng.uniform(0.0, 6.0))

    def __call__(self, t: float) -> np.ndarray:
        """Return the next 20 ms."""
        speed = self._world.speed_at(t - self._sensors.began)
        decibels = (
            25.0
            if self._gentle
            else next(db for v, db in reversed(NOISE_DB) if speed >= v)
        )
        gust = (
            1.0
            if self._gentle
            else 1.0 + 0.6 * np.sin(t * 6.28 / GUSTS_S + self._phase)
        )
        loop = self._fast if speed > 2.0 else self._calm
        n = SAMPLE_RATE_HZ // 50
        self._at = (self._at + n) % (len(loop) - n)
        return (
            loop[self._at : self._at + n] * SPEECH_LEVEL * 10 ** (-decibels / 20) * gust
        )


def _replayed_otherwise(boat: Aboard, folder: Path) -> str:
    """Return the first event that a replay of the recording tells otherwise; empty when there is none."""
    recordings = boat.home / ".local" / "share" / "companion" / "recordings"
    days = sorted(path.parent for path in recordings.rglob("sonar.nmea"))
    if len(days) != 1:
        return f"{len(days)} recordings, not one"
    command = [
        str(COMPANION),
        "replay",
        str(days[0]),
        "--json",
        "--logbook",
        str(folder / "again.db"),
    ]
    out = subprocess.run(
        command, env=boat.environment, capture_output=True, text=True, check=False
    )
    told, again = (
        [one.event for one in boat.told],
        [json.loads(line) for line in out.stdout.splitlines()],
    )
    for live, then in zip_longest(told, again):
        if live != then:
            return f"live {live}, replayed {then}"
    return "" if out.returncode == 0 else out.stderr[-300:]
