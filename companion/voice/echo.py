"""Echo cancelling: the companion's own voice taken out of what the microphone heard while it spoke.

What is played is known, so what of it reaches the microphone can be worked out: it is
the line, late by the device, through a short filter (the speaker, the air, the boat's
sides). The lateness is found by cross-correlation, the filter by least squares in each
band of a short-time Fourier transform, over the whole line. Moments and bands with
somebody else's voice in them weigh less: the weights are one over what was left there
by the step before (iteratively reweighted least squares, here the maximum likelihood
for a disturbance whose power changes: Nakatani et al. 2010, who take a room's own
reverberation out so). What is left over is the boat's noise and who speaks.

A player that stumbles, as a busy computer's does, is silent for a moment, and the rest
of the line comes later than its beginning: that is looked for in what was left over.
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
LEAST_STUMBLE_S = 0.02
"""How much later the rest of a line comes at least after its player has stumbled, s: a
peak that is nearer is another path through the same room."""
MOST_LEFT_ALIKE = 0.5
"""How alike what is left may be to a third part of the line, beside its first: of lines
in two parts .13 to .27, of lines in three .7 and .8."""
DISTINCT = 9.0
"""How many times its root mean square the correlation has to be where the line is found.
Of 96 lines, 4 to 12 dB below who spoke into them and 6 dB below to 8 above the noise, it
was 10 to 30 times; of 96 that were not there 5 to 11. A tone, being periodic, is found
nowhere (4 to 10)."""
_STUMBLE = round(LEAST_STUMBLE_S * SAMPLE_RATE_HZ)
SHORTEST_SAMPLES = SAMPLE_RATE_HZ // 4
"""With less of a line than this no filter is found."""
STEPS = 4
"""How often the weights are worked out anew."""
BANDS_BESIDE, MOMENTS_BESIDE = 2, 4
"""Bands and moments to each side whose power is averaged for a weight (60 Hz, 32 ms)."""
RIDGE = 1e-3
"""Of a band's power: keeps its filter small where the line has nothing."""


def without_echo(
    heard: Samples, played: Samples, *, may_have_stumbled: bool = False
) -> Samples | None:
    """Return what the microphone heard without the line; None where it is not found in it, or not all.

    Args:
        heard: what it heard since the line was begun.
        played: the line.
        may_have_stumbled: its player may have been silent for a moment amid it: the
            other part is looked for, which takes twice as long.
    """
    if len(heard) < SHORTEST_SAMPLES or not played.any():
        return None
    y, x = heard.astype(float), played.astype(float)
    alike = _alike(y, x)
    found = _distinct(alike)
    if found is None:
        return None
    left = _without(y, _played(x, found, len(y)))
    if may_have_stumbled:
        other = int(np.argmax(_alike_elsewhere(left, x, found)))
        in_two = _without(y, _played_in_two(y, x, *sorted((found, other))))
        if np.sum(in_two**2) < np.sum(left**2):
            left = in_two
        third = _alike_elsewhere(left, x, found, other)
        if third.max() > MOST_LEFT_ALIKE * alike[found]:
            return None
    whole: Samples = np.clip(np.rint(left), -32768, 32767).astype(np.int16)
    return whole


def _distinct(alike: Sound) -> int | None:
    late = int(np.argmax(alike))
    return late if alike[late] > DISTINCT * np.sqrt(np.mean(alike**2)) else None


def _alike_elsewhere(heard: Sound, played: Sound, *lates: int) -> Sound:
    """Return `_alike`, but nothing where a part of the line has been found."""
    alike = _alike(heard, played)
    for late in lates:
        alike[max(late - _STUMBLE, 0) : late + _STUMBLE] = 0.0
    return alike


def _alike(heard: Sound, played: Sound) -> Sound:
    """Return how alike what was heard and the line are where it is so many samples late.

    So late that nothing of it would have been heard it cannot be. By generalised
    cross-correlation (Knapp and Carter 1976), both sounds half whitened.
    """
    n = 1 << (len(heard) + len(played) - 1).bit_length()
    cross = _half_white(heard, n) * np.conj(_half_white(played, n))
    latest = min(round(MOST_LATE_S * SAMPLE_RATE_HZ), len(heard))
    return np.abs(np.fft.irfft(cross, n))[:latest]


def _half_white(sound: Sound, size: int) -> Bands:
    """Return the spectrum of a sound, each part divided by the root of its size."""
    spectrum = np.fft.rfft(sound, size)
    power = np.abs(spectrum)
    white: Bands = spectrum / np.sqrt(power + 1e-6 * power.max() + 1e-9)
    return white


def _played(line: Sound, late: int, size: int) -> Sound:
    """Return so many samples of a line that begins so late, and a little sooner: its filter has a lead."""
    begins = max(late - LEAD_HOPS * HOP, 0)
    sound = np.zeros(size)
    part = line[: max(size - begins, 0)]
    sound[begins : begins + len(part)] = part
    return sound


def _played_in_two(heard: Sound, line: Sound, late: int, later: int) -> Sound:
    """Return a line that its player broke in two, at where its parts are most alike what was heard.

    Args:
        heard: what was heard.
        line: the whole line.
        late: how late its beginning came, samples.
        later: how late its rest came.
    """
    n = 1 << (len(heard) + len(line) - 1).bit_length()
    y, x = (np.fft.irfft(_half_white(sound, n), n) for sound in (heard, line))
    count = min(len(line), len(heard) - later)
    first, second = (
        np.cumsum(x[:count] * y[one : one + count]) for one in (late, later)
    )
    straight = np.sign(first[-1] + second[-1])
    at = int(np.argmax(straight * (first - second)))
    lead = LEAD_HOPS * HOP
    beginning, rest = (_played(line, one, len(heard)) for one in (late, later))
    beginning[max(late + at - lead, 0) :] = 0.0
    rest[: max(later + at - lead, 0)] = 0.0
    return beginning + rest


def _without(heard: Sound, played: Sound) -> Sound:
    """Return what was heard, less what of a sound that was played is in it."""
    return _synthesised(_left(_analysed(heard), _analysed(played)), len(heard))


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
