"""Is a reading steady, and does it hunt?

Steady: over a window (15 minutes of settling before a charge is judged, California Reference Appendix RA3.2) neither
its trend nor its spread is more than allowed. Hunting: it swings about its trend with a regular period.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from logger.model.sample import Series
from logger.statistics.block_means import blocks
from logger.statistics.least_squares import dot, line

SETTLING_S = 900.0  # California Reference Appendix RA3.2
_MAX_GAP_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class Steadiness:
    """steady: None when it cannot be told. All in the unit of the series.

    mean: over the window; u_mean: of the mean, scatter only. change: of the trend over the whole window, with its
    standard uncertainty u_change. spread: standard deviation about the trend. window_s: judged. reason: in words.
    """

    steady: bool | None
    mean: float | None
    u_mean: float
    change: float
    u_change: float
    spread: float
    window_s: float
    reason: str


def steadiness(
    series: Series, *, end_s: float | None = None, window_s: float = SETTLING_S, most_change: float, most_spread: float
) -> Steadiness:
    """Judge the last `window_s` up to `end_s` (default: the last reading). Limits in the unit of the series.

    Not steady only where the trend exceeds `most_change` by more than its own uncertainty (k=2), or the spread
    exceeds `most_spread`. Cannot be told: window not filled yet, or a fifth of it without readings.
    """
    if len(series) == 0:
        return Steadiness(None, None, 0, 0, 0, 0, 0, "no readings")
    end = series.t_s[-1] if end_s is None else end_s
    start = end - window_s
    b = blocks(series, start, end, 90)
    if len(b) < 10:
        return Steadiness(None, None, 0, 0, 0, 0, 0, f"only {len(b)} readings in the last {window_s / 60:.0f} min")
    covered = b.t_s[-1] - b.t_s[0]
    mean = sum(b.value) / len(b)
    fit = line(b.t_s, b.value, b.u)
    assert fit is not None
    left = [v - fit.level - fit.slope * (t - fit.centre) for t, v in zip(b.t_s, b.value, strict=True)]
    spread = math.sqrt(dot(left, left) / (len(left) - 2))
    change, u_change = fit.slope * window_s, fit.u_slope * window_s
    numbers = (mean, fit.u_level, change, u_change, spread, covered)
    if covered < 0.9 * window_s:
        minutes = (window_s - covered) / 60
        return Steadiness(None, *numbers, f"{minutes:.0f} min of settling left")
    missing = _without_readings(b.t_s, covered / (len(b) - 1))
    if missing > _MAX_GAP_SHARE * window_s:
        return Steadiness(None, *numbers, f"{missing / 60:.0f} min of the window without readings")
    if abs(change) > most_change + 2 * u_change:
        return Steadiness(False, *numbers, f"still {'rising' if change > 0 else 'falling'}")
    if spread > most_spread:
        return Steadiness(False, *numbers, "swings or jumps")
    return Steadiness(True, *numbers, f"steady for {window_s / 60:.0f} min")


def _without_readings(t_s: Sequence[float], spacing_s: float) -> float:
    return sum(gap for a, b in pairwise(t_s) if (gap := b - a) > 4 * spacing_s)


@dataclass(frozen=True, slots=True)
class Hunting:
    """hunting: None when it cannot be told. amplitude: half of peak to peak, in the unit of the series.

    cycles: whole ones seen. regularity: autocorrelation one period apart, 1 for a pure repeat. last_s: time of the last
    upward crossing.
    """

    hunting: bool | None
    period_s: float | None
    amplitude: float
    cycles: int
    regularity: float
    reason: str
    last_s: float | None = None


def hunting(
    series: Series, *, least_amplitude: float, start_s: float = -math.inf, end_s: float = math.inf, count: int = 300
) -> Hunting:
    """A swing of at least `least_amplitude` that repeats itself at least three times.

    Period from the upward crossings of the trend (with hysteresis, so that noise makes none), confirmed by the
    autocorrelation one period apart. Shortest period seen: four blocks, duration / `count` each.
    """
    b = blocks(series, start_s, end_s, count)
    if len(b) < 24:
        return Hunting(None, None, 0.0, 0, 0.0, f"only {len(b)} readings to judge")
    fit = line(b.t_s, b.value)
    if fit is None:
        return Hunting(None, None, 0.0, 0, 0.0, "readings without a spread in time")
    left = [v - fit.level - fit.slope * (t - fit.centre) for t, v in zip(b.t_s, b.value, strict=True)]
    rms = math.sqrt(dot(left, left) / len(left))
    ups = _upward_crossings(left, 0.4 * rms)
    cycles = len(ups) - 1
    if cycles < 3:
        return Hunting(False, None, rms * math.sqrt(2), max(cycles, 0), 0.0, "no repeated swing")
    periods = [b.t_s[j] - b.t_s[i] for i, j in pairwise(ups)]
    period = median(periods)
    swings = [(max(left[i : j + 1]) - min(left[i : j + 1])) / 2 for i, j in pairwise(ups)]
    amplitude = median(swings)
    regularity = _autocorrelation(left, max(1, round(period / ((b.t_s[-1] - b.t_s[0]) / (len(b) - 1)))))
    if amplitude < least_amplitude:
        return Hunting(False, period, amplitude, cycles, regularity, "its swings are too small to count as hunting")
    if regularity < 0.3 or median(abs(p - period) for p in periods) > 0.3 * period:
        return Hunting(False, period, amplitude, cycles, regularity, "moves about, but not with a regular period")
    return Hunting(True, period, amplitude, cycles, regularity, "swings with a regular period", b.t_s[ups[-1]])


def hunting_lately(
    series: Series, *, least_amplitude: float, windows_s: Sequence[float], end_s: float, since_s: float
) -> Hunting:
    """`hunting` in the first of the windows up to end_s in which it is seen, none before since_s; what the first one
    shows where it is in none. A swing that stopped one and a half of its periods ago does not count."""
    first = None
    for window_s in windows_s:
        start_s = max(end_s - window_s, since_s)
        found = hunting(series, least_amplitude=least_amplitude, start_s=start_s, end_s=end_s)
        first = first or found
        if found.hunting and found.period_s and found.last_s and end_s - found.last_s < 1.5 * found.period_s:
            return found
    return first or Hunting(None, None, 0.0, 0, 0.0, "no window")


def _upward_crossings(left: Sequence[float], hysteresis: float) -> list[int]:
    """Where the residual first exceeds +hysteresis after having been below -hysteresis."""
    ups: list[int] = []
    was_low = False
    for i, value in enumerate(left):
        if value < -hysteresis:
            was_low = True
        elif value > hysteresis and was_low:
            was_low = False
            ups.append(i)
    return ups


def _autocorrelation(left: Sequence[float], lag: int) -> float:
    """Largest within two blocks of `lag`: the period is only known to a block."""
    best = -1.0
    for k in range(max(1, lag - 2), min(lag + 3, len(left) - 1)):
        head, tail = left[:-k], left[k:]
        scale = math.sqrt(dot(head, head) * dot(tail, tail))
        if scale > 0:
            best = max(best, dot(head, tail) / scale)
    return best
