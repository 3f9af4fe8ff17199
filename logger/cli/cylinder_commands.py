"""`rimelog cylinder`: filling limits, what is in it, and the cylinders that are kept."""

import json
import math
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

import click

from logger.cli.completing import cylinder_names
from logger.cli.cylinder_options import (
    DAY,
    JURISDICTION_OPTION,
    checked_name,
    cylinder_of,
    half_width,
    marking_options,
    net_mass,
)
from logger.cli.quantities import (
    JSON_OPTION,
    UNITS_OPTION,
    absolute_pressure,
    ambient_of,
    ambient_options,
    as_data,
    cylinders_path,
    rests_on_ambient,
    say,
    shown,
    shown_down,
    shown_with_u,
    temperature,
    user_catalogue,
)
from logger.model.cylinder import Cylinder
from logger.model.finding import Finding, Text, Verdict
from logger.model.plain import plain
from logger.model.points import Quantity
from logger.model.value import Value, known, unknown
from logger.wording.given import sentence
from logger.wording.numbers import in_one

if TYPE_CHECKING:
    from logger.refrigerant import Catalogue
    from logger.register.cylinders_now import CylinderNow

_Q = Quantity
_PLOT_WIDTH = 60


@click.group()
def cylinder() -> None:
    """Filling limits, present fill, air in a cylinder; and the cylinders you keep.

    Local codes, the cylinder's own markings and licensed practice come first.
    """


@cylinder.command()
@click.argument("name", required=False)
@marking_options(needed=False)
@JURISDICTION_OPTION
@UNITS_OPTION
@JSON_OPTION
def limits(name: str | None, jurisdiction: str, units: str, as_json: bool, **markings: Any) -> None:
    """How much may go in, by every rule, and which one binds. NAME is a cylinder you keep; options override it."""
    catalogue = user_catalogue()
    chosen = cylinder_of(name, markings, catalogue)
    limit = _limits(chosen, jurisdiction, catalogue)
    test = _requalification(chosen)
    if as_json:
        click.echo(json.dumps(_limits_data(limit, test, units), indent=1, ensure_ascii=False))
        return
    _print_limits(limit, test, units)


@cylinder.command(short_help="What is in it now: fill, room, air.")
@click.argument("name", required=False)
@marking_options(needed=False)
@click.option("--gross", help="Reading of the scale with the cylinder on it.")
@click.option("--net", help="Mass of the contents, instead of --gross.")
@click.option("--mass-accuracy", default="0.1lb", show_default=True, help="Of the scale, as plus or minus.")
@click.option("--temperature", "temp", help="Of the contents: on the shell at the liquid, in the shade.")
@click.option("--temperature-accuracy", default="1F", show_default=True, help="As plus or minus.")
@click.option("--pressure", help="Of the cylinder, such as 118psig: looks for air or nitrogen.")
@click.option("--pressure-accuracy", default="2psi", show_default=True, help="As plus or minus.")
@click.option("--second-pressure", help="Of the same cylinder settled at another temperature: air or a mixture?")
@click.option("--second-temperature", help="At least 15 °F (8 K) from the first.")
@click.option("--settled", is_flag=True, help="Temperature and pressure are steady, valves closed.")
@JURISDICTION_OPTION
@ambient_options
@UNITS_OPTION
@JSON_OPTION
def check(
    name: str | None, gross: str | None, net: str | None, mass_accuracy: str, temp: str | None,
    temperature_accuracy: str, pressure: str | None, pressure_accuracy: str,
    second_pressure: str | None, second_temperature: str | None, settled: bool, jurisdiction: str,
    altitude: str | None, barometer: str | None, units: str, as_json: bool, **markings: Any,
) -> None:  # fmt: skip
    """What is in it now: liquid fill, liquid-full temperature, mass still allowed, non-condensable gas.

    Exit status 1 where it is over its limit.
    """
    from logger.cylinder.checks import filled, non_condensables
    from logger.cylinder.limits import present_fill

    if gross is not None and net is not None:
        raise click.UsageError("give --gross or --net, not both")
    if gross is None and net is None and pressure is None:
        raise click.UsageError("give --gross or --net, or --pressure with --temperature, or all of them")
    if (second_pressure is None) != (second_temperature is None):
        raise click.UsageError("give --second-pressure and --second-temperature, or neither")
    catalogue = user_catalogue()
    around = ambient_of(altitude, barometer)
    chosen = cylinder_of(name, markings, catalogue)
    limit = _limits(chosen, jurisdiction, catalogue)
    mass = net_mass(gross, net, mass_accuracy, chosen)
    kelvin = (
        unknown("K", "no temperature given")
        if temp is None
        else known(temperature(temp), "K", half_width(temperature_accuracy, _Q.TEMPERATURE_DIFFERENCE))
    )
    fill = present_fill(mass, kelvin, limit)
    weighed = [filled(fill.mass_allowed, limit.max_net)] if mass.number is not None else []
    findings = [*weighed, limit.suitability, _requalification(chosen)]
    if pressure is not None:
        pascal_u = half_width(pressure_accuracy, _Q.PRESSURE_DIFFERENCE)
        if rests_on_ambient(pressure):
            pascal_u = math.hypot(pascal_u, around.u_pa or 0.0)  # the barometer's doubt is in it too
        pascal = known(absolute_pressure(pressure, around.pressure_pa), "Pa", pascal_u, around.note)
        other = None
        if second_pressure is not None and second_temperature is not None:
            other = (
                known(absolute_pressure(second_pressure, around.pressure_pa), "Pa", pascal_u, around.note),
                known(temperature(second_temperature), "K", kelvin.u),
            )
        findings.append(
            non_condensables(
                pascal, kelvin, limit.refrigerants, settled=settled or None, fill=fill.fill_now, other=other
            )
        )
    rows = [
        ("net_mass", "net mass", fill.net_mass, _Q.MASS),
        ("mass_allowed", "room left", fill.mass_allowed, _Q.MASS),
        ("of_limit", "of its limit", fill.of_limit, _Q.RATIO),
        ("fill_now", "liquid fill now", fill.fill_now, _Q.RATIO),
        ("fill_25c", in_one("liquid fill at 25 °C (77 °F)", units), fill.fill_25c, _Q.RATIO),
        ("liquid_full_temperature", "full of liquid at", fill.liquid_full_temperature, _Q.TEMPERATURE),
    ]
    if as_json:
        data: dict[str, Any] = {"cylinder": plain(chosen)}
        data |= {key: as_data(value, quantity, units, around.pressure_pa) for key, _, value, quantity in rows}
        data |= {"findings": [plain(f) for f in findings], "notes": list(limit.notes), "caution": limit.caution}
        click.echo(json.dumps(data, indent=1, ensure_ascii=False))
        _fail_if_over(weighed)
        return
    click.echo(f"{chosen.name}: {_contents(limit)}")
    if mass.number is not None or pressure is None:
        for _, label, value, quantity in rows:
            note = f"  ({in_one(value.note, units)})" if value.note else ""
            click.echo(f"  {label:30s} {shown_with_u(value, quantity, units, around.pressure_pa)}{note}")
    for finding in findings:
        say(_line(finding, units))
    for note in (*((around.note,) if rests_on_ambient(pressure) else ()), *limit.notes, limit.caution):
        say(in_one(note, units))
    _fail_if_over(weighed)


def _fail_if_over(weighed: list[Finding]) -> None:
    if any(finding.verdict is Verdict.FAIL for finding in weighed):
        click.get_current_context().exit(1)


@cylinder.command()
@click.argument("name")
@marking_options(needed=True)
@click.option("--contents", help="Mass in it now, when known.")
@click.option("--replace", "anew", is_flag=True, help="Replace an existing one.")
@UNITS_OPTION
@JSON_OPTION
def add(name: str, contents: str | None, anew: bool, units: str, as_json: bool, **markings: Any) -> None:
    """Keep a cylinder under NAME, for jobs and for the other commands."""
    from logger.config.cylinders import add_cylinder
    from logger.model.units import parse_quantity

    catalogue = user_catalogue()
    marked = cylinder_of(None, markings, catalogue)
    marked = replace(marked, name=checked_name(name))
    if contents is not None:
        inside_kg = parse_quantity(contents, _Q.MASS)
        if inside_kg < 0:
            raise click.UsageError("--contents is not below zero")
        marked = replace(marked, contents_kg=inside_kg)
    add_cylinder(cylinders_path(), marked, catalogue, replace=anew)
    limit, test = _limits(marked, "strictest", catalogue), _requalification(marked)
    if as_json:
        click.echo(json.dumps(_limits_data(limit, test, units), indent=1, ensure_ascii=False))
        return
    click.echo(f"kept {marked.name}: max gross {shown_down(limit.max_gross, units)}")
    for finding in (limit.suitability, test):
        say(_line(finding, units))
    say(limit.caution)


@cylinder.command("list", short_help="What is in each now, room left, last weight, test.")
@UNITS_OPTION
@JSON_OPTION
def list_(units: str, as_json: bool) -> None:
    """The cylinders you keep, and those of your jobs: what is in each now, room left, last weight, test."""
    from logger.config.cylinders import read_cylinders
    from logger.cylinder.limits import CAUTION
    from logger.register.cylinders_now import cylinders_now
    from logger.register.register import asked

    catalogue = user_catalogue()
    on_list = read_cylinders(cylinders_path(), catalogue)
    listed = asked(lambda connection: cylinders_now(connection, on_list))
    if as_json:
        click.echo(json.dumps([_now_data(one, catalogue, units) for one in listed], indent=1, ensure_ascii=False))
        return
    if not listed:
        click.echo("no cylinders are kept yet; see `rimelog cylinder add --help`")
        return
    click.echo(f"{'name':14s} {'contents':20s} {'in it':>9s} {'room left':>9s} {'max gross':>10s}  test")
    for one in listed:
        c, limit = one.cylinder, _limits(one.cylinder, "strictest", catalogue)
        mixture = " / ".join(c.candidates) + " ?" if c.candidates else "not known"
        contents = catalogue.labelled(c.refrigerant or one.mixture or mixture)
        inside, room = (shown(value, _Q.MASS, units, 0) if value.number is not None else "-"
                        for value in (one.inside, _room(one, limit)))  # fmt: skip
        remarks = [_text(_requalification(c), units).headline]
        if limit.suitability.verdict is Verdict.FAIL:
            remarks.append(f"{_text(limit.suitability, units).headline}: do not fill")
        click.echo(f"{c.name[:14]:14s} {contents[:20]:20s} {inside:>9s} {room:>9s} "
                   f"{shown_down(limit.max_gross, units):>10s}  {'; '.join(remarks)}")  # fmt: skip
        if one.mixture:
            say(f"MIXTURE: {one.mixture} are mixed in it. Do not reuse; inform the reclaimer.", "    ")
        if one.weighed.number is not None:
            weight = shown(one.weighed, _Q.MASS, units, 0)
            say(f"last weight {weight} on {one.weighed_date}, job {one.last_job}", "    ")
        if not one.on_list:
            say("not kept: `rimelog cylinder add` keeps it with its stamps", "    ")
    say(CAUTION)


def _room(one: "CylinderNow", limit: Any) -> Value:
    """What may still go in, kg, by the tightest rule."""
    if one.inside.number is None or limit.max_net.number is None:
        return unknown("kg", one.inside.problem or limit.max_net.problem or "no limit")
    return known(limit.max_net.number - one.inside.number, "kg", one.inside.u)


def _now_data(one: "CylinderNow", catalogue: "Catalogue", units: str) -> dict[str, Any]:
    limit = _limits(one.cylinder, "strictest", catalogue)
    masses = {"inside": one.inside, "room_left": _room(one, limit), "last_weight": one.weighed}
    return {
        **plain(one.cylinder),
        **_limits_data(limit, _requalification(one.cylinder), units),
        **{key: as_data(value, _Q.MASS, units, 0.0) for key, value in masses.items()},
        "last_weight_date": one.weighed_date or None, "mixture": one.mixture or None, "on_list": one.on_list,
        "last_job": one.last_job or None,
    }  # fmt: skip


def _found_now(name: str, catalogue: "Catalogue") -> "CylinderNow":
    """By name in any case, of those that are kept or that jobs know."""
    from logger.config.cylinders import read_cylinders
    from logger.register import RegisterError
    from logger.register.cylinders_now import cylinders_now
    from logger.register.register import asked

    on_list = read_cylinders(cylinders_path(), catalogue)
    listed = asked(lambda connection: cylinders_now(connection, on_list))
    fitting = [one for one in listed if one.cylinder.name.casefold() == name.casefold()]
    if not fitting:
        names = ", ".join(one.cylinder.name for one in listed[:20]) or "none yet; see `rimelog cylinder add`"
        raise RegisterError(f"no cylinder {name!r:.60}; there are {names}")
    return fitting[0]


@cylinder.command(short_help="Record where the refrigerant in it went.")
@click.argument("name", shell_complete=cylinder_names)
@click.option("--to", type=click.Choice(["reclaimer", "reuse", "destruction", "customer"]), help="Where it goes.")
@click.option("--who", default="", help="Name of the reclaimer, facility or customer.")
@click.option("--mass", help="Of the refrigerant, when not all of it, or when it was weighed there.")
@click.option("--paper", default="", metavar="NO", help="Number of the shipping paper or invoice.")
@click.option("--by", default="", help="Who enters it.")
@click.option("--date", "day", type=DAY, help="When it went, if not today.")
@click.option("--undo", is_flag=True, help="Take the last such entry of this cylinder back.")
@UNITS_OPTION
@JSON_OPTION
def out(
    name: str, to: str | None, who: str, mass: str | None, paper: str, by: str, day: date | None, undo: bool,
    units: str, as_json: bool,
) -> None:  # fmt: skip
    """Record where the refrigerant in a cylinder went: all of it, or --mass.

    For the balance of the year (`rimelog refrigerant-log`); the job's own record stays as it is.
    """
    from logger.clock import Clock, local_day, noon_ns
    from logger.model.units import parse_quantity
    from logger.register import RegisterError
    from logger.register.cylinders_sent import Sent, add_sent, undo_last
    from logger.register.derive import FITS_KG
    from logger.store.place import data_dir

    now = _found_now(name, user_catalogue())
    name, now_ns = now.cylinder.name, Clock().now_ns()
    if undo:
        gone = undo_last(data_dir(), name, now_ns)
        if gone is None:
            raise RegisterError(f"{name}: nothing was entered to take back")
        click.echo(json.dumps({"undone": plain(gone)}, indent=1) if as_json else f"taken back: {name}, {gone.date}")
        return
    if to is None:
        raise click.UsageError("say where it goes: --to reclaimer, reuse, destruction or customer")
    mass_kg = None if mass is None else parse_quantity(mass, _Q.MASS)
    if mass_kg is not None and not mass_kg > 0:
        raise click.UsageError("--mass is above zero")
    if mass_kg is None and now.inside.number is None:
        raise RegisterError(f"{name}: {now.inside.problem}. Weigh it and give --mass")
    if mass_kg is None and (now.inside.number or 0.0) <= 0.0:
        raise RegisterError(f"{name} is empty by the register; give --mass if that is not so")
    if day is not None and day > local_day():
        raise click.UsageError("--date is not after today")
    then_ns = now_ns if day is None or day == local_day() else noon_ns(day)
    sent = add_sent(data_dir(), Sent(0, then_ns, (day or local_day()).isoformat(), name, to, who, mass_kg, paper, by))
    gone_kg = now.inside if mass_kg is None else known(mass_kg, "kg")
    if as_json:
        click.echo(json.dumps({**plain(sent), "mass": as_data(gone_kg, _Q.MASS, units, 0.0)}, indent=1))
        return
    said = " ".join(filter(None, (shown(gone_kg, _Q.MASS, units, 0), now.cylinder.refrigerant or now.mixture)))
    click.echo(f"{name}: {said} to {to}{f' ({who})' if who else ''} on {sent.date}"
               + (f", paper {paper}" if paper else ""))  # fmt: skip
    if mass_kg is not None and now.inside.number is not None and mass_kg > now.inside.number + FITS_KG:
        say(f"That is more than the {shown(now.inside, _Q.MASS, units, 0)} known to be in it: check the weight.")
    if not paper and to in ("reclaimer", "destruction"):
        say("No shipping paper entered: --undo, then again with --paper NO.")


@cylinder.command()
@click.argument("name", shell_complete=cylinder_names)
@UNITS_OPTION
@click.option("--csv", "as_csv", is_flag=True, help="Comma-separated, in your units.")
@JSON_OPTION
def life(name: str, units: str, as_csv: bool, as_json: bool) -> None:
    """All that went into a cylinder and out of it, and how full it was."""
    from logger.cli.answers import print_answer
    from logger.register.cylinders_now import life as life_of
    from logger.register.register import asked

    now = _found_now(name, user_catalogue())
    found = asked(lambda connection: life_of(connection, now.id))
    print_answer(found, as_csv=as_csv, as_json=as_json, units=units, none=f"{name}: no job moved anything")
    if not (as_csv or as_json):
        for line in _life_plot([row["date"] for row in found.data()], [row["inside"] for row in found.data()], units):
            click.echo(line)


def _life_plot(days: list[str], inside_kg: list[float | None], units: str) -> list[str]:
    """What was in it over time; nothing for fewer than two days."""
    from logger.screen.braille import plot

    ends = [date.fromisoformat(day).toordinal() for day in days]
    if len(ends) < 2 or ends[0] == ends[-1]:
        return []
    columns, levels = 2 * _PLOT_WIDTH, list[float | None]()
    for i in range(columns):
        at = ends[0] + (ends[-1] - ends[0]) * i / (columns - 1)
        levels.append([kg for day, kg in zip(ends, inside_kg, strict=True) if day <= at + 1e-9][-1])
    drawn = plot(levels, levels, _PLOT_WIDTH, 6)
    if drawn is None:
        return []
    rows, low, high = drawn
    marks = [shown(known(max(0.0, kg), "kg"), _Q.MASS, units, 0) for kg in (high, low)]
    left = [marks[0], *[""] * (len(rows) - 2), marks[1]]
    axis = f"{days[0]}{days[-1]:>{_PLOT_WIDTH - len(days[0])}}"
    return ["", *(f"{mark:>10} {row}" for mark, row in zip(left, rows, strict=True)), f"{'':10} {axis}"]


@cylinder.command()
@click.argument("name")
@JURISDICTION_OPTION
@UNITS_OPTION
@JSON_OPTION
def show(name: str, jurisdiction: str, units: str, as_json: bool) -> None:
    """One cylinder with its limits."""
    from logger.config.cylinders import find_cylinder

    catalogue = user_catalogue()
    marked = find_cylinder(cylinders_path(), name, catalogue)
    limit = _limits(marked, jurisdiction, catalogue)
    test = _requalification(marked)
    if as_json:
        click.echo(json.dumps(_limits_data(limit, test, units), indent=1, ensure_ascii=False))
        return
    _print_limits(limit, test, units)


@cylinder.command()
@click.argument("name")
@JSON_OPTION
def remove(name: str, as_json: bool) -> None:
    """Forget a cylinder. Jobs that used it keep their own record of it."""
    from logger.config.cylinders import remove_cylinder

    catalogue = user_catalogue()
    gone = remove_cylinder(cylinders_path(), name, catalogue)
    click.echo(json.dumps({"forgot": plain(gone)}, indent=1, ensure_ascii=False) if as_json else f"forgot {gone.name}")


def _limits(chosen: Cylinder, jurisdiction: str, catalogue: "Catalogue") -> Any:
    from logger.cylinder.limits import limits as compute

    return compute(chosen, jurisdiction, catalogue=catalogue)


def _requalification(chosen: Cylinder) -> Finding:
    from logger.cylinder.checks import requalification

    return requalification(chosen, date.today())  # noqa: DTZ011  the day on the wall calendar is meant


def _text(finding: Finding, units: str) -> Text:
    from logger.stages.words import text_of
    from logger.wording.values import Shown

    return text_of(finding, Shown(units))


def _line(finding: Finding, units: str) -> str:
    return f"[{finding.verdict.word}] {sentence(_text(finding, units).line)}"


def _contents(limit: Any) -> str:
    names = ", ".join(r.label for r in limit.refrigerants) or "contents not known"
    return f"unknown mixture of {names}" if len(limit.refrigerants) > 1 else names


def _print_limits(limit: Any, test: Finding, units: str) -> None:
    chosen = limit.cylinder
    tare, capacity = (
        shown(known(mass, "kg"), _Q.MASS, units, 0.0) for mass in (chosen.tare_kg, chosen.water_capacity_kg)
    )
    say(f"{_contents(limit)}: water capacity {capacity}, tare {tare}; rules: {limit.jurisdiction}", "")
    click.echo(f"  {'rule':30s} {'max net':>10s} {'max gross':>10s}")
    for rule in sorted(limit.rules, key=lambda r: math.inf if r.net.number is None else r.net.number):
        net = rule.net
        gross = net if net.number is None else known(net.number + chosen.tare_kg, "kg")
        binds = ">" if rule is limit.binding else " "
        click.echo(
            f"{binds} {in_one(rule.label, units):30s} {shown_down(net, units):>10s} {shown_down(gross, units):>10s}"
        )
        ruling = f"{rule.refrigerant}: " if len(limit.refrigerants) > 1 and rule.refrigerant else ""
        say(in_one(f"{ruling}{net.problem or rule.how}", units), "      ")
    if limit.binding is not None:
        stop, net = shown_down(limit.max_gross, units), shown_down(limit.max_net, units)
        refused = any(finding.verdict is Verdict.FAIL for finding in (limit.suitability, test))
        order = "DO NOT FILL, for the reason below. By mass alone: stop at" if refused else "Stop at"
        say(f"{order} {stop} on the scale ({net} net): {limit.binding.label} binds ({limit.binding.source}).")
        full = limit.liquid_full_temperature
        at = shown(full, _Q.TEMPERATURE, units, 0.0)
        say(f"Filled to that, liquid fills the shell at {at}." if full.number is not None else f"Filled to that: {at}.")
    else:
        say(f"No limit can be given: {limit.max_net.problem}.")
    for finding in (limit.suitability, test):
        say(_line(finding, units))
    for note in (*limit.notes, limit.caution):
        say(note)


def _limits_data(limit: Any, test: Finding, units: str) -> dict[str, Any]:
    return {
        "cylinder": plain(limit.cylinder),
        "jurisdiction": limit.jurisdiction,
        "refrigerants": [r.name for r in limit.refrigerants],
        "tiers": {r.name: r.tier for r in limit.refrigerants},
        "max_net": as_data(limit.max_net, _Q.MASS, units, 0.0),
        "max_gross": as_data(limit.max_gross, _Q.MASS, units, 0.0),
        "liquid_full_temperature": as_data(limit.liquid_full_temperature, _Q.TEMPERATURE, units, 0.0),
        "binding": None if limit.binding is None else limit.binding.key,
        "rules": [
            {
                "key": rule.key,
                "label": rule.label,
                "source": rule.source,
                "net": as_data(rule.net, _Q.MASS, units, 0.0),
                "how": rule.how,
                "refrigerant": rule.refrigerant,
            }
            for rule in limit.rules
        ],
        "findings": [plain(limit.suitability), plain(test)],
        "notes": list(limit.notes),
        "caution": limit.caution,
    }
