"""The decay test in plain words: what made the pressure rise, how large a leak, what about water."""

from collections.abc import Sequence

from logger.model.finding import Finding, Verdict, worded
from logger.model.value import Value, known
from logger.physics.leak_flow import RefrigerantLoss, ServiceGas
from logger.refrigerant.errors import OutOfRange
from logger.refrigerant.water import TRIPLE_PRESSURE_PA, saturation_pressure, saturation_temperature
from logger.stages.decay_test.cause import LEAKING, MATTERS, Cause, Judgement
from logger.stages.decay_test.gauge import Suspicion
from logger.stages.decay_test.rise_fit import SLOWEST
from logger.wording.numbers import duration, mass_per_year, temperature, vacuum, vacuum_rate

RULE = (
    "a leak makes a straight rise, moisture and outgassing one that levels off (C. Zapfe, CERN Accelerator School "
    "2006); shapes ranked by the Bayesian information criterion over independent readings"
)
DECISION = (
    f"a leak is called at odds of 20 to 1, a rate clear of zero by two standard uncertainties and at least "
    f"{MATTERS:.0%} of the allowed rise; no leak is called when the rate plus two standard uncertainties is below that"
)
_HEADLINE = {
    Cause.TIGHT: "tight as far as this test can see",
    Cause.LEVELS_OFF: "rises and levels off: no leak seen",
    Cause.LEAK: "leaks",
    Cause.LEAK_AND_RISE: "leaks, and something levels off as well",
    Cause.MASKED: "moisture or outgassing; a leak is not ruled out",
    Cause.CANNOT_TELL: "cannot tell",
}


def cause_finding(
    cause: Cause,
    judgement: Judgement | None,
    signs: Sequence[Suspicion],
    rate: Value,
    smallest: Value,
    span_s: float,
    temperature_known: bool,
) -> Finding:
    inputs: list[tuple[str, Value]] = [("steady rise", rate), ("smallest steady rise this test could see", smallest)]
    if signs:
        return worded(
            "decay.cause", Verdict.CANNOT_TELL, _HEADLINE[Cause.CANNOT_TELL],
            "The gauge is not to be relied on, so the shape of the rise says nothing.", RULE, DECISION, tuple(inputs),
            check_next=tuple(s.check for s in signs),
        )  # fmt: skip
    if judgement is None:
        return worded(
            "decay.cause", Verdict.CANNOT_TELL, _HEADLINE[Cause.CANNOT_TELL], f"Unknown, because {rate.problem}.",
            RULE, DECISION, tuple(inputs),
        )  # fmt: skip
    inputs.append(("largest steady rise still possible", known(judgement.at_most_pa_s, "Pa/s")))
    inputs.append(("confidence", known(judgement.confidence, "1")))
    inputs.append(("time looked at", known(span_s, "s")))
    text, causes, checks = _sentence(cause, judgement, rate, span_s)
    if not temperature_known:
        text += " No temperature was measured: a drift of 3 K either way is allowed for."
    verdict = {Cause.TIGHT: Verdict.INFO, Cause.LEVELS_OFF: Verdict.INFO, Cause.CANNOT_TELL: Verdict.CANNOT_TELL}.get(
        cause, Verdict.ATTENTION
    )
    return worded(
        "decay.cause", verdict, _HEADLINE[cause], text, RULE, DECISION, tuple(inputs), causes, checks
    )  # fmt: skip


def _sentence(cause: Cause, j: Judgement, rate: Value, span_s: float) -> tuple[str, tuple[str, ...], tuple[str, ...]]:
    at_most = vacuum_rate(max(j.at_most_pa_s, 0.0))
    steady = f"{vacuum_rate(j.rate_pa_s)} ± {vacuum_rate(2.0 * (rate.u or j.u_rate))} (k = 2)"
    if cause is Cause.TIGHT:
        return f"No steady rise that matters: at most {at_most}.", (), ()
    if cause is Cause.LEVELS_OFF:
        levels = "" if j.levels_off_at_pa is None else f" at about {vacuum(j.levels_off_at_pa)}"
        return (
            f"The pressure rose and levels off{levels}, time constant {duration(j.settles_s)}; a steady rise is at "
            f"most {at_most}.",
            (
                "moisture",
                "refrigerant coming out of oil",
                "outgassing",
                "oil on the gauge's sensor, which then reads high",
            ),
            ("keep evacuating, warm the system, break with dry nitrogen and test again",),
        )
    if cause is Cause.LEAK:
        return (
            f"The pressure rises steadily by {steady}, as a leak makes it. What gives off its gas over more than some "
            f"{SLOWEST * span_s / 3600.0:.0f} h would look as straight.",
            ("a leak", "a valve core or hose fitting of the test rig itself",
             "rarely, moisture that comes very slowly, from under oil or out of a dead end"),
            ("find the leak with nitrogen pressure and soap or an electronic detector",
             "valve off the hoses at the system and repeat: a rise that stops was the hoses",
             "if none is found, watch for several hours: only a leak stays straight"),
        )  # fmt: skip
    if cause is Cause.LEAK_AND_RISE:
        levels = "" if j.levels_off_at_pa is None else f" (it alone would end at {vacuum(j.levels_off_at_pa)})"
        return (
            f"A steady rise of {steady} goes on beside one that levels off{levels}.",
            ("a leak together with moisture or outgassing",),
            ("find and repair the leak first, then evacuate further with nitrogen breaks",),
        )
    if cause is Cause.MASKED:
        return (
            f"The rise bends over, as moisture or refrigerant coming out of oil makes it; a leak of up to {at_most} "
            "would not show beside it. Dry the system and test again.",
            ("moisture", "refrigerant coming out of oil", "oil on the gauge's sensor, which then reads high"),
            ("dry the system: evacuate longer, warm it, break with dry nitrogen",),
        )
    on = f" Go on to about {duration(j.go_on_s)} in all." if j.go_on_s else ""
    return f"Cannot tell, because {j.why}.{on}", ("a leak", "moisture or outgassing"), ()


def gauge_doubt_finding(slowest_s: float, size_pa: float) -> Finding:
    """A rise that is over within minutes may be the gauge's own."""
    return worded(
        "decay.gauge", Verdict.ATTENTION, "check the gauge",
        f"The reading rose by {vacuum(size_pa)} within minutes (time constant {duration(slowest_s)}) and then stood. "
        "Moisture does that, and so does oil on the gauge's sensor, which then reads high and late.",
        inputs=(("rise", known(size_pa, "Pa")), ("time constant", known(slowest_s, "s"))),
        causes=("oil on the gauge's sensor", "a little moisture or refrigerant from oil"),
        check_next=("compare with a clean gauge, or clean this one, and test again",),
    )  # fmt: skip


def leak_findings(cause: Cause, flow: Value, loss: RefrigerantLoss | None, gas: ServiceGas | None) -> list[Finding]:
    """How large the leak is; only where a leak is called."""
    if cause not in LEAKING:
        return []
    if flow.number is None:
        return [
            worded(
                "decay.leak-rate",
                Verdict.INFO,
                "leak rate unknown",
                f"No leak rate, because {flow.problem}.",
                inputs=(("leak rate, air into vacuum", flow),),
                check_next=("give the system's internal volume with the job",),
            )
        ]
    text = f"Air comes in at {flow.number:.2e} Pa.m3/s"
    text += "." if flow.u is None else f" ± {2.0 * flow.u:.1e} (k = 2)."
    inputs = [("leak rate, air into vacuum", flow)]
    if loss is not None and gas is not None and loss.low.number is not None and loss.high.number is not None:
        text += (
            f" In service the same hole would lose between {mass_per_year(loss.low.number)} and "
            f"{mass_per_year(loss.high.number)} of {gas.name}: {loss.assumption}."
        )
        inputs += [
            ("loss at equal flow", loss.equal_flow), ("loss, molecular flow", loss.molecular),
            ("loss, viscous flow", loss.viscous),
        ]  # fmt: skip
    rule = "Q = V dp/dt at constant temperature; 40 CFR 1065.644 with the temperature correction"
    return [worded("decay.leak-rate", Verdict.INFO, "leak rate", text, rule, inputs=tuple(inputs))]


def water_findings(cause: Cause, levels: Value, end_pa: float, near_k: float | None) -> list[Finding]:
    """What the level it tends to says about water. end_pa: where it stands now; near_k: measured now."""
    if levels.number is None or cause in (Cause.TIGHT, Cause.LEAK):
        return []
    try:
        boils_k = saturation_temperature(levels.number)
    except OutOfRange:
        return []
    rule = "saturation of water and ice: IAPWS SR1-86 and R14-08"
    inputs = [("levels off at", levels), ("water would boil there at", known(boils_k, "K"))]
    ice = levels.number < TRIPLE_PRESSURE_PA
    what = "ice" if ice else "water"
    text = f"The rise tends to {vacuum(levels.number)}, the vapour pressure of {what} at {temperature(boils_k)}."
    causes: tuple[str, ...] = ("moisture held in oil, or refrigerant coming out of it",)
    headline = "moisture possible"
    if near_k is not None:
        ambient_pa = saturation_pressure(near_k)
        ratio = max(levels.number, end_pa) / ambient_pa
        inputs.append(("vapour pressure of water at the measured temperature", known(ambient_pa, "Pa")))
        if 0.75 <= ratio <= 1.15:
            headline, causes = "free water", ("liquid water in the system",)
            text += f" That is where liquid water at the measured {temperature(near_k)} holds it: water is left."
        elif ratio > 1.15:
            headline = "more than water"
            causes = ("a leak beside the water", "liquid refrigerant, or oil giving off refrigerant")
            if end_pa > levels.number:
                text += f" It stands at {vacuum(end_pa)} by now."
            text += f" Water at the measured {temperature(near_k)} alone could not reach that."
        else:
            text += (
                f" Free water at the measured {temperature(near_k)} would go on to {vacuum(ambient_pa)}: either a cold "
                "spot holds ice or water at that temperature, or it is moisture or refrigerant coming out of oil."
            )
    return [worded("decay.water", Verdict.ATTENTION, headline, text, rule, inputs=tuple(inputs), causes=causes)]
