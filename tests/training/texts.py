"""What the generated voices say for training: commands, talk made of common words, and both mixed.

Example: python -m tests.training.texts 36000 FOLDER

Writes FOLDER/texts.tsv (voice, pace, pitch, words, sounds) and FOLDER/sounds.tsv (word,
sounds). The sounds of a word are those of flite's lexicon (Debian's flite), in the 39
of ARPAbet. None of the voices of `tests.bench.voice` speaks here, of kokoro only those
that are meant for English: the others are kept for choosing settings and for reporting
figures, with an accent.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np

from companion.voice.grammar import Aboard, Grammar
from companion.voice.model import COMMON_WORDS_FILE, speech_model
from tests.bench.voice.synthesizers import kokoro_voices
from tests.bench.voice.voices import job_phrases

ACCENTS = (
    "en-us",
    "en-us",
    "en-us",
    "en-gb",
    "en-gb-scotland",
    "en-gb-x-gbcwmd",
    "en-029",
    "en-us-nyc",
)
"""Of espeak-ng; the two others it has are kept for reporting."""
_NAMES = """
    f3 m5 m8 Alex Alicia Andrea Andy Annie Denis Diogo Gene Gene2 Henrique Hugo Jacky Lee Marco
    Mario Michael Mike adam anika antonio aunty belinda benjamin boris caleb david ed edward edward2
    grandma grandpa gustave iven iven2 iven3 john kaukovalta klatt klatt2 klatt3 klatt4 linda
    marcelo max michel miguel norbert pablo paul pedro quincy rob robert sandro shelby steph steph2
    steph3 travis victor zac
"""
SPEAKERS = _NAMES.split()
"""Speakers of espeak-ng: all that sound like people and are not in `tests.bench.voice`."""
SPOKEN_BY = {
    "espeak-ng": [f"{accent}+{speaker}" for accent in ACCENTS for speaker in SPEAKERS],
    "flite": ["flite awb"],
    "festival": ["festival ked_diphone"],
    "pico": ["pico en-US", "pico en-GB"],
}
"""The voices of each synthesizer but kokoro, whose voices are files."""
TEXTS = {
    "espeak-ng": 0.58,
    "flite": 0.05,
    "festival": 0.01,
    "pico": 0.07,
    "kokoro": 0.29,
}
"""How many of the texts each synthesizer speaks; how often they are heard in training is another matter."""
BLENDED = 0.3
"""How many of the voices of kokoro are half one and half another."""
EVERY = 99
"""More wordings than any command has."""
WAKE = {"kitchen", "ticket"}
"""Words that no text holds but that have to have their sounds: those of the example configuration."""
ALIKE = {
    "ax": "ah",
    "axr": "er",
    "ix": "ih",
    "el": "l",
    "em": "m",
    "en": "n",
    "dx": "t",
    "nx": "n",
}
"""Sounds of flite that ARPAbet's 39 have no sign of their own for."""


def sounds_of(word: str) -> str:
    """Return the sounds of a word, as flite would say it alone."""
    said = subprocess.run(
        ["flite", "-voice", "kal16", "-ps", "-o", "none", "-t", word],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    return " ".join(ALIKE.get(sound, sound) for sound in said.split() if sound != "pau")


def commands(count: int, rng: np.random.Generator) -> list[str]:
    """Return phrases drawn evenly over the commands and their wordings, in several boats' grammars."""
    boats = [
        Grammar(Aboard((1, 2, 3, 4), (12, 14, 17, 20))),
        Grammar(Aboard((1, 2, 3, 5, 6), (8, 10, 15, 16, 25))),
        Grammar(Aboard((7, 8, 9), (6, 9, 11, 30, 40))),
    ]
    each = [
        job_phrases(boat, -(-count // len(boats)), seed, EVERY)
        for seed, boat in enumerate(boats)
    ]
    return [str(phrase) for phrase in rng.permutation(np.concatenate(each))[:count]]


def talk(count: int, words: list[str], rng: np.random.Generator) -> list[str]:
    """Return one to seven common words in a row: no sense, but the sounds of talk."""
    return [" ".join(rng.choice(words, rng.integers(1, 8))) for _ in range(count)]


def drawn(rng: np.random.Generator, learned: list[str]) -> str:
    """Return a voice: most of espeak-ng, which has many and is fast; a third learned from people."""
    program = rng.choice(list(TEXTS), p=list(TEXTS.values()))
    if program == "kokoro":
        two = rng.choice(learned, 2, replace=False)
        return f"kokoro {'+'.join(two[: 1 + (rng.random() < BLENDED)])}"
    return str(rng.choice(SPOKEN_BY[program]))


def main() -> None:
    """Write the texts."""
    count, folder = int(sys.argv[1]), Path(sys.argv[2])
    rng = np.random.default_rng(20)
    common = (speech_model() / COMMON_WORDS_FILE).read_text().split()
    asked = commands(count // 2, rng)
    others = talk(count - len(asked), common, rng)
    mixed = [
        " ".join(rng.permutation([a, b])) if n % 4 == 0 else b
        for n, (a, b) in enumerate(zip(asked, others, strict=True))
    ]
    texts = [asked[n // 2] if n % 2 else mixed[n // 2] for n in range(2 * len(asked))]
    words = {word for text in texts for word in text.split()} | WAKE
    sounds = {word: sounds_of(word) for word in sorted(words)}
    folder.mkdir(parents=True, exist_ok=True)
    learned = sorted(path.stem for path in kokoro_voices().glob("[ab]*.bin"))
    (folder / "sounds.tsv").write_text(
        "".join(f"{w}\t{s}\n" for w, s in sorted(sounds.items()))
    )
    with (folder / "texts.tsv").open("w") as out:
        for text in texts:
            voice = drawn(rng, learned)
            said = " ".join(sounds[word] for word in text.split())
            pace, pitch = rng.integers(115, 195), rng.integers(20, 80)
            out.write(f"{voice}\t{pace}\t{pitch}\t{text}\t{said}\n")


if __name__ == "__main__":
    main()
