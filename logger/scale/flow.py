"""What flows onto or off a scale, by its readings of a second: when it began, how much since, when it stopped.

Flow has its change spread over the whole window; a knock, a hand or a tugged hose has it in one place. It must be
beyond what the scale is sure of, and beyond six times what the window usually shows here (wind, a floor that shakes).
Two windows: a short one for liquid, a long one for the last vapor. A pressure drop along a hose that is not there at
rest makes a second count twice.
"""

import math
from itertools import pairwise
from statistics import median

from logger.statistics.by_second import JOINED_S, SecondMeans

PARTS = 7
WINDOWS_S = (21, 63)
ENOUGH = 10  # seconds that look so
SLOW_PART_S = 5
MIN_KG_S = 0.002
PLAUSIBLE_KG_S = 0.5
JUMP_KG = 0.5  # in a second: no flow
STILL_S = 120
BEFORE_S = 30
UNREST_S = 300.0


class _Window:
    """each_s: seconds a part. unrest_kg: what usually is seen in it where nothing flows."""

    def __init__(self, seconds: int) -> None:
        self.each_s = seconds // PARTS
        self.unrest_kg = 0.0
        self.count = 0
        self._sign = self._learned = 0

    def second(self, signal: SecondMeans, direction: int, pumped: bool) -> tuple[float, float] | None:
        """(change, rate) when it has looked like flow of one direction for long enough. direction: of what flows."""
        means = signal.means(PARTS, self.each_s)
        if means is None:
            self.count = 0
            return None
        change = means[-1] - means[0]
        least = max(4.0 * signal.u(self.each_s), 6.0 * self.unrest_kg, MIN_KG_S * (PARTS - 1) * self.each_s)
        self._learn(abs(means[0] - 2.0 * means[PARTS // 2] + means[-1]) / 3**0.5, signal.u(self.each_s))
        steps = [b - a for a, b in pairwise(means)]
        largest = max(abs(a + b) for a, b in pairwise(steps))
        against = min(step if change > 0 else -step for step in steps)
        if abs(change) > least and largest < 0.7 * abs(change) and against > -0.15 * abs(change):
            sign = 1 if change > 0 else -1
            if sign != self._sign:
                self._sign, self.count = sign, 0  # seconds of the other way do not count for this one
            self.count = min(self.count + (2 if pumped and sign > 0 else 1), 3 * ENOUGH)
        else:
            self.count = max(0, self.count - 2)
            return None
        enough = ENOUGH if self.each_s < SLOW_PART_S or pumped else 2 * ENOUGH  # a step lies in a long part for long
        if self.count < (2 * ENOUGH if direction == -self._sign else enough):
            return None
        recent = [(means[-1] - means[i]) / ((PARTS - 1 - i) * self.each_s) for i in (PARTS - 3, PARTS - 4)]
        rate = max(recent, key=abs)
        return (change, rate) if rate * change > 0 else None

    def _learn(self, bend_kg: float, u_kg: float) -> None:
        """What two differences show that even flow would make equal; a hand is no unrest, and counts little."""
        self._learned += 1
        usual = min(bend_kg, 2.0 * self.unrest_kg + u_kg)
        self.unrest_kg += (usual - self.unrest_kg) / min(self._learned, UNREST_S)


class Flow:
    """direction: +1 onto the scale, -1 off it, 0 nothing flows. since: when it began, s; its rate then, kg/s.

    began, stopped: in this second it was seen that one has. moved_kg: since it began. u_s: of `since` and of the end.
    """

    def __init__(self) -> None:
        self.direction = 0
        self.began = self.stopped = False
        self.since = self.until = 0
        self.u_s = 0.0
        self.rate_kg_s = 0.0
        self.moved_kg = 0.0
        self.pumped = False  # a hose showed it
        self._signal = SecondMeans()
        self._windows = tuple(_Window(seconds) for seconds in WINDOWS_S)
        self._base_kg = 0.0
        self._jumped = -STILL_S
        self._left_kg: float | None = None  # the level before a jump
        self._moved_s = 0

    @property
    def u_kg(self) -> float:
        return self._signal.u(3)

    @property
    def counting(self) -> bool:
        """It looks like flow, but is not sure yet."""
        return any(window.count > 2 for window in self._windows)

    def second(self, t: int, mass_kg: float, digits_kg: float, pumped: bool) -> None:
        """mass_kg: mean reading of the second t; digits_kg: its standard uncertainty by them. pumped: a hose of the
        recovery machine shows that something flows."""
        signal = self._signal
        self.began = self.stopped = False
        signal.digits = digits_kg
        if signal.t:
            gone_s = t - signal.t[-1]
            jump = abs(mass_kg - signal.v[-1]) > JUMP_KG + PLAUSIBLE_KG_S * (min(gone_s, JOINED_S) - 1)
            if jump or gone_s > JOINED_S:
                self._cut(t)
        signal.add(t, mass_kg)
        if self.direction:
            self._follow(t)
        found = None
        for window in self._windows:
            seen = window.second(signal, self.direction, pumped)
            found = found or seen
        if found is not None and (self.direction == 0 or (found[0] > 0) != (self.direction > 0)):
            self._begin(t, *found, pumped)
        elif found is not None:
            self._moved_s, self.rate_kg_s = t, found[1]
            self.pumped = self.pumped or pumped
        elif not signal.t or t == signal.t[0]:
            self._moved_s = t

    def _cut(self, t: int) -> None:
        """A jump: what was before is another level. Windows begin anew; a flow may go on."""
        self._signal.forget()
        self._jumped = t
        self._left_kg = self.moved_kg

    def _begin(self, t: int, change: float, rate: float, pumped: bool) -> None:
        signal = self._signal
        values = signal.window(WINDOWS_S[-1] + ENOUGH + BEFORE_S)
        if self.direction:  # the other way round, all of a sudden: what was before is no level at rest
            values = values[-WINDOWS_S[0] - ENOUGH :]
        base = median(values[: max(3, min(BEFORE_S, len(values) // 3))])
        newest = sum(values[-3:]) / 3
        back_s = min(max((newest - base) / rate, 0.0), float(len(values)))
        for window in self._windows:
            window.count = min(window.count, ENOUGH)
        self.direction, self.began = (1 if change > 0 else -1), True
        self.since = max(round(t - 1 - back_s), signal.t[0] - 1)
        self.u_s = math.hypot(2.0, signal.u(10) / rate)
        self.rate_kg_s, self.pumped, self._moved_s = rate, pumped, t
        self._base_kg, self.moved_kg, self._left_kg = base, newest - base, None

    def _follow(self, t: int) -> None:
        signal = self._signal
        last = signal.mean(3)
        if last is not None:
            if self._left_kg is not None and len(signal.v) >= 3:
                self._base_kg, self._left_kg = last.value - self._left_kg, None
            if self._left_kg is None:
                self.moved_kg = last.value - self._base_kg
        if t - self._moved_s < STILL_S or len(signal.v) < 20:
            return
        if signal.at_rest(min(STILL_S, max(60, t - self._jumped)), 2.0 * signal.digits):
            level = sum(signal.v[-20:]) / len(signal.v[-20:])
            near = max(3.0 * signal.noise, 2.0 * signal.digits)
            until = t
            for at, value in zip(reversed(signal.t), reversed(signal.v), strict=True):
                if abs(value - level) > near:
                    break
                until = at
            self.direction, self.stopped = 0, True
            self.until, self.u_s = max(until, self.since), 10.0
            for window in self._windows:
                window.count = 0
