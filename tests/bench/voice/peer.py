"""The peer: pocketsphinx with its own model and all our phrases as its grammar. Needed by the bench only."""

from __future__ import annotations

import tempfile
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from companion.voice.sound import Samples


def is_here() -> bool:
    """Tell whether pocketsphinx is installed (pip install pocketsphinx==5.1.1)."""
    return find_spec("pocketsphinx") is not None


class Peer:
    """Hears one utterance at a time."""

    def __init__(self, phrases: list[str]) -> None:
        import pocketsphinx

        quiet: dict[str, Any] = {"loglevel": "FATAL"}
        known = pocketsphinx.Decoder(lm=None, **quiet)
        usable = [
            p for p in phrases if all(known.lookup_word(word) for word in p.split())
        ]
        self.unusable = len(phrases) - len(usable)
        with tempfile.TemporaryDirectory() as folder:
            grammar = Path(folder) / "commands.gram"
            grammar.write_text(
                "#JSGF V1.0;\ngrammar commands;\npublic <command> = "
                + " | ".join(usable)
                + ";\n"
            )
            self._decoder = pocketsphinx.Decoder(lm=None, jsgf=str(grammar), **quiet)

    def hear(self, samples: Samples) -> str:
        """Return the phrase heard; empty for none."""
        self._decoder.start_utt()
        self._decoder.process_raw(samples.tobytes(), full_utt=True)
        self._decoder.end_utt()
        best = self._decoder.hyp()
        return "" if best is None else str(best.hypstr)
