"""`rimelog analyze FILE.csv`: anybody's readings through the same analyses."""

import csv
import json
import math
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import click

from logger.cli.quantities import JSON_OPTION, UNITS_OPTION, ambient_of, ambient_options, say, user_catalogue

IMPORTED = "IMPORTED DATA: read from a file, not recorded by Rimelog"
MAX_ROWS = 2_000_000


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--stage", required=True, help="pressure-test, evacuation, decay-test or start-up.")
@click.option("--time", "time_column", required=True, help="Column of the times: seconds, or 2026-03-02T18:10:05Z.")
@click.option("--time-zone", help="Of times without one: such as UTC or America/Denver")
@click.option("--column", "columns", multiple=True, required=True, help="POINT=COLUMN:UNIT, such as vacuum=Pv:microns.")
@click.option("--accuracy", "accuracies", multiple=True, help="POINT=PLUS-OR-MINUS, such as vacuum=10micron.")
@click.option("--set", "settings", multiple=True, help="A setting of the stage, such as profile=ufgs-15182.")
@click.option("--mark", "marks", multiple=True, help="ACT=TIME as in the file, such as isolated=600.")
@click.option("--refrigerant", help="Such as R-410A.")
@click.option("--charge", help="Full charge, such as 220lb.")
@click.option("--volume", help="Of the system, such as 180L.")
@ambient_options
@UNITS_OPTION
@JSON_OPTION
def analyse(
    file: Path, stage: str, time_column: str, time_zone: str | None, columns: tuple[str, ...],
    accuracies: tuple[str, ...], settings: tuple[str, ...], marks: tuple[str, ...], refrigerant: str | None,
    charge: str | None, volume: str | None, altitude: str | None, barometer: str | None, units: str, as_json: bool,
) -> None:  # fmt: skip
    """Analyze the readings of a CSV file (RFC 4180, with a header row), from any recorder."""
    import logger
    from logger.cli.stage_begin import entered
    from logger.model.errors import ComputeError
    from logger.model.job import Job
    from logger.model.points import Quantity
    from logger.model.units import UnitError, parse_quantity
    from logger.pipeline.words import refusal_of
    from logger.stages.settings import SettingError
    from logger.stages.words import shown_finding
    from logger.wording.values import Shown

    around, catalogue = ambient_of(altitude, barometer), user_catalogue()
    named = _pairs(columns, "--column")
    shown = Shown(units, around.pressure_pa)
    try:
        series = _read(file, time_column, time_zone, named, _pairs(accuracies, "--accuracy"), around.pressure_pa)
        job = Job(
            "imported", catalogue.find(refrigerant).name if refrigerant else "",
            parse_quantity(charge, Quantity.MASS) if charge else None,
            volume_m3=parse_quantity(volume, Quantity.VOLUME) if volume else None,
        )  # fmt: skip
        result = logger.analyse(
            stage, series, entered(stage, _pairs(settings, "--set")), job=job, ambient=around, catalogue=catalogue,
            marks={act: _time(at, time_zone) for act, at in _pairs(marks, "--mark").items()},
        )  # fmt: skip
    except SettingError as exc:
        raise click.UsageError(refusal_of(exc, shown)) from exc
    except (ComputeError, UnitError) as exc:
        raise click.UsageError(str(exc)) from exc
    findings = [shown_finding(finding, shown) for finding in result.findings]
    if as_json:
        click.echo(json.dumps({"imported": str(file), "findings": findings}, indent=1, ensure_ascii=False))
        return
    click.echo(IMPORTED)
    for one in findings:
        click.echo(f"[{one['verdict'].upper()}] {one['text']}")
        for rule in filter(None, (one["rule"], *one["check_next"])):
            say(rule)


def _pairs(given: tuple[str, ...], option: str) -> dict[str, str]:
    pairs = [one.partition("=") for one in given]
    for name, equals, value in pairs:
        if not (name and equals and value):
            raise click.UsageError(f"{option} is NAME=VALUE, not {name + equals + value!r}")
    return {name: value for name, _, value in pairs}


def _time(text: str, zone: str | None) -> float:
    """Seconds, or an instant in seconds since 1970."""
    try:
        return float(text)
    except ValueError:
        pass
    try:
        at = datetime.fromisoformat(text.strip().replace("Z", "+00:00"))
        if at.tzinfo is None:
            if zone is None:
                raise click.UsageError(f"{text!r} has no time zone: give --time-zone")
            at = at.replace(tzinfo=ZoneInfo(zone))
    except (ValueError, ZoneInfoNotFoundError) as exc:
        raise click.UsageError(f"{text!r} is no time: {exc}") from exc
    return at.timestamp()


def _read(
    file: Path, time_column: str, zone: str | None, columns: dict[str, str], accuracies: dict[str, str],
    ambient_pa: float,
) -> dict[str, Any]:  # fmt: skip
    """Series by point. Empty cells are no reading; any other that is no number is refused with its line."""
    from logger.model.points import POINTS
    from logger.model.sample import Series
    from logger.model.units import parse_quantity

    wanted: dict[str, tuple[str, str]] = {}
    for point, column in columns.items():
        name, _, unit = column.rpartition(":")
        if point not in POINTS or not name:
            raise click.UsageError(
                f"--column {point}={column}: give POINT=COLUMN:UNIT, POINT one of {', '.join(POINTS)}"
            )
        wanted[point] = (name, unit)
    times: dict[str, list[float]] = {point: [] for point in wanted}
    values: dict[str, list[float]] = {point: [] for point in wanted}
    with file.open(encoding="utf-8-sig", newline="") as text:
        rows = csv.DictReader(text)
        missing = {time_column, *(name for name, _ in wanted.values())} - set(rows.fieldnames or ())
        if missing:
            raise click.UsageError(f"{file}: no column {', '.join(sorted(missing))}; it has {rows.fieldnames}")
        for number, row in enumerate(rows, 2):
            if number > MAX_ROWS:
                raise click.UsageError(f"{file}: more than {MAX_ROWS} rows")
            t_s = _time(row[time_column], zone)
            for point, (name, unit) in wanted.items():
                if not (row[name] or "").strip():
                    continue
                try:
                    value = parse_quantity(f"{float(row[name])!r}{unit}", POINTS[point].quantity, ambient_pa)
                except ValueError as exc:
                    raise click.UsageError(f"{file}, line {number}, column {name}: {exc}") from exc
                if times[point] and t_s <= times[point][-1]:
                    raise click.UsageError(f"{file}, line {number}: time does not rise")
                times[point].append(t_s)
                values[point].append(value)
    made = {}
    for point in wanted:
        stated = accuracies.get(point)
        u_scale = parse_quantity(stated, POINTS[point].quantity.difference) / math.sqrt(3) if stated else 0.0
        made[point] = Series(point, times[point], values[point], _noise(values[point]), u_scale)
    return made


def _noise(values: list[float]) -> float:
    """Standard deviation of a reading, from second differences of neighbors: a smooth rise does not count."""
    rough = [abs(a - 2 * b + c) for a, b, c in zip(values, values[1:], values[2:], strict=False)]
    return 1.4826 * sorted(rough)[len(rough) // 2] / math.sqrt(6) if rough else 0.0
