"""A cylinder's markings as options of the command line, and numbers with their accuracy."""

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

import click

from logger.cli.quantities import F, cylinders_path
from logger.model.cylinder import Cylinder, marked_date
from logger.model.points import Quantity
from logger.model.value import Value, known, unknown

if TYPE_CHECKING:
    from logger.refrigerant import Catalogue

_Q = Quantity


class _Day(click.ParamType[date]):
    """2024-02-01, or 2024-02 as a collar states it (reckoned with as its first day)."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        if isinstance(value, date):
            return value
        try:
            return marked_date(str(value))
        except ValueError:
            self.fail(f"{str(value)!r} is no date; write 2024-02-01 or 2024-02", param, ctx)


DAY = _Day()


def marking_options(needed: bool) -> Callable[[F], F]:
    """The markings of a cylinder, as options."""

    def add(command: F) -> F:
        for option in reversed((
            click.option("--tare", required=needed, help="Empty mass, such as 27.5lb."),
            click.option("--water-capacity", required=needed, help="As stamped: 47.6lb, 21.6kg or 21.6L."),
            click.option("--service-pressure", help="As stamped: 400psi (DOT 4BA400: 400)."),
            click.option("--test-pressure", help="As a UN cylinder's stamp states it: 42bar."),
            click.option("--as-stamped", is_flag=True, help="The stamp says so, unusual as it is."),
            click.option("--tested", type=DAY, help="Last test: 2024-02-01, or 2024-02 (from its first day)."),
            click.option("--requalify-years", type=float, help="Years between tests (default 5)."),
            click.option("--serial", help="Serial number as stamped, for the report."),
            click.option("--refrigerant", help="What is, or will be, in it."),
            click.option("--candidates", help="Unknown mixture: what it may be, such as R-22,R-407C."),
        )):  # fmt: skip
            command = option(command)
        return command

    return add


JURISDICTION_OPTION = click.option(
    "--jurisdiction", type=click.Choice(["us", "un", "strictest"]), default="strictest", show_default=True,
    help="us: 80 % and 49 CFR; un: UN/ADR P200; strictest: all of them.",
)  # fmt: skip


def cylinder_of(name: str | None, markings: dict[str, Any], catalogue: "Catalogue") -> Cylinder:
    """The kept cylinder, or a nameless one, with the markings given as options."""
    from logger.config.cylinders import find_cylinder
    from logger.config.job_file import parse_service_pressure, parse_water_capacity, written_in
    from logger.cylinder.markings import unlikely
    from logger.model.units import parse_quantity
    from logger.pipeline.words import reasons_of

    if name is not None:
        chosen = find_cylinder(cylinders_path(), name, catalogue)
    elif markings["tare"] is None or markings["water_capacity"] is None:
        raise click.UsageError("give --tare and --water-capacity, or the NAME of a cylinder you keep")
    else:
        chosen = Cylinder("cylinder", 1.0, 1.0)
    changed: dict[str, Any] = {}
    if markings["tare"] is not None:
        changed["tare_kg"] = _plausible("tare", parse_quantity(markings["tare"], _Q.MASS))
    if markings["water_capacity"] is not None:
        capacity = parse_water_capacity(markings["water_capacity"])
        changed["water_capacity_kg"] = _plausible("water_capacity", capacity)
    if markings["service_pressure"] is not None:
        stamped = parse_service_pressure(markings["service_pressure"])
        changed["service_pressure_pa"] = _plausible("service_pressure", stamped)
    if markings["test_pressure"] is not None:
        stamped = parse_quantity(markings["test_pressure"], _Q.PRESSURE_DIFFERENCE)
        changed["test_pressure_pa"] = _plausible("test_pressure", stamped)
    if markings["tested"] is not None:
        changed["tested"] = markings["tested"]
    if markings["requalify_years"] is not None:
        if not 0 < markings["requalify_years"] <= 15:
            raise click.UsageError("--requalify-years is above 0, up to 15")
        changed["requalify_years"] = markings["requalify_years"]
    if markings["refrigerant"] is not None and markings["candidates"] is not None:
        raise click.UsageError("give --refrigerant or --candidates, not both")
    if markings["refrigerant"] is not None:
        changed |= {"refrigerant": catalogue.find(markings["refrigerant"]).name, "candidates": ()}
    if markings["candidates"] is not None:
        named = [part for part in markings["candidates"].split(",") if part.strip()]
        if not 1 <= len(named) <= 20:
            raise click.UsageError("--candidates names 1 to 20 refrigerants, with commas between")
        changed |= {"refrigerant": None, "candidates": tuple(catalogue.find(part.strip()).name for part in named)}
    if markings["serial"] is not None:
        changed["serial"] = markings["serial"]
    if markings["as_stamped"]:
        changed["as_stamped"] = True
    chosen = replace(chosen, **changed)
    if (slip := unlikely(chosen)) is not None:
        option = slip.marking.replace("_", "-")
        why = reasons_of((slip.why,), written_in(markings["tare"] or markings["water_capacity"]))
        raise click.UsageError(f"--{option}: {why}. If it is stamped like that: --as-stamped")
    return chosen


def _plausible(name: str, number: float) -> float:
    from logger.config.job_file import marking_problem

    wrong = marking_problem(name, number)
    if wrong is not None:
        raise click.UsageError(f"--{name.replace('_', '-')} {wrong}")
    return number


def checked_name(name: str) -> str:
    from logger.model.text import clean

    if name != clean(name, 60) or not name:
        raise click.UsageError("a cylinder's name is 1 to 60 ordinary characters")
    return name


def net_mass(gross: str | None, net: str | None, accuracy: str, chosen: Cylinder) -> Value:
    from logger.model.units import parse_quantity

    text = gross if gross is not None else net
    if text is None:
        return unknown("kg", "no mass given")
    mass_kg = parse_quantity(text, _Q.MASS) - (chosen.tare_kg if gross is not None else 0.0)
    return known(mass_kg, "kg", half_width(accuracy, _Q.MASS))


def half_width(text: str, quantity: Quantity) -> float:
    """Standard uncertainty of a stated plus-or-minus: rectangular, half-width over the root of 3 (GUM 4.3.7)."""
    from logger.model.units import parse_quantity

    half = parse_quantity(text, quantity)
    if half < 0:
        raise click.UsageError(f"an accuracy of {text!r} is below zero")
    return half / math.sqrt(3)
