"""`rimelog sat` and `rimelog refrigerants`."""

import json
from collections.abc import Callable
from typing import Any

import click

from logger.cli.quantities import (
    JSON_OPTION,
    UNITS_OPTION,
    absolute_pressure,
    ambient_of,
    ambient_options,
    as_data,
    rests_on_ambient,
    say,
    shown,
    temperature,
    user_catalogue,
)
from logger.model.points import Quantity
from logger.model.value import Value, known, unknown
from logger.wording.numbers import in_one

_Q = Quantity
CAUTION = (
    "Holds where liquid and vapor are together, pure and settled. No pressure limit: markings, local codes and "
    "licensed practice come first."
)
Row = tuple[str, str, Value, Quantity]  # key, label, value, quantity


@click.command()
@click.argument("refrigerant")
@click.option("--pressure", "-p", help="Such as 118psig, 20inHg (vacuum), 9.1bar (absolute), 500micron.")
@click.option("--temperature", "-t", "temp", help="Such as 40F or 5C.")
@click.option("--line", help="A line temperature: gives superheat (dew) and subcooling (bubble) at the pressure.")
@ambient_options
@UNITS_OPTION
@JSON_OPTION
def sat(
    refrigerant: str, pressure: str | None, temp: str | None, line: str | None, altitude: str | None,
    barometer: str | None, units: str, as_json: bool,
) -> None:  # fmt: skip
    """Saturation of a refrigerant at a pressure or temperature: dew and bubble point, glide, densities.

    REFRIGERANT is a name in any usual form (R-410A, 410a, propane), or "water", which reads a vacuum gauge.
    """
    if (pressure is None) == (temp is None):
        raise click.UsageError("give either --pressure or --temperature")
    if line is not None and pressure is None:
        raise click.UsageError("--line needs --pressure")
    around = ambient_of(altitude, barometer)
    pressure_pa = None if pressure is None else absolute_pressure(pressure, around.pressure_pa)
    kelvin = None if temp is None else temperature(temp)
    if _is_water(refrigerant):
        if line is not None:
            raise click.UsageError("--line is for a refrigerant")
        facts, rows, notes = _water(pressure_pa, kelvin)
    else:
        facts, rows, notes = _refrigerant(refrigerant, pressure_pa, kelvin, None if line is None else temperature(line))
    if all(row[2].number is None for row in rows[1:]):
        raise click.ClickException(rows[1][2].problem or "out of range")
    if as_json:
        data: dict[str, Any] = {
            **facts,
            **{key: as_data(value, quantity, units, around.pressure_pa) for key, _, value, quantity in rows},
            "barometer": as_data(around.as_value(), _Q.BAROMETER, units, 0.0),
            "notes": notes,
            "caution": CAUTION,
        }
        click.echo(json.dumps(data, indent=1, ensure_ascii=False))
        return
    click.echo(facts["refrigerant"])
    for _, label, value, quantity in rows:
        click.echo(f"  {label:36s} {shown(value, quantity, units, around.pressure_pa)}")
    if "tier" in facts or rests_on_ambient(pressure):
        notes.insert(0, in_one(around.note, units))
    for note in (*notes, CAUTION):
        say(note)


def _is_water(name: str) -> bool:
    from logger.refrigerant.names import key_of

    return key_of(name) in ("WATER", "H2O", "718", "ICE")


def _refrigerant(
    name: str, pressure_pa: float | None, kelvin: float | None, line_k: float | None
) -> tuple[dict[str, Any], list[Row], list[str]]:
    from logger.refrigerant.compositions import SAFETY_SOURCE

    found = user_catalogue().find(name)
    facts: dict[str, Any] = {
        "refrigerant": found.name,
        "tier": found.tier,
        "models": list(found.models),
        "safety_class": found.safety_class,
        "safety_source": found.safety_source,
        "pressure_class": found.pressure_class,
        "composition": dict(found.composition),
        "coolprop": found.coolprop_version,
    }
    grade = "" if found.tier == "reference" else f"data grade {found.tier}; "
    notes = [f"{grade}safety class {found.safety_class} ({found.safety_source}); pressure class {found.pressure_class} "
             "(40 CFR 82)"]  # fmt: skip
    if found.estimated:
        error = "1 to 3 K of error" if found.safety_source == SAFETY_SOURCE else "kelvins of error; nobody compared it"
        notes.insert(0, f"ESTIMATED: CoolProp has no model of some pair in this blend; expect {error}.")
    if pressure_pa is not None:
        rows = _at_pressure(found, pressure_pa, line_k)
    else:
        assert kelvin is not None
        rows = _at_temperature(found, kelvin)
    return facts, rows, notes


def _at_pressure(found: Any, pressure_pa: float, line_k: float | None) -> list[Row]:
    dew = _value(lambda: found.dew_temperature(pressure_pa), "K")
    bubble = _value(lambda: found.bubble_temperature(pressure_pa), "K")
    rows: list[Row] = [("pressure", "pressure", known(pressure_pa, "Pa"), _Q.PRESSURE)]
    if found.pure:
        rows.append(("saturation_temperature", "saturation", dew, _Q.TEMPERATURE))
    else:
        rows += [
            ("dew_temperature", "dew point (for superheat)", dew, _Q.TEMPERATURE),
            ("bubble_temperature", "bubble point (for subcooling)", bubble, _Q.TEMPERATURE),
            ("glide", "glide", _value(lambda: found.glide(pressure_pa), "K"), _Q.TEMPERATURE_DIFFERENCE),
        ]
    if line_k is not None:
        rows += [
            ("superheat", "superheat of the line (dew)",
             _if_any(_minus(known(line_k, "K"), dew), "none, the line is below the dew point"),
             _Q.TEMPERATURE_DIFFERENCE),
            ("subcooling", "subcooling of the line (bubble)",
             _if_any(_minus(bubble, known(line_k, "K")), "none, the line is above the bubble point"),
             _Q.TEMPERATURE_DIFFERENCE),
        ]  # fmt: skip
    return rows + _densities(found, bubble, dew)


def _if_any(value: Value, none: str) -> Value:
    return unknown("K", none) if value.number is not None and value.number < 0.0 else value


def _at_temperature(found: Any, kelvin: float) -> list[Row]:
    dew = _value(lambda: found.dew_pressure(kelvin), "Pa")
    bubble = _value(lambda: found.bubble_pressure(kelvin), "Pa")
    at = known(kelvin, "K")
    rows: list[Row] = [("temperature", "temperature", at, _Q.TEMPERATURE)]
    if found.pure:
        rows.append(("saturation_pressure", "saturation", bubble, _Q.PRESSURE))
    else:
        rows += [
            ("bubble_pressure", "bubble point (liquid starts to boil)", bubble, _Q.PRESSURE),
            ("dew_pressure", "dew point (vapor starts to condense)", dew, _Q.PRESSURE),
            ("glide", "glide at the bubble pressure", _glide(found, bubble), _Q.TEMPERATURE_DIFFERENCE),
        ]
    return rows + _densities(found, at, at)


def _densities(found: Any, liquid_at: Value, vapour_at: Value) -> list[Row]:
    def at(value: Value, density: Callable[[float], float]) -> Value:
        if value.number is None:
            return unknown("kg/m3", value.problem or "unknown")
        kelvin = value.number
        return _value(lambda: density(kelvin), "kg/m3")

    return [
        ("liquid_density", "liquid density (at the bubble point)", at(liquid_at, found.liquid_density), _Q.DENSITY),
        ("vapour_density", "vapor density (at the dew point)", at(vapour_at, found.vapour_density), _Q.DENSITY),
    ]


def _glide(found: Any, bubble: Value) -> Value:
    if bubble.number is None:
        return unknown("K", bubble.problem or "unknown")
    pressure_pa = bubble.number
    return _value(lambda: found.glide(pressure_pa), "K")


def _minus(upper: Value, lower: Value) -> Value:
    if upper.number is None or lower.number is None:
        return unknown("K", upper.problem or lower.problem or "unknown")
    return known(upper.number - lower.number, "K")


def _value(compute: Callable[[], float], unit: str) -> Value:
    from logger.refrigerant import OutOfRange

    try:
        return known(compute(), unit)
    except OutOfRange as exc:
        return unknown(unit, str(exc))


def _water(pressure_pa: float | None, kelvin: float | None) -> tuple[dict[str, Any], list[Row], list[str]]:
    from logger.refrigerant.water import phase_at, saturation_pressure, saturation_temperature

    rows: list[Row]
    if pressure_pa is not None:
        rows = [
            ("pressure", "vacuum, absolute", known(pressure_pa, "Pa"), _Q.VACUUM),
            ("saturation_temperature", "water boils or sublimes at",
             _value(lambda: saturation_temperature(pressure_pa), "K"), _Q.TEMPERATURE),
        ]  # fmt: skip
        phase = phase_at(pressure_pa)
    else:
        assert kelvin is not None
        pressure = _value(lambda: saturation_pressure(kelvin), "Pa")
        rows = [
            ("temperature", "temperature of the water", known(kelvin, "K"), _Q.TEMPERATURE),
            ("saturation_pressure", "boils or sublimes at, absolute", pressure, _Q.VACUUM),
        ]
        phase = "unknown" if pressure.number is None else phase_at(pressure.number)
    notes = [f"over {phase}: IAPWS R14-08 (ice) and SR1-86 (liquid); they meet at 4,588 microns, 0.01 °C"]
    return {"refrigerant": "water", "phase": phase}, rows, notes


@click.command()
@click.argument("search", required=False, default="")
@UNITS_OPTION
@JSON_OPTION
def refrigerants(search: str, units: str, as_json: bool) -> None:
    """List the refrigerants known, or those whose name contains SEARCH with what they are made of."""
    from logger.refrigerant.names import key_of

    catalogue = user_catalogue()
    for _, fault in catalogue.faults:
        click.echo(f"A blend of yours cannot be used. {fault}", err=True)
    wanted = key_of(search) if search else ""
    found = [catalogue.find(name) for name in catalogue.names() if wanted in key_of(name)]
    if not found:
        catalogue.find(search)  # raises, with the nearest names
    if as_json:
        click.echo(json.dumps([_described(r) for r in found], indent=1, ensure_ascii=False))
        return
    degree, atmosphere, at = ("°F", "14.696 psia", "104 °F") if units == "us" else ("°C", "101.325 kPa", "40 °C")
    click.echo(f"{'name':13s} {'boils':>7s} {'glide':>5s} {'critical':>8s}  {'pressure':9s}  {'safety':6s}  grade")
    for r in found:
        glide = r.glide_k * (1.8 if units == "us" else 1)
        click.echo(
            f"{r.name:13s} {_degrees(r.normal_bubble_k, units):>7s} {glide:5.1f} "
            f"{_degrees(r.critical_temperature_k, units):>8s}  {r.pressure_class:9s}  {r.safety_class:6s}  {r.tier}"
        )
        if wanted and not r.pure:
            parts = ", ".join(f"{part} {share * 100:g}" for part, share in r.composition.items())
            click.echo(f"{'':13s} mass %: {parts}")
    say(
        f"Boiling point (bubble) and glide at {atmosphere}, in {degree}. Pressure class: 40 CFR 82, at {at}. Safety "
        f"class: {found[0].safety_source}. reference: pure, or every pair has a fitted model; predictive: some pair "
        "has reducing parameters only; estimated: some pair is a guess, "
        f"{'2 to 5 °F' if degree == '°F' else '1 to 3 K'} of error.",
        "",
    )


def _degrees(kelvin: float | None, units: str) -> str:
    if kelvin is None:
        return "-"
    return f"{kelvin * 1.8 - 459.67:.1f}" if units == "us" else f"{kelvin - 273.15:.1f}"


def _described(r: Any) -> dict[str, Any]:
    return {
        "name": r.name,
        "composition": dict(r.composition),
        "tier": r.tier,
        "models": list(r.models),
        "safety_class": r.safety_class,
        "safety_source": r.safety_source,
        "pressure_class": r.pressure_class,
        "normal_bubble_k": r.normal_bubble_k,
        "normal_dew_k": r.normal_dew_k,
        "glide_k": r.glide_k,
        "critical_temperature_k": r.critical_temperature_k,
        "critical_pressure_pa": r.critical_pressure_pa,
        "range_pa": [r.low_pa, r.high_pa],
        "bubble_range_k": list(r.bubble_range_k),
        "dew_range_k": list(r.dew_range_k),
        "coolprop": r.coolprop_version,
    }
