"""Saturation and density of the refrigerants of the service trade, from a shipped table: pure, no CoolProp needed."""

from logger.refrigerant.errors import BlendError, OutOfRange, RefrigerantError, UnknownRefrigerant
from logger.refrigerant.table import Refrigerant, find, labelled, names

__all__ = [
    "BlendError",
    "OutOfRange",
    "Refrigerant",
    "RefrigerantError",
    "UnknownRefrigerant",
    "find",
    "labelled",
    "names",
]
