"""What can go wrong when a refrigerant is asked for a number.

RefrigerantError
├── UnknownRefrigerant   no such name; carries the nearest ones
├── OutOfRange           outside the table: never extrapolated
└── BlendError           a user's blend file cannot be used
"""


class RefrigerantError(ValueError):
    """Base of this package's errors."""


class UnknownRefrigerant(RefrigerantError):
    """`nearest`: names that look like what was asked for, best first."""

    def __init__(self, asked: str, nearest: tuple[str, ...] = (), why: str = "is not in the table") -> None:
        self.asked = asked
        self.nearest = nearest
        hint = f"; did you mean {' or '.join(nearest)}?" if nearest else ""
        super().__init__(f"refrigerant {asked[:60]!r} {why}{hint}")


class OutOfRange(RefrigerantError):
    """`value` lies outside `low` to `high` (absolute Pa, K or kg/m3, as `unit` says) for `what` of `refrigerant`."""

    def __init__(self, refrigerant: str, what: str, value: float, low: float, high: float, unit: str) -> None:
        self.refrigerant = refrigerant
        self.what = what
        self.value = value
        self.low = low
        self.high = high
        self.unit = unit
        side = "below" if value < low else "above" if value > high else "not in"
        super().__init__(
            f"{refrigerant} {what}: {_plain(value, unit)} is {side} the range of the table, "
            f"{_plain(low, unit)} to {_plain(high, unit)}"
        )


class BlendError(RefrigerantError):
    """The message says which file, which blend and what to change."""


def _plain(value: float, unit: str) -> str:
    """Both systems of units, so the message reads the same for everyone."""
    if unit == "K":
        return f"{value - 273.15:.1f} °C ({value * 9 / 5 - 459.67:.1f} °F)"
    if unit == "kg/m3":
        return f"{value:.4g} kg/m3"
    return f"{value / 1e3:.4g} kPa abs ({value / 6894.757293168:.4g} psia)"
