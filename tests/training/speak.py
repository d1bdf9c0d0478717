"""Speak the training texts: FOLDER/texts.tsv to FOLDER/speech-PROGRAM.npz, on every core.

Example: python -m tests.training.speak FOLDER espeak-ng flite festival
"""

from __future__ import annotations

import io
import multiprocessing
import os
import subprocess
import sys
import tempfile
import wave
from pathlib import Path
from typing import NamedTuple

import numpy as np

from companion.voice.sound import RATE, Samples

LEVEL = 2500.0


class Line(NamedTuple):
    """What one voice says: pace in words a minute, pitch of 99, and the sounds of the words."""

    voice: str
    pace: int
    pitch: int
    words: str
    sounds: str

    @property
    def program(self) -> str:
        """The synthesizer that speaks it."""
        return self.voice.split()[0] if " " in self.voice else "espeak-ng"


def lines_in(folder: Path, program: str) -> list[Line]:
    """Return what a program is to say."""
    rows = (row.split("\t") for row in (folder / "texts.tsv").read_text().splitlines())
    lines = (Line(v, int(pace), int(pitch), words, sounds) for v, pace, pitch, words, sounds in rows)
    return [line for line in lines if line.program == program]


def speak(line: Line) -> Samples:
    """Return a line spoken, at `RATE`; nothing where the synthesizer fails."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        done = subprocess.run(_command(line, path), capture_output=True, check=False)
        if done.returncode or not path.exists():
            return np.zeros(0, np.int16)
        return _levelled(path.read_bytes())


def _command(line: Line, path: Path) -> list[str]:
    name, stretch = line.voice.split()[-1], f"{150 / line.pace:.2f}"
    if line.program == "espeak-ng":
        pitch = ["-p", str(line.pitch), "-s", str(line.pace)]
        return ["espeak-ng", "-v", line.voice, *pitch, "-w", str(path), line.words]
    if line.program == "flite":
        return [
            "flite",
            "-voice",
            name,
            "--setf",
            f"duration_stretch={stretch}",
            "-t",
            line.words,
            "-o",
            str(path),
        ]
    script = (
        f"(begin (voice_{name}) (Parameter.set 'Duration_Stretch {stretch}) "
        f'(utt.save.wave (utt.synth (Utterance Text "{line.words}")) "{path}"))'
    )
    return ["festival", "-b", script]


def _levelled(wav: bytes) -> Samples:
    with wave.open(io.BytesIO(wav)) as file:
        rate = file.getframerate()
        sound = np.frombuffer(file.readframes(file.getnframes()), np.int16).astype(float)
    loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max(initial=1.0))
    if not len(loud):
        return np.zeros(0, np.int16)
    sound = sound[loud[0] : loud[-1] + 1]
    count = round(len(sound) * RATE / rate)
    sound = np.fft.irfft(np.fft.rfft(sound)[: count // 2 + 1], count)
    power = np.mean(sound[: count // 320 * 320].reshape(-1, 320) ** 2, axis=1)
    sound *= LEVEL / np.sqrt(np.mean(power[power >= power.max() / 10**2.5]))
    return np.clip(np.rint(sound), -32768, 32767).astype(np.int16)


def main() -> None:
    """Speak what each named program is to say."""
    folder = Path(sys.argv[1])
    for program in sys.argv[2:]:
        lines = lines_in(folder, program)
        with multiprocessing.Pool(os.cpu_count()) as pool:
            spoken = pool.map(speak, lines, chunksize=32)
        kept = [(line, sound) for line, sound in zip(lines, spoken, strict=True) if len(sound) > RATE // 5]
        np.savez(
            folder / f"speech-{program}.npz",
            samples=np.concatenate([sound for _, sound in kept]),
            lengths=np.array([len(sound) for _, sound in kept]),
            sounds=np.array([line.sounds for line, _ in kept]),
        )
        hours = sum(len(sound) for _, sound in kept) / RATE / 3600
        print(f"{program}: {len(kept)} of {len(lines)} texts, {hours:.1f} h", flush=True)


if __name__ == "__main__":
    main()
