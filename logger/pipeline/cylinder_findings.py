"""What is to be said of the cylinder on the scale: what is in it, its test date, its service pressure, air in it."""

from logger.cylinder.checks import non_condensables, one_refrigerant, requalification
from logger.cylinder.limits import CylinderLimits, PresentFill, present_fill
from logger.model.finding import Finding, Verdict
from logger.model.units import NS_PER_S
from logger.model.value import known, unknown
from logger.pipeline.job_model import JobModel
from logger.scale.rate import MassRate

SETTLED_S = 900.0
SETTLED_SPREAD_K = 0.6  # over that time, and
SETTLED_OVER_AMBIENT_K = 1.5  # so near to its surroundings: common practice, no source
_STILL_KG_S = 1e-3


def fill_of(model: JobModel, limit: CylinderLimits) -> PresentFill:
    """Of the cylinder on the scale, now. Where its temperature is not known the ambient's stands in, and says so."""
    net = model.weighing.on_scale if model.weighing else unknown("kg", "no scale in the rig")
    scale = model.value("cylinder_mass")
    if scale.number is None:
        net = unknown("kg", f"scale: {scale.problem}")
    elif net.number is not None:
        net = known(net.number - limit.cylinder.tare_kg, "kg", net.u, net.note)
    temperature = model.value("cylinder_temperature")
    around = model.value("ambient_temperature")
    if temperature.number is None and around.number is not None:  # nobody knows how near it comes: no uncertainty
        temperature = known(around.number, "K", None, f"its temperature taken as ambient ({temperature.problem})")
    return present_fill(net, temperature, limit)


def vessel_findings(model: JobModel, until_ns: int) -> tuple[Finding, ...]:
    """Findings that ask for something; a sound cylinder gives none. Air is only called in one that has settled."""
    found, limit = _of_the_cylinder(model, until_ns), model.cylinder_limits()
    if found and isinstance(limit, CylinderLimits) and _settled(model, until_ns):
        pressure, temperature = model.value("cylinder_pressure"), model.value("cylinder_temperature")
        fill = fill_of(model, limit).fill_now
        found.append(non_condensables(pressure, temperature, limit.refrigerants, settled=True, fill=fill))
    return tuple(f for f in found if f.verdict not in (Verdict.PASS, Verdict.INFO))


def forbidding(model: JobModel) -> tuple[Finding, ...]:
    """Findings for which nothing may be put into the cylinder on the scale: its contents, marking or test."""
    return tuple(f for f in _of_the_cylinder(model, model.now_ns) if f.verdict is Verdict.FAIL)


def _of_the_cylinder(model: JobModel, until_ns: int) -> list[Finding]:
    """By its entry alone: contents, service pressure, test date. Nothing where no cylinder is known or has limits."""
    limit, cylinder = model.cylinder_limits(), model.state.cylinder
    if cylinder is None or not isinstance(limit, CylinderLimits):
        return []
    return [*contents_finding(model), limit.suitability, requalification(cylinder, model.state.day(until_ns))]


def contents_finding(model: JobModel) -> tuple[Finding, ...]:
    """Another refrigerant in the cylinder than the job's; nothing when they agree."""
    cylinder, refrigerant = model.state.cylinder, model.refrigerant()
    if cylinder is None or refrigerant is None:
        return ()
    finding = one_refrigerant(cylinder, refrigerant.name)
    return () if finding.verdict is Verdict.PASS else (finding,)


def _settled(model: JobModel, until_ns: int) -> bool:
    """No flow, and shell and surroundings at one steady temperature for a quarter of an hour."""
    rate: MassRate | None = model.weighing.rate if model.weighing is not None else None
    if rate is not None and (rate.value.number is None or abs(rate.value.number) > _STILL_KG_S):
        return False
    shell = model.series("cylinder_temperature", until_ns - int(SETTLED_S * NS_PER_S), until_ns)
    around = model.value("ambient_temperature")
    if len(shell) < 10 or shell.duration_s < 0.8 * SETTLED_S or around.number is None:
        return False
    spread = max(shell.value) - min(shell.value)
    return spread <= SETTLED_SPREAD_K and abs(shell.value[-1] - around.number) <= SETTLED_OVER_AMBIENT_K
