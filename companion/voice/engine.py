"""The speech engine: vosk's shared library, called through ctypes, and its decoders.

Its Python package brings the library, and imports what fetches models and writes
subtitles: 14 MB and 0.1 s for what nobody here asks of it.
"""

from __future__ import annotations

import ctypes
import os
from functools import cache
from importlib.util import find_spec
from pathlib import Path

from companion.voice.model import ModelError
from companion.voice.sound import SAMPLE_RATE_HZ, SOUND_FRAME_SAMPLES

_HANDLE, _TEXT, _NUMBER = ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int
_CALLS = (
    ("set_log_level", None, (_NUMBER,)),
    ("model_new", _HANDLE, (_TEXT,)),
    ("model_free", None, (_HANDLE,)),
    ("model_find_word", _NUMBER, (_HANDLE, _TEXT)),
    ("recognizer_new_grm", _HANDLE, (_HANDLE, ctypes.c_float, _TEXT)),
    ("recognizer_free", None, (_HANDLE,)),
    ("recognizer_set_max_alternatives", None, (_HANDLE, _NUMBER)),
    ("recognizer_accept_waveform", _NUMBER, (_HANDLE, _TEXT, _NUMBER)),
    ("recognizer_result", _TEXT, (_HANDLE,)),
    ("recognizer_partial_result", _TEXT, (_HANDLE,)),
    ("recognizer_final_result", _TEXT, (_HANDLE,)),
)
"""What is called: the name in vosk_api.h of vosk 0.3.45, what it gives, and what it takes."""


class EngineError(ModelError):
    """The speech engine, or a library of the system that it needs, cannot be loaded."""

    remedy = "run hardware/install.sh again: it installs what is missing"

    def __init__(self, reason: object) -> None:
        self.what = f"the speech engine cannot be loaded: {reason}"
        super().__init__(f"{self.what}; {self.remedy}")


@cache
def _library() -> ctypes.CDLL:
    """Return the speech engine; it is loaded only when something has to be recognised.

    Raises:
        EngineError: it cannot be loaded.
    """
    package = find_spec("vosk")
    if package is None or package.origin is None:
        raise EngineError("vosk is not there")
    try:
        library = ctypes.CDLL(str(Path(package.origin).with_name("libvosk.so")))
    except OSError as error:
        raise EngineError(error) from error
    for name, gives, takes in _CALLS:
        call = getattr(library, f"vosk_{name}")
        call.restype, call.argtypes = gives, takes
    library.vosk_set_log_level(-1)
    return library


class Model:
    """A speech model in memory: to load it takes 0.4 s and 90 MB."""

    def __init__(self, folder: Path) -> None:
        """Load the model of a folder.

        Raises:
            EngineError: the speech engine cannot be loaded.
            ModelError: the model cannot.
        """
        self._vosk = _library()
        self.handle = self._vosk.vosk_model_new(os.fsencode(folder))
        if not self.handle:
            raise ModelError(
                f"{folder}: vosk cannot load this model; fetch it again or name another"
            )

    def knows(self, word: str) -> bool:
        """Tell whether the model has a word."""
        return bool(self._vosk.vosk_model_find_word(self.handle, word.encode()) >= 0)

    def __del__(self) -> None:
        if getattr(self, "handle", None):
            self._vosk.vosk_model_free(self.handle)


class WordDecoder:
    """A decoder of some phrases, given as vosk wants them: a list in JSON."""

    def __init__(self, model: Model, grammar: str, alternatives: int) -> None:
        """Make a decoder that gives so many texts."""
        self._vosk = _library()
        self._handle = self._vosk.vosk_recognizer_new_grm(
            model.handle, SAMPLE_RATE_HZ, grammar.encode()
        )
        self._vosk.vosk_recognizer_set_max_alternatives(self._handle, alternatives)

    def accept(self, sound: bytes) -> bool:
        """Take 16-bit samples; tell whether a pause has ended words in them."""
        return bool(
            self._vosk.vosk_recognizer_accept_waveform(self._handle, sound, len(sound))
        )

    def result(self) -> str:
        """Return the texts of the words that a pause has ended, as JSON."""
        return str(self._vosk.vosk_recognizer_result(self._handle), "utf-8")

    def partial(self) -> str:
        """Return the words since the last pause, as JSON."""
        return str(self._vosk.vosk_recognizer_partial_result(self._handle), "utf-8")

    def final(self) -> str:
        """Return the texts of the words since the last pause, as JSON: no more sound comes."""
        return str(self._vosk.vosk_recognizer_final_result(self._handle), "utf-8")

    def __del__(self) -> None:
        self._vosk.vosk_recognizer_free(self._handle)


class Decoders:
    """The decoders of one grammar, each used for one utterance after the other.

    To make one takes as long as to decode half a second of sound, and one that was used
    need not look up again what it has met in the model's graph. Used again it makes out
    the same words (500 clips, in noise).

    Attributes:
        idle: those that wait to be used again.
    """

    def __init__(self, model: Model, grammar: str, alternatives: int) -> None:
        """Take the model, the phrases, and how many texts are asked for."""
        self._of = model, grammar, alternatives
        self.idle: list[WordDecoder] = []

    def lend(self) -> WordDecoder:
        """Return a decoder for an utterance: one that is idle, else a new one."""
        try:
            return self.idle.pop()
        except IndexError:
            return WordDecoder(*self._of)

    def finish(self, decoder: WordDecoder) -> str:
        """Return the final result of a decoder, which is then lent again.

        Where a pause has just ended words there is nothing final, and it would go on
        with what it learned of who spoke. After a frame of silence there is.
        """
        result = decoder.final()
        decoder.accept(bytes(2 * SOUND_FRAME_SAMPLES))
        decoder.final()
        self.idle.append(decoder)
        return result
