"""When was the pump valved off? The kink where a falling or steady vacuum begins to rise, and where that ends.

A hand mark is better: a tight and dry system shows no kink at all. What is found here says how sure it is.
"""

import math
from dataclasses import dataclass

from logger.model.sample import Series
from logger.statistics.block_means import Blocks, blocks
from logger.statistics.least_squares import fit_columns

MIN_S = 30.0
_COUNT = 400


@dataclass(frozen=True, slots=True)
class Isolation:
    """t_s: on the series' axis; None when not found, then `problem` says why. u_s: standard uncertainty.

    how: "marked" or "detected". level_pa: reading at that moment.
    """

    t_s: float | None
    u_s: float = 0.0
    how: str = "detected"
    level_pa: float | None = None
    problem: str | None = None


def marked(series: Series, t_s: float) -> Isolation:
    """An isolation marked by hand; without a reading from then on, its reason instead of a time."""
    if len(series) == 0 or t_s > series.t_s[-1]:
        return Isolation(None, how="marked", problem="no reading since the isolation was marked")
    after = next(v for t, v in zip(series.t_s, series.value, strict=True) if t >= t_s)
    return Isolation(t_s, 1.0, "marked", after)


def scatter(data: Blocks) -> float:
    """Standard deviation of one block mean about its neighbours, Pa, never under what digits and noise allow."""
    y = data.value
    rough = sorted(abs(a - 2.0 * b + c) for a, b, c in zip(y, y[1:], y[2:], strict=False))
    typical = rough[len(rough) // 2] / (0.6745 * math.sqrt(6.0)) if rough else 0.0
    return max(typical, data.u, 1e-9)


def detect_isolation(vacuum: Series) -> Isolation:
    """The last kink from falling or steady to a rise that goes on to the end of the series.

    Needs half a minute of rise clear of the noise. A rise by more than a decade a minute is gas let in, not a valve
    closed, and is refused.
    """
    if len(vacuum) < 12 or vacuum.duration_s < 2.0 * MIN_S:
        return Isolation(None, problem="too few readings")
    data = blocks(vacuum, vacuum.t_s[0], vacuum.t_s[-1], _COUNT)
    noise = scatter(data)
    lowest = min(data.value)
    # the last moment the reading was still at its lowest: later ones all lie clear above it
    last = max(i for i, v in enumerate(data.value) if v <= lowest + 3.0 * noise)
    rise = data.value[-1] - lowest
    if data.t_s[-1] - data.t_s[last] < MIN_S or rise < 8.0 * noise or last >= len(data) - 4:
        return Isolation(None, problem="no lasting rise seen; mark the moment the pump was valved off")
    if last < 3:
        return Isolation(None, problem="the pressure rises from the first reading: the isolation lies before it")
    steepest = max(
        math.log10(max(b, 1e-9) / max(a, 1e-9)) / (tb - ta)
        for a, b, ta, tb in zip(
            data.value[last:], data.value[last + 1 :], data.t_s[last:], data.t_s[last + 1 :], strict=False
        )
    )
    if steepest > 1.0 / 60.0 and rise > 1e3:
        return Isolation(None, problem="gas was let in")
    return _refine(vacuum, data.t_s[last], data.t_s[-1], noise)


def _refine(vacuum: Series, near_s: float, end_s: float, noise: float) -> Isolation:
    """Hinge regression around the kink: p = a + b (t - tk) + d max(0, t - tk), tk scanned."""
    reach = min(max(end_s - near_s, MIN_S), 240.0)  # farther back a pull-down is no straight line
    data = blocks(vacuum, near_s - reach, min(near_s + reach, end_s), 120)
    t, y = data.t_s, data.value
    if len(t) < 8:
        return Isolation(near_s, reach, level_pa=min(vacuum.value))
    ones = [1.0] * len(t)
    best: tuple[float, float, tuple[float, ...]] | None = None
    for tk in t[2:-2]:
        bent = [max(0.0, x - tk) for x in t]
        fit = fit_columns([ones, [x - tk for x in t], bent], y)
        if fit is not None and (best is None or fit.rss < best[0]):
            best = (fit.rss, tk, fit.coefficients)
    if best is None:
        return Isolation(near_s, reach, level_pa=min(y))
    rss, tk, (level, _before, kink) = best
    rms = max(math.sqrt(rss / len(t)), noise)
    if kink <= 0.0:
        return Isolation(None, problem="no kink upward seen; mark the moment the pump was valved off")
    return Isolation(tk, max(data.width_s / math.sqrt(3.0), rms / kink), level_pa=level)


def sealed_until(vacuum: Series, isolated_s: float) -> float:
    """End of the sealed stretch: where the pressure falls as only a pump (or an opened valve) makes it fall.

    A fall by more than ten times the noise and 5 % of the reading within two minutes, and not made good after it.
    """
    data = blocks(vacuum, isolated_s, math.inf, _COUNT)
    if len(data) < 6:
        return vacuum.t_s[-1] if len(vacuum) else isolated_s
    noise = scatter(data)
    t, y = data.t_s, data.value
    after_max = y[:]  # highest reading from here on
    for i in range(len(y) - 2, -1, -1):
        after_max[i] = max(y[i], after_max[i + 1])
    reach = max(1, math.ceil(120.0 / data.width_s)) if data.width_s > 0.0 else 1
    for i in range(len(y) - 1):
        j = min(i + reach, len(y) - 1)
        fall = y[i] - after_max[j]
        if fall > 10.0 * noise and fall > 0.05 * y[i] and t[i] - isolated_s > MIN_S:
            return t[max(k for k in range(i, j) if y[k] > y[i] - 0.5 * fall)]
    return vacuum.t_s[-1]
