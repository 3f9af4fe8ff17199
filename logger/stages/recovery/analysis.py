"""A recovery stage as a whole: what came out, as liquid and as vapour, what stood in the way, and whether it is done.

Runs the live classes (MassRate, MassLedger, RecoveryWatch) over the recorded readings, so that its conclusions are
those of the screen, then judges the end: mass balance, the level of 40 CFR 82.156, the rebound.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from logger.model.finding import Finding, Verdict, worded
from logger.model.sample import Series
from logger.model.value import Value, known, unknown
from logger.refrigerant import Refrigerant
from logger.scale.ledger import MassLedger, balance
from logger.scale.rate import Disturbance, MassRate
from logger.stages.recovery.level import RecoveryLevel
from logger.stages.recovery.live import Phase, RecoveryNow, RecoveryWatch
from logger.stages.recovery.rebound import SETTLE_S, Rebound, judge_rebound
from logger.wording.numbers import duration, kelvin, mass, mass_rate, mass_with_spread

MAX_STEPS = 4096
STALE_S = 30.0
_COMMON = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Stall:
    """From start_s to end_s (seconds from the window's start) nothing came while charge remained."""

    start_s: float
    end_s: float
    causes: tuple[str, ...]
    check_next: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RecoveryStep:
    """One moment, for plots and comparison; None where unknown. condensing_over_ambient_k: at the outlet, dew."""

    t_s: float
    rate_kg_s: float | None
    recovered_kg: float | None
    phase: Phase
    condensing_over_ambient_k: float | None


@dataclass(frozen=True, slots=True)
class RecoveryResult:
    """steps: at most some 4000. changed_over_s: when liquid gave way to vapour last. liquid_rate, vapour_rate: medians
    over the phases. condensing_over_ambient: median while running.
    """

    steps: tuple[RecoveryStep, ...]
    changed_over_s: float | None
    liquid_rate: Value
    vapour_rate: Value
    recovered: Value
    condensing_over_ambient: Value
    ledger: MassLedger
    disturbances: tuple[Disturbance, ...]
    stalls: tuple[Stall, ...]
    rebound: Rebound | None
    findings: tuple[Finding, ...]


class Sampler:
    """Readings of several points at one moment, taken in ascending time; older than `stale_s` is unknown."""

    def __init__(self, series: Mapping[str, Series], stale_s: float = STALE_S) -> None:
        self._series = {name: s for name, s in series.items() if len(s)}
        self._at = dict.fromkeys(self._series, 0)
        spacings = {name: s.duration_s / max(len(s) - 1, 1) for name, s in self._series.items()}
        self._stale = {name: max(stale_s, 3 * spacing) for name, spacing in spacings.items()}

    def at(self, t_s: float) -> dict[str, Value]:
        out: dict[str, Value] = {}
        for name, series in self._series.items():
            t, i = series.t_s, self._at[name]
            while i + 1 < len(t) and t[i + 1] <= t_s:
                i += 1
            self._at[name] = i
            unit = "K" if name.endswith("temperature") else "Pa"
            if not -1.0 <= t_s - t[i] <= self._stale[name]:
                out[name] = unknown(unit, "no reading at that time")
            else:
                u = (series.u**2 + series.u_scale**2) ** 0.5
                out[name] = known(series.value[i], unit, u or None)
        return out


def analyse_recovery(
    series: Mapping[str, Series],
    *,
    refrigerant: Refrigerant | None,
    resolution_kg: float,
    charge_kg: float | None = None,
    u_charge_kg: float = 0.0,
    u_accuracy_kg: float = 0.0,
    cylinder: str = "",
    swaps: Sequence[tuple[float, str]] = (),
    level: RecoveryLevel | None = None,
    stopped_s: float | None = None,
    settle_s: float = SETTLE_S,
) -> RecoveryResult:
    """series: by measuring point, one time zero; "cylinder_mass" is needed, all others help.

    resolution_kg: the scale's division; u_accuracy_kg: see MassLedger. swaps: (time, name of the cylinder that came).
    level: from recovery_level.required_level. stopped_s: when the machine was stopped for good.
    """
    charge = unknown("kg", "charge of the appliance not entered")
    if charge_kg is not None:
        charge = known(charge_kg, "kg", u_charge_kg)
    level_pa = None if level is None else level.pressure.number
    scale = series.get("cylinder_mass", Series("cylinder_mass", (), ()))
    watch = RecoveryWatch(refrigerant, charge, level_pa)
    run = _Run(scale, series, watch, resolution_kg, u_accuracy_kg, cylinder, swaps)
    run.go()
    pressure = next((series[p] for p in ("system_pressure", "recovery_inlet_pressure") if len(series.get(p, ()))), None)
    rebound = None
    if level is not None and pressure is not None:
        around = next((series[p] for p in ("system_temperature", "ambient_temperature") if p in series), None)
        rebound = judge_rebound(
            pressure, level, stopped_s=stopped_s, settle_s=settle_s, refrigerant=refrigerant, temperature=around
        )
    return run.result(charge_kg, u_charge_kg, rebound)


class _Run:
    def __init__(
        self,
        scale: Series,
        series: Mapping[str, Series],
        watch: RecoveryWatch,
        resolution_kg: float,
        u_accuracy_kg: float,
        cylinder: str,
        swaps: Sequence[tuple[float, str]],
    ) -> None:
        self.scale, self.watch, self.cylinder = scale, watch, cylinder
        self.sampler = Sampler({name: s for name, s in series.items() if name != "cylinder_mass"})
        spacing = scale.duration_s / max(len(scale) - 1, 1)
        self.bucket_s = max(1.0, spacing, scale.duration_s / MAX_STEPS)
        self.rate = MassRate(
            resolution_kg=resolution_kg,
            noise_kg=scale.u,
            bucket_s=self.bucket_s,
            history_s=max(600.0, 50 * self.bucket_s),
        )
        self.ledger = MassLedger(resolution_kg, u_accuracy_kg)
        self.swaps = sorted(swaps)
        self.steps: list[RecoveryStep] = []
        self.disturbances: list[Disturbance] = []
        self.stalls: list[Stall] = []

    def go(self) -> None:
        next_s = -float("inf")
        allowed = unknown("kg", "not judged here")
        swaps = list(self.swaps)
        for t, y in zip(self.scale.t_s, self.scale.value, strict=True):
            while swaps and t >= swaps[0][0]:
                self.rate.expect_swap()
                self.ledger = self.ledger.swap(swaps.pop(0)[1])
            rate = self.rate.update(t, y)
            while self.rate.disturbances:
                jump = self.rate.disturbances.popleft()
                self.disturbances.append(jump)
                self.ledger = self.ledger.jumped(jump)
            if t < next_s:
                continue
            next_s = t + self.bucket_s * (1 - 1e-9)
            if not self.ledger.legs:
                self.ledger = self.ledger.begin(t, self.cylinder, y, max(self.scale.u, self.rate.resolution_kg / 3))
            elif not self.rate.disturbed:
                self.ledger = self.ledger.read(self.rate.level_at(t))
            recovered = self.ledger.moved
            now = self.watch.update(t, rate, recovered, allowed, self.sampler.at(t))
            over = now.condensing_over_ambient.number
            self.steps.append(RecoveryStep(t, rate.number, recovered.number, now.phase, over))
            self._stall(t, now)

    def _stall(self, t: float, now: RecoveryNow) -> None:
        if now.stalled_since_s is None:
            return
        if self.stalls and self.stalls[-1].start_s == now.stalled_since_s:
            self.stalls[-1] = Stall(now.stalled_since_s, t, now.causes, now.check_next)
        else:
            self.stalls.append(Stall(now.stalled_since_s, t, now.causes, now.check_next))

    def result(self, charge_kg: float | None, u_charge_kg: float, rebound: Rebound | None) -> RecoveryResult:
        recovered = self.ledger.moved
        liquid, vapour = self._rate_of(Phase.LIQUID), self._rate_of(Phase.VAPOUR)
        over = self._over_ambient()
        findings = [
            self._mass_finding(recovered),
            balance(recovered, charge_kg, u_charge_kg),
            self._phase_finding(liquid, vapour),
            *(self._stall_finding(stall) for stall in self.stalls),
            *self._condensing_finding(over),
            *(rebound.findings if rebound is not None else ()),
        ]
        return RecoveryResult(
            tuple(self.steps),
            self.watch.changed_over_s,
            liquid,
            vapour,
            recovered,
            over,
            self.ledger,
            tuple(self.disturbances),
            tuple(self.stalls),
            rebound,
            tuple(findings),
        )

    def _rate_of(self, phase: Phase) -> Value:
        rates = [s.rate_kg_s for s in self.steps if s.phase is phase and s.rate_kg_s is not None]
        if len(rates) < 5:
            return unknown("kg/s", f"no {phase.value} to speak of was recovered")
        middle = median(rates)
        return known(middle, "kg/s", 1.4826 * median(abs(r - middle) for r in rates) / len(rates) ** 0.5)

    def _over_ambient(self) -> Value:
        running = (s for s in self.steps if s.phase in (Phase.LIQUID, Phase.VAPOUR))
        over = [s.condensing_over_ambient_k for s in running if s.condensing_over_ambient_k is not None]
        if not over:
            return unknown("K", "no outlet pressure with ambient temperature while running")
        middle = median(over)
        return known(middle, "K", 1.4826 * median(abs(o - middle) for o in over))

    def _mass_finding(self, recovered: Value) -> Finding:
        key, rule = "recovery.mass", "sum over the cylinders of last minus first settled reading (GUM for u)"
        inputs = (("recovered", recovered), *self.ledger.by_cylinder())
        if recovered.number is None:
            return worded(key, Verdict.CANNOT_TELL, "no mass", f"No mass: {recovered.problem}.", rule)
        count = len(self.ledger.by_cylinder())
        text = f"{mass_with_spread(recovered.number, recovered.u)} in {count} cylinder(s)"
        text += f"; {recovered.note}." if recovered.note else "."
        return worded(key, Verdict.INFO, mass(recovered.number), text, rule, inputs=inputs)

    def _phase_finding(self, liquid: Value, vapour: Value) -> Finding:
        key, rule = "recovery.phase", f"rate as volume, inlet superheat, fall of the rate ({_COMMON})"
        inputs = (("rate as liquid", liquid), ("rate as vapour", vapour))
        parts = [f"{name} at {mass_rate(v.number)}" for name, v in (("liquid", liquid), ("vapour", vapour)) if v.number]
        if not parts:
            text = f"Liquid or vapour not told: {self.watch.because}."
            return worded(key, Verdict.CANNOT_TELL, "not clear", text, rule, "", inputs)
        changed = self.watch.changed_over_s
        when = f"; liquid gave way to vapour after {duration(changed)}" if changed is not None else ""
        text = f"It came as {', '.join(parts)}{when}."
        return worded(key, Verdict.INFO, " then ".join(parts), text, rule, "", inputs)

    def _stall_finding(self, stall: Stall) -> Finding:
        text = f"After {duration(stall.start_s)} little or nothing came for {duration(stall.end_s - stall.start_s)}"
        cause = f": {stall.causes[0]}" if stall.causes else "; the readings support no cause"
        return worded(
            "recovery.stall", Verdict.ATTENTION, "stalled", f"{text}{cause}.", _COMMON,
            causes=stall.causes, check_next=stall.check_next,
        )  # fmt: skip

    def _condensing_finding(self, over: Value) -> tuple[Finding, ...]:
        if over.number is None:
            return ()
        text = f"The machine's outlet condensed {kelvin(over.number)} over ambient (dew point, median while running)."
        inputs = (("condensing over ambient", over),)
        return (worded("recovery.condensing", Verdict.INFO, kelvin(over.number), text, _COMMON, "", inputs),)
