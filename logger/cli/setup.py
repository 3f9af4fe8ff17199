"""`rimelog setup`: what is the same in every job, entered once."""

import sys
from dataclasses import fields, replace
from datetime import date
from pathlib import Path
from typing import Any

import click

from logger.cli.cylinder_options import DAY
from logger.cli.job_options import FILE, settings_path

_LABELS = {
    "units": "Units", "operator": "Operator", "certification": "Certification number", "company": "Company",
    "logo": "Logo", "recovery_machine": "Recovery machine", "recovery_machine_made": "Recovery machine made",
    "rig": "Rig file", "vacuum_pump": "Vacuum pump", "vacuum_gauge": "Vacuum gauge",
    "recovered_to": "Recovered goes to",
}  # fmt: skip


@click.command()
@click.option("--units", type=click.Choice(["us", "si"]), help="us: lb, psig, F, microns; si: kg, bar, C, Pa.")
@click.option("--operator", help="Your name, as reports show it.")
@click.option("--certification", help="Your certification number.")
@click.option("--company", multiple=True, help="A line of the company block; may be given up to six times.")
@click.option("--logo", type=FILE, help="Company logo for reports: .png or .jpg, up to 200 kB.")
@click.option("--recovery-machine", help="Make, model and serial number.")
@click.option("--recovery-machine-made", type=DAY, help="Date it was made: 2021-05-01, or 2021-05.")
@click.option("--vacuum-pump", help="Make, model and serial number.")
@click.option("--vacuum-gauge", help="Make, model and serial number.")
@click.option("--recovered-to", help="Where recovered refrigerant goes, as reports show it.")
@click.option("--rig", type=FILE, help="The rig file that `rimelog start` takes when none is named.")
@click.option("--clear", multiple=True, type=click.Choice([name.replace("_", "-") for name in _LABELS]),
              metavar="ENTRY", help="Forget an entry, such as logo; may be given several times.")  # fmt: skip
@click.option("--show", is_flag=True, help="Only print what is kept.")
def setup(clear: tuple[str, ...], show: bool, **given: Any) -> None:
    """Enter once what is the same in every job: units, your name, company, recovery machine, rig.

    Without options it asks, Enter keeps what is in brackets. New jobs take it over; a job file or an option says
    otherwise for one job.
    """
    from logger.config.user_settings import UserSettings, read_settings, write_settings

    path = settings_path()
    before = settings = read_settings(path)
    entered = {name: value for name, value in given.items() if value not in (None, ())}
    empty = UserSettings()
    entered |= {name.replace("-", "_"): getattr(empty, name.replace("-", "_")) for name in clear}
    if not entered and not show and sys.stdin.isatty():
        entered = _asked(settings)
    settings = replace(settings, **_checked(entered))
    if settings != before:
        write_settings(path, settings)
    for field in fields(settings):
        value = getattr(settings, field.name)
        text = " / ".join(value) if isinstance(value, tuple) else str(value or "")
        click.echo(f"{_LABELS[field.name]:<24} {text or 'not entered'}")
    click.echo(f"kept in {path}" if settings != before or path.exists() else "nothing is kept yet")


def _asked(now: Any) -> dict[str, Any]:
    ask: Any = click.prompt
    made = now.recovery_machine_made
    entered: dict[str, Any] = {
        "units": ask("Units", default=now.units, type=click.Choice(["us", "si"])),
        "operator": ask("Your name", default=now.operator),
        "certification": ask("Certification number", default=now.certification),
        "company": tuple(
            line.strip() for line in ask("Company, lines divided by /", default=" / ".join(now.company)).split("/")
        ),
        "logo": ask("Logo, a .png or .jpg file", default=now.logo),
        "recovery_machine": ask("Recovery machine: make, model, serial", default=now.recovery_machine),
        "recovery_machine_made": ask("Date it was made (2021-05-01)", default=str(made or "")),
        "vacuum_pump": ask("Vacuum pump: make, model, serial", default=now.vacuum_pump),
        "vacuum_gauge": ask("Vacuum gauge: make, model, serial", default=now.vacuum_gauge),
        "recovered_to": ask("Where recovered refrigerant goes", default=now.recovered_to),
        "rig": ask("Rig file", default=now.rig),
    }
    if isinstance(entered["recovery_machine_made"], str):
        text = entered["recovery_machine_made"]
        entered["recovery_machine_made"] = DAY.convert(text, None, None) if text else None
    return entered


def _checked(entered: dict[str, Any]) -> dict[str, Any]:
    """As it is kept: files by their whole path, each looked into. Raises ConfigError, ReportError."""
    from logger.config.rig_file import load_rig
    from logger.config.user_settings import read_logo

    if entered.get("logo"):
        path = Path(entered["logo"]).expanduser().resolve()
        picture = read_logo(path)
        from logger.config.errors import ConfigError
        from logger.export.report.typeset import picture_problem

        if picture_problem(picture) is not None:
            raise ConfigError(f"{path}: the picture cannot be read; save it again as PNG")
        entered["logo"] = str(path)
    if entered.get("rig"):
        path = Path(entered["rig"]).expanduser().resolve()
        load_rig(path)
        entered["rig"] = str(path)
    if "company" in entered:
        entered["company"] = tuple(line.strip() for line in entered["company"] if line.strip())[:6]
    made = entered.get("recovery_machine_made")
    if isinstance(made, date):
        entered["recovery_machine_made"] = date(made.year, made.month, made.day)
    return entered
