"""A recovery by its readings alone: the machine was started, the liquid has ended, nothing comes any more."""

from collections import deque
from statistics import median

from logger.model.points import Quantity
from logger.model.value import known, number, word
from logger.physics import superheat
from logger.stages.noticing import Notice, Noticed, Signals, begin, end, mark, noticed
from logger.statistics.by_second import SecondMeans

RISES_PA = 20e3
VACUUM_PA = 60e3
WET_K, DRY_K = 2.0, 5.0
HALF, GONE, SLOW_S = 0.6, 0.08, 40
RATES_S = 240
LONG_FLOW_S, LONG_STOP_S = 300, 600


class _RecoveryStarted:
    """The scale gains, and the system does not: what comes out of a system cannot raise its pressure."""

    def __init__(self) -> None:
        self._since = 0

    def second(self, now: Signals) -> Noticed | None:
        flow = now.flow
        if flow.direction <= 0 or flow.since == self._since or not _is_out(now):
            return None
        if now.t - flow.since > 600:
            return None
        self._since = flow.since
        seen = word("seen", "machine" if flow.pumped else "weight")
        rate = number("rate", Quantity.MASS_RATE, known(flow.rate_kg_s, "kg/s"))
        return noticed("recovery.started", flow.since, flow.u_s, seen, rate)


def _is_out(now: Signals) -> bool:
    system = now.first_of("system_pressure", "suction_pressure")
    if system is None:
        return True
    age = now.t - now.flow.since
    then, newest = system.mean(age + 40, age + 5), system.mean(5)
    return then is None or newest is None or newest.value - then.value < max(RISES_PA, 4.0 * newest.u)


class _LiquidEnded:
    """In a flow: the inlet was wet and is dry, and little comes against the minutes before."""

    def __init__(self) -> None:
        self._since = 0
        self._rates: deque[tuple[int, float]] = deque(maxlen=RATES_S)
        self._wet_s = self._dry_s = self._slow_s = 0
        self._fired = False

    def second(self, now: Signals) -> Noticed | None:
        flow = now.flow
        if flow.direction <= 0:
            return None
        if flow.since != self._since:
            self._since, self._fired, self._wet_s, self._dry_s = flow.since, False, 0, 0
            self._rates.clear()
        mass = now.get("cylinder_mass")
        means = mass.means(2, 15) if mass is not None else None
        if means is None or mass is None or self._fired:
            return None
        rate = (means[1] - means[0]) / 15
        if rate > 0.5:  # a jump
            return None
        self._rates.append((now.t, rate))
        over = self._superheat(now)
        if over is not None:
            if over < WET_K:
                self._wet_s, self._dry_s = self._wet_s + 1, 0
            elif over > DRY_K:
                self._dry_s += 1
        before = [r for t, r in self._rates if now.t - 210 <= t <= now.t - 40]
        if len(before) < 60:
            return None
        usual = median(before)
        u = 1.5 * mass.u(15) / 15
        slow = rate + u < HALF * usual and usual > 4 * u
        wet_before = self._wet_s >= 60 if over is not None else usual > 0.01
        slow = slow and rate > GONE * usual  # else it was stopped
        self._slow_s = self._slow_s + 1 if slow else 0
        if not (self._slow_s >= SLOW_S and wet_before and (over is None or self._dry_s >= 20) and not _held_back(now)):
            return None
        self._fired = True
        fell = [t for t, r in self._rates if r > (usual + rate) / 2]
        inputs = (number("rate", Quantity.MASS_RATE, known(max(rate, 0.0), "kg/s", u)),
                  number("before", Quantity.MASS_RATE, known(usual, "kg/s", u)))  # fmt: skip
        return noticed("recovery.liquid_ended", max(fell, default=now.t), 20.0, *inputs)

    @staticmethod
    def _superheat(now: Signals) -> float | None:
        pressure, line = now.mean("recovery_inlet_pressure", 5), now.mean("recovery_inlet_temperature", 5)
        if now.refrigerant is None or pressure is None or line is None:
            return None
        dew = superheat.dew_saturation(now.refrigerant, known(pressure.value, "Pa"), "inlet")
        return None if dew.number is None else line.value - dew.number


def _held_back(now: Signals) -> bool:
    """The way in or out is narrower than minutes ago: a valve, a kinked hose, a hot cylinder."""
    outlet, cylinder = now.get("recovery_outlet_pressure"), now.get("cylinder_pressure")
    for before, after in ((outlet, cylinder), (now.get("system_pressure"), now.get("recovery_inlet_pressure"))):
        if before is None or after is None:
            continue
        drops = [_drop(before, after, *span) for span in ((10, 0), (180, 60))]
        if None not in drops and drops[0] > 1.3 * drops[1] + 5e4:  # type: ignore[operator]
            return True
    return False


def _drop(before: SecondMeans, after: SecondMeans, from_s: float, to_s: float) -> float | None:
    a, b = before.mean(from_s, to_s), after.mean(from_s, to_s)
    return None if a is None or b is None else a.value - b.value


class _RecoveryOver:
    """The flow has stopped and the system's pressure is down: nothing more comes."""

    def __init__(self) -> None:
        self._until = 0

    def second(self, now: Signals) -> Noticed | None:
        flow = now.flow
        if flow.direction or not flow.until or flow.until == self._until or flow.moved_kg <= 0:
            return None
        if now.t - flow.until < STOPPED_S:
            return None
        self._until = flow.until
        system = now.first_of("system_pressure", "recovery_inlet_pressure")
        low = system.mean(10) if system is not None else None
        if low is not None and low.value > now.ambient_pa:
            return None  # a pause: a cylinder is changed, a valve closed
        moved = number("moved", Quantity.MASS, known(flow.moved_kg, "kg"))
        return noticed("recovery.over", flow.until, 60.0, moved)


STOPPED_S = 180

NOTICES = (
    Notice(key="recovery.started", detector=_RecoveryStarted, proposes=begin("recovery")),
    Notice(
        key="recovery.liquid_ended", detector=_LiquidEnded, proposes=mark("liquid-ended", "recovery"),
        each=True, lasts_s=1800,
    ),
    Notice(key="recovery.over", detector=_RecoveryOver, proposes=end("recovery"), lasts_s=7200),
)  # fmt: skip
