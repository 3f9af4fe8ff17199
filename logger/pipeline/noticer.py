"""From readings as they come to what they show by themselves: seconds closed one by one, each given to every detector.

A second is closed two seconds after its end: what arrives later is not looked at, live and on replay alike.
"""

from collections.abc import Callable, Iterable

from logger.model.points import POINTS
from logger.model.sample import PointSample
from logger.model.units import NS_PER_S
from logger.model.value import Value, known
from logger.refrigerant import Refrigerant
from logger.stages import registry
from logger.stages.noticing import Noticed, Signals

CLOSED_AFTER_S = 2


class Noticer:
    """digits: standard uncertainty of a point by its digits, SI."""

    def __init__(self, digits: Callable[[str], float]) -> None:
        self.signals = Signals(digits)
        self._detectors = [one.detector() for one in registry.notices().values()]
        self._open: dict[int, dict[str, list[float]]] = {}
        self._closed = -1
        self._fired = 0, 0.0  # when a flow began, how much of it moved in a stage
        self.begun_s: int | None = None  # the first second that was looked at

    def digits_of(self, digits: Callable[[str], float]) -> None:
        self.signals.digits = digits

    def take(self, samples: Iterable[PointSample]) -> None:
        for t_ns, point, value, _ in samples:
            second = t_ns // NS_PER_S
            if value is None or second <= self._closed:
                continue
            sums = self._open.setdefault(second, {}).setdefault(point, [0.0, 0.0])
            sums[0] += value
            sums[1] += 1.0

    @property
    def closed_ns(self) -> int:
        """Up to when readings were looked at; in a demonstration that is minutes ago."""
        return (self._closed + 1) * NS_PER_S

    def flow_without_stage(self, in_stage: bool) -> Value:
        """What has moved over the scale, either way, since it began to flow or the last stage ended; nothing once it
        has stopped. Asked every second."""
        flow = self.signals.flow
        if in_stage or flow.since != self._fired[0]:
            self._fired = flow.since, flow.moved_kg if in_stage else 0.0
        moved_kg = abs(flow.moved_kg - self._fired[1]) if flow.direction and not in_stage else 0.0
        return known(moved_kg, "kg", flow.u_kg)

    def take_notice(
        self, now_ns: int, refrigerant: Refrigerant | None, ambient_pa: float, slack_s: float = 0.0
    ) -> list[Noticed]:
        """What was noticed in the seconds that are whole by now."""
        found: list[Noticed] = []
        whole = int(now_ns // NS_PER_S - CLOSED_AFTER_S - slack_s)
        for second in sorted(t for t in self._open if t < whole):
            readings = {point: total / count for point, (total, count) in self._open.pop(second).items()}
            self._closed = second
            self.begun_s = second if self.begun_s is None else self.begun_s
            self.signals.refrigerant, self.signals.ambient_pa = refrigerant, ambient_pa
            self.signals.second(second, {point: value for point, value in readings.items() if point in POINTS})
            found += [seen for one in self._detectors if (seen := one.second(self.signals)) is not None]
        return found
