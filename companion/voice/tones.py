"""Short sounds that say something sooner than words do."""

from __future__ import annotations

import numpy as np

from companion.voice.sound import to_wav

_TONE_RATE = 22050
_NOTES = {"bite": ((880.0, 0.07), (1320.0, 0.11)), "unclear": ((294.0, 0.12),)}
"""Each tone's notes: frequency, Hz, and length, s."""


def tone(name: str, volume: float) -> bytes:
    """Return a tone as a WAV file; `volume` from 0 to 1.

    Raises:
        KeyError: there is no tone of that name.
    """
    notes = [_note(frequency, seconds) for frequency, seconds in _NOTES[name]]
    samples = 0.6 * volume * 32767.0 * np.concatenate(notes)
    return to_wav(samples.astype(np.int16), _TONE_RATE)


def _note(
    frequency: float, seconds: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return a sine that swells and fades within 10 ms, so that it does not click."""
    t = np.arange(round(seconds * _TONE_RATE)) / _TONE_RATE
    edge = np.clip(np.minimum(t, seconds - t) / 0.01, 0.0, 1.0)
    return np.asarray(edge * np.sin(2.0 * np.pi * frequency * t))
