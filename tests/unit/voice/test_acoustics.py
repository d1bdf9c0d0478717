"""The speech model's own network: read from its file, and what a file that is none gives."""

from pathlib import Path

import numpy as np
import pytest

from companion.voice.acoustics import FRAME_SAMPLES, PHONE_COUNT, acoustics
from companion.voice.clips import read_clip
from companion.voice.phrase_scorer import ARPABET_PHONES
from companion.voice.sound import SAMPLE_RATE_HZ

CLIP = Path(__file__).parents[3] / "companion" / "voice" / "how_deep.flac"


def test_it_names_the_sounds_that_are_spoken(model: Path) -> None:
    network = acoustics(model)
    assert network is not None
    logs = network.forward(read_clip(CLIP)).sounds
    assert logs.shape == (48, 1 + PHONE_COUNT)
    assert np.exp(logs).sum(axis=1) == pytest.approx(1.0, abs=1e-3)
    named = [("", *ARPABET_PHONES)[n] for n in logs.argmax(axis=1)]
    spoken = [sound for sound in dict.fromkeys(named) if sound]
    assert spoken[:3] == ["hh", "aw", "d"]
    assert spoken[-2:] == ["ey", "p"] or spoken[-2:] == ["iy", "p"]
    first = next(n for n, sound in enumerate(named) if sound)
    assert 0.1 < first * 0.03 < 0.6, "the clip begins with a moment of quiet"


def test_too_little_sound_has_no_steps(model: Path) -> None:
    network = acoustics(model)
    assert network is not None
    assert network.forward(np.zeros(FRAME_SAMPLES - 1, np.int16)).sounds.shape == (
        0,
        1 + PHONE_COUNT,
    )
    assert network.forward(np.zeros(FRAME_SAMPLES, np.int16)).sounds.shape == (
        1,
        1 + PHONE_COUNT,
    )
    assert all(
        np.isfinite(output).all()
        for output in network.forward(np.zeros(SAMPLE_RATE_HZ, np.int16))
    )


@pytest.mark.parametrize(
    "damage", ["tdnnf7.affine", "<Tuples>", "output-xent.affine", "output.affine"]
)
def test_a_network_that_is_laid_out_otherwise_is_none(
    model: Path, tmp_path: Path, damage: str
) -> None:
    data = (model / "am" / "final.mdl").read_bytes()
    assert damage.encode() in data
    (tmp_path / "am").mkdir()
    (tmp_path / "am" / "final.mdl").write_bytes(
        data.replace(damage.encode(), b"?" * len(damage))
    )
    assert acoustics(tmp_path) is None


@pytest.mark.parametrize("size", [0, 100, 2_000_000])
def test_a_file_cut_short_is_none(model: Path, tmp_path: Path, size: int) -> None:
    (tmp_path / "am").mkdir()
    (tmp_path / "am" / "final.mdl").write_bytes(
        (model / "am" / "final.mdl").read_bytes()[:size]
    )
    assert acoustics(tmp_path) is None
