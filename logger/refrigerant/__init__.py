"""Saturation and density of the refrigerants of the service trade, from a shipped table: pure, no CoolProp needed."""

from logger.refrigerant.catalogue import SHIPPED, Catalogue, find, names
from logger.refrigerant.errors import BlendError, OutOfRange, RefrigerantError, UnknownRefrigerant
from logger.refrigerant.table import Refrigerant

__all__ = [
    "SHIPPED",
    "BlendError",
    "Catalogue",
    "OutOfRange",
    "Refrigerant",
    "RefrigerantError",
    "UnknownRefrigerant",
    "find",
    "names",
]
