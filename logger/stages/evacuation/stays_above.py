"""May a pull-down still be above its target hours from now?

A pump, a hose that narrows as the flow thins out, walls, gaskets, metal and oil all make a pressure that falls ever
more slowly: a sum of a base, exp(-t/tau) of any tau, and (time since the pump was opened)^-n, no part under zero. No
single law has to be right: asked is whether some such sum that fits the readings is at the target that late.
"""

import math

from logger.statistics.block_means import Blocks
from logger.statistics.least_squares import correlation_time, dot, nonnegative, residuals

K = 2.5  # standard deviations from the best sum
MIN_EFFECTIVE = 8.0
TAUS = 14
POWERS = (0.5, 1.0)
STIFF = 1e4  # weight of the target then against that of a reading


def stays_above(data: Blocks, begun_s: float, target_pa: float, ahead_s: float) -> bool:
    """data: block means of the recent part, at least ten. begun_s: when the pump was opened. ahead_s: from the last."""
    first, last = data.t_s[0], data.t_s[-1]
    span, pumped = last - first, max(first - begun_s, 1.0)
    shortest = 0.03 * span
    taus = [shortest * (max(2.0 * ahead_s, 5.0 * span) / shortest) ** (k / (TAUS - 1)) for k in range(TAUS)]

    def parts(t_s: float) -> list[float]:
        since = t_s - first
        powers = ((1.0 + since / pumped) ** -n for n in POWERS)
        return [1.0, *(math.exp(-since / tau) for tau in taus), *powers]

    rows = [[v / p for v in parts(t)] for t, p in zip(data.t_s, data.value, strict=True)]  # the reading over itself
    columns = list(zip(*rows, strict=True))
    gram = [[dot(a, b) for b in columns] for a in columns]
    right = [sum(column) for column in columns]
    found, gain = nonnegative(gram, right)
    left = residuals([columns[j] for j in found], list(found.values()), [1.0] * len(rows))
    stretch = min(correlation_time(left, len(found)), len(rows) / MIN_EFFECTIVE)
    free = max(len(rows) - len(found) * stretch, 2.0)
    unit = stretch * max(dot(left, left) / free, (data.u / min(data.value)) ** 2)
    then = [v / target_pa for v in parts(last + ahead_s)]
    if sum(then[j] * c for j, c in found.items()) >= 1.0:
        return True
    stiff = [[g + STIFF * a * b for g, b in zip(line, then, strict=True)] for line, a in zip(gram, then, strict=True)]
    found, stiff_gain = nonnegative(stiff, [r + STIFF * a for r, a in zip(right, then, strict=True)], list(found))
    missed = 1.0 - sum(then[j] * c for j, c in found.items())
    over = STIFF - stiff_gain - STIFF * missed * missed + gain
    return abs(missed) < 0.02 and over <= K * K * unit
