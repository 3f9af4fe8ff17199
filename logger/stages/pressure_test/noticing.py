"""A pressure test by its readings alone: nitrogen goes in, its pressure settles, it is let out."""

import math

from logger.model.points import Quantity
from logger.model.value import known, number
from logger.refrigerant import OutOfRange
from logger.stages.noticing import Acts, Entered, Latch, Notice, Noticed, Signals, begin, end, mark, noticed
from logger.statistics.by_second import SecondMeans
from logger.statistics.least_squares import line

RISES_PA = 80e3
IN_S = 240
STILL_KG = 0.06
EMPTY_PA = 160e3  # nothing but air and the last vapor was in it before
SETTLED_S = 600
OUT_PA = 130e3
OVER_AIR = 1.1


def system_of(now: Signals) -> SecondMeans | None:
    return now.first_of("system_pressure", "suction_pressure")


class _NitrogenIn:
    """The pressure rises while the scale is still: from a vacuum or an empty system, or above what the refrigerant
    could have at the coldest place."""

    def __init__(self) -> None:
        self._latch = Latch(15)

    def second(self, now: Signals) -> Noticed | None:
        system = system_of(now)
        newest = system.mean(3) if system is not None else None
        if system is None or newest is None:
            return None
        values = system.window(IN_S)
        low = min(range(len(values)), key=values.__getitem__)
        rise = newest.value - values[low]
        if self._latch.fired:
            if newest.value < OUT_PA and rise < RISES_PA / 2:
                self._latch.release()
            return None
        seen = rise > max(RISES_PA, 6.0 * newest.u) and self._is_gas(now, values[low], newest.value, 3.0 * newest.u)
        if not self._latch.second(seen):
            return None
        edge = values[low] + max(0.1 * rise, 3.0 * system.noise)
        began = next(i for i in range(len(values) - 1, -1, -1) if values[i] <= edge)
        as_of = system.t[len(system.t) - len(values) + began]
        return noticed(
            "pressure-test.nitrogen_in", as_of, 5.0, number("pressure", Quantity.PRESSURE, known(newest.value, "Pa"))
        )

    @staticmethod
    def _is_gas(now: Signals, low_pa: float, newest_pa: float, margin_pa: float) -> bool:
        if now.flow.direction or now.flow.counting:
            return False
        if newest_pa < OVER_AIR * now.ambient_pa:
            return False  # opened to the air
        mass = now.get("cylinder_mass")
        if mass is not None:
            first, last = mass.mean(75, 60), mass.mean(5)
            if first is None or last is None:
                return False
            if abs(first.value - last.value) > max(STILL_KG, 4.0 * mass.u(5)):
                return False
            if low_pa < EMPTY_PA:
                return True
        cold = [m.value for p in ("system_temperature", "second_system_temperature", "ambient_temperature")
                if (m := now.mean(p, 10)) is not None]  # fmt: skip
        if now.refrigerant is None or not cold:
            return False
        try:
            most_pa = now.refrigerant.bubble_pressure(max(cold))
            return low_pa < 0.7 * most_pa and newest_pa > 1.03 * most_pa + margin_pa
        except OutOfRange:
            return False


class _PressureSettled:
    """For ten minutes the pressure follows nothing but its temperature; not any more once it was let out."""

    def __init__(self) -> None:
        self._nitrogen = _NitrogenIn()
        self._since = 0
        self._fired, self._filled = True, False

    def second(self, now: Signals) -> Noticed | None:
        if self._nitrogen.second(now) is not None:
            self._since, self._fired, self._filled = now.t, False, False
        system = system_of(now)
        newest = system.mean(10) if system is not None else None
        if system is None or newest is None:
            return None
        if newest.value >= 3.0 * now.ambient_pa:
            self._filled = True
        elif self._filled:
            self._fired = True
        if not self._filled or self._fired or now.t - self._since < SETTLED_S + 60 or now.t % 10:
            return None  # looked at every ten seconds
        warm = now.first_of("system_temperature", "ambient_temperature")
        pressures = system.means(20, SETTLED_S // 20)
        temperatures = warm.means(20, SETTLED_S // 20) if warm is not None else None
        if pressures is None:
            return None
        level = sum(pressures) / len(pressures)
        corrected = pressures
        if temperatures is not None:
            middle = sum(temperatures) / len(temperatures)
            corrected = [p * middle / t for p, t in zip(pressures, temperatures, strict=True)]
        fit = line([float(i) for i in range(20)], corrected)
        if fit is None:
            return None
        drift = abs(fit.slope) * 19
        within = max(4.0 * system.u(SETTLED_S / 20), 2e-4 * level, 3.0 * fit.u_slope * 19 if fit.u_slope else 0.0)
        if drift > min(within, 2e-3 * level) or not math.isfinite(drift):
            return None
        self._fired = True
        pressure = number("pressure", Quantity.PRESSURE, known(newest.value, "Pa", newest.u))
        return noticed("pressure-test.settled", now.t - SETTLED_S, 120.0, pressure)


class _PressureLetOut:
    """The pressure is let out: most of what it was is gone within minutes."""

    def __init__(self) -> None:
        self._held_pa = 0.0
        self._held_at = 0
        self._nitrogen = _NitrogenIn()
        self._gas = False

    def second(self, now: Signals) -> Noticed | None:
        self._gas = self._nitrogen.second(now) is not None or self._gas
        system = system_of(now)
        newest = system.mean(5) if system is not None else None
        if newest is None or system is None or not self._gas:
            return None
        if newest.value > max(5.0 * now.ambient_pa, 0.97 * self._held_pa):
            if self._held_pa == 0.0 or newest.value > 0.97 * self._held_pa:
                self._held_pa, self._held_at = newest.value, now.t
            return None
        if self._held_pa and newest.value < 2.0 * now.ambient_pa:
            held_pa, at, self._held_pa, self._gas = self._held_pa, self._held_at, 0.0, False
            if now.t - at < 900:
                pressure = number("pressure", Quantity.PRESSURE, known(held_pa, "Pa"))
                return noticed("pressure-test.over", at, 10.0, pressure)
        return None


def _nitrogen(seen: Noticed, entered: Entered) -> Acts | None:
    """In an evacuation it breaks the vacuum."""
    stage = entered.stage_at(seen.as_of_ns)
    if stage is not None and stage.kind != "pressure-test" and "nitrogen-break" in entered.acts(stage.kind):
        return mark("nitrogen-break", stage.kind)(seen, entered)
    return begin("pressure-test")(seen, entered)


NOTICES = (
    Notice(key="pressure-test.nitrogen_in", detector=_NitrogenIn, proposes=_nitrogen, each=True),
    Notice(
        key="pressure-test.settled", detector=_PressureSettled, proposes=mark("holding", "pressure-test"), lasts_s=1800
    ),
    Notice(key="pressure-test.over", detector=_PressureLetOut, proposes=end("pressure-test"), lasts_s=7200),
)
