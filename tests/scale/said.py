"""Each thing that is said of the mass on the scale (tests/words.py). Invented figures."""

from logger.model.points import Quantity
from logger.model.value import Statement, known, number, unknown, word
from logger.scale.ledger import balance

CHARGE_KG = 31.6
CHANGED = (number("before", Quantity.MASS, known(82.3, "kg")), number("after", Quantity.MASS, known(29.5, "kg")))
SAID = (
    balance(unknown("kg", "no settled reading of the scale yet"), CHARGE_KG),
    balance(known(30.85, "kg", 0.03), None),
    *(balance(known(kg, "kg", 0.03), CHARGE_KG) for kg in (31.57, 31.02, 32.15, 27.4, 33.9)),
    balance(known(12.4, "kg", 0.03), CHARGE_KG, before=known(18.2, "kg", 0.04)),
    *(Statement("scale.cylinder_changed", (*CHANGED, word("seen", seen))) for seen in ("weight", "twin")),
)
