"""What the refrigerant and cylinder commands share: options, ambient pressure, the user's blends, showing a Value."""

import math
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from logger.model.points import Quantity
from logger.model.value import Value
from logger.wording.numbers import in_one

if TYPE_CHECKING:
    from logger.refrigerant import Catalogue

F = TypeVar("F", bound=Callable[..., Any])

UNITS_OPTION = click.option(
    "--units", type=click.Choice(["us", "si"]), default="us", show_default=True, help="Units of the answer."
)
JSON_OPTION = click.option("--json", "as_json", is_flag=True, help="Machine-readable output: SI, and your units.")


def ambient_options(command: F) -> F:
    """--altitude and --barometer."""
    command = click.option("--barometer", help="Absolute station pressure, such as 24.6inHg or 83.4kPa.")(command)
    return click.option("--altitude", help="Such as 5280ft or 1600m, by the ISO 2533 standard atmosphere.")(command)


def ambient_of(altitude: str | None, barometer: str | None) -> Any:
    """logger.physics.ambient.Ambient; sea level, said to be assumed, when neither is given."""
    from logger.model.errors import ComputeError
    from logger.model.units import parse_quantity
    from logger.physics.ambient import ambient

    if altitude is not None and barometer is not None:
        raise click.UsageError("give --altitude or --barometer, not both")
    try:
        return ambient(
            entered_pa=None if barometer is None else parse_quantity(barometer, Quantity.BAROMETER),
            altitude_m=None if altitude is None else parse_quantity(altitude, Quantity.LENGTH),
        )
    except ComputeError as exc:
        raise click.UsageError(str(exc)) from exc


def absolute_pressure(text: str, ambient_pa: float) -> float:
    """Absolute Pa of "118psig", "20inHg" or "500micron"."""
    from logger.model.units import parse_quantity

    pressure_pa = parse_quantity(text, Quantity.PRESSURE, ambient_pa)
    if pressure_pa <= 0:
        raise click.UsageError(f"{text!r} is not above a perfect vacuum: check the number, the unit and the barometer")
    return pressure_pa


def temperature(text: str) -> float:
    """K of "40F"."""
    from logger.model.units import parse_quantity

    kelvin = parse_quantity(text, Quantity.TEMPERATURE)
    if kelvin <= 0:
        raise click.UsageError(f"{text!r} is not above absolute zero")
    return kelvin


def rests_on_ambient(pressure: str | None) -> bool:
    """Whether a pressure as typed is gauge or vacuum, so that the barometer is part of it."""
    from logger.model.units import find_unit

    return pressure is not None and find_unit(pressure.lstrip("+-.0123456789eE ")).reference != "absolute"


def say(text: str, indent: str = "  ") -> None:
    """A paragraph, folded to the terminal, never between a number and its degree sign."""
    width = max(40, min(shutil.get_terminal_size().columns, 110))
    folded = click.wrap_text(text.replace(" °", "\u00a0°"), width, indent, indent + "  " if indent else "  ")
    click.echo(folded.replace("\u00a0", " "))


def user_catalogue() -> "Catalogue":
    """The shipped refrigerants and the blends of <data>/blends.toml, where there is such a file."""
    from logger.refrigerant import SHIPPED
    from logger.store.place import data_dir

    path = data_dir() / "blends.toml"
    if not path.exists():
        return SHIPPED
    from logger.refrigerant.blends import load_blends

    return load_blends(path, data_dir() / "blend-cache")


def cylinders_path() -> Path:
    from logger.config.cylinders import FILE_NAME
    from logger.store.place import data_dir

    return data_dir() / FILE_NAME


def shown(value: Value, quantity: Quantity, units: str, ambient_pa: float) -> str:
    """Such as "118.0 psig", or the reason why there is no number."""
    from logger.model.units import show

    if value.number is None:
        return in_one(value.problem or "unknown", units)
    return show(value, quantity, units, ambient_pa)


def shown_with_u(value: Value, quantity: Quantity, units: str, ambient_pa: float) -> str:
    """Such as "38.9 lb ± 0.1 lb (k=2)"; without the second part where nobody stated an uncertainty."""
    from logger.model.units import show_unit, user_unit

    text = shown(value, quantity, units, ambient_pa)
    if value.number is None or not value.u:
        return text
    unit = user_unit(quantity, units)
    return f"{text} ± {2 * value.u / unit.factor:.{unit.digits}f} {show_unit(unit)} (k=2)"  # words: appendix


def shown_down(value: Value, units: str) -> str:
    """A mass that must not be exceeded: two decimals, always rounded down."""
    from logger.model.units import from_si, show_unit, user_unit

    if value.number is None:
        return "none"
    unit = user_unit(Quantity.MASS, units)
    return f"{math.floor(from_si(value.number, unit) * 100 + 1e-9) / 100:.2f} {show_unit(unit)}"


def as_data(value: Value, quantity: Quantity, units: str, ambient_pa: float) -> dict[str, Any]:
    """JSON: the SI number with its UCUM unit, and the number in the user's unit."""
    from logger.model.units import from_si, user_unit

    unit = user_unit(quantity, units)
    data: dict[str, Any] = {"si": value.number, "si_unit": value.unit, "unit": unit.name}
    data["value"] = None if value.number is None else round(from_si(value.number, unit, ambient_pa), 6)
    if value.u is not None:
        data["standard_uncertainty_si"] = value.u
    if value.problem is not None:
        data["problem"] = value.problem
    if value.note is not None:
        data["note"] = value.note
    return data
