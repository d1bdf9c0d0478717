"""Speak the training texts: FOLDER/texts.tsv to FOLDER/speech-PROGRAM.npz, on every core.

Example: python -m tests.training.speak FOLDER espeak-ng flite festival kokoro pico
"""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np

from companion.voice.clips import ClipError, read_clip
from companion.voice.sound import SAMPLE_RATE_HZ, Samples
from tests.bench.voice.synthesizers import Voice, synthesize
from tests.bench.voice.voices import cut_tight


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

    @property
    def speaker(self) -> Voice:
        """The voice of that synthesizer."""
        stretched = self.program in ("flite", "festival")
        return Voice(
            self.program,
            self.voice.split()[-1],
            150 / self.pace if stretched else self.pace,
            self.pitch,
        )


def lines_in(folder: Path, program: str) -> list[Line]:
    """Return what a program is to say."""
    rows = (row.split("\t") for row in (folder / "texts.tsv").read_text().splitlines())
    lines = (
        Line(v, int(pace), int(pitch), words, sounds)
        for v, pace, pitch, words, sounds in rows
    )
    return [line for line in lines if line.program == program]


def speak(line: Line) -> Samples:
    """Return a line spoken, at `SAMPLE_RATE_HZ`; nothing where the synthesizer fails."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        try:
            synthesize(line.speaker, line.words, path)
            said = read_clip(path)
        except (subprocess.CalledProcessError, ClipError):
            said = np.zeros(0, np.int16)
    if not said.any():
        return said[:0]
    return np.clip(np.rint(cut_tight(said)), -32768, 32767).astype(np.int16)


def main() -> None:
    """Speak what each named program is to say."""
    folder = Path(sys.argv[1])
    for program in sys.argv[2:]:
        lines = lines_in(folder, program)
        with multiprocessing.Pool(os.cpu_count()) as pool:
            spoken = pool.map(speak, lines, chunksize=8)
        kept = [
            (line, sound)
            for line, sound in zip(lines, spoken, strict=True)
            if len(sound) > SAMPLE_RATE_HZ // 5
        ]
        np.savez(
            folder / f"speech-{program}.npz",
            samples=np.concatenate([sound for _, sound in kept]),
            lengths=np.array([len(sound) for _, sound in kept]),
            sounds=np.array([line.sounds for line, _ in kept]),
        )
        hours = sum(len(sound) for _, sound in kept) / SAMPLE_RATE_HZ / 3600
        print(
            f"{program}: {len(kept)} of {len(lines)} texts, {hours:.1f} h", flush=True
        )


if __name__ == "__main__":
    main()
