"""One alarm as a sentence in the user's units."""

from logger.alarms.memory import AlarmRow
from logger.model.events import AlarmChanged
from logger.model.points import Quantity
from logger.model.units import STANDARD_ATMOSPHERE_PA, show
from logger.model.value import known


def sentence(alarm: AlarmRow | AlarmChanged, system: str, ambient_pa: float = STANDARD_ATMOSPHERE_PA) -> str:
    """ "Cylinder is overfilled: 48.3 lb, limit 47.6 lb. Close the cylinder valve." system: "us" or "si"."""
    text = f"{alarm.label}{measured(alarm, system, ambient_pa)}."
    return f"{text} {alarm.message}" if alarm.message else text


def measured(alarm: AlarmRow | AlarmChanged, system: str, ambient_pa: float = STANDARD_ATMOSPHERE_PA) -> str:
    """ ": 48.3 lb, limit 47.6 lb", ": open circuit" or nothing."""
    parts = []
    if alarm.value is not None and alarm.limit is not None:
        parts.append(_show(alarm.value, alarm.quantity, system, ambient_pa))
        parts.append(f"limit {_show(alarm.limit, alarm.quantity, system, ambient_pa)}")
    elif alarm.value is None and alarm.problem:
        parts.append(alarm.problem)
    return f": {', '.join(parts)}" if parts else ""


def _show(number: float, quantity: Quantity, system: str, ambient_pa: float) -> str:
    """A ratio here is a plain count or switch, not a percentage, unless it lies between 0 and 1."""
    if quantity is Quantity.RATIO and number > 1.5:
        return f"{number:g}"
    return show(known(number, ""), quantity, system, ambient_pa)
