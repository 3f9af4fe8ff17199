"""A charging by its readings alone: the scale loses what the system gains, and then nothing flows any more."""

from logger.model.points import Quantity
from logger.model.value import known, number, word
from logger.stages.noticing import Notice, Noticed, Signals, begin, end, noticed

RISES_PA = 20e3
VACUUM_PA, FILLS_PA = 80e3, 3e3
LATEST_S = 180  # so long the system's pressure is waited for
STILL_S = 300


class _ChargingBegan:
    """Off the scale; or onto it while the system rises from a vacuum: then the system itself stands there."""

    def __init__(self) -> None:
        self._since = 0

    def second(self, now: Signals) -> Noticed | None:
        flow = now.flow
        if not flow.direction or flow.since == self._since or now.t - flow.since > LATEST_S:
            return None
        system = now.first_of("system_pressure", "suction_pressure")
        rises, from_vacuum, fills = False, False, True
        if system is not None:
            age = now.t - flow.since
            then, newest = system.mean(age + 40, age + 5), system.mean(5)
            if then is not None and newest is not None:
                rises = newest.value - then.value > max(RISES_PA, 4.0 * newest.u)
                from_vacuum = then.value < VACUUM_PA
                fills = not from_vacuum or newest.value - then.value > max(FILLS_PA, 4.0 * newest.u)
        if not fills or (flow.direction > 0 and not (rises and from_vacuum)):
            return None  # what goes into a vacuum raises it
        self._since = flow.since
        rate = number("rate", Quantity.MASS_RATE, known(abs(flow.rate_kg_s), "kg/s"))
        seen = word("seen", "off" if flow.direction < 0 else "onto")
        return noticed("charging.began", flow.since, flow.u_s, seen, rate)


class _ChargingOver:
    """Nothing flows for five minutes after something was charged."""

    def __init__(self) -> None:
        self._until = 0

    def second(self, now: Signals) -> Noticed | None:
        flow = now.flow
        if flow.direction or not flow.until or flow.until == self._until or flow.moved_kg >= 0:
            return None
        if now.t - flow.until < STILL_S or flow.counting:
            return None
        self._until = flow.until
        return noticed("charging.over", flow.until, 30.0, number("moved", Quantity.MASS, known(-flow.moved_kg, "kg")))


NOTICES = (
    Notice(key="charging.began", detector=_ChargingBegan, proposes=begin("charging")),
    Notice(key="charging.over", detector=_ChargingOver, proposes=end("charging"), lasts_s=7200),
)
