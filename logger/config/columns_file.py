"""What the columns of anybody's CSV file are: from a TOML file for `rimelog analyze --columns`.

time = "s"                  # column of the times: seconds, or 2026-03-02T18:10:05Z
time_zone = "UTC"           # of times that state none

[[column]]
point = "vacuum"            # a measuring point, as in a rig file
name = "Pv"                 # as the header row has it
unit = "microns"            # psig and barg are gauge pressures
accuracy = "10micron"       # plus or minus; range = ["1micron", "20000micron"]; division = "0.1lb" of a scale
water_factor = 1.4          # and what else a rig file states of a vacuum gauge
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pydantic import Field

from logger.config.rig_instruments import GaugeTable, gauge_of
from logger.config.toml_file import Problems, Table, parse, read_text
from logger.model.points import POINTS, Quantity
from logger.model.sample import NOTHING_STATED, GaugeFacts
from logger.model.units import UnitError, parse_quantity

SCALE = "cylinder_mass"


class ColumnTable(GaugeTable):
    name: str = Field(min_length=1, max_length=200)
    unit: str = Field(max_length=20)
    accuracy: str | None = None
    range: tuple[str, str] | None = None
    division: str | None = None


class ColumnsFile(Table):
    time: str = Field(min_length=1, max_length=200)
    time_zone: str | None = None
    column: list[ColumnTable] = Field(min_length=1, max_length=len(POINTS))


@dataclass(frozen=True, slots=True)
class Column:
    """name: in the header row. accuracy, division; low, high: ends of the sensor's range; SI, None when not stated."""

    point: str
    name: str
    unit: str
    accuracy: float | None = None
    division: float | None = None
    gauge: GaugeFacts = NOTHING_STATED
    low: float | None = None
    high: float | None = None

    @property
    def quantity(self) -> Quantity:
        return POINTS[self.point].quantity

    @property
    def from_ambient(self) -> bool:
        """Whether its unit counts from the pressure around the sensor."""
        return parse_quantity(f"0{self.unit}", self.quantity, 0.0) != parse_quantity(
            f"0{self.unit}", self.quantity, 1e5
        )


@dataclass(frozen=True, slots=True)
class Columns:
    time: str
    time_zone: str | None
    columns: tuple[Column, ...]


def load_columns(path: Path) -> Columns:
    """Raises FileProblems with every fault and its key."""
    file, problems = parse(read_text(path), str(path), ColumnsFile)
    return columns_of(file, problems)


def columns_of(file: ColumnsFile, problems: Problems) -> Columns:
    columns = tuple(_columns(file.column, problems))
    problems.raise_if_any()
    return Columns(file.time, file.time_zone, columns)


def _columns(tables: list[ColumnTable], problems: Problems) -> Iterator[Column]:
    seen: set[str] = set()
    for i, table in enumerate(tables, 1):
        key = f"column[{i}]"
        if table.point not in POINTS:
            problems.add(f"{key}.point", f"{table.point!r} is no measuring point; known: {', '.join(POINTS)}")
            continue
        if table.point in seen:
            problems.add(f"{key}.point", f"{table.point!r} has two columns")
        seen.add(table.point)
        quantity = POINTS[table.point].quantity
        try:
            parse_quantity(f"0{table.unit}", quantity)
        except UnitError as exc:
            problems.add(f"{key}.unit", str(exc))
            continue
        if table.division is not None and table.point != SCALE:
            problems.add(f"{key}.division", f"said of a scale only: {SCALE}")
        low, high = (problems.quantity(f"{key}.range", end, quantity) for end in table.range or (None, None))
        if low is not None and high is not None and not low < high:
            problems.add(f"{key}.range", "its low end must be below its high end")
        yield Column(
            table.point,
            table.name,
            table.unit,
            problems.quantity(f"{key}.accuracy", table.accuracy, quantity.difference),
            problems.quantity(f"{key}.division", table.division, Quantity.MASS),
            gauge_of(table, key, problems),
            low,
            high,
        )
