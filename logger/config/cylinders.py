"""The cylinders a mechanic keeps: one TOML file in the user's data, edited by `rimelog cylinder add` or by hand.

    [[cylinder]]
    name = "C-1"
    tare = "27.5lb"
    water_capacity = "47.6lb"
    service_pressure = "400psi"
    tested = 2024-02-01
    refrigerant = "R-410A"

The same table as in a job file. Written whole to a second file and moved into place: a cut of power leaves the old
file or the new one, never half of one.
"""

from collections.abc import Iterable
from pathlib import Path

from pydantic import Field

from logger.config.errors import ConfigError
from logger.config.job_file import CylinderTable, cylinder_of
from logger.config.private_files import write_private
from logger.config.toml_file import Table, parse, read_text
from logger.model.cylinder import Cylinder, MonthOnly
from logger.model.text import clean
from logger.model.toml_text import quoted
from logger.refrigerant import SHIPPED, Catalogue

FILE_NAME = "cylinders.toml"
MAX_CYLINDERS = 500


class CylinderFile(Table):
    cylinder: list[CylinderTable] = Field(default_factory=list, max_length=MAX_CYLINDERS)


def read_cylinders(path: Path, catalogue: Catalogue = SHIPPED) -> tuple[Cylinder, ...]:
    """All of the file, in its order; () when there is none. Raises FileProblems with every fault.

    catalogue: with the blends of the user's own that a cylinder may hold, here and below.
    """
    if not path.exists():
        return ()
    file, problems = parse(read_text(path), str(path), CylinderFile)
    cylinders = tuple(
        cylinder_of(table, f"cylinder[{i}]", problems, catalogue) for i, table in enumerate(file.cylinder, 1)
    )
    seen: set[str] = set()
    for i, cylinder in enumerate(cylinders, 1):
        if cylinder.name.casefold() in seen:
            problems.add(f"cylinder[{i}].name", f"{cylinder.name!r} names two cylinders")
        seen.add(cylinder.name.casefold())
    problems.raise_if_any()
    return cylinders


def find_cylinder(path: Path, name: str, catalogue: Catalogue = SHIPPED) -> Cylinder:
    """By name, any case. Raises ConfigError that lists what there is."""
    cylinders = read_cylinders(path, catalogue)
    for cylinder in cylinders:
        if cylinder.name.casefold() == name.casefold():
            return cylinder
    known = ", ".join(c.name for c in cylinders[:20]) or "none are kept yet; see `rimelog cylinder add`"
    raise ConfigError(f"no cylinder {clean(name)!r}; known: {known}")


def add_cylinder(path: Path, cylinder: Cylinder, catalogue: Catalogue = SHIPPED, *, replace: bool = False) -> None:
    """Raises ConfigError when the name is taken and `replace` is not set, or the file cannot be written."""
    listed = list(read_cylinders(path, catalogue))
    same = [i for i, c in enumerate(listed) if c.name.casefold() == cylinder.name.casefold()]
    if same and not replace:
        raise ConfigError(f"cylinder {cylinder.name!r} is kept already; --replace replaces it")
    if same:
        listed[same[0]] = cylinder
    else:
        if len(listed) >= MAX_CYLINDERS:
            raise ConfigError(f"{path}: {MAX_CYLINDERS} cylinders are the most this file holds")
        listed.append(cylinder)
    write_cylinders(path, listed)


def remove_cylinder(path: Path, name: str, catalogue: Catalogue = SHIPPED) -> Cylinder:
    """Raises ConfigError when there is none of that name."""
    gone = find_cylinder(path, name, catalogue)
    write_cylinders(path, [c for c in read_cylinders(path, catalogue) if c != gone])
    return gone


def write_cylinders(path: Path, cylinders: Iterable[Cylinder]) -> None:
    """Whole or not at all. Raises ConfigError when the disk or the permissions do not allow it."""
    text = "# Cylinders kept by `rimelog cylinder`; masses may be written in lb or kg.\n" + "".join(
        "\n" + _toml(cylinder) for cylinder in cylinders
    )
    try:
        write_private(path, text)
    except OSError as exc:
        raise ConfigError(f"{path}: cannot be written: {exc.strerror}") from exc


def _toml(cylinder: Cylinder) -> str:
    """SI with all digits, so that reading returns the same cylinder. JSON strings are valid TOML strings."""
    lines = [
        "[[cylinder]]",
        f"name = {quoted(cylinder.name)}",
        f'tare = "{cylinder.tare_kg!r}kg"',
        f'water_capacity = "{cylinder.water_capacity_kg!r}kg"',
    ]
    if cylinder.service_pressure_pa is not None:
        lines.append(f'service_pressure = "{cylinder.service_pressure_pa!r}Pa"')
    if cylinder.test_pressure_pa is not None:
        lines.append(f'test_pressure = "{cylinder.test_pressure_pa!r}Pa"')
    if cylinder.tested is not None:
        month = isinstance(cylinder.tested, MonthOnly)  # TOML has no date for it
        lines.append(f"tested = {quoted(str(cylinder.tested)) if month else cylinder.tested}")
    if cylinder.refrigerant is not None:
        lines.append(f"refrigerant = {quoted(cylinder.refrigerant)}")
    if cylinder.candidates:
        lines.append(f"candidates = [{', '.join(map(quoted, cylinder.candidates))}]")
    if cylinder.contents_kg is not None:
        lines.append(f'contents = "{cylinder.contents_kg!r}kg"')
    if cylinder.serial:
        lines.append(f"serial = {quoted(cylinder.serial)}")
    if cylinder.requalify_years != 5.0:
        lines.append(f"requalify_years = {float(cylinder.requalify_years)!r}")
    if cylinder.as_stamped:
        lines.append("as_stamped = true")
    return "\n".join(lines) + "\n"
