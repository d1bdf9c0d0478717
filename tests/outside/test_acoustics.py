"""The speech model's network as we run it, against Kaldi's features and people's recorded phrases.

Sources: kaldi-native-fbank (a library of its own that computes Kaldi's features);
people's phrases: ../shared/data/INDEX.md, speech/, which names repository and licence
of each (S: open data). The threshold is ours, below what was measured; the rate is
printed, `-s` shows it.
"""

from pathlib import Path

import kaldi_native_fbank
import numpy as np
import pytest

from companion.voice.acoustics import acoustics, cepstra
from companion.voice.biphones import biphones
from companion.voice.clips import read_clip
from companion.voice.grammar import Aboard, Grammar
from companion.voice.phrase_scorer import PhraseScorer, lexicon
from companion.voice.sound import SAMPLE_RATE_HZ

CLIP = Path(__file__).parents[2] / "companion" / "voice" / "how_deep.flac"
PHRASES = Path(__file__).parents[2].parent / "shared" / "data" / "speech" / "phrases"
GRAMMAR = Grammar(Aboard(rods=(1, 2, 3, 4), lines=(12, 14, 17, 20)))


def test_cepstra_are_kaldis() -> None:
    options = kaldi_native_fbank.MfccOptions()
    options.frame_opts.samp_freq, options.frame_opts.dither = float(SAMPLE_RATE_HZ), 0.0
    options.mel_opts.num_bins, options.mel_opts.low_freq, options.mel_opts.high_freq = (
        40,
        20.0,
        7600.0,
    )
    options.num_ceps, options.use_energy = 40, False
    kaldi = kaldi_native_fbank.OnlineMfcc(options)
    sound = read_clip(CLIP)
    kaldi.accept_waveform(SAMPLE_RATE_HZ, sound.astype(float).tolist())
    kaldi.input_finished()
    wanted = np.array([kaldi.get_frame(n) for n in range(kaldi.num_frames_ready)])
    assert cepstra(sound) == pytest.approx(wanted, abs=1e-3)


@pytest.mark.skipif(
    not PHRASES.is_dir(), reason="not here: the recordings in ../shared/data/speech"
)
def test_the_sounds_of_peoples_phrases_fit_them_best_of_all_commands(
    model: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the sounds of the two networks alone, no word being made out; those of "mirror" are from memory."""
    monkeypatch.setitem(lexicon(), "mirror", (("m", "ih", "r", "er"),))
    network, pairs = acoustics(model), biphones(model)
    assert network is not None
    assert pairs is not None
    named = {"view_glass": "view glass", "smart_mirror": "smart mirror"}
    phrases = {*GRAMMAR.phrases, *named.values()}
    phrase_scorer = PhraseScorer(
        phrases, lambda phrase: GRAMMAR.parse(phrase) or phrase, network, pairs
    )
    right = total = 0
    for key, phrase in named.items():
        for path in sorted(PHRASES.glob(f"{key}*.flac"))[::2]:
            sound = np.pad(read_clip(path), round(0.4 * SAMPLE_RATE_HZ))
            right += phrase_scorer.score_phrases(sound, sound).fits[0].phrase == phrase
            total += 1
    print(f"\nbest fit of all commands: {right} of {total}")
    assert total > 50
    assert right >= 0.95 * total
