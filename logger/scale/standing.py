"""What a scale drifts by itself: seen while it stands still before a flow began and after it ended."""

from logger.model.sample import Series
from logger.statistics.block_means import blocks

STILL_SHARE = 0.01  # of the fastest flow: slower than that nothing flows (common practice)
CLEAR_OF_FLOW = 0.9  # of such a stretch: its end may be the first of the flow
MIN_STILL_S = 300.0
_BLOCKS = 240


def drift_kg(scale: Series, resolution_kg: float) -> float:
    """By how much the scale may have drifted over the whole of its readings, kg, as a half-width.

    The faster of the drifts before the flow and after it, for as long as the readings last. 0 where it stood still in
    neither by more than its noise and a division, or where nothing flowed that could be told from a drift.
    """
    b = blocks(scale, scale.t_s[0], scale.t_s[-1], _BLOCKS) if len(scale) > 1 else None
    if b is None or len(b) < 20:
        return 0.0
    kg, t_s = b.value, b.t_s
    fastest = max(abs(kg[i + 1] - kg[i - 1]) / (t_s[i + 1] - t_s[i - 1]) for i in range(1, len(kg) - 1))
    noise = 3.0 * max(b.u, resolution_kg / 3.0)
    rates = [
        abs(y[last] - y[0]) / abs(t[last] - t[0])
        for t, y in ((t_s, kg), (t_s[::-1], kg[::-1]))
        if (last := _still(t, y, STILL_SHARE * fastest, noise)) and abs(t[last] - t[0]) >= MIN_STILL_S
        and abs(y[last] - y[0]) > noise + resolution_kg
    ]  # fmt: skip
    return max(rates, default=0.0) * scale.duration_s


def _still(t_s: list[float], kg: list[float], slowest: float, noise: float) -> int:
    """Index of the last reading up to which nothing moved faster than `slowest`, kg/s."""
    for i in range(1, len(kg)):
        if abs(kg[i] - kg[0]) > slowest * abs(t_s[i] - t_s[0]) + noise:
            return int(CLEAR_OF_FLOW * (i - 1))
    return 0  # it stood still throughout: then all there is may be drift, or all flow
