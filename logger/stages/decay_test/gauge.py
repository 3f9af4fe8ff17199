"""Is the vacuum gauge believable? What an oil-wetted, frozen or valved-off gauge does that a sealed system does not.

Each sign found makes a decay test "cannot tell": a gauge that does not follow the system proves nothing either way.
"""

import math
from dataclasses import dataclass

from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.value import Argument, known, number
from logger.statistics.block_means import Blocks, blocks, smallest_step
from logger.statistics.isolation import scatter
from logger.statistics.least_squares import line

STUCK_S = 900.0  # a quarter of an hour on one digit
BESIDE_S = (600.0, 1800.0)  # on each side of the isolation: a slow drift needs the longer look
MIN_BEFORE_S = 120.0


@dataclass(frozen=True, slots=True)
class Suspicion:
    """key: a code of words.py, which also says what to check. inputs: the numbers behind it."""

    key: str
    inputs: tuple[Argument, ...] = ()


def suspicions(
    vacuum_series: Series,
    start_s: float,
    end_s: float,
    *,
    marked: bool,
    other: Series | None = None,
    pump_ultimate_pa: float | None = None,
) -> tuple[Suspicion, ...]:
    """Signs that the gauge did not follow the system between isolation and the end of the test.

    vacuum_series: from before isolation where there is such. marked: the isolation was marked by hand, so the
    readings on both sides of it tell something. other: a second absolute pressure on the same system.
    pump_ultimate_pa: stated for the pump, with clean oil.
    """
    sealed = blocks(vacuum_series, start_s, end_s)
    if len(sealed) < 6:
        return ()
    found = [
        _stuck(vacuum_series, start_s, end_s),
        _falling(sealed),
        _erratic(sealed),
        _disagreeing(sealed, other, vacuum_series.u_scale),
    ]
    if marked:
        found.append(
            next((s for reach in BESIDE_S if (s := _unmoved(vacuum_series, start_s, end_s, reach)) is not None), None)
        )
        if pump_ultimate_pa is not None:
            found.append(_unpumped(vacuum_series, start_s, end_s, pump_ultimate_pa))
    return tuple(s for s in found if s is not None)


def _stuck(series: Series, start_s: float, end_s: float) -> Suspicion | None:
    """One reading repeated for a quarter of an hour, and far longer than any reading was repeated elsewhere."""
    t, v = series.t_s, series.value
    tiny = 0.25 * smallest_step(v)
    runs: list[tuple[float, float]] = []
    begun = 0
    for i in range(1, len(t) + 1):
        if i == len(t) or abs(v[i] - v[i - 1]) > tiny:
            if i - begun >= 20:  # fewer readings may agree by chance
                runs.append((t[begun], t[i - 1]))
            begun = i
    lengths = sorted((min(b, end_s) - max(a, start_s) for a, b in runs), reverse=True)
    if not lengths or lengths[0] < STUCK_S or (len(lengths) > 1 and lengths[0] < 8.0 * lengths[1]):
        return None
    longest = lengths[0]
    return Suspicion("gauge-stuck", (number("unchanged_for", Quantity.TIME, known(longest, "s")),))


def _falling(sealed: Blocks) -> Suspicion | None:
    """A sealed system loses pressure only by cooling: a steady fall clear of noise and of 10 K is something else."""
    noise = scatter(sealed)
    third = max(len(sealed) // 3, 2)
    first = sum(sealed.value[:third]) / third
    last = sum(sealed.value[-third:]) / third
    fall = first - last
    if fall < 8.0 * noise or fall < 0.1 * first:
        return None
    return Suspicion(
        "reading-falls",
        (
            number("fell_from", Quantity.VACUUM, known(first, "Pa")),
            number("fell_to", Quantity.VACUUM, known(last, "Pa")),
        ),
    )


def _erratic(sealed: Blocks) -> Suspicion | None:
    """Wandering up and down by much more than neighbouring readings scatter: oil on the sensor, or a loose contact."""
    y, noise = sealed.value, scatter(sealed)
    up = down = 0.0
    low = high = y[0]
    swings, direction = 0, 0
    least = max(8.0 * noise, 0.04 * sorted(y)[len(y) // 2])
    for v in y[1:]:
        if direction >= 0:
            high = max(high, v)
            if high - v > least:
                swings, direction, low = swings + 1, -1, v
                down = max(down, high - v)
        if direction <= 0:
            low = min(low, v)
            if v - low > least:
                swings, direction, high = swings + 1, 1, v
                up = max(up, v - low)
    if swings < 4:
        return None
    return Suspicion(
        "gauge-erratic",
        (
            number("swings", Quantity.COUNT, known(float(swings), "1")),
            number("swings_by", Quantity.VACUUM, known(least, "Pa")),
        ),
    )


def _disagreeing(sealed: Blocks, other: Series | None, u_scale: float) -> Suspicion | None:
    """A second gauge on the system that lies clear of what this one shows."""
    if other is None or len(other) < 3:
        return None
    second = blocks(other, sealed.t_s[0], sealed.t_s[-1], 20)
    if len(second) < 1 or other.u_scale <= 0.0:
        return None
    theirs, ours = sum(second.value) / len(second), sum(sealed.value) / len(sealed)
    if abs(theirs - ours) <= 4.0 * math.hypot(other.u_scale, second.u, u_scale):
        return None
    return Suspicion(
        "gauges-disagree",
        (
            number("other_gauge", Quantity.VACUUM, known(theirs, "Pa")),
            number("vacuum_gauge", Quantity.VACUUM, known(ours, "Pa")),
        ),
    )


def _unmoved(series: Series, start_s: float, end_s: float, reach_s: float) -> Suspicion | None:
    """Readings pass through the moment of isolation as if nothing had been closed.

    Rising alike before and after: the gauge sees only its own small volume. Falling alike: the pump still pulls.
    """
    before = blocks(series, start_s - reach_s, start_s, 40)
    after = blocks(series, start_s, min(start_s + reach_s, end_s), 40)
    if len(before) < 8 or len(after) < 8 or before.t_s[-1] - before.t_s[0] < MIN_BEFORE_S:
        return None
    one = line(before.t_s, before.value, before.u)
    two = line(after.t_s, after.value, after.u)
    if one is None or two is None:
        return None
    u = math.hypot(one.u_slope, two.u_slope)
    alike = abs(two.slope - one.slope) < max(3.0 * u, 0.25 * abs(one.slope))
    if not alike or abs(one.slope) < 5.0 * one.u_slope or abs(two.slope) < 5.0 * two.u_slope:
        return None
    if one.slope > 0.0:
        return Suspicion("gauge-valved-off")
    return Suspicion("still-pumped")


def _unpumped(series: Series, start_s: float, end_s: float, pump_ultimate_pa: float) -> Suspicion | None:
    """Steady well above what the pump can do, and no rise once it is closed off.

    A steady pressure over a pump that could go lower is held up by gas coming in, which must show as a rise as soon
    as the pump is gone. If it does not, the gauge does not see the pump's side, or the pump cannot do what is stated.
    """
    before = blocks(series, start_s - BESIDE_S[0], start_s, 40)
    after = blocks(series, start_s, min(start_s + BESIDE_S[0], end_s), 40)
    if len(before) < 8 or len(after) < 8 or before.t_s[-1] - before.t_s[0] < MIN_BEFORE_S:
        return None
    level = sum(before.value) / len(before)
    one = line(before.t_s, before.value, before.u)
    if one is None or level < 3.0 * pump_ultimate_pa or abs(one.slope) * 3600.0 > 0.3 * level:
        return None
    if sum(after.value[-8:]) / 8.0 - level > max(0.05 * level, 4.0 * scatter(after)):
        return None
    return Suspicion(
        "gauge-above-pump",
        (
            number("under_pump", Quantity.VACUUM, known(level, "Pa")),
            number("pump_limit", Quantity.VACUUM, known(pump_ultimate_pa, "Pa")),
        ),
    )


def settles_like_oil(slowest_s: float, size_pa: float, span_s: float) -> bool:
    """A rise that is over within minutes: what an oil-wetted sensor, which reads high and late, makes by itself."""
    return slowest_s <= 600.0 and span_s >= 4.0 * slowest_s and size_pa <= 200.0
