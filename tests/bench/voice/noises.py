"""Noises of a boat, drawn from a seed: wind in gusts, trolling motor, outboard, wave slap, rain.

Each comes in two makes with other spectra, pitches and rhythms: "choosing", which
settings were found with, and "reporting", which figures are reported with. Unit level
over its length, at 16 kHz.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from companion.voice.sound import SAMPLE_RATE_HZ

Sound = NDArray[np.float64]
Make = Literal["choosing", "reporting"]
Noise = Callable[[int, np.random.Generator, Make], Sound]


def _band(sound: Sound, low: float, high: float, order: int = 2) -> Sound:
    return np.asarray(
        sosfilt(
            butter(order, [low, high], "band", fs=SAMPLE_RATE_HZ, output="sos"), sound
        )
    )


def _unit(sound: Sound) -> Sound:
    return sound / (np.sqrt(np.mean(sound**2)) + 1e-12)


def wind(n: int, rng: np.random.Generator, make: Make) -> Sound:
    """Return rumble that falls with frequency, in gusts that also blow over the microphone's edge."""
    corner = rng.uniform(40, 90) if make == "choosing" else rng.uniform(70, 160)
    spectrum = np.fft.rfft(rng.standard_normal(n))
    rumble = np.fft.irfft(
        spectrum / np.hypot(1.0, np.fft.rfftfreq(n, 1 / SAMPLE_RATE_HZ) / corner), n
    )
    knots = rng.uniform(
        0.2, 1.6, max(3, int(n / SAMPLE_RATE_HZ * (1.5 if make == "choosing" else 2.5)))
    )
    gusts = np.interp(np.linspace(0, len(knots) - 1, n), np.arange(len(knots)), knots)
    edge = 0.1 * gusts**2 * _unit(_band(rng.standard_normal(n), 400.0, 3500.0))
    return _unit(gusts * _unit(rumble) + edge)


def trolling_motor(n: int, rng: np.random.Generator, make: Make) -> Sound:
    """Return a hum with overtones that breathes with the load, and a whine of its switching."""
    t = np.arange(n) / SAMPLE_RATE_HZ
    pitch = rng.uniform(80, 115) if make == "choosing" else rng.uniform(60, 150)
    turns = math.tau * (
        pitch * t + rng.uniform(0.2, 0.9) * np.sin(math.tau * rng.uniform(0.4, 1.0) * t)
    )
    fall = 1.0 if make == "choosing" else 0.8
    hum = sum(
        np.sin(k * turns + rng.uniform(0, math.tau)) / k**fall for k in range(1, 20)
    )
    whine = np.sin(math.tau * rng.uniform(800, 1600) * t)
    return _unit(_unit(hum) + 0.2 * whine + 0.25 * rng.standard_normal(n))


def outboard(n: int, rng: np.random.Generator, make: Make) -> Sound:
    """Return an engine at idle or under way: firing pulses through a resonant hull, and exhaust hiss."""
    rate = rng.uniform(20, 45) if make == "choosing" else rng.uniform(30, 75)
    times = np.cumsum(
        rng.normal(1.0, 0.04, int(n / SAMPLE_RATE_HZ * rate) + 2).clip(0.5) / rate
    )
    pulses = np.zeros(n)
    at = (times * SAMPLE_RATE_HZ).astype(int)
    at = at[at < n]
    pulses[at] = rng.uniform(0.6, 1.0, len(at))
    ring = np.exp(
        -np.arange(SAMPLE_RATE_HZ // 10) / (SAMPLE_RATE_HZ * 0.012)
    ) * rng.standard_normal(SAMPLE_RATE_HZ // 10)
    return _unit(
        _unit(np.convolve(pulses, ring)[:n])
        + 0.35 * _unit(_band(rng.standard_normal(n), 100.0, 3000.0))
    )


def wave_slap(n: int, rng: np.random.Generator, make: Make) -> Sound:
    """Return small waves that slap against the hull, over the wash."""
    sound = np.zeros(n)
    at = rng.uniform(0.0, 0.6)
    gaps = (0.5, 1.4) if make == "choosing" else (0.3, 1.0)
    while at * SAMPLE_RATE_HZ < n:
        start = int(at * SAMPLE_RATE_HZ)
        burst = np.exp(
            -np.arange(n - start) / (SAMPLE_RATE_HZ * rng.uniform(0.04, 0.15))
        )
        sound[start:] += rng.uniform(0.4, 1.0) * burst * rng.standard_normal(n - start)
        at += rng.uniform(*gaps)
    top = 1500.0 if make == "choosing" else 2500.0
    return _unit(
        _unit(_band(sound, 150.0, top))
        + 0.3 * _unit(_band(rng.standard_normal(n), 100.0, 2000.0))
    )


def rain(n: int, rng: np.random.Generator, make: Make) -> Sound:
    """Return drops on a hat and a deck: many short clicks, and the hiss of those farther away."""
    drops = (
        rng.random(n) < (120 if make == "choosing" else 300) / SAMPLE_RATE_HZ
    ) * rng.exponential(1.0, n)
    click = np.exp(
        -np.arange(80) / (8.0 if make == "choosing" else 14.0)
    ) * rng.standard_normal(80)
    hiss = _unit(_band(rng.standard_normal(n), 500.0, 7000.0, 1))
    return _unit(_unit(np.convolve(drops, click)[:n]) + 0.8 * hiss)


def mixed(n: int, rng: np.random.Generator, make: Make) -> Sound:
    """Return wind and waves with a motor, in shares that vary."""
    motor = trolling_motor if rng.random() < 0.6 else outboard
    parts = [
        (rng.uniform(0.5, 1.0), wind),
        (rng.uniform(0.3, 0.8), wave_slap),
        (rng.uniform(0.3, 1.0), motor),
    ]
    return _unit(
        np.sum([share * noise(n, rng, make) for share, noise in parts], axis=0)
    )


NOISES: dict[str, Noise] = {
    "mixed": mixed,
    "wind": wind,
    "trolling motor": trolling_motor,
    "outboard": outboard,
    "wave slap": wave_slap,
    "rain": rain,
}
"""The noises by name."""
