"""The time base: from TAG blocks, times of day, arrivals or nothing at all to logic time and UTC.

Logic time counts milliseconds since the first datum and never goes back. UTC is a set
of anchors: at this logic time it was that UTC. All arithmetic is in whole milliseconds,
so that the same recording gives the same times to the last bit however it is read.

What is met: sentences of one receiver out of order by some tenths; a GLL whose time
stands still for hours beside a GGA that runs; a second receiver with its own idea; time
that goes back 12 s once; no time for a minute, then time again; seconds told only every
ten; midnight with no date beside it; a date 1024 weeks early; recordings with times of
day and no date; recordings with no clock.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta

from companion.sensing.fields import DAY_MS, END_OF_TIME_MS

_ERA = timedelta(weeks=1024)  # GPS counts its weeks in ten bits (IS-GPS-200)
_EPOCH = date(1970, 1, 1).toordinal()
_AT_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_HALF_DAY_MS = DAY_MS // 2
_BYTES_PER_SECOND = 480  # a 4800 baud line, ten bits a byte (NMEA 0183)
_OLD_FIX_MS = 15_000  # further behind, a position stands still; some receivers tell seconds by tens only
_OTHER_TALKER_MS = 10_000  # another receiver moves the clock after this much silence of the one in charge
_SAME_CLOCK_MS = 2_000  # this near, TAG blocks and GPS tell one UTC; the rest is delay in receiver and wire
_UTC_TOLERANCE_MS = 3_000  # UTC is anchored anew only beyond this
_MIDNIGHT_MS = 60_000  # about midnight: time and date may disagree
_SAME_DAY_DAYS = 2  # this near, two clocks tell one day: one of them is set by hand, or in local time
_MOST_DAYS = 16  # dates whose era is remembered
_OUT_OF_ORDER_MS = (
    5_000  # TAG times come from one clock; further back than this it has been set
)


class Anchors:
    """Pieces of "UTC = logic time + offset", ms, in the order in which they were learnt."""

    def __init__(self) -> None:
        self._since: list[int] = []
        self._offset: list[int] = []

    def __len__(self) -> int:
        return len(self._since)

    def learn(self, now: int, utc: int, tolerance: int) -> bool:
        """Learn that it is `utc` at logic time `now`; return whether that was news beyond the tolerance."""
        offset = utc - now
        if self._offset and abs(offset - self._offset[-1]) <= tolerance:
            return False
        self._since.append(now)
        self._offset.append(offset)
        return True

    def utc(self, t: int) -> int | None:
        """Return the UTC at logic time t; before the first anchor by that anchor."""
        if not self._since:
            return None
        return t + self._offset[max(0, bisect_right(self._since, t) - 1)]

    def at(self, utc: int) -> int | None:
        """Return the logic time at which it was this UTC; the latest when a clock was set back."""
        for i in range(len(self._since) - 1, -1, -1):
            t = utc - self._offset[i]
            if i == 0:
                return t
            if t >= self._since[i]:
                return t
        return None


class GpsClock:
    """The time the sentences tell: UTC in ms once a date is known, before that ms on a day without a name.

    A tick is late when it is behind the clock; the clock is set back only when one
    sentence shows two late times running on while nothing shows a newer one. An undated
    tick starts the clock only by moving: a time of day that stands still starts
    nothing.

    Attributes:
        now: ms, UTC or (not yet `dated`) since some midnight; None before the first
            tick.
        lag: ms by which the last tick was behind the clock.
    """

    def __init__(self) -> None:
        self.now: int | None = None
        self.dated = False
        self.lag = 0
        self._talker: str = ""
        self._last: dict[str, int] = {}

    def tick(
        self, talker: str, sentence: str, time: int, day: date | None
    ) -> int | None:
        """Take a time of day, ms, and perhaps a date; return the ms passed since the last tick.

        0: nothing new; negative: set back; None: late, or not believed.
        """
        self.lag = 0
        tick = self._resolve(time, day)
        if self.now is None:
            return self._open(talker, sentence, tick, day is not None)
        if day is not None and not self.dated:
            return self._name_the_day(tick)
        passed = tick - self.now
        if passed > 0:
            if talker != self._talker:
                if passed <= _OTHER_TALKER_MS:
                    return None
                self._talker = talker
            self._last.clear()
        elif passed < 0 and not self._set_back(talker, sentence, tick):
            self.lag = -passed
            return None
        self.now = tick
        return passed

    def _resolve(self, time: int, day: date | None) -> int:
        """Return the tick: dated as told, undated on the day that brings it within 12 h of the clock.

        About midnight some receivers change the time and the date in different
        sentences: there a date that is one day off is not believed.
        """
        if day is not None:
            tick = (day.toordinal() - _EPOCH) * DAY_MS + time
            if self.now is None or _MIDNIGHT_MS <= time <= DAY_MS - _MIDNIGHT_MS:
                return tick
            if abs(abs(tick - self.now) - DAY_MS) > _MIDNIGHT_MS:
                return tick
        if self.now is None:
            return time
        return self.now + _within_half_a_day(time - self.now)

    def _open(self, talker: str, sentence: str, tick: int, dated: bool) -> int | None:
        before = self._last.get(sentence, tick)
        self._last[sentence] = tick
        if not dated and before == tick:
            return None
        self.now, self.dated, self._talker = tick, dated, talker
        self._last.clear()
        return _within_half_a_day(tick - before) if tick > before else 0

    def _name_the_day(self, tick: int) -> int:
        """Return what has passed is told by the times of day alone."""
        passed = _within_half_a_day(tick - (self.now or 0))
        self.now, self.dated = tick, True
        return max(passed, 0)

    def _set_back(self, talker: str, sentence: str, tick: int) -> bool:
        before = self._last.get(sentence)
        self._last[sentence] = tick
        if (
            talker != self._talker
            or before is None
            or not before < tick <= before + _OLD_FIX_MS
        ):
            return False
        self._last.clear()
        return True


def _within_half_a_day(ms: int) -> int:
    return (ms + _HALF_DAY_MS) % DAY_MS - _HALF_DAY_MS


class BytePace:
    """The flow of time between the ticks of a recording's own clock: as fast as its bytes come.

    A clock that tells whole seconds, or seconds by tens, is filled in between; it is
    waited for as long as two steps of bytes, and when it then stays away (the fix is
    lost) time goes on at the last pace. Before any tick the pace is that of a 4800 baud
    line, the slowest there is to hear from.

    Attributes:
        ticking: a clock has been heard.
    """

    def __init__(self) -> None:
        self._source: str | None = None
        self._end = 0
        self._bytes = _BYTES_PER_SECOND * 4
        self._time = 4000
        self._learnt = False
        self.ticking = False

    def since_tick(self, source: str, end: int) -> int:
        """Return the ms since the last tick, for a sentence of this source ending at byte `end`."""
        if self._source is None:
            self._source, self._end = source, end
        if source != self._source:
            return 0
        passed = (end - self._end) * self._time // self._bytes
        if not self.ticking:
            return passed
        step = self._time // 4
        if passed < 3 * step:
            return min(passed, step)
        return passed - 2 * step

    def tick(self, source: str, end: int, passed: int) -> None:
        """Note that the clock moved by `passed` ms with the sentence ending at byte `end`."""
        if (
            self.ticking
            and source == self._source
            and 0 < passed <= _OLD_FIX_MS
            and end > self._end
        ):
            # Sums that forget a quarter at each tick, for a mean over about four; the
            # first stands for all.
            if not self._learnt:
                self._time, self._bytes, self._learnt = (
                    passed * 3,
                    (end - self._end) * 3,
                    True,
                )
            else:
                self._time, self._bytes = self._time * 3 // 4, self._bytes * 3 // 4
            self._time += passed
            self._bytes += end - self._end
        self.ticking = True
        self._source, self._end = source, end


class GpsEras:
    """The 1024 weeks that a receiver's date belongs to.

    Some receivers give a date whole eras too early: their week has ten bits. Another
    clock's day tells the era, or a day that nothing can be older than. A date that may
    be an era early, and that nothing speaks against, is kept and told.
    """

    def __init__(self, dropped: Counter[str], warn: Callable[[str], None]) -> None:
        """`warn` is called once for each source whose date is, or may be, too early."""
        self._dropped, self._warn = dropped, warn
        self._days: dict[tuple[date, date], date] = {}
        self._latest = date.min
        self._told: set[str] = set()

    def true_day(
        self,
        day: date,
        not_before: date,
        source: str,
        recorder: date | None,
        recorded: Sequence[date] = (),
    ) -> date:
        """Return the date, moved on by whole eras when it is too early to be true.

        Args:
            day: as it was told.
            not_before: nothing is older.
            source: who told it.
            recorder: the day by the clock of who recorded it; None: it had none.
            recorded: days on which a file may have been recorded.
        """
        known = self._days.get((day, not_before))
        if known is None:
            others = (*recorded, recorder or date.min)
            known = self._judge(day, not_before, source, others)
            if known == day and _may_be_early(day, recorded):
                self._tell(
                    source,
                    f"{day}, kept as it is; if it lags by 1024 weeks, name the file "
                    f"after its day: {day + _ERA}.nmea",
                )
            if len(self._days) >= _MOST_DAYS:
                self._days.clear()
            self._days[day, not_before] = known
        self._latest = known
        return known

    def _judge(
        self, day: date, not_before: date, source: str, others: Sequence[date]
    ) -> date:
        # A day that was believed of another sentence is as good as another clock's.
        true = _as_another_tells(day, (*others, self._latest)) or day
        while true < not_before:
            true += _ERA
        if true != day:
            self._dropped["date 1024 weeks early"] += 1
            self._tell(source, f"{day}; it lags by 1024 weeks, taken as {true}")
        return true

    def _tell(self, source: str, date_told: str) -> None:
        if source not in self._told:
            self._told.add(source)
            self._warn(f"{source} gives the date {date_told}")


def _as_another_tells(day: date, others: Sequence[date]) -> date | None:
    """Return the day, whole eras later, that another clock agrees with; None when none does."""
    for other in others:
        eras = round((other - day) / _ERA)
        if eras > 0 and _is_one_day(day + eras * _ERA, other):
            return day + eras * _ERA
    return None


def _may_be_early(day: date, others: Sequence[date]) -> bool:
    """Tell whether a date may be an era early for all that other clocks tell."""
    if not others or any(_is_one_day(day, other) for other in others):
        return False
    return day + _ERA <= max(others)


def _is_one_day(one: date, other: date) -> bool:
    return abs((one - other).days) <= _SAME_DAY_DAYS


class TimeBase:
    """Logic time, ms, and the UTC that belongs to it.

    Attributes:
        now: logic time of the sentence last taken; never decreases.
        tagged: TAG blocks give the time.
        warnings: what was corrected, in plain words; the reader empties it.
    """

    def __init__(self, dropped: Counter[str], on_set: Callable[[], None]) -> None:
        """`on_set` is called when a clock was set and nobody knows how old anything is."""
        self.now = 0
        self._on_set = on_set
        self.tagged = False
        self.warnings: list[str] = []
        self._dropped = dropped
        self._gps = GpsClock()
        self._pace = BytePace()
        self._ticked = (
            0  # logic time of the clock's last tick, before the pace fills in
        )
        self._utc = Anchors()
        self._tags = Anchors()
        self._tag = 0
        self._tag_zero = 0
        self._arrival_zero: int | None = None
        self._eras = GpsEras(dropped, self._warn)

    def by_tag(self, tag: int) -> None:
        """Move by a TAG block's time, UTC in ms."""
        passed = tag - self._tag
        if self.tagged and 0 <= passed <= _HALF_DAY_MS:
            self._tag = tag
            self.now = max(self.now, tag - self._tag_zero)
        elif not self.tagged or not -_OUT_OF_ORDER_MS <= passed < 0:
            if self.tagged:
                self._was_set("the recorder's")
            self.tagged = True
            self._tag = tag
            self._tag_zero = tag - self.now
            self._tags.learn(self.now, tag, 0)

    def by_arrival(self, t: float) -> None:
        """Move by the arrival of bytes, s on any monotonic clock."""
        arrival = round(t * 1000.0)
        if self._arrival_zero is None:
            self._arrival_zero = arrival - self.now
        self.now = max(self.now, arrival - self._arrival_zero)

    def by_pace(self, source: str, end: int) -> None:
        """Move by the bytes of a recording since its clock's last tick."""
        self.now = max(self.now, self._ticked + self._pace.since_tick(source, end))

    def by_sentence(
        self,
        source: str,
        talker: str,
        sentence: str,
        time: int,
        day: date | None,
        end: int,
        *,
        moves: bool,
    ) -> bool:
        """Take a time of day, ms, and perhaps a date; return False when that time has been standing still.

        ``talker`` and ``sentence`` are names unique over all sources, ``end`` the byte
        at which the sentence ended. ``moves``: these times are what logic time comes
        from; otherwise they only tell UTC.
        """
        passed = self._gps.tick(talker, sentence, time, day)
        if passed is None:
            return self._gps.lag <= _OLD_FIX_MS
        if moves:
            self._move(source, end, passed)
        if passed != 0 or not self._utc:
            self._tell_utc(moves)
        return True

    def _move(self, source: str, end: int, passed: int) -> None:
        if passed == 0 and self._pace.ticking:
            return
        if not 0 <= passed <= _HALF_DAY_MS:
            self._was_set("the receiver's")
            passed = 0
        self._ticked += passed
        if passed == 0 or self._ticked < self.now - _OLD_FIX_MS:
            self._ticked = (
                self.now
            )  # also when the pace ran on for longer than the clock was away
        self.now = max(self.now, self._ticked)
        self._pace.tick(source, end, passed)

    def _tell_utc(self, moves: bool) -> None:
        now = self._gps.now
        if now is None or not self._gps.dated:
            return
        if moves:
            self._utc.learn(self._ticked, now, 0)
            return
        recorder = self._tags.utc(self.now)
        if recorder is not None and abs(now - recorder) <= _SAME_CLOCK_MS:
            now = recorder
        self._utc.learn(self.now, now, _UTC_TOLERANCE_MS)

    def true_day(
        self, day: date, not_before: date, source: str, recorded: Sequence[date] = ()
    ) -> date:
        """Return the date, moved on by whole GPS eras of 1024 weeks when it is too early to be true.

        The TAG blocks tell for certain, when there are any; else the days that a
        recording may be of, when one of them agrees; else `not_before` decides.
        """
        if self.tagged:
            recorder = date.fromordinal(self._tag // DAY_MS + _EPOCH)
            return self._eras.true_day(day, not_before, source, recorder)
        return self._eras.true_day(day, not_before, source, None, recorded)

    def _was_set(self, whose: str) -> None:
        self._on_set()
        self._dropped["clock set"] += 1
        self._warn(f"{whose} clock was set; how much time passed is not known")

    def _warn(self, text: str) -> None:
        self.warnings.append(text)

    def utc(self, t: float) -> datetime | None:
        """Return UTC at logic time t, s; None until the GPS has told it."""
        ms = self._utc.utc(round(t * 1000.0))
        if ms is None or ms >= END_OF_TIME_MS:
            return None
        return _AT_EPOCH + timedelta(milliseconds=ms)

    def at(self, utc: datetime) -> float | None:
        """Return the logic time, s, of a UTC instant on the recorder's clock, else the GPS's.

        It may be negative: before the first datum.

        Raises:
            ValueError: `utc` has no time zone.
        """
        if utc.tzinfo is None:
            raise ValueError(f"UTC instant {utc.isoformat()} has no time zone")
        ms = (utc - _AT_EPOCH) // timedelta(milliseconds=1)
        t = (self._tags if self.tagged else self._utc).at(ms)
        if t is None:
            return None
        return t / 1000.0
