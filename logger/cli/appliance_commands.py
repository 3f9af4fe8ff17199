"""`rimelog appliance` and `rimelog refrigerant-log`: the appliances of all jobs, and the year's refrigerant."""

import json
import shutil
from typing import TYPE_CHECKING, Any

import click

from logger.cli.answers import SAMPLE_OPTION, answer_options, print_answer
from logger.cli.quantities import JSON_OPTION, UNITS_OPTION, say
from logger.model.points import Quantity
from logger.model.value import Value, known

if TYPE_CHECKING:
    from logger.register.answer_table import AnswerTable
    from logger.register.appliance_history import ApplianceHistory
    from logger.register.refrigerant_log import RefrigerantLog

_Q = Quantity
CAUTION = "Computed from jobs as entered. The law itself, local codes and your own records come first."
_OFF_KG = 0.05  # what scales leave


@click.group()
def appliance() -> None:
    """The appliances of your jobs: additions, leak rate, tests, start-ups."""


@appliance.command("list")
@SAMPLE_OPTION
@answer_options
def list_(sample: bool, as_csv: bool, as_json: bool, units: str) -> None:
    """The appliances that jobs name."""
    from logger.register.appliance_history import appliances
    from logger.register.register import asked

    found = asked(lambda connection: appliances(connection, sample=sample))
    print_answer(found, as_csv=as_csv, as_json=as_json, units=units, none="no job names an appliance")


@appliance.command()
@click.argument("name")
@UNITS_OPTION
@JSON_OPTION
def show(name: str, units: str, as_json: bool) -> None:
    """One appliance: jobs, additions with the leak rate, tests, start-ups.

    NAME: of the appliance, or a part of its customer, name and site.
    """
    from logger.register import RegisterError
    from logger.register.appliance_history import find_appliances, history
    from logger.register.register import asked

    ids = asked(lambda connection: find_appliances(connection, name))
    if len(ids) != 1:
        listed = "; ".join(ids[:10])
        raise RegisterError(
            f"{name!r:.60} fits several: {listed}"
            if ids
            else f"no appliance {name!r:.60}; see `rimelog appliance list`"
        )
    found = asked(lambda connection: history(connection, ids[0]))
    if as_json:
        tables = {"jobs": found.jobs, "additions": found.additions, "tests": found.tests, "start_ups": found.start_ups}
        trends = {
            key: {"value": v.number, "unit": v.unit, "u": v.u, "problem": v.problem} for key, v in found.trends.items()
        }
        data = {**found.about, **{key: table.data() for key, table in tables.items()}, "trends": trends}
        click.echo(json.dumps(data, indent=1, ensure_ascii=False))
        return
    _print_history(found, units)


def _print_history(found: "ApplianceHistory", units: str) -> None:
    from logger.register.appliance_history import FIGURES
    from logger.wording.values import Shown

    about, shown = found.about, Shown(units)
    click.echo(", ".join(filter(None, (about["customer"], about["site"], about["name"]))))
    made = " ".join(filter(None, (about["make"], about["model"], about["serial"])))
    charge = shown.figure(known(about["full_charge_kg"], "kg"), _Q.MASS) if about["full_charge_kg"] else "not entered"
    say(f"{about['refrigerant']}, full charge {charge}" + (f"; {made}" if made else ""))
    for title, table in (
        ("Jobs", found.jobs), ("Additions and leak rate", found.additions), ("Tests", found.tests),
        ("Start-ups", found.start_ups),
    ):  # fmt: skip
        _section(title, table, units)
    for name, label in FIGURES.items():
        if found.trends[name].number is not None:
            say(f"{label}: {_trend_text(found.trends[name], units)}")
    say(CAUTION, "")


def _trend_text(trend: Value, units: str) -> str:
    """A change is one only where it is more than its expanded uncertainty (k=2)."""
    from logger.wording.values import Shown

    assert trend.number is not None
    size = Shown(units).figure(known(abs(trend.number), "K", trend.u), _Q.TEMPERATURE_DIFFERENCE)
    if abs(trend.number) <= 2 * (trend.u or 0.0):
        return "no trend beyond what start-ups differ by"
    return f"{'rising' if trend.number > 0 else 'falling'} {size} a year"


def _section(title: str, table: "AnswerTable", units: str) -> None:
    click.echo()
    click.echo(title)
    width = min(shutil.get_terminal_size().columns, 160) - 2
    for line in table.lines(units, width) if table.rows else ["none"]:
        click.echo(f"  {line}".rstrip())


@click.command()
@click.option("--year", type=click.IntRange(1970, 9999), help="This one, if not given.")
@click.option("--customer", default="", metavar="NAME", help="Only of this customer; a part of the name.")
@SAMPLE_OPTION
@answer_options
def refrigerant_log(
    year: int | None, customer: str, sample: bool, as_csv: bool, as_json: bool, units: str
) -> None:  # fmt: skip
    """A year's refrigerant: recovered, charged, added, sent; what records lack; the balance.

    --csv has one row a movement, with what records by law ask for. The balance says whether what came into cylinders is
    what went out of them and what they still hold.
    """
    from logger.clock import local_day
    from logger.register.refrigerant_log import refrigerant_log as log_of
    from logger.register.register import asked

    of_year = year or local_day().year
    found = asked(lambda connection: log_of(connection, of_year, customer, sample=sample))
    if as_csv:
        print_answer(found.movements, as_csv=True, as_json=False, units=units)
    elif as_json:
        click.echo(json.dumps(_log_data(found), indent=1, ensure_ascii=False))
    else:
        _print_log(found, units)


def _log_data(found: "RefrigerantLog") -> dict[str, Any]:
    return {
        "year": found.year, "movements": found.movements.data(), "by_customer": found.by_customer.data(),
        "balance": found.balance.data(), "unnamed_cylinders_kg": found.unnamed, "mass_not_known": found.unknown,
        "missing": found.missing.data(), "caution": CAUTION,
    }  # fmt: skip


def _print_log(found: "RefrigerantLog", units: str) -> None:
    from logger.wording.values import Shown

    shown = Shown(units)
    click.echo(f"Refrigerant of {found.year}: {len(found.movements.rows)} movements (--csv lists each)")
    _section("By customer", found.by_customer, units)
    _section("Cylinders: received, sent on, held now", found.balance.without_zeros(), units)
    off = [row for row in found.balance.data() if abs(row["difference"]) > _OFF_KG]
    if not off:
        say("The balance closes: refrigerant received equals refrigerant sent on and held in cylinders.")
    for row in off:
        size = shown.figure(known(abs(row["difference"]), "kg"), _Q.MASS)
        if row["difference"] < 0:
            say(f"OFF BY {size} of {row['refrigerant']}: cylinders hold less than came in. Enter where it went: "
                "`rimelog cylinder out`.")  # fmt: skip
        else:
            say(f"OFF BY {size} of {row['refrigerant']}: cylinders hold more than came in. A mass is not known, a job "
                "is missing (`rimelog take`), or a tare is wrong.")  # fmt: skip
    for name, kg in found.unnamed.items():
        way = "into" if kg > 0 else "out of"
        say(f"{shown.figure(known(abs(kg), 'kg'), _Q.MASS)} of {name} {way} cylinders that nobody named.")
    if found.unknown:
        say(f"{found.unknown} movements whose mass is not known.")
    _section("Missing for the records", found.missing, units)
    say(CAUTION, "")
