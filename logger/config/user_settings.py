"""What is the same in every job of one mechanic: one TOML file in the user's data, written by `rimelog setup`.

[settings]
units = "us"
operator = "..."
certification = "..."
company = ["...", "street", "telephone"]
logo = "/home/.../logo.png"
recovery_machine = "..."
recovery_machine_made = 2021-05-01
rig = "/home/.../rig.toml"
vacuum_pump = "..."
vacuum_gauge = "..."
recovered_to = "..."
"""

from dataclasses import dataclass, fields, replace
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from logger.config.errors import ConfigError
from logger.config.private_files import write_private
from logger.config.toml_file import Table, parse, read_text
from logger.model.job import Job
from logger.model.toml_text import quoted

FILE_NAME = "settings.toml"
MAX_LOGO_BYTES = 200_000  # it goes into the record of every job
LOGO_FORMATS = {".png": b"\x89PNG\r\n", ".jpg": b"\xff\xd8\xff", ".jpeg": b"\xff\xd8\xff"}


class SettingsTable(Table):
    units: Literal["us", "si"] = "us"
    operator: str = Field(default="", max_length=200)
    certification: str = Field(default="", max_length=80)
    company: list[Annotated[str, Field(max_length=200)]] = Field(default_factory=list, max_length=6)
    logo: str = ""
    recovery_machine: str = Field(default="", max_length=200)
    recovery_machine_made: date | None = None
    rig: str = ""
    vacuum_pump: str = Field(default="", max_length=200)
    vacuum_gauge: str = Field(default="", max_length=200)
    recovered_to: str = Field(default="", max_length=200)


class SettingsFile(Table):
    settings: SettingsTable = Field(default_factory=SettingsTable)


@dataclass(frozen=True, slots=True)
class UserSettings:
    """company: the lines of the block on a report. logo, rig: paths, "" when there is none."""

    units: str = "us"
    operator: str = ""
    certification: str = ""
    company: tuple[str, ...] = ()
    logo: str = ""
    recovery_machine: str = ""
    recovery_machine_made: date | None = None
    rig: str = ""
    vacuum_pump: str = ""
    vacuum_gauge: str = ""
    recovered_to: str = ""


def read_settings(path: Path) -> UserSettings:
    """Raises FileProblems with every fault; the defaults when there is no file."""
    if not path.exists():
        return UserSettings()
    file, problems = parse(read_text(path), str(path), SettingsFile)
    problems.raise_if_any()
    table = file.settings
    return UserSettings(**{**table.model_dump(), "company": tuple(table.company)})


def write_settings(path: Path, settings: UserSettings) -> None:
    """Whole or not at all. Raises ConfigError when the disk or the permissions do not allow it."""
    lines = ["# Written by `rimelog setup`.", "[settings]"]
    for field in fields(settings):
        value = getattr(settings, field.name)
        if isinstance(value, date):
            lines.append(f"{field.name} = {value}")
        elif value:
            text = f"[{', '.join(map(quoted, value))}]" if isinstance(value, tuple) else quoted(value)
            lines.append(f"{field.name} = {text}")
    try:
        write_private(path, "\n".join(lines) + "\n")
    except OSError as exc:
        raise ConfigError(f"{path}: cannot be written: {exc.strerror}") from exc


def read_logo(path: Path) -> bytes:
    """A PNG or JPEG picture. Raises ConfigError."""
    begins = LOGO_FORMATS.get(path.suffix.lower())
    if begins is None:
        raise ConfigError(f"{path}: a logo is a .png or .jpg file")
    try:
        data = path.read_bytes()
    except OSError as exc:
        raise ConfigError(f"{path}: cannot be read: {exc.strerror}") from exc
    if not data.startswith(begins):
        raise ConfigError(f"{path}: this is no {path.suffix[1:].upper()} picture")
    if len(data) > MAX_LOGO_BYTES:
        raise ConfigError(
            f"{path}: {len(data) / 1000:.0f} kB; a logo has up to {MAX_LOGO_BYTES // 1000} kB: make it smaller"
        )
    return data


def with_settings(job: Job, settings: UserSettings) -> Job:
    """What the job does not say itself is taken from the settings; its units it always has."""
    return replace(
        job,
        technician=job.technician or settings.operator,
        certification=job.certification or settings.certification,
        company=job.company or settings.company,
        recovery_machine=job.recovery_machine or settings.recovery_machine,
        vacuum_pump=job.vacuum_pump or settings.vacuum_pump,
        vacuum_gauge=job.vacuum_gauge or settings.vacuum_gauge,
        recovered_to=job.recovered_to or settings.recovered_to,
        recovery_machine_made=job.recovery_machine_made
        or (None if job.recovery_machine else settings.recovery_machine_made),
    )
