"""The job: from a TOML file, or from the few words of a command line, -> logger.model.job.Job and cylinders.

[job]
refrigerant = "R-407C"
full_charge = "220lb"
customer = "..."
volume = "180L"
recovery_machine_made = 2019-05-01

[report]
work_order = "..."

[[cylinder]]
name = "C-1"
tare = "55lb"
water_capacity = "123lb"
service_pressure = "400psi"
tested = 2024-02-01
"""

import contextlib
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidatorFunctionWrapHandler, WrapValidator

from logger.config.toml_file import Problems, Table, parse, read_text
from logger.cylinder.filling_rules import WATER_DENSITY
from logger.cylinder.markings import CONFIRM, unlikely
from logger.model.cylinder import Cylinder, marked_date
from logger.model.errors import ComputeError
from logger.model.job import Job
from logger.model.points import Quantity
from logger.model.units import UnitError, find_unit, parse_quantity
from logger.physics.ambient import ambient
from logger.physics.charge_density import unlikely_charge
from logger.pipeline.words import reasons_of
from logger.refrigerant import SHIPPED, Catalogue, UnknownRefrigerant
from logger.stages.acceptance import ProfileError, profile_from_mapping
from logger.wording.values import Shown


class ReportTable(Table):
    """What only the report prints. Each is a field of Job, and may be missing."""

    company: list[Annotated[str, Field(max_length=200)]] = Field(default_factory=list, max_length=6)
    certification: str = Field(default="", max_length=80)
    work_order: str = Field(default="", max_length=80)
    appliance_make: str = Field(default="", max_length=80)
    appliance_model: str = Field(default="", max_length=80)
    appliance_serial: str = Field(default="", max_length=80)
    recovery_machine: str = Field(default="", max_length=200)
    vacuum_pump: str = Field(default="", max_length=200)
    vacuum_gauge: str = Field(default="", max_length=200)
    recovered_to: str = Field(default="", max_length=200)


class JobTable(Table):
    refrigerant: str
    full_charge: str | None = None
    customer: str = Field(default="", max_length=200)
    site: str = Field(default="", max_length=200)
    appliance: str = Field(default="", max_length=200)
    technician: str = Field(default="", max_length=200)
    certification: str = Field(default="", max_length=80)
    company: list[Annotated[str, Field(max_length=200)]] = Field(default_factory=list, max_length=6)
    recovery_machine: str = Field(default="", max_length=200)
    volume: str | None = None
    volume_u: str | None = None
    pump_ultimate: str | None = None
    altitude: str | None = None
    barometer: str | None = None
    jurisdiction: Literal["us", "un", "strictest"] = "strictest"
    recovery_machine_made: date | None = None
    appliance_class: Literal["comfort-cooling", "residential-light-commercial", "commercial", "industrial"] = (
        "comfort-cooling"
    )
    leak_rate_method: Literal["annualizing", "rolling"] = "annualizing"
    units: Literal["us", "si"] = "us"
    invented: bool = False
    as_entered: bool = False


def _marked(given: Any, as_date: ValidatorFunctionWrapHandler) -> date:
    """A date, or a month as "2024-02", which TOML has no date for."""
    if isinstance(given, str):
        with contextlib.suppress(ValueError):
            return marked_date(given)
    found = as_date(given)
    assert isinstance(found, date)
    return found


class CylinderTable(Table):
    name: str = Field(min_length=1, max_length=60)
    tare: str
    water_capacity: str
    service_pressure: str | None = None
    test_pressure: str | None = None
    tested: Annotated[date, WrapValidator(_marked)] | None = None
    refrigerant: str | None = None
    candidates: list[str] = Field(default_factory=list, max_length=20)
    contents: str | None = None
    requalify_years: float = Field(default=5.0, gt=0, le=15)
    as_stamped: bool = False
    serial: str = Field(default="", max_length=60)


class JobFileContent(Table):
    job: JobTable
    report: ReportTable = Field(default_factory=ReportTable)
    cylinder: list[CylinderTable] = Field(default_factory=list, max_length=50)
    profile: dict[str, dict[str, Any]] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class JobSetup:
    """profiles: the user's own acceptance profiles as written, by name; checked."""

    job: Job
    cylinders: tuple[Cylinder, ...]
    profiles: dict[str, dict[str, Any]]


def load_job(path: Path, job_id: str, catalogue: Catalogue = SHIPPED) -> JobSetup:
    """Read and check a job file. Raises FileProblems with every fault and its key."""
    return parse_job(read_text(path), job_id, str(path), catalogue)


def parse_job(text: str, job_id: str, path: str = "job", catalogue: Catalogue = SHIPPED) -> JobSetup:
    file, problems = parse(text, path, JobFileContent)
    job = with_report(job_of(file.job, job_id, problems, catalogue), file.report, problems)
    cylinders = tuple(cylinder_of(c, f"cylinder[{i}]", problems, catalogue) for i, c in enumerate(file.cylinder, 1))
    names = [c.name for c in cylinders]
    for i, name in enumerate(names, 1):
        if name in names[: i - 1]:
            problems.add(f"cylinder[{i}].name", f"{name!r} names two cylinders")
    for key, table in file.profile.items():
        try:
            profile_from_mapping(key, table)
        except ProfileError as exc:
            for what in exc.problems:
                problems.add(f"profile.{key}", what)
    problems.raise_if_any()
    return JobSetup(job, cylinders, file.profile)


def with_report(job: Job, table: ReportTable, problems: Problems) -> Job:
    given: dict[str, Any] = {key: value for key, value in table.model_dump().items() if value}
    for key in given:
        if getattr(job, key):
            problems.add(f"report.{key}", "it is in [job] too: write it once")
    return replace(job, **given | ({"company": tuple(table.company)} if table.company else {}))


def job_from_words(words: dict[str, str], job_id: str, catalogue: Catalogue = SHIPPED) -> JobSetup:
    """Of the few words of a command line, by the names of the [job] table. Raises FileProblems."""
    problems = Problems("command line")
    job = job_of(JobTable.model_validate(words), job_id, problems, catalogue)
    problems.raise_if_any()
    return JobSetup(job, (), {})


def job_of(table: JobTable, job_id: str, problems: Problems, catalogue: Catalogue) -> Job:
    refrigerant = refrigerant_name("job.refrigerant", table.refrigerant, problems, catalogue)
    charge = problems.quantity("job.full_charge", table.full_charge, Quantity.MASS)
    if charge is not None and charge <= 0:
        problems.add("job.full_charge", "a charge is above zero")
    volume = problems.quantity("job.volume", table.volume, Quantity.VOLUME)
    if volume is not None and volume <= 0:
        problems.add("job.volume", "a volume is above zero")
    if charge and volume and charge > 0 and volume > 0 and not table.as_entered:
        with contextlib.suppress(UnknownRefrigerant):  # reported already
            slip = unlikely_charge(charge, volume, catalogue.find(refrigerant))
            if slip is not None:
                problems.add(
                    "job.volume", f"{reasons_of((slip,), Shown(table.units))} If it is right: as_entered = true"
                )
    volume_u = problems.quantity("job.volume_u", table.volume_u, Quantity.VOLUME)
    if volume_u is not None and volume_u < 0:
        problems.add("job.volume_u", "an uncertainty is not below zero")
    altitude = problems.quantity("job.altitude", table.altitude, Quantity.LENGTH)
    barometer = problems.quantity("job.barometer", table.barometer, Quantity.BAROMETER)
    for key, entered_pa, altitude_m in (("altitude", None, altitude), ("barometer", barometer, None)):
        try:
            ambient(entered_pa=entered_pa, altitude_m=altitude_m)
        except ComputeError as exc:
            problems.add(f"job.{key}", str(exc))
    return Job(
        job_id=job_id,
        refrigerant=refrigerant,
        full_charge_kg=charge,
        customer=table.customer,
        site=table.site,
        appliance=table.appliance,
        technician=table.technician,
        certification=table.certification,
        company=tuple(table.company),
        recovery_machine=table.recovery_machine,
        volume_m3=volume,
        volume_u_m3=volume_u,
        pump_ultimate_pa=problems.quantity("job.pump_ultimate", table.pump_ultimate, Quantity.VACUUM),
        altitude_m=altitude,
        barometer_pa=barometer,
        jurisdiction=table.jurisdiction,
        recovery_machine_made=table.recovery_machine_made,
        appliance_class=table.appliance_class,
        leak_rate_method=table.leak_rate_method,
        units=table.units,
        invented=table.invented,
    )


def refrigerant_name(key: str, name: str, problems: Problems, catalogue: Catalogue) -> str:
    """The refrigerant's proper name, or the text as given after noting the fault."""
    try:
        return catalogue.find(name).name
    except UnknownRefrigerant as exc:
        problems.add(key, str(exc))
        return name


def parse_water_capacity(text: str) -> float:
    """kg of water that fill the cylinder: a mass as stamped ("47.6lb"), or a volume ("21.6L"). Raises UnitError."""
    try:
        return parse_quantity(text, Quantity.VOLUME) * WATER_DENSITY
    except UnitError:
        return parse_quantity(text, Quantity.MASS)


def parse_service_pressure(text: str) -> float:
    """Pa above ambient, as stamped ("400psi", "28bar"). Raises UnitError, also for what is not a gauge pressure."""
    pressure_pa = parse_quantity(text, Quantity.PRESSURE_DIFFERENCE)
    unit = find_unit(text.strip().lstrip("+-.0123456789eE "))
    if unit.name == "psia" or unit.reference == "vacuum" or unit.quantity is Quantity.VACUUM:
        raise UnitError(
            f"{text!r} is no service pressure: those are stamped as gauge; write {text.split('psi')[0]}psi"
            if unit.name == "psia"
            else f"{text!r} is no service pressure; write it as stamped: 400psi"
        )
    return pressure_pa


# What a marking is above and at most, SI: a tank car holds no more, no cylinder stands more.
MARKINGS = {
    "tare": (0.0, 100_000.0, "a mass above zero, up to 100 000 kg"),
    "water_capacity": (0.0, 100_000.0, "a mass above zero, up to 100 000 kg (or L)"),
    "service_pressure": (0.0, 100e6, "a pressure above zero, up to 1000 bar"),
    "test_pressure": (0.0, 100e6, "a pressure above zero, up to 1000 bar"),
}


def marking_problem(name: str, number: float) -> str | None:
    """Why a marking (kg, or Pa above ambient) is none that a cylinder has; None when it may be one."""
    above, most, what = MARKINGS[name]
    return None if above < number <= most else f"must be {what}"


def written_in(mass: str | None) -> Shown:
    """The units of whoever wrote it: SI for "29.4kg"."""
    return Shown("si" if mass is not None and "kg" in mass.casefold() else "us")


def cylinder_of(table: CylinderTable, key: str, problems: Problems, catalogue: Catalogue) -> Cylinder:
    tare = problems.quantity(f"{key}.tare", table.tare, Quantity.MASS)
    water = problems.attempt(f"{key}.water_capacity", lambda: parse_water_capacity(table.water_capacity))
    stamped = table.service_pressure
    service = (
        None
        if stamped is None
        else problems.attempt(f"{key}.service_pressure", lambda: parse_service_pressure(stamped))
    )
    test = problems.quantity(f"{key}.test_pressure", table.test_pressure, Quantity.PRESSURE_DIFFERENCE)
    contents = problems.quantity(f"{key}.contents", table.contents, Quantity.MASS)
    possible = bool(tare and water)
    for name, number in zip(MARKINGS, (tare, water, service, test), strict=True):
        wrong = None if number is None else marking_problem(name, number)
        possible = possible and wrong is None
        if wrong is not None:
            problems.add(f"{key}.{name}", wrong)
    if contents is not None and contents < 0:
        problems.add(f"{key}.contents", "a mass is not below zero")
    if table.refrigerant is not None and table.candidates:
        problems.add(f"{key}.candidates", "name the refrigerant or the candidates of an unknown mixture, not both")
    cylinder = Cylinder(
        name=table.name,
        tare_kg=tare or 1.0,
        water_capacity_kg=water or 1.0,
        service_pressure_pa=service,
        tested=table.tested,
        candidates=tuple(refrigerant_name(f"{key}.candidates", c, problems, catalogue) for c in table.candidates),
        contents_kg=contents,
        requalify_years=table.requalify_years,
        as_stamped=table.as_stamped,
        test_pressure_pa=test,
        serial=table.serial,
    )
    if possible and (slip := unlikely(cylinder)) is not None:
        problems.add(
            f"{key}.{slip.marking}",
            f"{reasons_of((slip.why,), written_in(table.tare))}. If it is stamped like that: {CONFIRM} = true",
        )
    if table.refrigerant is not None:
        name = refrigerant_name(f"{key}.refrigerant", table.refrigerant, problems, catalogue)
        cylinder = replace(cylinder, refrigerant=name)
    return cylinder
