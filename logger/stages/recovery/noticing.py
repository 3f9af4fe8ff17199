"""A recovery by its readings alone: the machine was started, the liquid has ended, nothing comes any more."""

import math
from collections import deque
from statistics import median

from logger.model.points import Quantity
from logger.model.value import known, number, word
from logger.physics import superheat
from logger.stages.noticing import Notice, Noticed, Signals, begin, end, mark, noticed
from logger.statistics.by_second import SecondMeans

RISES_PA, EMPTY_PA = 20e3, 8e3  # below, there is nothing to recover
WET_K, DRY_K = 2.0, 4.0  # over the lowest superheat of this flow
WET_AT_MOST_K, WET_S = 2.0, 20  # higher: it never was wet
RISE_S, DRY_S = 60, 25  # from wet to dry; dry
HALF, GONE, SLOW_S = 0.6, 0.08, 40
RATES_S = 240
STOPPED_S, LATER_S = 180, 600
REBOUND_PA = 5e3
OTHER_KG = 2.0
FALLS = 0.01


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
    if then is None or newest is None:
        return True
    return then.value > EMPTY_PA and newest.value - then.value < max(RISES_PA, 4.0 * newest.u)


class _LiquidEnded:
    """In a flow: the inlet, wet until then, is dry within a minute, and stays so while something still comes.

    Dry is a rise over the lowest superheat of this flow: two sensors and a blend's glide put that anywhere near zero.
    How much less comes then depends on the refrigerant and the machine, and may be nothing. Without a thermometer a
    rate that falls far says it, which a hand at the valve may do too.
    """

    def __init__(self) -> None:
        self._since = 0
        self._clear()

    def _clear(self) -> None:
        self._rates: deque[tuple[int, float]] = deque(maxlen=RATES_S)
        self._wet: deque[float] = deque(maxlen=RATES_S)  # rates while the inlet was wet
        self._wet_k, self._wet_at = math.inf, 0  # its lowest superheat; when it was last near that
        self._slow_s, self._fired = 0, False

    def second(self, now: Signals) -> Noticed | None:
        flow = now.flow
        if flow.direction <= 0:
            return None
        if flow.since != self._since:
            self._since = flow.since
            self._clear()
        mass = now.get("cylinder_mass")
        means = mass.means(2, 15) if mass is not None else None
        if means is None or mass is None or self._fired:
            return None
        rate, u = (means[1] - means[0]) / 15, 1.5 * mass.u(15) / 15
        if rate > 0.5:  # a jump
            return None
        self._rates.append((now.t, rate))
        over = self._superheat(now)
        usual = self._by_rates(now, rate, u) if over is None else self._by_superheat(now, over, rate)
        if usual is None or self._slow_s < (SLOW_S if over is None else DRY_S) or _held_back(now):
            return None
        self._fired = True
        fell = [t for t, r in self._rates if r > (usual + rate) / 2] if over is None else [self._wet_at]
        inputs = (number("rate", Quantity.MASS_RATE, known(max(rate, 0.0), "kg/s", u)),
                  number("before", Quantity.MASS_RATE, known(usual, "kg/s", u)))  # fmt: skip
        return noticed("recovery.liquid_ended", max(fell, default=now.t), 20.0, *inputs)

    def _by_superheat(self, now: Signals, over: float, rate: float) -> float | None:
        """The rate while it was wet, where it can be compared; over: K."""
        self._wet_k = min(self._wet_k, over)
        if self._wet_k > WET_AT_MOST_K:
            return None
        if over < self._wet_k + WET_K:
            self._wet.append(rate)
            self._wet_at = now.t
        if len(self._wet) < WET_S:
            return None
        usual = median(self._wet)
        dry = over > self._wet_k + DRY_K and rate > GONE * usual  # less: it was stopped
        if dry and self._slow_s == 0 and now.t - self._wet_at > RISE_S:
            dry = False  # a line that warms slowly never was wet
        self._slow_s = self._slow_s + 1 if dry else max(0, self._slow_s - 2)
        return usual

    def _by_rates(self, now: Signals, rate: float, u: float) -> float | None:
        before = [r for t, r in self._rates if now.t - 210 <= t <= now.t - 40]
        if len(before) < 60:
            return None
        usual = median(before)
        slow = GONE * usual < rate < HALF * usual - u and usual > max(4 * u, 0.01)
        self._slow_s = self._slow_s + 1 if slow else 0
        return usual

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
    """The flow has stopped, the system's pressure is down, and it neither falls nor comes back: nothing more comes.

    While it falls a machine pulls, however little that adds to the scale. Where it comes back there is refrigerant
    left, and with another cylinder on the scale, or none, it may go on into that: so there it is said later.
    """

    def __init__(self) -> None:
        self._until = self._pulled = 0
        self._gross_kg: float | None = None
        self._low_pa, self._waits = math.inf, False

    def second(self, now: Signals) -> Noticed | None:
        flow, gross = now.flow, now.mean("cylinder_mass", 5)
        system = now.first_of("system_pressure", "recovery_inlet_pressure")
        newest = system.mean(10) if system is not None else None
        if flow.direction > 0 and gross is not None:
            self._gross_kg = gross.value
        if system is not None and newest is not None:
            if _falls(system):
                self._pulled = now.t
            if flow.direction or self._pulled == now.t:
                self._low_pa, self._waits = newest.value, False
            self._low_pa = min(self._low_pa, newest.value)
            self._waits = self._waits or newest.value - self._low_pa > max(REBOUND_PA, 4.0 * newest.u)
        if flow.direction or not flow.until or flow.until == self._until or flow.moved_kg <= 0:
            return None
        if gross is not None and self._gross_kg is not None:
            self._waits = self._waits or abs(gross.value - self._gross_kg) > OTHER_KG
        over = max(flow.until, self._pulled)
        if now.t - over < (LATER_S if self._waits else STOPPED_S):
            return None
        self._until = flow.until
        if newest is not None and newest.value > now.ambient_pa:
            return None  # a pause: a cylinder is changed, a valve closed
        moved = number("moved", Quantity.MASS, known(flow.moved_kg, "kg"))
        return noticed("recovery.over", over, 60.0, moved)


def _falls(system: SecondMeans) -> bool:
    """By more than a hundredth in a minute."""
    before, newest = system.mean(80, 60), system.mean(20)
    if before is None or newest is None:
        return False
    return before.value - newest.value > max(FALLS * newest.value, 4.0 * system.u(20))


NOTICES = (
    Notice(key="recovery.started", detector=_RecoveryStarted, proposes=begin("recovery")),
    Notice(
        key="recovery.liquid_ended", detector=_LiquidEnded, proposes=mark("liquid-ended", "recovery"),
        each=True, lasts_s=1800,
    ),
    Notice(key="recovery.over", detector=_RecoveryOver, proposes=end("recovery"), lasts_s=7200),
)  # fmt: skip
