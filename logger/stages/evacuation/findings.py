"""The findings of an evacuation: progress, why it stalled, what an act changed, how many evacuations."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.value import Argument, Value, known, name_of, number, word
from logger.refrigerant.water import supercooled_temperature
from logger.stages.evacuation.standstill import Origin, Standstill
from logger.stages.evacuation.stretches import EvacuationRun, Plateau

HELPED = 0.9  # a level under nine tenths of where it was heading is a gain

CHECK = {
    Origin.WATER: ("gas_ballast_and_break", "watch_for_ice"),
    Origin.LEAK: ("close_at_pump_for_leak", "caps_and_cores"),
    Origin.PUMP: ("change_pump_oil", "close_at_pump_for_pump"),
    Origin.OUTGASSING: ("warm_the_oil",),
    Origin.GAUGE_CEILING: ("wait_for_range",),
    Origin.GAUGE_FLOOR: ("lower_gauge",),
}


@dataclass(frozen=True, slots=True)
class Gain:
    """What an act changed. before: level when it was done; heading: where that curve would be by now; after: where it
    is, Pa with u. stood: it stood still before.
    """

    what: str
    t_s: float
    before: Value
    heading: Value
    after: Value
    stood: bool

    @property
    def helped(self) -> bool:
        """Lower than where it was heading by a tenth, and by two standard uncertainties."""
        if self.heading.number is None or self.after.number is None:
            return False
        u = ((self.heading.u or 0.0) ** 2 + (self.after.u or 0.0) ** 2) ** 0.5
        below = self.heading.number - self.after.number
        return self.after.number < HELPED * self.heading.number and below > 2.0 * u


def progress_finding(
    state: str,
    rate: Value,
    pressure_rate: Value,
    likely: Value,
    soonest: Value,
    latest: Value,
    target_pa: float | None,
    now_pa: float | None,
    accuracy_stated: bool = True,
) -> Finding:
    """A target reached passes, but only beyond the uncertainty and with a stated accuracy of the gauge.

    state: a code of words.py. rate: decades an hour; pressure_rate: Pa/s. The band of times holds every fit that
    passes the target and that the readings do not refuse at odds of 20 to 1.
    """
    inputs = [number("rate", Quantity.DECADE_RATE, rate)]
    if now_pa is None or rate.number is None:
        return Finding("evacuation.progress", Verdict.CANNOT_TELL, (*inputs, word("state", "unknown")))
    if target_pa is not None:
        inputs += [
            number("target", Quantity.VACUUM, known(target_pa, "Pa")),
            number("time_to_target", Quantity.TIME, likely),
            number("soonest", Quantity.TIME, soonest),
            number("latest", Quantity.TIME, latest),
        ]
    inputs.append(number("vacuum", Quantity.VACUUM, known(now_pa, "Pa")))
    inputs.append(number("pressure_rate", Quantity.PRESSURE_RATE, pressure_rate))
    reached = Verdict.PASS if accuracy_stated else Verdict.INFO
    verdict = {
        "reached": reached, "stalled": Verdict.ATTENTION, "rising": Verdict.ATTENTION, "unknown": Verdict.CANNOT_TELL,
    }  # fmt: skip
    return Finding("evacuation.progress", verdict.get(state, Verdict.INFO), (*inputs, word("state", state)))


def standstill_findings(s: Standstill, target_pa: float | None, stalled: bool) -> list[Finding]:
    """What a vacuum that has come to rest means. target_pa: None where none was entered. stalled: it rests above it."""
    inputs = [
        number("level", Quantity.VACUUM, known(s.level_pa, "Pa", s.u_pa)),
        number("drift", Quantity.RATIO, known(s.drift_per_h, "1", s.u_drift)),
    ]
    if s.water_k is not None:
        inputs += _water(s.level_pa, s.water_k)
    found = []
    if stalled:
        said = list(_stall_numbers(s))
        if target_pa is not None:
            said.append(number("target", Quantity.VACUUM, known(target_pa, "Pa")))
            said.append(word("against_target", "above" if s.level_pa > 1.1 * target_pa else "near"))
        said += (word("likely", reason.source.value) for reason in s.leading)
        for reason in s.reasons:
            if reason.weight >= 0.4:
                said.append(word("cause", reason.source.value))
                said += (word(f"support_{reason.source.value}", code) for code in reason.support)
        checks = dict.fromkeys(code for reason in s.leading for code in CHECK[reason.source])
        said += (word("check", code) for code in checks)
        found.append(Finding("evacuation.stall", Verdict.ATTENTION, (*inputs, *said)))
    if any(r.source is Origin.WATER for r in s.leading) and s.water_k is not None:
        if s.ice:
            check = word("check", "break_and_warm")
            found.append(Finding("evacuation.ice", Verdict.ATTENTION, (*inputs, check)))
        else:
            found.append(Finding("evacuation.water", Verdict.INFO, tuple(inputs)))
    return found


def _water(level_pa: float, water_k: float) -> Iterator[Argument]:
    """Water or ice, and water that has not frozen yet, at this pressure."""
    yield number("water_boils_at", Quantity.TEMPERATURE, known(water_k, "K"))
    supercooled_k = supercooled_temperature(level_pa)
    if supercooled_k is not None:
        yield number("supercooled_at", Quantity.TEMPERATURE, known(supercooled_k, "K"))


def _stall_numbers(s: Standstill) -> Iterator[Argument]:
    """What the causes' support refers to."""
    if s.near_k is not None:
        yield number("near", Quantity.TEMPERATURE, known(s.near_k, "K"))
    for name, pressure in (
        ("gauge_bottom", s.gauge_low_pa), ("gauge_top", s.gauge_high_pa), ("pump_limit", s.pump_ultimate_pa),
        ("earlier_level", s.earlier_pa),
    ):  # fmt: skip
        if pressure is not None:
            yield number(name, Quantity.VACUUM, known(pressure, "Pa"))


def plateau_finding(p: Plateau) -> Finding:
    """A level held on the way down, with the temperature at which water boils there."""
    inputs = [
        number("level", Quantity.VACUUM, known(p.level_pa, "Pa")),
        number("lasted", Quantity.TIME, known(p.end_s - p.start_s, "s")),
    ]
    if p.water_k is not None:
        inputs += _water(p.level_pa, p.water_k)
        inputs.append(word("check", "change_pump_oil_after_water"))
    return Finding("evacuation.plateau", Verdict.INFO, tuple(inputs))


def gain_finding(g: Gain) -> Finding:
    """Whether an act, such as an oil change, made the pump pull deeper."""
    return Finding(
        "evacuation.gain",
        Verdict.INFO,
        (
            number("before", Quantity.VACUUM, g.before),
            number("heading", Quantity.VACUUM, g.heading),
            number("after", Quantity.VACUUM, g.after),
            name_of("act", g.what),
            word("judged", "helped" if g.helped else "no_gain"),
        ),
    )


def count_finding(whole: Sequence[EvacuationRun], asked: int | None, target_pa: float | None) -> Finding:
    """How many evacuations with nitrogen breaks between them, and whether each reached the target."""
    counted = [e for e in whole if target_pa is None or e.lowest_pa <= target_pa]
    inputs = [number("lowest", Quantity.VACUUM, known(e.lowest_pa, "Pa")) for e in whole]
    inputs += [
        number(name, Quantity.COUNT, known(float(count), "1"))
        for name, count in (
            ("evacuations", len(whole)),
            ("breaks", sum(e.broken_at_s is not None for e in whole)),
            ("reached", len(counted)),
        )
    ]
    if target_pa is not None:
        inputs.append(number("target", Quantity.VACUUM, known(target_pa, "Pa")))
    verdict = Verdict.INFO
    if asked is not None:
        inputs.append(number("required", Quantity.COUNT, known(float(asked), "1")))
        if len(counted) < asked:
            verdict = Verdict.ATTENTION
            inputs.append(word("check", "evacuate_again"))
    return Finding("evacuation.count", verdict, tuple(inputs))
