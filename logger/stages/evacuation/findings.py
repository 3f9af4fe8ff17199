"""The evacuation in plain words: progress, why it stands still, what an act changed, how many evacuations."""

from collections.abc import Sequence
from dataclasses import dataclass

from logger.model.finding import Finding, Verdict, worded
from logger.model.value import Value, known
from logger.stages.evacuation.standstill import Source, Standstill
from logger.stages.evacuation.stretches import Evacuation, Plateau
from logger.wording.numbers import duration, temperature, vacuum

HELPED = 0.9  # a level under nine tenths of where it was heading is a gain

RULE = "a pump and hose coming down to p_ultimate + Q/S, or outgassing as a power of time; ranked by BIC"
WATER_RULE = "saturation of water and ice: IAPWS SR1-86 and R14-08"
CHECK = {
    Source.WATER: (
        "keep pumping with the gas ballast open, warm the coldest part, break with dry nitrogen",
        "watch for ice: a frozen spot dries only slowly",
    ),
    Source.LEAK: (
        "close the valve at the pump and watch: a steady rise is a leak, no rise is the pump",
        "tighten and cap the hose connections and valve cores first",
    ),
    Source.PUMP: (
        "change the pump oil, and see what the pump does alone with its inlet closed",
        "close the valve at the pump and watch: no rise means the system is tight",
    ),
    Source.OUTGASSING: ("go on pumping, run the crankcase heater or warm the oil, break with dry nitrogen",),
    Source.GAUGE_CEILING: ("wait until the pressure is in the gauge's range; is the gauge's valve open?",),
    Source.GAUGE_FLOOR: ("take the reading as 'at or below'; use a gauge that reads lower",),
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
    state: str, rate: Value, likely: Value, soonest: Value, latest: Value, target_pa: float | None, now_pa: float | None
) -> Finding:
    inputs = [("rate, decades an hour", rate)]
    if now_pa is None or rate.number is None:
        why = rate.problem or "there are no readings yet"
        return worded(
            "evacuation.progress", Verdict.CANNOT_TELL, "cannot tell", f"Unknown, because {why}.", RULE,
            inputs=tuple(inputs),
        )  # fmt: skip
    text = f"At {vacuum(now_pa)}, moving by {rate.number:+.2f} decades an hour."
    if target_pa is not None:
        inputs += [
            ("target", known(target_pa, "Pa")), ("time to target", likely), ("soonest", soonest), ("latest", latest),
        ]  # fmt: skip
        if likely.number == 0.0:
            sure = (
                "is reached" if state == "target reached" else "is reached within the gauge's uncertainty, not surely"
            )
            text += f" The target of {vacuum(target_pa)} {sure}."
        elif likely.number is not None:
            text += f" {vacuum(target_pa)} in about {duration(likely.number)}"
            if soonest.number is not None and latest.number is not None:
                text += f" ({duration(soonest.number)} to {duration(latest.number)})"
                text += "." if latest.note is None else f", {latest.note}."
            else:
                text += f", but {latest.problem}."
        elif soonest.number is not None:
            text += f" {vacuum(target_pa)} not before {duration(soonest.number)}, and {likely.problem}."
        else:
            text += f" {vacuum(target_pa)}: {likely.problem}."
    verdict = {"stalled": Verdict.ATTENTION, "rising": Verdict.ATTENTION, "cannot tell": Verdict.CANNOT_TELL}
    return worded(
        "evacuation.progress", verdict.get(state, Verdict.INFO), state, text, RULE,
        "the band holds every fit that passes the target and that the readings do not refuse at odds of 20 to 1",
        tuple(inputs),
    )  # fmt: skip


def standstill_findings(s: Standstill, target_pa: float | None, stalled: bool) -> list[Finding]:
    leading = s.reasons[0]
    inputs = [
        ("level", known(s.level_pa, "Pa", s.u_pa)),
        ("drift an hour", known(s.drift_per_h, "1", s.u_drift)),
    ]
    if s.water_k is not None:
        inputs.append(("water would boil there at", known(s.water_k, "K")))
    found = []
    if stalled:
        above = ""
        if target_pa is not None:
            clear = s.level_pa > 1.1 * target_pa
            above = f", {'above' if clear else 'not surely at'} the target of {vacuum(target_pa)}"
        text = f"It stands at {vacuum(s.level_pa)}{above}. "
        if len(s.leading) == 1:
            text += f"Most likely {leading.source.value}: {leading.text}."
        else:
            text += "The readings alone do not tell which: " + " or ".join(r.source.value for r in s.leading) + "."
        checks = [c for r in s.leading for c in CHECK[r.source]]
        found.append(
            worded(
                "evacuation.stall", Verdict.ATTENTION, "stalled", text, RULE, inputs=tuple(inputs),
                causes=tuple(f"{r.source.value}: {r.text}" for r in s.reasons if r.weight >= 0.4),
                check_next=tuple(dict.fromkeys(checks)),
            )
        )  # fmt: skip
    if any(r.source is Source.WATER for r in s.leading) and s.water_k is not None:
        cold = temperature(s.water_k)
        if s.ice:
            text = (
                f"At {vacuum(s.level_pa)} any water left is below its triple point and freezes, here at about {cold}: "
                "ice dries only slowly and can block a line."
            )
            found.append(
                worded(
                    "evacuation.ice", Verdict.ATTENTION, "ice possible", text, WATER_RULE, inputs=tuple(inputs),
                    check_next=("break with dry nitrogen to a few psi, warm the cold spot, then pump again",),
                )
            )  # fmt: skip
        else:
            text = f"Water boils at {cold} here: the level holds until the water is gone."
            found.append(worded("evacuation.water", Verdict.INFO, "water", text, WATER_RULE, inputs=tuple(inputs)))
    return found


def plateau_finding(p: Plateau) -> Finding:
    inputs = [("level", known(p.level_pa, "Pa")), ("for", known(p.end_s - p.start_s, "s"))]
    text = f"It stood at {vacuum(p.level_pa)} for {duration(p.end_s - p.start_s)} and then went on falling by itself"
    if p.water_k is None:
        return worded("evacuation.plateau", Verdict.INFO, "stood and went on", text + ".", inputs=tuple(inputs))
    inputs.append(("water would boil there at", known(p.water_k, "K")))
    text += f", as when water boils off until it is gone (here at {temperature(p.water_k)})."
    return worded(
        "evacuation.plateau", Verdict.INFO, "water boiled off", text, WATER_RULE, inputs=tuple(inputs),
        check_next=("change the pump oil: it takes up part of the water",),
    )  # fmt: skip


def gain_finding(g: Gain) -> Finding:
    inputs = (("level before", g.before), ("was heading for", g.heading), ("level after", g.after))
    assert g.before.number is not None and g.heading.number is not None and g.after.number is not None
    moved = (
        f"from {vacuum(g.before.number)} to {vacuum(g.after.number)}, where {vacuum(g.heading.number)} was to be had"
    )
    if g.helped:
        return worded(
            "evacuation.gain", Verdict.INFO, f"{g.what}: it helped", f"After '{g.what}' the level went {moved}.",
            inputs=inputs,
        )  # fmt: skip
    return worded(
        "evacuation.gain", Verdict.INFO, f"{g.what}: no gain seen", f"After '{g.what}' the level went {moved}: no gain "
        "that can be told from the readings' scatter.", inputs=inputs,
    )  # fmt: skip


def count_finding(whole: Sequence[Evacuation], asked: int | None, target_pa: float | None) -> Finding:
    """How many evacuations with nitrogen breaks between them, and whether each reached the target."""
    levels = ", ".join(vacuum(e.lowest_pa) for e in whole)
    breaks = sum(e.broken_at_s is not None for e in whole)
    text = f"{len(whole)} evacuation{'s' if len(whole) != 1 else ''} with {breaks} nitrogen break"
    text += f"{'s' if breaks != 1 else ''} between them; lowest {levels}."
    inputs = tuple((f"lowest of evacuation {i}", known(e.lowest_pa, "Pa")) for i, e in enumerate(whole, start=1))
    counted = [e for e in whole if target_pa is None or e.lowest_pa <= target_pa]
    if target_pa is not None and len(counted) < len(whole):
        text += f" {len(counted)} of them reached {vacuum(target_pa)}."
    if asked is None:
        return worded("evacuation.count", Verdict.INFO, f"{len(whole)} evacuations", text, inputs=inputs)
    if len(counted) >= asked:
        return worded("evacuation.count", Verdict.INFO, f"{len(counted)} of {asked} evacuations", text, inputs=inputs)
    return worded(
        "evacuation.count", Verdict.ATTENTION, f"{len(counted)} of {asked} evacuations", text, inputs=inputs,
        check_next=("break with dry nitrogen and evacuate again",),
    )  # fmt: skip
