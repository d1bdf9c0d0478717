"""Endless sound to hearings: when an utterance begins and is over, and what to complain of.

A `Listener` takes the microphone's frames. Sound that rises above the noise begins an
utterance, which the recogniser decides as soon as it can. While the companion speaks an
`EchoGate` (`companion.voice.echo_gate`) lets through only who speaks too. What an
utterance's clip holds is just what the recogniser was given, so the clip gives
the same words again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

import numpy as np

from companion.voice.echo_gate import EchoGate
from companion.voice.endpointing import CHUNK_FRAMES, Attempt
from companion.voice.heard import Hearing
from companion.voice.microphone import (
    LOUD_FRAMES,
    LOUD_RATIO,
    PRE_ROLL,
    QUIETEST_LEVEL,
    UTTERANCE_PAUSE_S,
    Loudness,
)
from companion.voice.recogniser import Recogniser
from companion.voice.sound import (
    FRAMES_A_SECOND,
    SOUND_FRAME_SAMPLES,
    Samples,
    level,
)

AFTER_OWN_VOICE_FRAMES = 40
"""Frames of quiet that an utterance begins with that follows on the companion's own
voice (0.8 s): until a second word begins it, up to `echo_gate.WORDS_APART` of them are pushed out
by what comes in."""
NO_WORD_S = 2.0
"""How long no word at all may be made out before listening begins afresh, s: it was
noise, if nothing is spoken just then."""
NOTHING_MORE_S = 0.9
"""Nothing spoken for so long after words ends an utterance, s, also amid noise. "Rod",
the beginning of many phrases, waited for the rest of one until another was said."""
PRE_ROLL_FRAMES = round(PRE_ROLL * FRAMES_A_SECOND)
HELD_AFTER = 0.3
"""Sound taken from after the button was let go, s."""
WEAK_LEVEL, CLIPPED_SAMPLE = 250.0, 32000
"""Loudest frame (level of 32768) and sample that make an utterance too quiet, or too loud."""
CLEAR_OF = 0.1
"""So much of the quiet at an utterance's end is not taken into the next one, s: a word may still ring."""
SPEECH_ONSET_S = 0.3
"""How long what becomes loud counts as somebody speaking before it is known what it is, s."""
AFTER_WORDS_S = 0.4
"""What becomes loud so soon after words were decided is not yet somebody speaking, s:
it may be their end, and the answer must not give way to that."""
SPEAKING_GAP_S = 0.2
"""Nothing spoken for no longer than this, s: then somebody speaks who was not known to."""
QUIET_BEFORE = 0.5
"""Nothing spoken for so long, s, and no word begins just now that giving up would cut in two."""
MOST_BEHIND_S = 2.0
"""So far behind its sound, s, listening passes over what cannot be a command, until
there is a pause. On eight commands amid 96 s of actors' talk, with a processor a fifth
as quick, it is .8 s behind on average instead of 13; with a tenth, 14 instead of 67."""
LONGEST_COMMAND_S, LONGEST_BEGINNING_S = 3.5, 0.8
"""Talk lasts longer than any command, s, or begins like none after a command's first words would be known."""
TALK, TALK_FRAMES = 3, 10 * FRAMES_A_SECOND
"""So many utterances that begin like no command, or a long one, make talk for so long
(10 s): then a phrase has to fit better. Of what actors say .92 comes amid such talk; a
command that was missed twice is not yet talk."""
PAUSE_AFTER_TALK_S = 0.3
"""The pause, s, after which what is said is listened to again: a command has as much before it."""
IN_A_ROW = 3
"""So many such utterances one after the other are complained of, once."""


class Listened(NamedTuple):
    """An utterance that was listened to.

    Attributes:
        began, ended: s since the sound began.
        samples: what the recogniser was given.
        hearing: what it made of it.
        level: of the loudest frame, of 32768.
        noise: the level of the noise before it.
    """

    began: float
    ended: float
    samples: Samples
    hearing: Hearing
    level: float
    noise: float


class Talk:
    """Knows whether people have just been talking to each other; times are numbers of frames."""

    def __init__(self) -> None:
        self._at: deque[int] = deque(maxlen=TALK)

    def accept(self, hearing: Hearing, at: int, recogniser: Recogniser) -> None:
        """Take what was heard: what begins like a phrase is no talk."""
        begins = " ".join(hearing.text.split()[:2])
        if begins not in recogniser.beginnings and begins not in recogniser.phrases:
            self._at.extend([at] * (TALK if hearing.is_long else 1))

    def goes_on(self, at: int) -> None:
        """Note that they are talking now."""
        self._at.extend([at] * TALK)

    def forget(self) -> None:
        """Begin anew."""
        self._at.clear()

    def is_lately(self, at: int) -> bool:
        """Tell whether they have just been talking."""
        return len(self._at) == TALK and at - self._at[0] < TALK_FRAMES


class LevelWatch:
    """Complains, once of each, of a microphone that is too quiet or too loud."""

    def __init__(self, complain: Callable[[str], None]) -> None:
        self._complain = complain
        self._weak = self._clipped = 0
        self._told: set[str] = set()

    def accept_sound(self, samples: Samples, loudest: float) -> None:
        """Take the sound of an utterance and the level of its loudest frame."""
        clipped = int(
            np.count_nonzero(np.abs(samples.astype(np.int32)) >= CLIPPED_SAMPLE)
        )
        self._clipped = self._clipped + 1 if clipped > 20 else 0
        self._weak = self._weak + 1 if loudest < WEAK_LEVEL else 0
        if self._weak >= IN_A_ROW:
            self.tell_once("microphone is quiet")
        if self._clipped >= IN_A_ROW:
            self.tell_once("microphone is too loud")

    def tell_once(self, text: str) -> None:
        """Complain of something that was not complained of before."""
        if text not in self._told:
            self._told.add(text)
            self._complain(text)


class Listener:
    """Takes frames and gives utterances as they are decided; its memory is bounded.

    Args:
        recogniser: hears.
        gate: keeps the companion from hearing itself.
        held: whether a push-to-talk button was held so many s ago; None when there is
            none.
        complain: told of a level that is wrong.
        floor: told when somebody begins to speak, and when that is over.

    Attributes:
        behind: how long sound has waited to be listened to, s, told by who gives the
            frames: what takes longer to hear than it lasts must not cost a command, and a
            button was held when the sound was taken.
    """

    def __init__(
        self,
        recogniser: Recogniser,
        gate: EchoGate | None = None,
        held: Callable[[float], bool] | None = None,
        complain: Callable[[str], None] = lambda _: None,
        floor: Callable[[bool], None] = lambda _: None,
    ) -> None:
        self.recogniser = recogniser
        self._gate = gate
        self._held = held
        self._watch = LevelWatch(complain)
        self._floor = floor
        self._before: deque[Samples] = deque(maxlen=PRE_ROLL_FRAMES)
        self._calm: list[Samples] = []
        self._recent: deque[bool] = deque(maxlen=5)
        self._loudness = Loudness()
        self._attempt: Attempt | None = None
        self._frames: list[Samples] = []
        self._count = 0
        self._decided_at = -FRAMES_A_SECOND
        self._is_tail = self._amid_talk = False
        self._talk = Talk()
        self._quiet = self._since_begun = 0
        self._was_deaf = False
        self._calm_frames: int | None = None
        self.behind = 0.0
        self.utterance_open = False

    @property
    def partial(self) -> str:
        """The words made out so far in the utterance under way; empty when there is none."""
        return "" if self._attempt is None else self._attempt.partial

    @property
    def noise(self) -> float:
        """The present estimate of the noise: its level, of 32768."""
        return self._loudness.noise

    def accept_frame(self, frame: Samples) -> Listened | None:
        """Take a frame; return the utterance that is decided with it."""
        decided = self._take(frame)
        is_open = self._is_utterance_open()
        if is_open != self.utterance_open:
            self.utterance_open = is_open
            self._floor(is_open)
        return decided

    def _is_utterance_open(self) -> bool:
        """Tell whether somebody is speaking: what began to be loud, as long as there is speech in it."""
        attempt, since = self._attempt, self._since_begun
        if attempt is None:
            return False
        if since < SPEECH_ONSET_S * FRAMES_A_SECOND:
            return self.utterance_open or not self._is_tail
        if since % (2 * CHUNK_FRAMES):
            return self.utterance_open
        return attempt.still_lately < (
            QUIET_BEFORE if self.utterance_open else SPEAKING_GAP_S
        )

    def _take(self, frame: Samples) -> Listened | None:
        self._count += 1
        if not self._may_hear(frame):
            self._drop()
            return None
        loud = self._loudness.is_loud(frame)
        self._recent.append(loud)
        if self._passes_over(loud):
            return None
        if self._attempt is None:
            return self._begin() if self._begins() else None
        self._frames.append(frame)
        self._since_begun += 1
        self._quiet = 0 if self._goes_on(loud) else self._quiet + 1
        return self._listen(self._attempt, frame)

    def _passes_over(self, loud: bool) -> bool:
        """Tell whether a frame belongs to talk that there is no time for."""
        if self.behind > MOST_BEHIND_S and self._is_talk():
            self._drop()
            self._talk.goes_on(self._count)
            self._calm_frames = 0
            self._watch.tell_once("listening falls behind")
        if self._calm_frames is None:
            return False
        self._calm_frames += 1
        if loud:
            self._calm_frames = 0
        if self._calm_frames >= PAUSE_AFTER_TALK_S * FRAMES_A_SECOND:
            self._calm_frames = None
        return True

    def _is_talk(self) -> bool:
        """Tell whether what is said cannot be a command: it begins like none, or is too long."""
        if self._attempt is None or self._held is not None:
            return False
        longest = LONGEST_COMMAND_S
        if self._attempt.begins_like_none:
            longest = LONGEST_BEGINNING_S
        return self._since_begun > longest * FRAMES_A_SECOND

    def restart(self) -> None:
        """Begin anew with another stream of sound; what was being said is dropped."""
        self._drop()
        self._before.clear()
        self._calm_frames = None
        self._count = 0
        self._decided_at = -FRAMES_A_SECOND
        self._talk.forget()
        if self._gate is not None:
            self._gate.restart()
        if self.utterance_open:
            self.utterance_open = False
            self._floor(False)

    def finish(self) -> Listened | None:
        """Return what has been said so far; None when nothing has."""
        return None if self._attempt is None else self._heard(self._attempt.finish())

    def _begins(self) -> bool:
        if self._held is not None:
            return self._held(self.behind)
        somebody_spoke = self._gate is not None and bool(self._gate.words)
        return somebody_spoke or sum(self._recent) >= LOUD_FRAMES

    def _goes_on(self, loud: bool) -> bool:
        return loud if self._held is None else self._held(self.behind)

    def _may_hear(self, frame: Samples) -> bool:
        """Tell whether a frame is to be listened to; an utterance after it has none of its own voice."""
        if self._gate is None:
            self._before.append(frame)
            return True
        is_open = self._gate.is_open(frame, self.utterance_open, self.noise)
        if not is_open and not self._was_deaf:
            loudest = LOUD_RATIO * max(self.noise, QUIETEST_LEVEL)
            self._calm = [one for one in self._before if level(one) <= loudest]
        was_deaf, self._was_deaf = self._was_deaf, not is_open
        if is_open and was_deaf:
            self._leave_out_own_voice(self._gate.words)
        self._before.append(frame)
        return is_open

    def _leave_out_own_voice(self, words: list[Samples]) -> None:
        """Put the quiet that there was before the companion spoke in the place of its voice.

        What is said then is more likely meant for it than talk is.
        """
        self._talk.forget()
        calm = self._calm or [np.zeros(SOUND_FRAME_SAMPLES, np.int16)]
        before = (calm * AFTER_OWN_VOICE_FRAMES)[-AFTER_OWN_VOICE_FRAMES:] + words
        self._before = deque(before, max(PRE_ROLL_FRAMES, len(before) + 1))

    def _begin(self) -> Listened | None:
        # Who holds the button does not talk to others.
        self._amid_talk = self._held is None and self._talk.is_lately(self._count)
        attempt = self.recogniser.begin(amid_talk=self._amid_talk)
        self._attempt = attempt
        self._is_tail = self._count - self._decided_at < AFTER_WORDS_S * FRAMES_A_SECOND
        self._frames = []
        self._quiet = self._since_begun = 0
        before, self._before = self._before, deque(self._before, PRE_ROLL_FRAMES)
        for frame in before:
            self._frames.append(frame)
            hearing = attempt.accept_frame(frame)
            if hearing is not None:
                return self._heard(hearing)
        return None

    def _listen(self, attempt: Attempt, frame: Samples) -> Listened | None:
        hearing = attempt.accept_frame(frame)
        pause = UTTERANCE_PAUSE_S if self._held is None else HELD_AFTER
        if hearing is None and self._quiet >= pause * FRAMES_A_SECOND:
            hearing = attempt.finish()
        if hearing is not None:
            return self._heard(hearing)
        if self._held is None and self._is_given_up(attempt):
            return self._heard(attempt.finish())
        return None

    def _is_given_up(self, attempt: Attempt) -> bool:
        """Tell whether nothing more is said: noise can be loud all the time."""
        if len(self._frames) % CHUNK_FRAMES:
            return False
        if not attempt.wordless:
            return attempt.has_been_still(NOTHING_MORE_S)
        longest = NO_WORD_S * FRAMES_A_SECOND
        return len(self._frames) > longest and attempt.has_been_still(QUIET_BEFORE)

    def _heard(self, hearing: Hearing) -> Listened | None:
        """Return the utterance heard; with nothing heard, all sound is kept for what may follow at once."""
        frames, attempt = self._frames, self._attempt
        still = 0.0 if attempt is None else max(0.0, attempt.still - CLEAR_OF)
        self._drop()
        if not hearing.text:
            return None
        hearing = hearing._replace(amid_talk=self._amid_talk)
        self._decided_at = self._count
        self._talk.accept(hearing, self._count, self.recogniser)
        self._before.clear()  # the next utterance must not begin with the words of this one
        self._before.extend(frames[len(frames) - round(still * FRAMES_A_SECOND) :])
        samples, ended = np.concatenate(frames), self._count / FRAMES_A_SECOND
        loudest = max(map(level, frames))
        self._watch.accept_sound(samples, loudest)
        began = ended - len(frames) / FRAMES_A_SECOND
        return Listened(began, ended, samples, hearing, loudest, self.noise)

    def _drop(self) -> None:
        self._attempt = None
        self._frames = []
        self._recent.clear()


def listened(frames: Iterable[Samples], listener: Listener) -> Iterator[Listened]:
    """Yield the utterances in frames, as they are decided."""
    for frame in frames:
        heard = listener.accept_frame(frame)
        if heard is not None:
            yield heard
    last = listener.finish()
    if last is not None:
        yield last
