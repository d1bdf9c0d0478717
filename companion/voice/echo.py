"""Echo cancelling: the companion's own voice taken out of what the microphone heard while it spoke.

What is played is known, so what of it reaches the microphone can be worked out: it is
the line, late by the device, through a short filter (the speaker, the air, the boat's
sides). The lateness is found by cross-correlation, the filter by least squares in each
band of a short-time Fourier transform, over the whole line. Moments and bands with
somebody else's voice in them weigh less: the weights are one over what was left there
by the step before (iteratively reweighted least squares, here the maximum likelihood
for a disturbance whose power changes: Nakatani et al. 2010, who take a room's own
reverberation out so). What is left over is the boat's noise and who speaks.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from companion.voice.sound import SAMPLE_RATE_HZ, Samples

Sound = NDArray[np.float64]
Bands = NDArray[np.complex128]

MOST_LATE_S = 0.8
"""How late a line may be at the microphone at most, s: the player begins, and two cards hold sound ready."""
WINDOW, HOP = 512, 128
"""The window of the transform and its step, samples (32 and 8 ms)."""
TAPS = 8
"""How many steps the filter of a band is long: with the window 0.1 s."""
LEAD_HOPS = 2
"""How many of them lie before the loudest path."""
DISTINCT = 9.0
"""How many times its root mean square the correlation has to be where the line is found.
Of 96 lines, 4 to 12 dB below who spoke into them and 6 dB below to 8 above the noise, it
was 10 to 30 times; of 96 that were not there 5 to 11. A tone, being periodic, is found
nowhere (4 to 10)."""
SHORTEST_SAMPLES = SAMPLE_RATE_HZ // 4
"""With less of a line than this no filter is found."""
STEPS = 4
"""How often the weights are worked out anew."""
BANDS_BESIDE, MOMENTS_BESIDE = 2, 4
"""Bands and moments to each side whose power is averaged for a weight (60 Hz, 32 ms)."""
RIDGE = 1e-3
"""Of a band's power: keeps its filter small where the line has nothing."""


def without_echo(heard: Samples, played: Samples) -> Samples | None:
    """Return what the microphone heard without the line; None where the line is not found in it.

    Args:
        heard: what it heard since the line was begun.
        played: the line.
    """
    if len(heard) < SHORTEST_SAMPLES or not played.any():
        return None
    y, x = heard.astype(float), played.astype(float)
    found = lateness(y, x)
    if found is None:
        return None
    begins = max(found - LEAD_HOPS * HOP, 0)
    moved = np.zeros(len(y))
    part = x[: max(len(y) - begins, 0)]
    moved[begins : begins + len(part)] = part
    left = _synthesised(_left(_analysed(y), _analysed(moved)), len(y))
    whole: Samples = np.clip(np.rint(left), -32768, 32767).astype(np.int16)
    return whole


def lateness(heard: Sound, played: Sound) -> int | None:
    """Return after how many samples a line begins in what was heard; None where it is not found.

    By generalised cross-correlation (Knapp and Carter 1976), both sounds half whitened.
    """
    n = 1 << (len(heard) + len(played) - 1).bit_length()
    cross = np.fft.rfft(heard, n) * np.conj(np.fft.rfft(played, n))
    size = np.abs(cross)
    alike = np.abs(np.fft.irfft(cross / np.sqrt(size + 1e-6 * size.max() + 1e-9), n))
    alike = alike[: round(MOST_LATE_S * SAMPLE_RATE_HZ)]
    late = int(np.argmax(alike))
    return late if alike[late] > DISTINCT * np.sqrt(np.mean(alike**2)) else None


def _left(heard: Bands, played: Bands) -> Bands:
    """Return the bands (of shape bands, moments) of what was heard, less what of the line is in them."""
    count = heard.shape[1]
    padded = np.pad(played, ((0, 0), (TAPS - 1, 0)))
    past = np.stack(
        [padded[:, TAPS - 1 - k : TAPS - 1 - k + count] for k in range(TAPS)], axis=2
    )
    left, floor = heard, 1e-3 * np.median(np.abs(heard) ** 2) + 1e-6
    ridge = np.eye(TAPS)
    for _ in range(STEPS):
        weighted = (
            past * (1.0 / (_smoothed(np.abs(left) ** 2) + floor))[:, :, np.newaxis]
        )
        spread = np.conj(np.swapaxes(weighted, 1, 2)) @ past
        power = np.trace(spread, axis1=1, axis2=2).real / TAPS
        spread = spread + (RIDGE * power + 1e-9)[:, np.newaxis, np.newaxis] * ridge
        wanted = np.conj(np.swapaxes(weighted, 1, 2)) @ heard[:, :, np.newaxis]
        left = heard - (past @ np.linalg.solve(spread, wanted))[:, :, 0]
    return left


def _smoothed(power: Sound) -> Sound:
    """Return power averaged with that of the bands and moments beside it.

    Without it a moment in which little happened to be left would decide alone.
    """
    beside = power
    for axis, width in ((0, BANDS_BESIDE), (1, MOMENTS_BESIDE)):
        shifts = range(-width, width + 1)
        beside = sum((np.roll(beside, n, axis) for n in shifts), np.zeros_like(beside))
    return beside / ((2 * BANDS_BESIDE + 1) * (2 * MOMENTS_BESIDE + 1))


def _analysed(sound: Sound) -> Bands:
    """Return a short-time Fourier transform, of shape (bands, moments)."""
    padded = np.pad(sound, (WINDOW, WINDOW + -len(sound) % HOP))
    moments = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)[::HOP]
    bands: Bands = np.fft.rfft(moments * _window(), axis=1).T
    return bands


def _synthesised(bands: Bands, size: int) -> Sound:
    """Return the sound of a transform by overlapping and adding."""
    moments = np.fft.irfft(bands.T, WINDOW, axis=1) * _window()
    sound = np.zeros(HOP * (len(moments) - 1) + WINDOW)
    for n, moment in enumerate(moments):
        sound[n * HOP : n * HOP + WINDOW] += moment
    return sound[WINDOW : WINDOW + size] / (np.sum(_window() ** 2) / HOP)


def _window() -> Sound:
    """Return the square root of a Hann window: its squares add up to a constant."""
    window: Sound = np.sin(np.pi * (np.arange(WINDOW) + 0.5) / WINDOW)
    return window
