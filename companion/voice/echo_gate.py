"""Who speaks while the companion speaks: when to be deaf to its own voice, and when to fall silent.

While the companion speaks, and until the room has stopped ringing, nothing is heard,
unless a voice much louder than the companion's own talks over it: then the companion
falls silent and listens. What was said into a line is found once its own voice has been
taken out (`companion.voice.echo`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

import numpy as np

from companion.voice.echo import without_echo
from companion.voice.microphone import LOUD_FRAMES, LOUD_RATIO, QUIETEST_LEVEL
from companion.voice.sound import (
    FRAMES_A_SECOND,
    SOUND_FRAME_SAMPLES,
    Samples,
    frames_of,
    level,
)

ROOM_RINGS = 0.3
"""How long the companion's own voice goes on in the room after it has ended, s."""
BARGE_IN_RATIO, LOUD_SHARE = 1.5, 90
"""How many times the level that so many in a hundred of its own frames stay below
counts as somebody talking over it: 9 dB above its mean level. Of its lines one to three
frames are that loud, never several in a row; a mouth at a lapel microphone is 10 dB and
more above a speaker a metre away."""
BARGE_IN_FRAMES, BARGE_IN_WINDOW_FRAMES = 8, 15
"""So many frames of the last so many (0.16 of 0.3 s) have to be that loud: a slap of a wave is shorter."""
GETS_USED = 15
"""Frames of its own voice from which it knows how loud that is (0.3 s)."""
ECHO_LEARNING_FRAMES = 40
"""Frames of a line, and of the room after it, from which that is learned: a tone is shorter (0.8 s)."""
ECHO_LEARNING_RATIO = 1.4
"""How many times louder or softer than it was known to be one line may make it (3 dB)."""
BEGAN_WITHIN, WORDS_APART = 60, 20
"""Who is found to talk over it began at most so many frames before (1.2 s), and no two
of the loud frames between lie further apart than so many (0.4 s): of 220 commands in
ten voices ("cast twelve o'clock", "touched bottom") the longest soft stretch between
their words is 0.34 s, and in every third it is over 0.2 s."""
MOST_UNDER_LINES_FRAMES = 20 * FRAMES_A_SECOND
"""As much is kept of what is heard while it speaks, a line after the other (20 s)."""
ECHO_REST, ECHO_REST_FRAMES = 0.5, 10
"""The part of a line's level at the microphone that may be left when the line has been
taken out, there and in so many frames after (0.2 s): an open boat rings no longer."""
BARGE_IN_ONSET_FRAMES = 10
"""Frames before the first loud one that belong to who talks over it: words begin softly."""


class EchoGate:
    """Tells the frames in which the companion itself may be heard from those to listen to.

    How loud it is at the microphone is learned from whole lines that began in quiet and
    that nobody talked over, so that who speaks while it begins is not taken for it.

    Args:
        speaking: tells whether sound is being played.
        hush: makes the companion stop speaking.
        played: returns the line that is played, or was last; None where that is not
            known.

    Attributes:
        words: when it opens, the frames of what somebody said while it was closed, the
            companion's own voice taken out; empty when nobody did.
    """

    def __init__(
        self,
        speaking: Callable[[], bool],
        hush: Callable[[], None] = lambda: None,
        played: Callable[[], Samples | None] = lambda: None,
    ) -> None:
        self._speaking = speaking
        self._hush = hush
        self._under = UnderLines(played)
        self._own: float | None = None
        self._line: list[float] = []
        self._learns = self._yielded = self._keeps_on = False
        self._ringing = 0
        self._over: deque[bool] = deque(maxlen=BEGAN_WITHIN)
        self.words: list[Samples] = []

    def is_open(
        self, frame: Samples, utterance_open: bool = False, noise: float = 0.0
    ) -> bool:
        """Take the next frame; tell whether it may be listened to.

        Args:
            frame: the frame.
            utterance_open: somebody is speaking already: then the companion gives way
                at once, and goes on being heard.
            noise: the level of the noise before the companion spoke.
        """
        if self._speaking():
            if not self._line and not self._yielded:
                self._begin(learns=not utterance_open)
            self._ringing = round(ROOM_RINGS * FRAMES_A_SECOND)
        elif self._yielded or not self._ringing:
            self.words = self._under.words(noise, self._own, list(self._over))
            self._end()
            return True
        else:
            self._ringing -= 1
        if utterance_open and len(self._line) < GETS_USED and not self._yielded:
            self._give_way()
            self._keeps_on = True
            self._under.forget()
        if not self._keeps_on:
            self._under.accept_frame(frame)
        if not self._yielded:
            self._watch(level(frame))
        return self._keeps_on

    def restart(self) -> None:
        """Begin anew with another stream of sound; how loud the companion is stays known."""
        self._under.forget()
        self._close_line()
        self.words = []

    def _begin(self, *, learns: bool) -> None:
        self._learns = learns
        self._over.clear()

    def _end(self) -> None:
        """Learn, from a line that is over, how loud the companion is."""
        if (
            self._learns
            and not self._yielded
            and not self.words
            and len(self._line) >= ECHO_LEARNING_FRAMES
        ):
            loud = float(
                np.percentile(
                    self._line[: -round(ROOM_RINGS * FRAMES_A_SECOND)], LOUD_SHARE
                )
            )
            known = loud if self._own is None else self._own
            self._own = (
                known
                + min(
                    max(loud, known / ECHO_LEARNING_RATIO), ECHO_LEARNING_RATIO * known
                )
            ) / 2.0
        self._close_line()

    def _close_line(self) -> None:
        self._line, self._learns, self._yielded, self._ringing = [], False, False, 0
        self._keeps_on = False

    def _watch(self, loud: float) -> None:
        """Give way when somebody talks over the line, by the level of its next frame."""
        own = self._own
        if own is None and self._learns and len(self._line) >= GETS_USED:
            own = max(
                loud
                for loud, over in zip(self._line, self._flags(), strict=True)
                if not over
            )
        self._over.append(own is not None and loud > BARGE_IN_RATIO * own)
        self._line.append(loud)
        if sum(list(self._over)[-BARGE_IN_WINDOW_FRAMES:]) < BARGE_IN_FRAMES:
            return
        # Were it taken for quieter than it is, it would stop itself in every line and
        # never learn better.
        self._own = None if self._own is None else self._own * ECHO_LEARNING_RATIO**0.5
        self._give_way()

    def _flags(self) -> list[bool]:
        """Tell of each frame of the line whether it was louder than the companion; older ones were not."""
        return [*[False] * (len(self._line) - len(self._over)), *self._over]

    def _give_way(self) -> None:
        self._yielded = True
        self._hush()


class UnderLines:
    """Keeps what is heard while the companion speaks, and finds what somebody said into it.

    Args:
        played: returns the line that is played, or was last; None where that is not
            known.
    """

    def __init__(self, played: Callable[[], Samples | None]) -> None:
        self._played = played
        self._heard: list[Samples] = []
        self._lines: list[tuple[int, Samples]] = []

    def accept_frame(self, frame: Samples) -> None:
        """Take a frame in which the companion may be heard."""
        line = self._played()
        if line is not None and (not self._lines or line is not self._lines[-1][1]):
            self._lines.append((len(self._heard), line))
        if len(self._heard) < MOST_UNDER_LINES_FRAMES:
            self._heard.append(frame)

    def forget(self) -> None:
        """Begin anew."""
        self._heard, self._lines = [], []

    def words(
        self, noise: float, own: float | None, louder: list[bool]
    ) -> list[Samples]:
        """Return the frames from where somebody began to speak, without the lines; empty when nobody did.

        Args:
            noise: the level of the noise before.
            own: how loud a line is at the microphone, where that is known.
            louder: of each of the last frames, whether it was louder than the companion
                is: by that it goes where a line cannot be taken out.
        """
        if not self._heard:
            return []
        frames, since = self._said_into_lines(noise)
        if not _is_a_voice(frames[len(frames) - since :], own):
            since = 0
        if not since:
            frames = self._heard
            since = _frames_since_words_began(louder, WORDS_APART)
        self.forget()
        return frames[-(since + BARGE_IN_ONSET_FRAMES) :] if since else []

    def _said_into_lines(self, noise: float) -> tuple[list[Samples], int]:
        """Return the frames without the lines, and how many of the last are since words began.

        What seems to be words may be the rest of a line whose player stumbled.
        """
        frames, since = self._heard, 0
        for may_have_stumbled in (False, True):
            left = self._without_lines(may_have_stumbled=may_have_stumbled)
            if left is None:
                return self._heard, 0
            said = _said(left, self._heard, noise)
            frames, since = left, _frames_since_words_began(said, len(said))
            if not since:
                break
        return frames, since

    def _without_lines(self, *, may_have_stumbled: bool) -> list[Samples] | None:
        """Return the frames with the lines taken out; None where one is not found in them."""
        sound = np.concatenate(self._heard)
        for number, line in self._lines:
            at = number * SOUND_FRAME_SAMPLES
            left = without_echo(sound[at:], line, may_have_stumbled=may_have_stumbled)
            if left is None:
                return None
            sound = np.concatenate([sound[:at], left])
        return list(frames_of(sound)) if self._lines else None


def _is_a_voice(frames: list[Samples], own: float | None) -> bool:
    """Tell whether what is left is as loud as a line is itself: else it may be left of one.

    Where a busy computer's sound cards lose pieces of a line, their places are not
    quieter for the line's being taken out.
    """
    return sum(level(frame) > (own or 0.0) for frame in frames) >= BARGE_IN_FRAMES


def _said(frames: list[Samples], heard: list[Samples], noise: float) -> list[bool]:
    """Tell of each frame whether somebody speaks in it: more is left than noise and the rest of an echo."""
    left = np.array([level(frame) for frame in frames])
    echo = [level(a - b.astype(float)) for a, b in zip(heard, frames, strict=True)]
    rest = [
        ECHO_REST * max(echo[max(n - ECHO_REST_FRAMES, 0) : n + 2])
        for n in range(len(echo))
    ]
    loud = left > np.maximum(LOUD_RATIO * max(noise, QUIETEST_LEVEL), rest)
    several = np.convolve(loud, np.ones(2 * LOUD_FRAMES - 1), "same") >= LOUD_FRAMES
    return [bool(here) for here in loud & several]


def _frames_since_words_began(said: list[bool], ended_within: int) -> int:
    """Return how many of the last frames belong to who began to speak; 0 when nobody did.

    Args:
        said: of each of the last frames, whether somebody spoke in it.
        ended_within: how many frames ago the words may have ended.
    """
    began = 0
    spoken = [back for back, here in enumerate(reversed(said), 1) if here]
    for back in spoken:
        if back - began > (WORDS_APART if began else ended_within):
            break
        began = back
    return began if len(spoken) >= LOUD_FRAMES else 0
