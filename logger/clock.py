"""The one clock: UTC for every stored time, monotonic by construction, with its troubles told instead of followed.

The record's time is anchored once to the computer's clock and from then on runs with the counter that goes on while
the machine sleeps. So a job's times never jump or repeat, whoever sets the computer's clock. Small differences to
that clock (it is corrected by the network, or the counter drifts) are slewed by at most 500 ppm, the rate NTP allows
itself, and never by more than the difference seen. A jump of it is a step: told and recorded with its size, so that a
reader can always find the computer's own time, but not followed.

Sleep, stall and step are told apart by three readings (`Reading`): boot - mono grows by the time slept; mono grows by
more than the tick's period when the process stood still; wall - boot jumps when the clock was set. On Windows and
macOS the same three readings come from other counters, see `read_system`.
"""

import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from enum import StrEnum

from logger.model.units import NS_PER_S

STEP_NS = NS_PER_S // 2
SLEEP_NS = NS_PER_S // 2
MAX_SLEW = 500e-6
SLEW_NS = 10 * NS_PER_S
MISSED_PERIODS = 3
MIN_CLOCK_NS = 1_767_225_600_000_000_000  # 2026-01-01, since 1970: a clock before was never set


@dataclass(frozen=True, slots=True)
class ClockReading:
    """One look at the computer's clocks, ns. wall: UTC as the computer believes it; mono: stands still while it
    sleeps; boot: goes on while it sleeps."""

    wall_ns: int
    mono_ns: int
    boot_ns: int


class TroubleKind(StrEnum):
    SLEEP = "sleep"  # the computer slept
    STALL = "stall"  # the computer ran, this program did not get to
    STEP = "clock step"  # someone or something set the computer's clock


@dataclass(frozen=True, slots=True)
class Trouble:
    """from_ns, to_ns: UTC of the record, around it. seconds: how long, or how far the clock was set (+ forwards)."""

    kind: TroubleKind
    seconds: float
    from_ns: int
    to_ns: int

    @property
    def text(self) -> str:
        if self.kind is TroubleKind.SLEEP:
            return f"the computer slept for {_words(self.seconds)}"
        if self.kind is TroubleKind.STALL:
            return f"the program was stopped for {_words(self.seconds)}"
        way = "forwards" if self.seconds > 0 else "back"
        return (
            f"the computer's clock was set {way} by {_words(abs(self.seconds))}; the record's time continues unchanged"
        )

    @property
    def is_gap(self) -> bool:
        """No readings were taken meanwhile."""
        return self.kind is not TroubleKind.STEP


def _words(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


class GapWatch:
    """Tells sleep, stall and step apart from successive readings. Pure: readings and times are given."""

    def __init__(self, period_s: float) -> None:
        """period_s: how often `tick` is meant to be called."""
        self._stall_ns = int(MISSED_PERIODS * period_s * NS_PER_S)
        self._last: tuple[ClockReading, int] | None = None

    def tick(self, now: ClockReading, record_ns: int) -> list[Trouble]:
        """What happened since the last tick. record_ns: the record's time at this reading."""
        last, self._last = self._last, (now, record_ns)
        if last is None:
            return []
        before, from_ns = last
        mono = now.mono_ns - before.mono_ns
        boot = now.boot_ns - before.boot_ns
        slept, stepped = boot - mono, (now.wall_ns - before.wall_ns) - boot
        found = []
        if slept >= SLEEP_NS:
            found.append(Trouble(TroubleKind.SLEEP, slept / NS_PER_S, from_ns, record_ns))
        if mono > self._stall_ns:
            found.append(Trouble(TroubleKind.STALL, mono / NS_PER_S, from_ns, record_ns))
        if abs(stepped) >= STEP_NS:
            found.append(Trouble(TroubleKind.STEP, stepped / NS_PER_S, from_ns, record_ns))
        return found


class Clock:
    """UTC nanoseconds for the record. `now_ns` from any thread; `tick` regularly from one."""

    def __init__(
        self, read: Callable[[], ClockReading] | None = None, *, period_s: float = 1.0, not_before_ns: int = 0
    ) -> None:
        """not_before_ns: as `resume_after`, where it is known already."""
        self._read = read or read_system
        self._watch = GapWatch(period_s)
        self._lock = threading.Lock()
        first = self._read()
        self._boot_ns, self._record_ns, self._last_ns = first.boot_ns, first.wall_ns, first.wall_ns
        self._rate = 0.0
        self.offset_ns = 0
        """The computer's clock minus the record's time, as far as known by steps and by `resume_after`."""
        self.problem = _problem(first.wall_ns, not_before_ns)
        """Why the computer's clock cannot be right at the start, or None."""
        self.resume_after(not_before_ns)

    def resume_after(self, newest_ns: int) -> None:
        """newest_ns: the newest time already in the record. A computer clock behind it does not go back there:
        the record's time goes on from it, and `problem` says so. Watching for gaps begins again here: opening a long
        record takes its time and is no stall."""
        with self._lock:
            reading = self._read()
            if self._at(reading.boot_ns) <= newest_ns:
                self.problem = _problem(reading.wall_ns, newest_ns)
                self._boot_ns, self._record_ns, self._rate = reading.boot_ns, newest_ns + 1, 0.0
                self.offset_ns = reading.wall_ns - self._record_ns
            self._watch.tick(reading, self._at(reading.boot_ns))

    def now_ns(self) -> int:
        """UTC nanoseconds, never less than before."""
        with self._lock:
            return self._at(self._read().boot_ns)

    def tick(self) -> list[Trouble]:
        """Look for trouble since the last tick, and slew towards the computer's clock."""
        with self._lock:
            reading = self._read()
            now = self._at(reading.boot_ns)
            self._boot_ns, self._record_ns = reading.boot_ns, now
            found = self._watch.tick(reading, now)
            self.offset_ns += sum(int(t.seconds * NS_PER_S) for t in found if t.kind is TroubleKind.STEP)
            error_ns = reading.wall_ns - self.offset_ns - now
            self._rate = max(-MAX_SLEW, min(MAX_SLEW, error_ns / SLEW_NS))
            return found

    def _at(self, boot_ns: int) -> int:
        elapsed = max(0, boot_ns - self._boot_ns)
        now = self._record_ns + elapsed + int(min(elapsed, SLEW_NS) * self._rate)
        self._last_ns = max(self._last_ns, now)
        return self._last_ns


def _problem(wall_ns: int, not_before_ns: int) -> str | None:
    if wall_ns < MIN_CLOCK_NS:
        return f"the computer's clock says {utc_text(wall_ns)}, it was not set; set it, then start again"
    if wall_ns <= not_before_ns:
        difference = _words((not_before_ns - wall_ns) / NS_PER_S)
        return f"the computer's clock is {difference} behind the newest record; the record's time continues from there"
    return None


def utc_text(t_ns: int) -> str:
    """RFC 3339, whole seconds: "2026-03-02T06:00:00Z"."""
    return datetime.fromtimestamp(t_ns // NS_PER_S, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def read_system() -> ClockReading:
    """The computer's clocks now.

    Linux: CLOCK_MONOTONIC stands still in sleep, CLOCK_BOOTTIME does not. macOS: time.monotonic stands still,
    CLOCK_MONOTONIC does not (clock_gettime(3) there). Windows: the unbiased interrupt time stands still,
    time.monotonic does not. Elsewhere both are time.monotonic and a sleep shows as a stall or not at all.
    """
    for _ in range(5):
        before = _boot_ns()
        reading = ClockReading(time.time_ns(), _mono_ns(), _boot_ns())
        if reading.boot_ns - before < 1_000_000:  # not interrupted between the three, or a step would be seen
            break
    return reading


if sys.platform == "win32":
    import ctypes

    def _mono_ns() -> int:
        ticks = ctypes.c_ulonglong()
        ctypes.windll.kernel32.QueryUnbiasedInterruptTime(ctypes.byref(ticks))
        return ticks.value * 100

    _boot_ns = time.monotonic_ns
elif sys.platform == "darwin":
    _mono_ns = time.monotonic_ns

    def _boot_ns() -> int:
        return time.clock_gettime_ns(time.CLOCK_MONOTONIC)
else:
    _mono_ns = time.monotonic_ns

    def _boot_ns() -> int:
        return time.clock_gettime_ns(_BOOT)

    _BOOT = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def local_clock(t_ns: int, seconds: bool = True) -> str:
    """ "22:14:05 CET" at the computer's place, of a UTC time in ns."""
    then = datetime.fromtimestamp(t_ns // NS_PER_S, UTC).astimezone()
    return f"{then:%H:%M:%S %Z}" if seconds else f"{then:%H:%M %Z}"


def local_day() -> date:
    """Today in the user's own time zone, for naming a job."""
    return datetime.now().astimezone().date()


def noon_ns(day: date) -> int:
    """UTC of noon of a day, local time."""
    return int(time.mktime((day.year, day.month, day.day, 12, 0, 0, 0, 0, -1))) * NS_PER_S


def utc_offset_s() -> int:
    """How far the user's own time is ahead of UTC now."""
    offset = datetime.now().astimezone().utcoffset()
    return 0 if offset is None else round(offset.total_seconds())
