"""`rimelog analyze FILE.csv`: anybody's readings through the same analyses."""

import csv
import json
import math
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import click

from logger.cli.quantities import JSON_OPTION, UNITS_OPTION, ambient_of, ambient_options, say, user_catalogue

if TYPE_CHECKING:
    from logger.config.columns_file import Columns
    from logger.config.job_file import JobSetup
    from logger.refrigerant import Catalogue

IMPORTED = "IMPORTED DATA: read from a file, not recorded by Rimelog"
MAX_ROWS = 2_000_000
FIRST_INSTANT_S = 1e8  # of 1973: a column of seconds counts from its beginning


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--stage", required=True, help="Such as decay-test or recovery.")
@click.option(
    "--columns",
    "columns_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="TOML file that says what the columns are (docs/files.md).",
)
@click.option("--time", "time_column", help="Column of the times: seconds, or 2026-03-02T18:10:05Z.")
@click.option("--time-zone", help="Of times without one: such as UTC or America/Denver")
@click.option("--column", "columns", multiple=True, help="POINT=COLUMN:UNIT, such as vacuum=Pv:microns.")
@click.option("--accuracy", "accuracies", multiple=True, help="POINT=PLUS-OR-MINUS, such as vacuum=10micron.")
@click.option("--gauge", "gauge", multiple=True, help="Stated of the vacuum gauge, such as water_factor=1.4.")
@click.option("--division", help="Of the scale, such as 0.1lb; left out: its smallest step.")
@click.option("--set", "settings", multiple=True, help="A setting of the stage, such as profile=ufgs-15182.")
@click.option("--mark", "marks", multiple=True, help="ACT=TIME as in the file, such as isolated=600.")
@click.option("--cylinder", "swaps", multiple=True, help="NAME=TIME from which it is on the scale.")
@click.option(
    "--job",
    "job_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Job file: refrigerant, charge, volume, cylinders.",
)
@click.option("--refrigerant", help="Such as R-410A.")
@click.option("--charge", "full_charge", help="Full charge, such as 220lb.")
@click.option("--volume", help="Of the system, such as 180L.")
@click.option("--date", "on", type=click.DateTime(["%Y-%m-%d"]), help="Of the work; left out: by the times, or today.")
@ambient_options
@UNITS_OPTION
@JSON_OPTION
def analyse(
    file: Path, stage: str, columns_file: Path | None, time_column: str | None, time_zone: str | None,
    columns: tuple[str, ...], accuracies: tuple[str, ...], gauge: tuple[str, ...], division: str | None,
    settings: tuple[str, ...], marks: tuple[str, ...], swaps: tuple[str, ...], job_file: Path | None,
    on: datetime | None, altitude: str | None, barometer: str | None, units: str, as_json: bool,
    **job_words: str | None,
) -> None:  # fmt: skip
    """Analyze the readings of a CSV file (RFC 4180, with a header row), from any recorder."""
    import logger
    from logger.cli.stage_begin import entered
    from logger.config.columns_file import SCALE
    from logger.config.errors import ConfigError
    from logger.model.errors import ComputeError
    from logger.model.units import UnitError
    from logger.pipeline.words import refusal_of
    from logger.stages.settings import SettingError
    from logger.stages.words import shown_finding
    from logger.wording.values import Shown

    around, catalogue = ambient_of(altitude, barometer), user_catalogue()
    shown = Shown(units, around.pressure_pa)
    try:
        table = _columns(columns_file, time_column, time_zone, columns, accuracies, gauge, division)
        series = _read(file, table, around.pressure_pa)
        setup = _job(job_file, job_words, catalogue)
        result = logger.analyse(
            stage, series, entered(stage, _settings(settings)), job=setup.job,
            ambient=None if "barometer" in series else around,
            catalogue=catalogue, day=_day(on, series),
            marks={act: _time(at, table.time_zone) for act, at in _pairs(marks, "--mark").items()},
            gauges=frozenset(one.point for one in table.columns if one.from_ambient),
            division_kg=next((one.division for one in table.columns if one.point == SCALE), None),
            cylinders=setup.cylinders, on_scale=_on_scale(swaps, table.time_zone),
        )  # fmt: skip
    except SettingError as exc:
        raise click.UsageError(refusal_of(exc, shown)) from exc
    except (ComputeError, ConfigError, UnitError) as exc:
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


def _columns(
    path: Path | None, time_column: str | None, zone: str | None, columns: tuple[str, ...],
    accuracies: tuple[str, ...], gauge: tuple[str, ...], division: str | None,
) -> "Columns":  # fmt: skip
    """Of the file, or of the options: the same tables, so the same checks."""
    from logger.config.columns_file import SCALE, ColumnsFile, columns_of, load_columns
    from logger.config.toml_file import check

    if path is not None:
        if time_column or columns or accuracies or gauge or division:
            raise click.UsageError("give --columns FILE, or --time and --column with what belongs to them, not both")
        found = load_columns(path)
        return found if zone is None else replace(found, time_zone=zone)
    if not (time_column and columns):
        raise click.UsageError(
            "say what the columns are: --time COLUMN and --column POINT=COLUMN:UNIT, or --columns FILE"
        )
    stated = _pairs(accuracies, "--accuracy")
    facts: dict[str, Any] = dict(_pairs(gauge, "--gauge"))
    tables = []
    for point, column in _pairs(columns, "--column").items():
        name, _, unit = column.rpartition(":")
        if not name:
            raise click.UsageError(f"--column {point}={column}: give POINT=COLUMN:UNIT")
        tables.append(
            {"point": point, "name": name, "unit": unit, "accuracy": stated.pop(point, None)}
            | (facts if point == "vacuum" else {})
            | ({"division": division} if point == SCALE else {})
        )
    if stated:
        raise click.UsageError(f"--accuracy {next(iter(stated))}: no --column of that measuring point")
    return columns_of(*check({"time": time_column, "time_zone": zone, "column": tables}, "command line", ColumnsFile))


def _job(path: Path | None, words: dict[str, str | None], catalogue: "Catalogue") -> "JobSetup":
    """Of a job file, or of the few words given; nothing of it is needed."""
    from logger.config.job_file import JobSetup, job_from_words, load_job

    given = {name: word for name, word in words.items() if word is not None}
    if path is not None:
        if given:
            raise click.UsageError("give --job, or --refrigerant, --charge and --volume, not both")
        return load_job(path, "imported", catalogue)
    if "refrigerant" in given:
        return job_from_words(given, "imported", catalogue)
    setup = job_from_words({**given, "refrigerant": "R-134a"}, "imported", catalogue)
    return JobSetup(replace(setup.job, refrigerant=""), (), {})


def _on_scale(swaps: tuple[str, ...], zone: str | None) -> list[tuple[float, str]]:
    came = [one.rpartition("=") for one in swaps]
    if any(not (name and at) for name, _, at in came):
        raise click.UsageError("--cylinder is NAME=TIME")
    return sorted((_time(at, zone), name) for name, _, at in came)


def _day(on: datetime | None, series: dict[str, Any]) -> date:
    from logger.clock import local_day

    last_s = max((one.t_s[-1] for one in series.values() if len(one)), default=0.0)
    if on is not None:
        return on.date()
    return datetime.fromtimestamp(last_s, UTC).date() if last_s > FIRST_INSTANT_S else local_day()


def _settings(given: tuple[str, ...]) -> dict[str, str]:
    """As `stage begin` writes them too: test-pressure for test_pressure."""
    return {name.lstrip("-").replace("-", "_"): value for name, value in _pairs(given, "--set").items()}


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


def _read(file: Path, table: "Columns", ambient_pa: float) -> dict[str, Any]:
    """Series by point. Empty cells are no reading; any other that is no number is refused with its line."""
    from logger.model.sample import Series
    from logger.model.units import parse_quantity

    wanted = {one.point: one for one in table.columns}
    times: dict[str, list[float]] = {point: [] for point in wanted}
    values: dict[str, list[float]] = {point: [] for point in wanted}
    with file.open(encoding="utf-8-sig", newline="") as text:
        rows = csv.DictReader(text)
        missing = {table.time, *(one.name for one in table.columns)} - set(rows.fieldnames or ())
        if missing:
            raise click.UsageError(f"{file}: no column {', '.join(sorted(missing))}; it has {rows.fieldnames}")
        for number, row in enumerate(rows, 2):
            if number > MAX_ROWS:
                raise click.UsageError(f"{file}: more than {MAX_ROWS} rows")
            t_s = _time(row[table.time] or "", table.time_zone)
            for point, one in wanted.items():
                if not (row[one.name] or "").strip():
                    continue
                try:
                    value = parse_quantity(f"{float(row[one.name])!r}{one.unit}", one.quantity, ambient_pa)
                except ValueError as exc:
                    raise click.UsageError(f"{file}, line {number}, column {one.name}: {exc}") from exc
                if times[point] and t_s <= times[point][-1]:
                    raise click.UsageError(f"{file}, line {number}: time does not rise")
                times[point].append(t_s)
                values[point].append(value)
    if times.get("barometer"):
        _by_barometer(table, times, values, ambient_pa)
    return {
        point: Series(
            point, times[point], values[point], _noise(values[point]), (one.accuracy or 0.0) / math.sqrt(3),
            one.low, one.high, gauge=one.gauge,
        )
        for point, one in wanted.items()
    }  # fmt: skip


def _by_barometer(
    table: "Columns", times: dict[str, list[float]], values: dict[str, list[float]], ambient_pa: float
) -> None:
    """Readings that count from the air around, by the air as it was measured then."""
    from logger.statistics.block_means import interpolate

    for one in table.columns:
        if one.from_ambient:
            around = interpolate(times["barometer"], values["barometer"], times[one.point])
            pairs = zip(values[one.point], around, strict=True)
            values[one.point] = [pa - ambient_pa + then_pa for pa, then_pa in pairs]


def _noise(values: list[float]) -> float:
    """Standard deviation of a reading, from second differences of neighbors: a smooth rise does not count."""
    rough = [abs(a - 2 * b + c) for a, b, c in zip(values, values[1:], values[2:], strict=False)]
    return 1.4826 * sorted(rough)[len(rough) // 2] / math.sqrt(6) if rough else 0.0
