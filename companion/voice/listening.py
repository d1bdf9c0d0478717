"""Endless sound to hearings: when to listen, when to be deaf to its own voice, what to complain of.

A `Listener` takes the microphone's frames. Sound that rises above the noise begins an
utterance, which the recogniser decides as soon as it can. While the companion speaks,
and until the room has stopped ringing, nothing is heard, unless a voice much louder
than the companion's own talks over it: then the companion falls silent and listens.
What an utterance's clip holds is just what the recogniser was given, so the clip gives
the same words again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

import numpy as np

from companion.voice.echo import without_echo
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
AFTER_OWN_VOICE_FRAMES = 40
"""Frames of quiet that an utterance begins with that follows on the companion's own
voice (0.8 s): until a second word begins it, up to `WORDS_APART` of them are pushed out
by what comes in."""
NO_WORD_S = 2.0
"""How long no word at all may be made out before listening begins afresh, s: it was
noise, if nothing is spoken just then."""
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
        held: whether a push-to-talk button is held; None when there is none.
        complain: told of a level that is wrong.
        floor: told when somebody begins to speak, and when that is over.

    Attributes:
        behind: how long sound has waited to be listened to, s, told by who gives the
            frames: what takes longer to hear than it lasts must not cost a command.
    """

    def __init__(
        self,
        recogniser: Recogniser,
        gate: EchoGate | None = None,
        held: Callable[[], bool] | None = None,
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
        if self.utterance_open:
            self.utterance_open = False
            self._floor(False)

    def finish(self) -> Listened | None:
        """Return what has been said so far; None when nothing has."""
        return None if self._attempt is None else self._heard(self._attempt.finish())

    def _begins(self) -> bool:
        if self._held is not None:
            return self._held()
        somebody_spoke = self._gate is not None and bool(self._gate.words)
        return somebody_spoke or sum(self._recent) >= LOUD_FRAMES

    def _goes_on(self, loud: bool) -> bool:
        return loud if self._held is None else self._held()

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
        if self._held is None and self._is_noise(attempt):
            return self._heard(attempt.finish())
        return None

    def _is_noise(self, attempt: Attempt) -> bool:
        return (
            attempt.wordless
            and len(self._frames) > NO_WORD_S * FRAMES_A_SECOND
            and len(self._frames) % CHUNK_FRAMES == 0
            and attempt.still_lately >= QUIET_BEFORE
        )

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
