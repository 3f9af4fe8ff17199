"""May a device's clock say when its samples were taken? Where its ticks do not fit, the arrival serves.

A clock can stand still, go back, run at another rate than it states, or be noise. Its readings are good all the same,
and an alarm must not wait for them. What comes live is later than what came before, and a delay that is the line's or
the computer's shrinks once what waited is through; so ticks that go back, or stay behind while frames go on coming,
are not a clock's. Neither are ticks faster than any oscillator's. Such a clock is believed again after TRUST_S without
trouble.

What is sent again was made between its neighbors by number: after the one before it was made, and before the one after
it came. Ticks that put it elsewhere, as of before a jump of the clock, are not believed; its place between them serves.

Pure. One object serves one start of one device, as its TickFit does.
"""

from bisect import bisect_left
from typing import Final

from logger.decode.tick_fit import TickFit
from logger.model.units import NS_PER_S

TRUST_S: Final = 60.0
MAX_LAG_S: Final = 1.0  # a delay that lasts; a reading is stale after three
PATIENCE_S: Final = 0.7  # for each times faster than real time that a simulated job runs
FAST_SEEN_NS: Final = 20 * NS_PER_S  # what waited somewhere comes faster than it was made, but not for so long
FAR_AHEAD: Final = 5  # times the delay that is borne
SLACK_NS: Final = NS_PER_S  # by which a fit that has learned more may date an earlier frame anew
NEIGHBOR_NS: Final = 5 * NS_PER_S  # apart are those that are remembered, besides both sides of each gap
MAX_NEIGHBORS: Final = 4096
_WRAP: Final = 1 << 32

GOES_BACK: Final = "its clock ran backward"
KEEPS_LAGGING: Final = "its clock is stopped or slow"
RUNS_FAST: Final = "its clock runs fast"


class DeviceClock:
    """problem: why its ticks are not believed now, None while they are. fit: of its ticks, also while they are not."""

    def __init__(self, tick_hz: int, speed: float = 1.0) -> None:
        """speed: how many times faster than real time the job runs; delays seem longer by that."""
        self.problem: str | None = None
        self.fit = TickFit(tick_hz)
        self._tick_hz = tick_hz
        self._max_lag_ns = int(NS_PER_S * (MAX_LAG_S + (PATIENCE_S * speed if speed > 1 else 0.0)))
        self._lag: tuple[int, int] | None = None  # since when, and by how much then
        self._stamped = -(1 << 63)
        self._began_ns = 0  # arrival of the first frame, or of the one that spoke against the clock last
        self._first: tuple[int, int] | None = None  # sequence number and arrival, of live frames
        self._newest: tuple[int, int] | None = None
        self._numbers: list[int] = []  # of live frames to place others by, counted from the first
        self._places: list[tuple[int, int]] = []  # when they were made and when they came

    def live(self, sequence: int, tick: int, arrival_ns: int) -> int:
        """UTC ns of a frame that comes as it is made: never after its arrival, never before an earlier one's."""
        if self._first is None:
            self._first, self._began_ns = (sequence, arrival_ns), arrival_ns
        before, self._newest = self._newest, (sequence, arrival_ns)
        stamped_before = self._stamped
        t_ns, trouble = self._read(tick, arrival_ns)
        if trouble is not None:
            self._distrust(trouble, tick, arrival_ns)
        elif self.problem is not None and arrival_ns - self._began_ns > TRUST_S * NS_PER_S:
            self.problem = None
        if self.problem is not None:
            t_ns = arrival_ns
        if t_ns > self._stamped:
            self._stamped = t_ns
        self._remember(before, stamped_before, sequence, arrival_ns)
        return self._stamped

    def resent(self, sequence: int, tick: int, arrival_ns: int) -> int:
        """UTC ns of a frame that is sent again: where ticks are not believed, by its place among the live ones."""
        if self._newest is None or self._first is None:
            return arrival_ns
        if self.problem is None:
            t_ns = self.fit.utc_ns(tick)
            if t_ns is None:
                return self._stamped
            return min(self._between(sequence, t_ns), self._stamped)
        (first, first_ns), (newest, newest_ns) = self._first, self._newest
        made = (newest - first) % _WRAP
        apart_ns = (newest_ns - first_ns) // made if made else 0
        return newest_ns - ((newest - sequence) % _WRAP) * apart_ns

    def _remember(self, before: tuple[int, int] | None, stamped_before: int, sequence: int, arrival_ns: int) -> None:
        """Some of the live frames, and both sides of each gap."""
        number = self._number(sequence)
        if before is not None and number > self._number(before[0]) + 1:
            self._keep(self._number(before[0]), stamped_before, before[1])
            self._keep(number, self._stamped, arrival_ns)
        elif not self._places or arrival_ns - self._places[-1][1] >= NEIGHBOR_NS:
            self._keep(number, self._stamped, arrival_ns)

    def _number(self, sequence: int) -> int:
        assert self._first is not None
        return (sequence - self._first[0]) % _WRAP

    def _keep(self, number: int, stamp_ns: int, arrival_ns: int) -> None:
        if self._numbers and number <= self._numbers[-1]:
            return
        if len(self._numbers) >= MAX_NEIGHBORS:  # the older half by every second
            half = MAX_NEIGHBORS // 2
            self._numbers[:half], self._places[:half] = self._numbers[:half:2], self._places[:half:2]
        self._numbers.append(number)
        self._places.append((stamp_ns, arrival_ns))

    def _between(self, sequence: int, t_ns: int) -> int:
        """The time by its ticks, or by its place between the live ones where its ticks say that it lies outside."""
        number = self._number(sequence)
        i = bisect_left(self._numbers, number)
        if i == 0 or i == len(self._numbers):
            return t_ns
        (a, b), ((a_ns, _), (b_ns, latest_ns)) = self._numbers[i - 1 : i + 1], self._places[i - 1 : i + 1]
        if a_ns - SLACK_NS <= t_ns <= latest_ns:
            return t_ns
        return a_ns + (b_ns - a_ns) * (number - a) // (b - a)

    def mark(self, sent_ns: int, tick_at_receipt: int, tick_at_reply: int, answered_ns: int) -> None:
        """A time mark's round trip, as TickFit has it."""
        if self.problem is None:
            self.fit.mark(sent_ns, tick_at_receipt, tick_at_reply, answered_ns)

    def _read(self, tick: int, arrival_ns: int) -> tuple[int, str | None]:
        """By its ticks, and what speaks against them."""
        fit = self.fit
        if fit.is_late(tick):
            return arrival_ns, GOES_BACK
        t_ns, on_line_ns = fit.stamp_new(tick, arrival_ns)
        if fit.runs_ahead_ns > FAR_AHEAD * self._max_lag_ns and arrival_ns - self._began_ns > FAST_SEEN_NS:
            return t_ns, RUNS_FAST
        lag_ns = arrival_ns - on_line_ns
        if lag_ns <= self._max_lag_ns:
            self._lag = None
        elif self._lag is None:
            self._lag = arrival_ns, lag_ns
        else:
            since_ns, was_ns = self._lag
            waited_ns = arrival_ns - since_ns
            if waited_ns >= self._max_lag_ns:
                if lag_ns > was_ns - waited_ns // 2:
                    return t_ns, KEEPS_LAGGING
                self._lag = arrival_ns, lag_ns
        return t_ns, None

    def _distrust(self, trouble: str, tick: int, arrival_ns: int) -> None:
        """The arrival serves; the clock begins again to show what it is."""
        if self.problem is None:
            self.problem = trouble
        self._began_ns, self._lag = arrival_ns, None
        self.fit = TickFit(self._tick_hz)
        self.fit.stamp(tick, arrival_ns)
