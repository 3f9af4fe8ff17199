"""A start-up by its readings alone: discharge and suction part, and come together again."""

from logger.model.points import Quantity
from logger.model.value import known, number
from logger.stages.noticing import Latch, Notice, Noticed, Signals, begin, end, noticed

OPENS_PA = 50e3
EACH_PA = 5e3
WINDOW_S = 60
CLOSED = 0.25
WARMS_K = 0.5


class _CompressorStarted:
    """Suction falls, discharge rises and warms, all within a minute: a gauge that is only connected moves alone."""

    def __init__(self) -> None:
        self._latch = Latch(6)
        self.open_pa = 0.0

    def second(self, now: Signals) -> Noticed | None:
        low, high = now.get("suction_pressure"), now.first_of("discharge_pressure", "liquid_pressure")
        if low is None or high is None:
            return None
        s1, d1 = low.mean(4), high.mean(4)
        if s1 is None or d1 is None:
            return None
        difference = d1.value - s1.value
        if self._latch.fired:
            self.open_pa = max(self.open_pa, difference)
            if difference < max(CLOSED * self.open_pa, 20e3):
                self._latch.release()
            return None
        s0, d0 = low.mean(WINDOW_S + 30, WINDOW_S), high.mean(WINDOW_S + 30, WINDOW_S)
        if s0 is None or d0 is None:
            return None
        opened = difference - (d0.value - s0.value)
        fell, rose = s0.value - s1.value, d1.value - d0.value
        seen = (
            opened > max(OPENS_PA, 4.0 * (s1.u + d1.u))
            and fell > max(EACH_PA, 3.0 * s1.u)
            and rose > max(EACH_PA, 3.0 * d1.u)
            and _warms(now)
        )
        if not self._latch.second(seen):
            return None
        self.open_pa = difference
        edge = d0.value - s0.value + 0.1 * opened
        gaps = [b - a for a, b in zip(low.window(WINDOW_S + 30), high.window(WINDOW_S + 30), strict=False)]
        back = next((i for i, gap in enumerate(reversed(gaps)) if gap <= edge), WINDOW_S)
        return noticed(
            "start_up.compressor_started", now.t - back, 5.0,
            number("difference", Quantity.PRESSURE_DIFFERENCE, known(difference, "Pa")),
        )  # fmt: skip


def _warms(now: Signals) -> bool:
    line = now.get("discharge_temperature")
    if line is None:
        return True
    then, newest = line.mean(WINDOW_S + 30, WINDOW_S), line.mean(3)
    return then is None or newest is None or newest.value - then.value > max(WARMS_K, 3.0 * newest.u)


class _CompressorStopped:
    """What discharge stands above suction is mostly gone."""

    def __init__(self) -> None:
        self._started = _CompressorStarted()
        self._ran = False

    def second(self, now: Signals) -> Noticed | None:
        found = self._started.second(now)
        if found is not None:
            self._ran = True
            return None
        if not self._ran or self._started._latch.fired:
            return None
        self._ran = False
        return noticed("start_up.over", now.t - 60, 60.0)


NOTICES = (
    Notice(key="start_up.compressor_started", detector=_CompressorStarted, proposes=begin("start-up")),
    Notice(key="start_up.over", detector=_CompressorStopped, proposes=end("start-up"), lasts_s=7200),
)
