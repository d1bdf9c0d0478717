"""Processor time of what is asked of the program: `python -m tests.bench.costs [TIMES]`.

The demo day as it is, with its sound; the same day with the words kept that were heard,
which is what is left without the recogniser; and `companion --help`. Each in turn with
a loop of ten million additions of Python's, to compare machines: it prints the medians,
s, and how many such loops each takes.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

from companion import config
from companion.replay import chosen_model, find_day
from companion.voice.clips import read_clip, write_words
from companion.voice.grammar import Grammar, aboard
from companion.voice.recogniser import for_grammar
from tests.bench.start import LOOP

DAY = Path(__file__).parents[2] / "replay_logs" / "invented_saturday"
COMPANION = Path(sys.executable).parent / "companion"


def used(command: list[str | Path]) -> float:
    """Return the processor time of a command that ends well, s, its children's too."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (after.ru_utime + after.ru_stime) - (before.ru_utime + before.ru_stime)


def with_words_kept(folder: Path) -> Path:
    """Return the demo day copied into a folder, with what is heard in each clip instead of its sound."""
    copied = folder / DAY.name
    shutil.copytree(DAY, copied, ignore=shutil.ignore_patterns("*.flac"))
    day = find_day(DAY)
    assert day.config is not None
    settings = config.load(day.config)
    recogniser = for_grammar(chosen_model(settings), Grammar(aboard(settings)))
    for clip in day.clips:
        decided = round((clip.decided - clip.began).total_seconds() * 1000)
        heard = recogniser.hear(read_clip(clip.path))
        write_words(copied / "clips" / clip.path.name, decided, heard)
    return copied


def main() -> None:
    """Measure each so many times, in turn."""
    times = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        replay: list[str | Path] = [COMPANION, "replay", "--json", "--logbook"]
        replay.append(folder / "a.db")
        commands: dict[str, list[str | Path]] = {
            "ten million additions": [sys.executable, "-c", LOOP],
            "companion --help": [COMPANION, "--help"],
            "the demo day": [*replay, DAY],
            "the same, its words kept": [*replay, with_words_kept(folder)],
        }
        taken: dict[str, list[float]] = {what: [] for what in commands}
        for _ in range(times):
            for what, command in commands.items():
                taken[what].append(used(command))
    loop = median(taken["ten million additions"])
    for what, seconds in taken.items():
        middle = median(seconds)
        print(f"{what}: {middle:.2f} s, {middle / loop:.1f} loops")


if __name__ == "__main__":
    main()
