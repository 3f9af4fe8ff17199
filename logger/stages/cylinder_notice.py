"""Another cylinder on the scale, in any stage or none: what stands there decides what may be filled."""

from logger.model.events import ProposedAct
from logger.model.points import Quantity
from logger.model.units import NS_PER_S
from logger.model.value import known, number, word
from logger.scale.exchange import CylinderWatched
from logger.stages.noticing import Acts, Entered, Notice, Noticed, Signals, noticed

NEAR_KG = 3.0
KEY = "scale.cylinder_changed"


class _CylinderChanged:
    def __init__(self) -> None:
        self._seen = CylinderWatched()

    def second(self, now: Signals) -> Noticed | None:
        mass = now.get("cylinder_mass")
        if mass is None:
            return None
        rate = now.flow.rate_kg_s if now.flow.direction else 0.0
        found = self._seen.second(now.t, mass, rate, now.get("cylinder_pressure"), now.get("cylinder_temperature"))
        if found is None:
            return None
        weights = [number(name, Quantity.MASS, known(kg, "kg", mass.u(10)))
                   for name, kg in (("before", found.before_kg), ("after", found.after_kg))]  # fmt: skip
        return noticed(KEY, found.at, 5.0, *weights, word("seen", "twin" if found.twin else "weight"))


def proposes(seen: Noticed, entered: Entered) -> Acts | None:
    """The cylinder whose tare and contents fit what is on the scale, where one does; else a person names it."""
    near = 600 * NS_PER_S
    if any(t_ns >= seen.as_of_ns - near for t_ns, _ in entered.came[1:]) or not entered.cylinders:
        return None
    before = [name for t_ns, name in entered.came if t_ns < seen.as_of_ns]
    gross = next((one.value for one in seen.about.inputs if one.name == "after"), None)
    kg = getattr(gross, "number", None)
    fitting = [
        one.name
        for one in entered.cylinders.values()
        if kg is not None and one.name not in before[-1:] and abs(kg - one.tare_kg - (one.contents_kg or 0.0)) < NEAR_KG
    ]
    return (ProposedAct("cylinder", {"name": fitting[0]} if len(fitting) == 1 else {}),)


NOTICE = Notice(key=KEY, detector=_CylinderChanged, proposes=proposes, each=True)
