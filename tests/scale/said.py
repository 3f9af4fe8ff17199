"""Each thing that is said of the mass on the scale (tests/words.py). Invented figures."""

from logger.model.value import known, unknown
from logger.scale.ledger import balance

CHARGE_KG = 31.6
SAID = (
    balance(unknown("kg", "no settled reading of the scale yet"), CHARGE_KG),
    balance(known(30.85, "kg", 0.03), None),
    *(balance(known(kg, "kg", 0.03), CHARGE_KG) for kg in (31.57, 31.02, 32.15, 27.4, 33.9)),
    balance(known(12.4, "kg", 0.03), CHARGE_KG, before=known(18.2, "kg", 0.04)),
)
