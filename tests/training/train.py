"""Train the network of `companion.voice.phrase_scorer` on the spoken texts amid generated noise.

Example: python -m tests.training.train FOLDER 13.3 companion/voice/sounds.npz

Reads FOLDER/speech-*.npz, trains for so many minutes and writes the weights. Needs
PyTorch; the network in use took 13.3 minutes on a graphics card (18,000 steps of 192
utterances). Speech is varied in pace and pitch, colour, room and level; noise is the
"choosing" make of `tests.bench.voice.noises` and coloured hiss. It heard the small
corpora (flite, festival, pico) through a lossy codec (Opus). Three others, narrower,
with louder noise or hearing kokoro more, were as good on the voices for choosing and
found the texts held back less likely; four that also learned from kokoro's voices for
other languages, for 8.6 minutes, were a little worse. Seeded, but the sums of a card
differ in their last digits from run to run: two runs give networks that are alike, not
equal.
"""

from __future__ import annotations

import math
import sys
import time
from multiprocessing import Pool
from pathlib import Path
from typing import NamedTuple

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from companion.voice.acoustics import FFT_SIZE, FRAME_SAMPLES, HOP_SAMPLES
from companion.voice.phrase_scorer import (
    ARPABET_PHONES,
    BAND_POWER_FLOOR,
    NETWORK_BLOCKS,
    NOISE_NET_MEL_BANDS,
    mel_weights,
)
from companion.voice.sound import SAMPLE_RATE_HZ
from tests.bench.voice.noises import NOISES

DEVICE = "cuda" if torch.cuda.is_available() else "cpu"
BATCH, CLIPS = (192, 250) if DEVICE == "cuda" else (8, 2)
"""Utterances a step, and clips of each noise."""
LONGEST = 4.6
"""Longest text, s."""
HEARD = {
    "espeak-ng": 0.36,
    "kokoro": 0.48,
    "pico": 0.08,
    "flite": 0.06,
    "festival": 0.02,
}
"""How often each synthesizer is heard: those with many voices the oftenest, then those most like people."""
LEARN = 3e-3
"""Fastest step of learning."""


class Draw:
    """Random numbers, one for each sound of a batch, on the device."""

    def __init__(self, rng: np.random.Generator, size: int) -> None:
        self.rng, self.size = rng, size

    def __call__(self, low: float, high: float, columns: int = 1) -> Tensor:
        """Return numbers between two, (size, columns)."""
        return self._there(self.rng.uniform(low, high, (self.size, columns)))

    def sometimes(self, chance: float, high: float) -> Tensor:
        """Return numbers up to `high` for that share of the sounds, and 0 for the others, (size, 1)."""
        return self(0, high) * (self(0, 1) < chance)

    def normal(self, spread: float, columns: int) -> Tensor:
        """Return normal numbers, (size, columns)."""
        return self._there(self.rng.normal(0, spread, (self.size, columns)))

    def whole(self, high: int) -> Tensor:
        """Return whole numbers below `high`, (size, 1)."""
        return torch.from_numpy(self.rng.integers(0, high, (self.size, 1))).to(DEVICE)

    @staticmethod
    def _there(numbers: np.ndarray) -> Tensor:
        return torch.from_numpy(numbers.astype(np.float32)).to(DEVICE)


class Batch(NamedTuple):
    """Noisy utterances, (size, samples); the length of each; the numbers of the sounds spoken in each."""

    noisy: Tensor
    lengths: Tensor
    spoken: list[list[int]]


class Corpus:
    """All speech and noise, on the device."""

    def __init__(self, folder: Path) -> None:
        paths = sorted(folder.glob("speech-*.npz"))
        files = [np.load(path) for path in paths]
        lengths = np.concatenate([file["lengths"] for file in files])
        self.samples = torch.from_numpy(
            np.concatenate([file["samples"] for file in files])
        ).to(DEVICE)
        self.lengths = torch.from_numpy(lengths).to(DEVICE)
        self.starts = torch.from_numpy(
            np.concatenate([[0], np.cumsum(lengths)[:-1]])
        ).to(DEVICE)
        self.spoken = [
            [ARPABET_PHONES.index(s) + 1 for s in line.split()]
            for file in files
            for line in file["sounds"]
        ]
        counts = [len(file["lengths"]) for file in files]
        often = [
            HEARD[path.stem.removeprefix("speech-")] / n
            for path, n in zip(paths, counts, strict=True)
        ]
        share = np.repeat(often, counts)
        good = np.flatnonzero(lengths < LONGEST * SAMPLE_RATE_HZ)
        self.held, self.train = good[good % 50 == 7], good[good % 50 != 7]
        self.share = share[self.train] / share[self.train].sum()
        self.noise = torch.from_numpy(noise_bank()).to(DEVICE)
        print(
            f"{len(good)} texts, {lengths[good].sum() / SAMPLE_RATE_HZ / 3600:.1f} h",
            flush=True,
        )

    def batch(self, rng: np.random.Generator, held: bool = False) -> Batch:
        """Return utterances amid noise: of -4 to 26 dB, some of them quiet, a few without speech."""
        which = (
            rng.choice(self.held, BATCH)
            if held
            else rng.choice(self.train, BATCH, p=self.share)
        )
        draw = Draw(rng, BATCH)
        speech, total = self._speech(which, draw)
        silent = draw(0, 1) < 0.02
        level = (
            speech.square().sum(1, keepdim=True) / (speech != 0).sum(1, keepdim=True)
        ).sqrt() * 1.15
        speech = coloured(speech, draw, 8.0, room=True) * ~silent
        decibels = torch.where(draw(0, 1) < 0.12, 60.0, draw(-4.0, 26.0))
        noise = self._noise(draw, speech.shape[1]) * level * 10 ** (-decibels / 20)
        hiss = 3.0 * torch.randn_like(speech)
        noisy = ((speech + noise) * 10 ** (draw(-14.0, 9.0) / 20) + hiss).clamp(
            -32768, 32767
        )
        inside = torch.arange(speech.shape[1], device=DEVICE)[None] < total
        mute = silent[:, 0].tolist()
        spoken = [
            [] if none else self.spoken[i] for i, none in zip(which, mute, strict=True)
        ]
        return Batch(noisy * inside, total[:, 0], spoken)

    def _speech(self, which: np.ndarray, draw: Draw) -> tuple[Tensor, Tensor]:
        """Return texts at another pace and pitch each, with silence around, and how long each is then."""
        pace, lead, trail = (
            draw(0.84, 1.2),
            draw(0.25, 1.2) * SAMPLE_RATE_HZ,
            draw(0.1, 1.3) * SAMPLE_RATE_HZ,
        )
        start, length = self.starts[which][:, None], self.lengths[which][:, None]
        total = (lead + length / pace + trail).long()
        longest = (
            -(-int(total.max()) // 3200) * 3200
        )  # a length that a Fourier transform likes
        at = (torch.arange(longest, device=DEVICE)[None] - lead) * pace
        inside = (at >= 0) & (at < length - 1)
        low = torch.minimum(at.clamp(min=0).long(), length - 2)
        part = at.clamp(min=0) - low
        before, after = (
            self.samples[start + low].float(),
            self.samples[start + low + 1].float(),
        )
        return (before * (1 - part) + after * part) * inside, total

    def _noise(self, draw: Draw, longest: int) -> Tensor:
        """Return noise of unit level: one or two of the bank, or hiss, or all, coloured."""
        sound = draw.sometimes(0.3, 1.0) * torch.randn(BATCH, longest, device=DEVICE)
        for chance in (1.0, 0.4):
            row, start = draw.whole(len(self.noise)), draw.whole(self.noise.shape[1])
            at = (
                start + torch.arange(longest, device=DEVICE)[None]
            ) % self.noise.shape[1]
            sound += draw.sometimes(chance, 1.0) * self.noise[row, at].float()
        sound = coloured(sound, draw, 6.0)
        return sound / (sound.square().mean(1, keepdim=True).sqrt() + 1e-6)


def noise_bank() -> np.ndarray:
    """Return clips of every generated noise, of the make for choosing, (clips, samples)."""
    with Pool() as pool:
        return np.array(
            pool.starmap(_clip, [(name, n) for name in NOISES for n in range(CLIPS)]),
            np.float16,
        )


def _clip(name: str, seed: int) -> np.ndarray:
    rng = np.random.default_rng([31, seed, len(name)])
    return NOISES[name](9 * SAMPLE_RATE_HZ, rng, "choosing").astype(np.float16)


def coloured(sound: Tensor, draw: Draw, decibels: float, room: bool = False) -> Tensor:
    """Return sounds with their spectrum bent at random, some of them in a room."""
    longest = sound.shape[1]
    bins = longest // 2 + 1
    knots = draw.normal(decibels / 2, 10)[:, None]
    curve = functional.interpolate(knots, bins, mode="linear", align_corners=True)[:, 0]
    octave = (
        (torch.arange(bins, device=DEVICE) / bins * 63).add(1).log2() / 6 * (bins - 1)
    )
    spectrum = torch.fft.rfft(sound) * 10 ** (curve[:, octave.long()] / 20)
    if room:
        spectrum = spectrum * torch.fft.rfft(echoes(draw), longest)
    return torch.fft.irfft(spectrum, longest)


def echoes(draw: Draw) -> Tensor:
    """Return the answers of rooms to a click: most none, some with a tail of up to a quarter of a second."""
    t = torch.arange(SAMPLE_RATE_HZ // 3, device=DEVICE)[None] / SAMPLE_RATE_HZ
    tail = (
        torch.randn(draw.size, t.shape[1], device=DEVICE)
        * (-6.9 * t / draw(0.03, 0.25)).exp()
    )
    tail = draw.sometimes(0.4, 0.7) * tail / tail.square().sum(1, keepdim=True).sqrt()
    tail[:, 0] = 1.0
    return tail


class Network(nn.Module):
    """Which sounds are spoken: convolutions over steps of 20 ms."""

    def __init__(self, width: int = 448, span: int = 11) -> None:
        super().__init__()
        self.first = nn.Conv1d(NOISE_NET_MEL_BANDS, width, 5, stride=2, padding=2)
        self.norm = nn.BatchNorm1d(width)
        self.deep = nn.ModuleList(
            nn.Conv1d(width, width, span, padding=span // 2, groups=width)
            for _ in range(NETWORK_BLOCKS)
        )
        self.wide = nn.ModuleList(
            nn.Conv1d(width, width, 1) for _ in range(NETWORK_BLOCKS)
        )
        self.norms = nn.ModuleList(nn.BatchNorm1d(width) for _ in range(NETWORK_BLOCKS))
        self.last = nn.Conv1d(width, len(ARPABET_PHONES) + 1, 1)
        self.drop = nn.Dropout(0.1)

    def forward(self, bands: Tensor) -> Tensor:
        x = torch.relu(self.norm(self.first(bands)))
        for deep, wide, norm in zip(self.deep, self.wide, self.norms, strict=True):
            x = x + self.drop(torch.relu(norm(wide(deep(x)))))
        return self.last(x)

    def weights(self) -> dict[str, np.ndarray]:
        """Return the layers with their norms folded in, in half precision."""
        found = {}
        found["first.w"], found["first.b"] = folded(self.first, self.norm)
        for n, (deep, wide, norm) in enumerate(
            zip(self.deep, self.wide, self.norms, strict=True)
        ):
            found[f"deep{n}.w"], found[f"deep{n}.b"] = deep.weight[:, 0], deep.bias
            weight, found[f"wide{n}.b"] = folded(wide, norm)
            found[f"wide{n}.w"] = weight[:, :, 0]
        found["last.w"], found["last.b"] = self.last.weight[:, :, 0], self.last.bias
        return {
            name: w.detach().float().cpu().numpy().astype(np.float16)
            for name, w in found.items()
        }


def folded(layer: nn.Conv1d, norm: nn.BatchNorm1d) -> tuple[Tensor, Tensor]:
    scale = norm.weight / (norm.running_var + norm.eps).sqrt()
    return layer.weight * scale[:, None, None], (
        layer.bias - norm.running_mean
    ) * scale + norm.bias


def bands_of(batch: Batch) -> tuple[Tensor, Tensor]:
    """Return the log mel bands of `companion.voice.phrase_scorer`, (size, bands, frames), and each length."""
    window = torch.from_numpy(np.hanning(FRAME_SAMPLES + 1)[:-1].astype(np.float32)).to(
        DEVICE
    )
    power = (
        torch.fft.rfft(
            batch.noisy.unfold(1, FRAME_SAMPLES, HOP_SAMPLES) * window, FFT_SIZE
        )
        .abs()
        .square()
    )
    logs = (power @ torch.from_numpy(mel_weights()).to(DEVICE) + BAND_POWER_FLOOR).log()
    frames = (batch.lengths - FRAME_SAMPLES) // HOP_SAMPLES + 1
    inside = (torch.arange(logs.shape[1], device=DEVICE)[None] < frames[:, None])[
        :, :, None
    ]
    mean = (logs * inside).sum(1, keepdim=True) / frames[:, None, None]
    return ((logs - mean) * inside).transpose(1, 2), frames


def veiled(bands: Tensor, draw: Draw) -> Tensor:
    """Return bands with a few stretches of pitch and of time hidden (Park and others, Interspeech 2019)."""
    for axis, most in ((1, 6), (2, 10), (2, 10)):
        size = bands.shape[axis]
        low = draw.whole(size)
        at = torch.arange(size, device=DEVICE)[None]
        hidden = (at >= low) & (at < low + draw.whole(most))
        bands = bands.masked_fill(hidden.unsqueeze(3 - axis), 0.0)
    return bands


def surprise(scores: Tensor, frames: Tensor, spoken: list[list[int]]) -> Tensor:
    """Return how unlikely the network finds what was spoken, a sound (Graves and others, ICML 2006)."""
    targets = torch.tensor([sound for one in spoken for sound in one], device=DEVICE)
    counts = torch.tensor([len(one) for one in spoken], device=DEVICE)
    logs = scores.float().log_softmax(1).permute(2, 0, 1)
    return functional.ctc_loss(
        logs, targets, (frames + 1) // 2, counts, zero_infinity=True
    )


def trained(corpus: Corpus, minutes: float, rng: np.random.Generator) -> Network:
    """Return a network after so many minutes of steps that first grow and then shrink to nothing."""
    network, draw = Network().to(DEVICE), Draw(rng, BATCH)
    steps = torch.optim.AdamW(network.parameters(), lr=LEARN, weight_decay=1e-3)
    began, count = time.monotonic(), 0
    while (done := (time.monotonic() - began) / 60 / minutes) < 1:
        for group in steps.param_groups:
            group["lr"] = (
                LEARN * min(1.0, count / 300) * (0.5 + 0.5 * math.cos(math.pi * done))
            )
        batch = corpus.batch(rng)
        bands, frames = bands_of(batch)
        with torch.autocast(DEVICE, torch.bfloat16):
            scores = network(veiled(bands, draw))
        loss = surprise(scores, frames, batch.spoken)
        steps.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        steps.step()
        count += 1
        if count % 500 == 0:
            print(
                f"{100 * done:.0f} %, {count} steps, surprise {loss.item():.3f}",
                flush=True,
            )
    return network.eval()


def main() -> None:
    """Train, print the surprise on texts held back, write the weights."""
    folder, minutes, out = Path(sys.argv[1]), float(sys.argv[2]), Path(sys.argv[3])
    torch.manual_seed(1)
    rng, corpus = np.random.default_rng(1), Corpus(folder)
    network = trained(corpus, minutes, rng)
    with torch.no_grad():
        for _ in range(3):
            batch = corpus.batch(rng, held=True)
            bands, frames = bands_of(batch)
            print(
                f"held back: {surprise(network(bands), frames, batch.spoken).item():.3f}",
                flush=True,
            )
    np.savez_compressed(out, **network.weights())


if __name__ == "__main__":
    main()
