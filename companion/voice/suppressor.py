"""Noise suppression in front of the recogniser: the Speex preprocessor of Debian's libspeexdsp.

The library is called through ctypes: no maintained wheel of it runs on a small board.
Where it is not installed the sound goes through unchanged, and less is understood under
power and in rain.
"""

from __future__ import annotations

import ctypes
from ctypes.util import find_library
from functools import lru_cache

import numpy as np

from companion.voice.sound import SAMPLE_RATE_HZ, SOUND_FRAME_SAMPLES, Samples

SUPPRESSION_DB = -15
"""How far noise is taken down at most, dB."""
_SET_DENOISE, _SET_NOISE_SUPPRESS = 0, 18  # from speex_preprocess.h of libspeexdsp 1.2


@lru_cache(maxsize=1)
def _library() -> ctypes.CDLL | None:
    """Return libspeexdsp, or None where it is not installed."""
    for name in ("libspeexdsp.so.1", find_library("speexdsp")):
        try:
            library = ctypes.CDLL(name) if name else None
        except OSError:
            continue
        if library is not None:
            library.speex_preprocess_state_init.restype = ctypes.c_void_p
            library.speex_preprocess_state_init.argtypes = [ctypes.c_int, ctypes.c_int]
            library.speex_preprocess_run.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
            library.speex_preprocess_ctl.argtypes = [
                ctypes.c_void_p,
                ctypes.c_int,
                ctypes.c_void_p,
            ]
            library.speex_preprocess_state_destroy.argtypes = [ctypes.c_void_p]
            return library
    return None


def can_suppress() -> bool:
    """Tell whether the library is there."""
    return _library() is not None


class Suppressor:
    """Takes steady noise out of frames, one after the other; a new one begins knowing nothing."""

    def __init__(self, decibels: int = SUPPRESSION_DB) -> None:
        self._speex = _library()
        self._state: int | None = None
        if self._speex is not None:
            self._state = self._speex.speex_preprocess_state_init(
                SOUND_FRAME_SAMPLES, SAMPLE_RATE_HZ
            )
            for request, value in ((_SET_DENOISE, 1), (_SET_NOISE_SUPPRESS, decibels)):
                number = ctypes.c_int(value)
                self._speex.speex_preprocess_ctl(
                    self._state, request, ctypes.byref(number)
                )

    def clean(self, frame: Samples) -> Samples:
        """Return a frame of `SOUND_FRAME_SAMPLES` samples with its noise taken down."""
        if self._speex is None:
            return frame
        work = np.array(frame, dtype=np.int16)  # the library works in place
        self._speex.speex_preprocess_run(self._state, work.ctypes.data)
        return work

    def __del__(self) -> None:
        if self._speex is not None and self._state is not None:
            self._speex.speex_preprocess_state_destroy(self._state)
