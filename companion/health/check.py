"""Every part of the companion tried, each with a verdict and, unless it passed, one thing to do about it."""

from __future__ import annotations

import contextlib
import itertools
import os
import re
import shutil
from collections.abc import Iterator
from datetime import datetime
from importlib.resources import as_file, files
from pathlib import Path

import msgspec
import numpy as np

from companion.clock import Clock, wall_clock
from companion.config import ConfiguredSource, Settings
from companion.health.board import board_findings
from companion.health.findings import Finding
from companion.health.hearing import HeardSource, listen_to
from companion.record.logbook import Logbook
from companion.record.tables import LogbookError
from companion.sensing import OLDEST_LIVE, BoatState, Chunk, Sensing, SourceSettings
from companion.sensing.datum import Network
from companion.sensing.folding import BELOW_KEEL, TWO_DEPTHS
from companion.sensing.readings import Warned
from companion.sensing.tells import quantity_told, rates_in_words
from companion.units import Units
from companion.voice import own_voice
from companion.voice.button import ButtonError, push_to_talk
from companion.voice.engine import EngineError
from companion.voice.grammar import Grammar, aboard
from companion.voice.microphone import MicrophoneError, microphone_frames
from companion.voice.model import (
    CONTENTS_SHA256,
    INSTALL_COMMAND,
    ModelError,
    contents_sha256,
    speech_model,
)
from companion.voice.own_voice import OwnVoiceError
from companion.voice.recogniser import Recogniser, for_grammar
from companion.voice.sound import FRAMES_A_SECOND
from companion.voice.speaker import Speaker, SpeakerError

LISTEN_S = 6.0
"""How long the sources are listened to, s: three times the slowest rate there is."""
MICROPHONE_LISTEN_S = 2.0
"""How long the microphone is listened to, s."""
TOO_LOUD, TOO_QUIET = -12.0, -75.0
"""Level of a room that is not spoken in, dB of full scale, beyond which the gain looks wrong."""
CLOCK_OFF = 60.0
"""Difference between the computer's clock and the GPS that is worth a warning, s."""
_SILENT_NETWORKS: dict[Network, tuple[str, str]] = {
    "nmea2000": (
        "opened, and no frame that is read",
        "check that the bus has power and a sonar, and in the gateway that it sends RAW or ASCII text",
    ),
    "signalk": (
        "a server, and nothing of this boat from it",
        "see in its data browser whether it has environment.depth and navigation.position",
    ),
    "gpsd": (
        "a server, and no position from it",
        "see with `gpsmon` whether gpsd has found the receiver",
    ),
}
"""What is wrong when a network answers and tells nothing, and what to do."""
CAN_OF_KERNEL = Path("/proc/net/can")
"""There while the kernel has its driver for CAN loaded."""
NO_ROOM = 100_000_000
"""Bytes free below which the logbook itself is in danger."""


def check(
    settings: Settings,
    data: Path,
    clock: Clock,
    *,
    aloud: bool = True,
    seconds: float = LISTEN_S,
) -> Iterator[Finding]:
    """Try every part, and yield what came of each as soon as it is known.

    Args:
        settings: the boat.
        data: the folder of logbook and recordings.
        clock: for how long to listen.
        aloud: whether the speaker may be heard.
        seconds: how long to listen to the sources.
    """
    heard = Wires(settings, clock, seconds)
    yield from heard.findings()
    yield from _microphone(settings)
    model, finding = _model(settings)
    yield finding
    yield _recogniser(settings, model)
    yield from _own_voice(settings)
    yield _speaker(settings, aloud=aloud)
    if settings.voice.button is not None:
        yield _button(settings.voice.button)
    yield _folder(data)
    yield _logbook(data / "logbook.db")
    yield _disk(settings, data)
    yield _clock(heard.utc, heard.until)
    yield from board_findings()


class Wires:
    """All sources listened to at once.

    Attributes:
        utc: the last that the GPS told; None where it told none.
        until: what the computer took for UTC then, at the end of the listening.
    """

    def __init__(self, settings: Settings, clock: Clock, seconds: float) -> None:
        self.utc: datetime | None = None
        self._settings = settings
        self._units = Units(settings.units)
        self._seconds = seconds
        self._heard = listen_to(
            [one for one in settings.sources if one.kind != "file"], clock, seconds
        )
        self.until = wall_clock()
        self._sensing = Sensing(
            {s.name: s.settings() for s in settings.sources}, settings.boat.offsets()
        )
        self._boat = BoatState(t=0.0)
        self._warned: list[str] = []
        self._fold()

    def findings(self) -> Iterator[Finding]:
        """Yield one finding for each source, and of depth and position what the sources' do not tell."""
        if not self._heard:
            yield Finding(
                "sources",
                "skipped",
                "none in the config",
                "describe one under [[sources]]",
            )
        of_sources = [self._source(heard) for heard in self._heard]
        yield from of_sources
        failed = any(finding.verdict == "fail" for finding in of_sources)
        yield from self._depth(failed=failed)
        yield from self._position(failed=failed)

    def _fold(self) -> None:
        for chunk in sorted(
            itertools.chain(*(heard.chunks for heard in self._heard)), key=lambda c: c.t
        ):
            for t, reading in self._sensing.feed(chunk):
                if isinstance(reading, Warned):
                    self._warned.append(reading.text)
                state = self._sensing.boat(t)
                known = {
                    k: v
                    for k in state.__struct_fields__
                    if (v := getattr(state, k)) is not None
                }
                self._boat = msgspec.structs.replace(self._boat, **known)
                self.utc = self._sensing.utc(t)

    def _source(self, heard: HeardSource) -> Finding:
        part = f"source {heard.source.name}"
        if heard.trouble is not None:
            return Finding(part, "fail", heard.trouble, _remedy_for_port(heard.source))
        if not heard.chunks:
            return Finding(
                part,
                "fail",
                "opened, and nothing came",
                _remedy_for_silence(heard.source),
            )
        one = heard.sensing
        if not one.counts and heard.source.network is not None:
            return Finding(part, "fail", *_SILENT_NETWORKS[heard.source.network])
        if not one.counts:
            return Finding(part, "fail", *_no_sentence(heard.chunks))
        rates = rates_in_words(one.counts, self._seconds)
        bad = one.dropped["wrong checksum"] + one.dropped["cut short"]
        if bad > 0.1 * sum(one.counts.values()):
            return Finding(
                part,
                "warn",
                f"{rates}; {bad} damaged",
                "check plugs and the baud in the config",
            )
        return Finding(part, "pass", rates)

    def _depth(self, *, failed: bool) -> Iterator[Finding]:
        part, depth = "depth", self._boat.depth
        two = next((text for text in self._warned if text.startswith(TWO_DEPTHS)), None)
        if two is not None:
            yield Finding(
                part, "warn", two, "switch the wrong one off, or see their offsets"
            )
        elif depth is not None:
            yield Finding(part, "pass", self._units.depth(depth))
        elif self._sensing.dropped[BELOW_KEEL]:
            yield Finding(
                part, "warn", "told below the keel", "give keel_depth under [boat]"
            )
        elif self._came("depth"):
            yield Finding(
                part, "warn", "sentences without a depth", "is the boat in the water?"
            )
        else:
            yield from self._none_came(part, "DPT or DBT", failed=failed)

    def _position(self, *, failed: bool) -> Iterator[Finding]:
        part = "position"
        if self._boat.lat is not None:
            yield Finding(part, "pass", "a fix")
        elif self._came("position"):
            yield Finding(part, "warn", "no fix", "give the GPS a view of the sky")
        else:
            yield from self._none_came(part, "RMC or GGA", failed=failed)

    def _came(self, quantity: str) -> bool:
        counts = (address for heard in self._heard for address in heard.sensing.counts)
        return any(quantity_told(address) == quantity for address in counts)

    def _none_came(
        self, part: str, sentences: str, *, failed: bool
    ) -> Iterator[Finding]:
        """Yield that nothing told of this, unless a source that failed has said why."""
        if not self._heard:
            yield Finding(part, "skipped", "no source", "see the sources")
        elif not failed:
            yield Finding(
                part,
                "warn",
                "no sentence tells it",
                f"switch {sentences} on in the output of sonar or GPS",
            )


def _no_sentence(chunks: list[Chunk]) -> tuple[str, str]:
    """Return why bytes made no sentence, and what to do."""
    unchecked = Sensing(
        {chunk.source: SourceSettings(need_checksum=False) for chunk in chunks}
    )
    for chunk in chunks:
        for _ in unchecked.feed(chunk):
            pass
    if any(re.fullmatch("[A-Z]{5}", address) for address in unchecked.counts):
        return "sentences without checksums", (
            "switch them on in the sonar; else set `need_checksum = false` for it, and damage passes too"
        )
    return (
        "bytes, but no sentence",
        "check the baud in the config; perhaps A and B are swapped",
    )


def _remedy_for_silence(source: ConfiguredSource) -> str:
    if source.network is not None:
        return _SILENT_NETWORKS[source.network][1]
    if source.kind == "serial":
        return "check its power, the wires A and B, and that NMEA 0183 output is switched on"
    return "check that its NMEA 0183 output is switched on, and sent to this address and port"


def _remedy_for_port(source: ConfiguredSource) -> str:
    if source.kind == "can":
        name = source.device or "can0"
        if not CAN_OF_KERNEL.exists():
            return "sudo modprobe can_raw; without one take a gateway at a USB socket"
        return f"sudo ip link set {name} up type can bitrate 250000; `ip link` lists what is there"
    if source.kind != "serial":
        return "check its address in the config, and that it is switched on"
    device = Path(source.device or "")
    if not device.exists():
        return "plug it in; `ls /dev/serial/by-id` lists what is there"
    if not os.access(device, os.R_OK | os.W_OK):
        return "join the group of the port: sudo usermod -aG dialout $USER, then log in again"
    return "if the companion is running, stop it first: sudo systemctl stop companion"


def _microphone(settings: Settings) -> Iterator[Finding]:
    part, name = "microphone", settings.voice.microphone
    if name == "none":
        yield Finding(
            part,
            "skipped",
            "none in the config",
            "name one under [voice] if there is one",
        )
        return
    try:
        with contextlib.closing(microphone_frames(name)) as frames:
            sound = np.concatenate(
                list(
                    itertools.islice(
                        frames, round(MICROPHONE_LISTEN_S * FRAMES_A_SECOND)
                    )
                )
            )
    except (MicrophoneError, OSError, ValueError) as error:
        yield Finding(
            part,
            "fail",
            str(error),
            "choose one that `arecord -L` lists, under [voice]",
        )
        return
    yield level_finding(sound)


def level_finding(sound: np.ndarray[tuple[int], np.dtype[np.int16]]) -> Finding:
    """Return what the level of a room's sound says of its microphone; full scale is 32768."""
    power = float(np.mean(np.square(sound, dtype=np.float64)))
    if power == 0.0:
        return Finding(
            "microphone",
            "fail",
            "exact silence",
            "check its plug, and that it is not muted",
        )
    level = 10.0 * np.log10(power / 32768.0**2)
    seen = f"{level:.0f} dB of full scale"
    if level > TOO_LOUD:
        return Finding(
            "microphone", "warn", seen + ", too loud", "turn its gain down in alsamixer"
        )
    if level < TOO_QUIET:
        return Finding(
            "microphone", "warn", seen + ", very quiet", "turn its gain up in alsamixer"
        )
    return Finding("microphone", "pass", seen)


def _model(settings: Settings) -> tuple[Path | None, Finding]:
    part = "speech model"
    chosen = settings.voice.model
    try:
        folder = speech_model(Path(chosen) if chosen else None)
        digest = contents_sha256(folder)
    except (ModelError, OSError) as error:
        return None, Finding(part, "fail", str(error), f"fetch it: {INSTALL_COMMAND}")
    if digest == CONTENTS_SHA256:
        return folder, Finding(part, "pass", f"whole, SHA-256 {digest[:12]}")
    if chosen:
        return folder, Finding(
            part, "warn", "not the one we know", "nothing, if you chose it on purpose"
        )
    return None, Finding(
        part,
        "fail",
        "its files have changed",
        f"remove {folder}, then fetch it: {INSTALL_COMMAND}",
    )


def _recogniser(settings: Settings, model: Path | None) -> Finding:
    part = "recogniser"
    if model is None:
        return Finding(part, "skipped", "no speech model", "see the speech model")
    boat = aboard(settings)
    try:
        recogniser = for_grammar(model, Grammar(msgspec.structs.replace(boat, wake="")))
        with as_file(files("companion.voice").joinpath("how_deep.flac")) as clip:
            text = recogniser.hear_clip(clip).text
    except EngineError as error:
        return Finding(part, "fail", error.what, error.remedy)
    except ModelError as error:
        return Finding(
            part, "fail", str(error), f"fetch the model again: {INSTALL_COMMAND}"
        )
    return _heard(recogniser, text, boat.wake)


def _heard(recogniser: Recogniser, text: str, wake: str) -> Finding:
    """Return what a recogniser is worth that heard `text` in the built-in phrase."""
    part, other = "recogniser", "use the model that the installer fetches"
    if unknown := recogniser.unknown_words([wake]):
        return Finding(
            part,
            "fail",
            f"the speech model does not know {', '.join(unknown)}, so no command is heard",
            "choose other wake words under [voice]",
        )
    if text != "how deep":
        return Finding(part, "fail", f'heard "{text}" for "how deep"', other)
    if recogniser.phrase_scorer is None:
        return Finding(
            part,
            "warn",
            f'heard "{text}", by the words alone: the model is of another make',
            other,
        )
    return Finding(part, "pass", f'heard "{text}" in the built-in phrase')


def _own_voice(settings: Settings) -> Iterator[Finding]:
    """Yield what was learned of who speaks; nothing where nothing was."""
    part, remedy = "own voice", "read the phrases again: companion listen --test"
    try:
        voice = own_voice.kept()
    except OwnVoiceError as error:
        yield Finding(part, "warn", str(error), remedy)
        return
    if voice is None:
        return
    if voice.microphone != settings.voice.microphone:
        yield Finding(
            part, "warn", f"learned with {voice.microphone}: not used", remedy
        )
        return
    gain = (
        f"{voice.then} of {voice.read} phrases understood instead of {voice.understood}"
    )
    yield Finding(part, "pass", f"learned on {voice.utc[:10]}: {gain}")


def _speaker(settings: Settings, *, aloud: bool) -> Finding:
    part, name = "speaker", settings.voice.speaker
    if name == "none":
        return Finding(
            part,
            "skipped",
            "none in the config",
            "name one under [voice] if there is one",
        )
    if not aloud:
        return Finding(
            part, "skipped", "asked to be quiet", "run the check without --quiet"
        )
    troubles: list[str] = []
    try:
        with Speaker(name, trouble=troubles.append) as speaker:
            speaker.say("companion check")
    except SpeakerError as error:
        troubles.append(str(error))
    if troubles:
        return Finding(
            part, "fail", troubles[0], "choose one that `aplay -L` lists, under [voice]"
        )
    return Finding(part, "pass", 'said "companion check"; did you hear it?')


def _button(pin: int) -> Finding:
    try:
        held = push_to_talk(pin)(0.0)
    except ButtonError as error:
        return Finding("button", "fail", error.what, error.remedy)
    if not held:
        return Finding("button", "pass", "not held")
    return Finding("button", "pass", "held")


def _folder(data: Path) -> Finding:
    part = "permissions"
    trial = data / ".trial"
    try:
        data.mkdir(parents=True, exist_ok=True)
        trial.write_bytes(b"x")
        trial.unlink()
    except OSError as error:
        return Finding(
            part, "fail", f"{data}: {error.strerror}", f"sudo chown -R $USER {data}"
        )
    return Finding(part, "pass", f"{data} can be written")


def _logbook(path: Path) -> Finding:
    part = "logbook"
    if not path.exists():
        return Finding(part, "pass", "none yet; the first trip begins it")
    salvage = f"move it aside, then: companion restore --salvage {path.name}"
    try:
        with Logbook(path) as book:
            faults, trips = book.tables.faults(), len(book.trips())
    except LogbookError as error:
        remedy = error.remedy
        if error.damaged:
            remedy = salvage
        return Finding(part, "fail", error.what, remedy)
    if faults:
        return Finding(part, "fail", faults[0], salvage)
    return Finding(part, "pass", f"sound, {trips} trips")


def _disk(settings: Settings, data: Path) -> Finding:
    part = "disk"
    try:
        free = shutil.disk_usage(data).free
    except OSError as error:
        return Finding(part, "skipped", str(error), "see the permissions")
    seen = f"{free / 1e9:.1f} GB free"
    if free < NO_ROOM:
        return Finding(part, "fail", seen, "free some space")
    if free < settings.recordings.keep_free:
        return Finding(
            part,
            "warn",
            seen + ", less than keep_free",
            "old recordings will go; back them up",
        )
    return Finding(part, "pass", seen)


def _spell(seconds: float) -> str:
    """Return how long something is in the largest unit that tells it."""
    for unit, length in (("days", 86_400.0), ("hours", 3_600.0), ("minutes", 60.0)):
        if seconds >= 2.0 * length:
            return f"{seconds / length:.0f} {unit}"
    return f"{seconds:.0f} s"


def _clock(gps: datetime | None, now: datetime) -> Finding:
    """Return how the computer's clock stood, `now`, beside the GPS."""
    part = "clock"
    if now.date() < OLDEST_LIVE:
        return Finding(
            part,
            "warn",
            f"not set ({now:%Y-%m-%d})",
            "give it a network or a clock battery",
        )
    if gps is None:
        return Finding(
            part, "pass", f"{now:%Y-%m-%d %H:%M} UTC, no GPS time to compare with"
        )
    off = abs((gps - now).total_seconds())
    if off > CLOCK_OFF:
        return Finding(
            part,
            "warn",
            f"{_spell(off)} from GPS time",
            "give it a network or a clock battery",
        )
    return Finding(part, "pass", "agrees with GPS time")
