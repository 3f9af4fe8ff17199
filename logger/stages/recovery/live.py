"""A recovery as it runs: liquid or vapour, stalled or not, how long still, how hot it condenses.

Bounded state fed about once a second; the same class runs over a recorded stage (recovery.py), so live and replayed
conclusions are the same.

Liquid or vapour is weighed from what is known:
  - the rate as a volume of vapour at the inlet's state: beyond 1 L/s no recovery machine of the trade could have
    taken it as vapour (common practice, no source);
  - superheat at the inlet: none speaks for liquid, 6 K or more for vapour; in a vacuum that decides, because there
    the volume rests on a few kPa that no gauge tells well;
  - a rate that fell by 40 % or more and levelled there: the liquid is gone (its rise: liquid again).
"""

import math
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from logger.model.points import Quantity
from logger.model.units import STANDARD_ATMOSPHERE_PA
from logger.model.value import Argument, Statement, Value, known, name_of, number, unknown, word
from logger.physics import superheat
from logger.refrigerant import OutOfRange, Refrigerant
from logger.scale.ledger import summed
from logger.scale.time_left import TimeLeft, decay_time, time_left
from logger.stages.recovery.definition import Inputs, level_of
from logger.stages.recovery.stall import Readings, StallCause, inputs_of, refrigerant_left, stall_causes
from logger.stages.weighed import NO_SCALE, charge_of, out_before, scale_problem

ROW_S = 5.0
KEEP_ROWS = 360  # half an hour
STALL_S = 120.0
FALLING = 0.95  # of the appliance's pressure since little came: less is no stall where
FADED = 0.2  # of the peak was the rate in the minutes before: one that broke off may be the scale's; our own figures
LIQUID_M3_S = 1.0e-3
CHOKED_M3_S, CHOKED_INLET_PA = 0.1e-3, 200e3
WET_K, DRY_K = 1.0, 6.0
_LEVEL_ROWS = 4


class FlowPhase(StrEnum):
    """What flows into the recovery machine; codes of the words file."""

    LIQUID = "liquid"
    VAPOUR = "vapor"
    STOPPED = "no_flow"
    UNKNOWN = "not_clear"


@dataclass(frozen=True, slots=True)
class RecoveryNow:
    """changed_over_s: when liquid gave way to vapour last. stalled_since_s: None unless the rate is gone while charge
    remains; causes then say what the readings support. because: codes of the words file. first: what the masses say
    comes first, a code of the words file or "". stall_problem: why nobody can tell whether it is a stall that nothing
    flows.
    """

    phase: FlowPhase
    rate: Value
    because: tuple[str, ...]
    changed_over_s: float | None
    stalled_since_s: float | None
    causes: tuple[StallCause, ...]
    inlet_superheat: Value
    outlet_saturation: Value
    condensing_over_ambient: Value
    charge_left: Value
    time_to_charge_out: TimeLeft
    time_to_limit: TimeLeft
    first: str
    stall_problem: str | None = None


@dataclass(frozen=True, slots=True)
class _Row:
    t_s: float
    rate: float
    u: float
    outlet_pa: float | None
    drop_pa: float | None  # from the outlet to the cylinder


_NO_READING = unknown("Pa", "no such measuring point in the rig")
_NO_TEMPERATURE = unknown("K", "no such measuring point in the rig")


class RecoveryWatch:
    """refrigerant: None when unknown. charge: the appliance's charge in kg (unknown is allowed).

    level_pa: absolute pressure to recover down to: at or below it, no flow is no stall. before: what earlier stages of
    the job took out, less what they put in.
    """

    def __init__(
        self, refrigerant: Refrigerant | None, charge: Value, level_pa: float | None = None, before: Value | None = None
    ) -> None:
        self.refrigerant, self.charge, self.level_pa, self.before = refrigerant, charge, level_pa, before
        self.phase = FlowPhase.UNKNOWN
        self.because: tuple[str, ...] = ("no_rate",)
        self.changed_over_s: float | None = None
        self.stalled_since_s: float | None = None
        self.peak_kg_s = 0.0
        self._rows: deque[_Row] = deque(maxlen=KEEP_ROWS)
        self._next_row_s = float("-inf")
        self._shift = 0  # -2 after a fall of the rate, +2 after a rise
        self._shift_s = 0.0
        self._outlet_up = False
        self._outlet_until_s = float("-inf")
        self._wanted = FlowPhase.UNKNOWN
        self._wanted_since_s = 0.0
        self._flow = FlowPhase.UNKNOWN  # liquid or vapour when last flowing
        self._good: dict[str, Value] = {}
        self._slow_since_s: float | None = None
        self._slow_pa = 0.0  # of the appliance then
        self._faded = False  # by then, and not broken off
        self._stall_problem: str | None = None
        self._decay: Value | None = None
        self._causes: tuple[StallCause, ...] = ()

    def update(
        self,
        t_s: float,
        rate: Value,
        recovered: Value,
        allowed: Value,
        readings: Mapping[str, Value],
        fill: Value | None = None,
    ) -> RecoveryNow:
        """rate: kg/s into the cylinder. recovered: kg so far. allowed: kg the cylinder may still take.

        readings: by measuring point, absolute Pa and K. fill: liquid share of the cylinder now.
        """
        superheat_now = self._superheat(readings)
        left = self._charge_left(recovered)
        if t_s >= self._next_row_s:
            self._next_row_s = t_s + ROW_S * (1 - 1e-9)
            self._row(t_s, rate, superheat_now, left, readings, fill)
        outlet = readings.get("recovery_outlet_pressure", _NO_READING)
        saturation, over = self._condensing(outlet, readings.get("ambient_temperature", _NO_TEMPERATURE))
        vapour = self.phase is FlowPhase.VAPOUR
        slower = "as the pressure falls" if vapour else "once the liquid is gone"
        flow = unknown("kg/s", "no flow") if self.phase is FlowPhase.STOPPED else rate
        charge_out = time_left(
            left, flow, decay=self._decay if vapour else None, may_slow=f"at the least: slower {slower}"
        )
        limit = time_left(allowed, rate)
        return RecoveryNow(
            self.phase,
            rate,
            self.because,
            self.changed_over_s,
            self.stalled_since_s,
            self._causes,
            superheat_now,
            saturation,
            over,
            left,
            charge_out,
            limit,
            _first(left, allowed, self.charge),
            self._stall_problem,
        )

    def _superheat(self, readings: Readings) -> Value:
        if self.refrigerant is None:
            return unknown("K", "refrigerant unknown")
        pressure = readings.get("recovery_inlet_pressure", _NO_READING)
        line = readings.get("recovery_inlet_temperature", _NO_TEMPERATURE)
        return superheat.difference(
            line, superheat.dew_saturation(self.refrigerant, pressure, "recovery inlet pressure"), "recovery inlet line"
        )

    def _condensing(self, outlet: Value, ambient: Value) -> tuple[Value, Value]:
        if self.refrigerant is None:
            return unknown("K", "refrigerant unknown"), unknown("K", "refrigerant unknown")
        saturation = superheat.dew_saturation(self.refrigerant, outlet, "recovery outlet pressure")
        return saturation, superheat.difference(saturation, ambient, "ambient")

    def _charge_left(self, recovered: Value) -> Value:
        if self.charge.number is None:
            return self.charge
        if recovered.number is None:
            return unknown("kg", str(recovered.problem))
        if self.before is not None:
            recovered = summed((self.before, recovered))
            if recovered.number is None:
                return unknown("kg", f"what an earlier stage moved: {recovered.problem}")
        u = ((recovered.u or 0.0) ** 2 + (self.charge.u or 0.0) ** 2) ** 0.5
        return known(self.charge.number - (recovered.number or 0.0), "kg", u, recovered.note)

    def _row(
        self, t_s: float, rate: Value, superheat_now: Value, left: Value, readings: Readings, fill: Value | None
    ) -> None:
        if rate.number is None:
            self._slow_since_s = self.stalled_since_s = self._stall_problem = None
            return
        outlet_pa = readings.get("recovery_outlet_pressure", _NO_READING).number
        cylinder_pa = readings.get("cylinder_pressure", _NO_READING).number
        drop_pa = None if outlet_pa is None or cylinder_pa is None else outlet_pa - cylinder_pa
        row = _Row(t_s, rate.number, rate.u or 0.0, outlet_pa, drop_pa)
        self._rows.append(row)
        if row.rate > self.peak_kg_s and row.rate > 4 * row.u:
            self.peak_kg_s = row.rate
        if row.rate > 0.5 * self.peak_kg_s > 0:
            self._good = dict(readings)
        least = max(3 * row.u, 0.02 * self.peak_kg_s)
        nothing = row.rate <= (2 * least if self.phase is FlowPhase.STOPPED else least)  # no flicker between the two
        if nothing:
            self.phase, self.because = FlowPhase.STOPPED, ("too_little",)
        else:
            self._detect_shift(row)
            self._weigh(row, superheat_now, readings)
        if self.phase is FlowPhase.VAPOUR:
            recent = [r for r in self._rows if r.t_s >= t_s - 600.0 and r.t_s >= (self.changed_over_s or 0.0) + 60.0]
            self._decay = decay_time([r.t_s for r in recent], [r.rate for r in recent])
        self._detect_stall(row, nothing, left, readings, fill)

    def _detect_shift(self, row: _Row) -> None:
        """A rate that fell or rose and has levelled since, against its median of some minutes ago."""
        rows = self._rows
        last = [rows[-i] for i in range(1, min(len(rows), _LEVEL_ROWS) + 1)]
        if len(last) < _LEVEL_ROWS or last[0].t_s - last[-1].t_s > 3 * _LEVEL_ROWS * ROW_S:
            return
        level = median(r.rate for r in last)
        if any(abs(r.rate - level) > 0.2 * abs(level) + r.u for r in last):
            return
        past = [r.rate for r in rows if row.t_s - 300.0 <= r.t_s <= row.t_s - 45.0]
        past = [r for r in past if r > 0.02 * self.peak_kg_s]
        if len(past) < 4:
            return
        before = median(past)
        if level < 0.8 * before and (self._outlet_rose(row) or row.t_s < self._outlet_until_s):
            if not self._outlet_up:
                self._outlet_until_s = row.t_s + 300.0  # until the median before no longer reaches back to it
            self._outlet_up, self._shift = True, max(self._shift, 0)
            return
        if level > 0.8 * before:
            self._outlet_up = False
        if level + 2 * row.u < 0.6 * before:
            if self._shift >= 0:
                fell = [r.t_s for r in rows if r.t_s > row.t_s - 300.0 and r.rate > (before + level) / 2]
                self._shift_s = max(fell, default=row.t_s)
            self._shift = -2
        elif level - 2 * row.u > 1.6 * before:
            self._shift = 2

    def _outlet_rose(self, row: _Row) -> bool:
        """Against some minutes ago: then the way out is what slowed the flow, not the liquid's end."""
        past = [r for r in self._rows if row.t_s - 300.0 <= r.t_s <= row.t_s - 45.0 and r.rate > 0.02 * self.peak_kg_s]
        drops = [r.drop_pa for r in past if r.drop_pa is not None]
        if row.drop_pa is not None and len(drops) >= 4:
            return row.drop_pa > 1.3 * median(drops) + 5e4
        outlets = [r.outlet_pa for r in past if r.outlet_pa is not None]
        return row.outlet_pa is not None and len(outlets) >= 4 and row.outlet_pa > 1.15 * median(outlets)

    def _weigh(self, row: _Row, superheat_now: Value, readings: Readings) -> None:
        score, reasons = 0.0, []
        inlet = readings.get("recovery_inlet_pressure", _NO_READING)
        volume = self._vapour_volume(row.rate, inlet)
        if volume is not None and volume > LIQUID_M3_S:
            score += 3
            reasons.append("too_fast_for_vapor")
        if superheat_now.number is not None:
            if superheat_now.number <= WET_K:
                score += 1
                reasons.append("inlet_saturated")
            elif superheat_now.number >= DRY_K:
                score -= 4 if inlet.number is not None and inlet.number < STANDARD_ATMOSPHERE_PA else 2
                reasons.append("inlet_superheated")
        if self._shift:
            score += self._shift
            reasons.append("rate_fell" if self._shift < 0 else "rate_rose")
        elif self._outlet_up:
            reasons.append("outlet_rose")
        wanted = FlowPhase.LIQUID if score >= 1 else FlowPhase.VAPOUR if score <= -1 else self._flow
        if wanted is not self._wanted:
            self._wanted, self._wanted_since_s = wanted, row.t_s
        held = row.t_s - self._wanted_since_s >= 2 * ROW_S
        if wanted is not self._flow and held:
            if self._flow is FlowPhase.LIQUID and wanted is FlowPhase.VAPOUR:
                by_rate = self._shift < 0 and row.t_s - self._shift_s < 300.0
                self.changed_over_s = self._shift_s if by_rate else self._wanted_since_s
            self._flow = wanted
        self.phase = self._flow
        self.because = tuple(reasons) or ("fits_either",)

    def _vapour_volume(self, rate: float, pressure: Value) -> float | None:
        if self.refrigerant is None or pressure.number is None:
            return None
        try:
            return rate / self.refrigerant.vapour_density(self.refrigerant.dew_temperature(pressure.number))
        except OutOfRange:
            return None

    def _detect_stall(self, row: _Row, nothing: bool, left: Value, readings: Readings, fill: Value | None) -> None:
        self._stall_problem = None
        slow = self.peak_kg_s > 0 and (nothing or self._choked(row, readings))
        if not slow or not self._remains(left, readings):
            self._slow_since_s = self.stalled_since_s = None
            self._causes = ()
            return
        now_pa = _of_appliance(readings) or 0.0
        if self._slow_since_s is None:
            before = [r.rate for r in self._rows if row.t_s - 180.0 <= r.t_s <= row.t_s - 60.0]
            self._faded = bool(before) and median(before) < FADED * self.peak_kg_s
            self._slow_since_s, self._slow_pa = row.t_s, now_pa
        if self.charge.number is None and self._faded and now_pa < FALLING * self._slow_pa:
            self._slow_since_s, self._slow_pa = row.t_s, now_pa  # vapour flows, too little for the scale
            self.stalled_since_s, self._causes = None, ()
        if row.t_s - self._slow_since_s >= STALL_S:
            self.stalled_since_s = self._slow_since_s
            peak = max((r.outlet_pa for r in self._rows if r.outlet_pa and r.t_s > row.t_s - 600.0), default=None)
            self._causes = tuple(stall_causes(readings, self._good, self.refrigerant, fill, peak))

    def _remains(self, left: Value, readings: Readings) -> bool:
        """Whether anything is left to recover: by the charge, or by the pressure where none is entered."""
        pressure_pa = _of_appliance(readings)
        if pressure_pa is not None and self.level_pa is not None and pressure_pa <= self.level_pa:
            return False
        if self.charge.number is None:
            around = (readings.get(p, _NO_TEMPERATURE).number for p in ("system_temperature", "ambient_temperature"))
            kelvin = next((t for t in around if t is not None), None)
            remains = refrigerant_left(pressure_pa, kelvin, self.refrigerant, self.level_pa)
            if remains.number is None:
                self._stall_problem = f"{self.charge.problem}, and {remains.problem}"
            return bool(remains.number)
        return left.number is not None and left.number > max(0.03 * self.charge.number, 3 * (left.u or 0.0))

    def _choked(self, row: _Row, readings: Readings) -> bool:
        """A trickle where the pressures would give more: less than any machine takes as vapour, or a drop before it."""
        if self._outlet_up and row.rate < 0.6 * self.peak_kg_s:
            return True
        if row.rate > 0.25 * self.peak_kg_s:
            return False
        inlet = readings.get("recovery_inlet_pressure", _NO_READING)
        system = readings.get("system_pressure", _NO_READING).number
        if inlet.number is None:
            return False
        if system is not None and system > inlet.number + 1e5 and inlet.number < 0.7 * system:
            return True
        volume = self._vapour_volume(row.rate, inlet)
        return volume is not None and volume < CHOKED_M3_S and inlet.number > CHOKED_INLET_PA


def _of_appliance(readings: Readings) -> float | None:
    """Its pressure, or as near to it as the rig measures."""
    pressures = (readings.get(p, _NO_READING).number for p in ("system_pressure", "recovery_inlet_pressure"))
    return next((p for p in pressures if p is not None), None)


U_CHARGE = 0.05
"""Standard uncertainty of a charge as entered, as a share of it; our own figure: systems are found a tenth off."""


def _first(left: Value, room: Value, charge: Value) -> str:
    """What comes first, by mass: how fast either goes on changes nothing about it. left: still in the system, kg.

    An empty system from which more comes has more in it than was entered: how much, nobody can tell.
    """
    if room.number is None:
        return ""
    if left.number is None or left.number <= 0.0:
        return "cylinder_alone"
    spare = room.number - left.number
    within = 2.0 * math.hypot(U_CHARGE * (charge.number or 0.0), left.u or 0.0, room.u or 0.0)
    return "system" if spare >= within else "cylinder" if spare <= -within else "either"


_POINTS = (
    "recovery_inlet_pressure", "recovery_inlet_temperature", "recovery_outlet_pressure", "cylinder_pressure",
    "cylinder_temperature", "ambient_temperature", "system_pressure", "system_temperature",
)  # fmt: skip


class CylinderWatch:
    """The watch of a recovery stage: a RecoveryWatch fed by the scale and what the cylinder may still take."""

    def __init__(self, now: Inputs) -> None:
        self._watch = RecoveryWatch(now.refrigerant, charge_of(now), before=out_before(now))
        self.now: RecoveryNow | None = None

    def update(self, now: Inputs) -> Mapping[str, Value]:
        """The live quantities of a recovery, by name, in SI."""
        watch = self._watch
        watch.charge = charge_of(now)  # both may be entered while it runs
        watch.level_pa = level_of(now).pressure.number
        watch.before = out_before(now)
        rate, moved = unknown("kg/s", NO_SCALE), unknown("kg", NO_SCALE)
        if now.scale is not None:
            rate, moved = now.scale.rate.value, now.scale.moved_at(now.scale.seconds(now.until_ns))
        if (silent := scale_problem(now)) is not None:
            rate, moved = unknown("kg/s", silent), unknown("kg", silent)
        room = now.live.get("mass_allowed", unknown("kg", NO_SCALE))
        found = self.now = watch.update(
            now.elapsed_s,
            rate,
            moved,
            room,
            {name: now.value(name) for name in _POINTS},
            now.live.get("cylinder_fill_now", unknown("1", NO_SCALE)),
        )
        in_job = {} if watch.before is None else {"recovered_in_job": summed((watch.before, moved))}
        return {
            **in_job,
            "mass_rate": rate,
            "recovered": moved,
            "charge_left": found.charge_left,
            "time_to_charge_out": found.time_to_charge_out.value,
            "time_to_limit": full_in(found),
            "condensing_over_ambient": found.condensing_over_ambient,
            "outlet_saturation": found.outlet_saturation,
            "stalled_for": _stalled_for(rate, found, now.elapsed_s),
        }

    def advice(self, now: Inputs) -> tuple[Statement, ...]:
        """What to do now; nothing while there is nothing to do."""
        if (silent := scale_problem(now)) is not None:
            return (Statement("recovery.flow_unknown", (name_of("why", silent),)),)
        return tuple(advice(self.now, now.elapsed_s)) if self.now is not None else ()


def full_in(found: RecoveryNow) -> Value:
    """Seconds until the cylinder is full; unknown where all that is left in the system does not fill the room left."""
    return unknown("s", "the system empties first") if found.first == "system" else found.time_to_limit.value


def _stalled_for(rate: Value, now: RecoveryNow, t_s: float) -> Value:
    """Seconds; 0 while something flows, or nothing remains to flow. t_s: since the stage began."""
    if rate.number is None:
        return unknown("s", str(rate.problem))
    if now.stall_problem is not None:
        return unknown("s", now.stall_problem)
    return known(0.0 if now.stalled_since_s is None else t_s - now.stalled_since_s, "s")


def advice(now: RecoveryNow, t_s: float) -> Iterator[Statement]:
    """What the mechanic reads now, most urgent first. t_s: since the stage began."""
    if now.stalled_since_s is not None:
        lasted = _time("lasted", t_s - now.stalled_since_s)
        yield Statement("recovery.stalled", (lasted, *inputs_of(now.causes[:1])))
        return
    flow = [word("phase", now.phase), number("rate", Quantity.MASS_RATE, now.rate)]
    if now.phase is FlowPhase.VAPOUR and now.changed_over_s is not None:
        flow.append(_time("since", t_s - now.changed_over_s))
    if now.phase is FlowPhase.VAPOUR and now.inlet_superheat.number is not None:
        flow.append(number("inlet_superheat", Quantity.TEMPERATURE_DIFFERENCE, now.inlet_superheat))
    yield Statement("recovery.flow", tuple(flow))
    left = now.time_to_charge_out if now.first == "system" else now.time_to_limit
    soonest = left.value.number if left.high_s is None else left.low_s
    flows = now.rate.number is not None and now.rate.number > 2.0 * (now.rate.u or 0.0)
    if flows and now.first and (soonest is not None or now.first == "system"):
        inputs = [word("first", now.first)]
        if soonest is not None:
            inputs.append(_time("soonest", soonest))
            if left.high_s is not None:
                inputs.append(_time("latest", left.high_s))
        yield Statement("recovery.first", tuple(inputs))


def _time(name: str, seconds: float) -> Argument:
    return number(name, Quantity.TIME, known(seconds, "s"))
