"""The job, its stages and notes."""

from dataclasses import dataclass, field
from datetime import date
from typing import Any

LATER = {"later": True}  # not in records of earlier versions (plain.py)


@dataclass(frozen=True, slots=True)
class Job:
    """One visit to one appliance or circuit. Names are the customer's own; SI units.

    volume_m3: internal volume of the circuit, None when unknown (then no leak rate is given).
    volume_u_m3: its standard uncertainty. jurisdiction: "us", "un" or "strictest".
    pump_ultimate_pa: what the vacuum pump is stated to reach.
    certification: the technician's number. company: lines of the block on the report.
    recovery_machine, vacuum_pump, vacuum_gauge: make, model and serial number in one line. recovered_to: where the
    recovered refrigerant goes. work_order and what else has no unit is printed on the report as entered.
    recovery_machine_made: when the recovery equipment was made (40 CFR 82.156).
    appliance_class: "comfort-cooling", "residential-light-commercial", "commercial" or "industrial" (40 CFR 82.157,
    84.106). leak_rate_method: "annualizing" or "rolling", one for all appliances of an owner.
    """

    job_id: str
    refrigerant: str
    full_charge_kg: float | None = None
    customer: str = ""
    site: str = ""
    appliance: str = ""
    technician: str = ""
    certification: str = field(default="", metadata=LATER)
    company: tuple[str, ...] = field(default=(), metadata=LATER)
    recovery_machine: str = field(default="", metadata=LATER)
    vacuum_pump: str = field(default="", metadata=LATER)
    vacuum_gauge: str = field(default="", metadata=LATER)
    work_order: str = field(default="", metadata=LATER)
    appliance_make: str = field(default="", metadata=LATER)
    appliance_model: str = field(default="", metadata=LATER)
    appliance_serial: str = field(default="", metadata=LATER)
    recovered_to: str = field(default="", metadata=LATER)
    volume_m3: float | None = None
    volume_u_m3: float | None = None
    pump_ultimate_pa: float | None = None
    altitude_m: float | None = None
    barometer_pa: float | None = None
    jurisdiction: str = "strictest"
    recovery_machine_made: date | None = None
    appliance_class: str = "comfort-cooling"
    leak_rate_method: str = field(default="annualizing", metadata={"later": True})
    units: str = "us"  # "us" or "si": what screens and reports show
    invented: bool = False  # demo data: said on every screen and page


@dataclass(frozen=True, slots=True)
class Stage:
    """number: 1, 2, 3 ... in order of beginning. kind: as typed and stored, known if logger/stages/registry.py has it.

    settings: as given at `stage begin` (SI).
    """

    number: int
    kind: str
    begun_ns: int
    ended_ns: int | None = None
    settings: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Note:
    t_ns: int
    text: str
    author: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """An act inside the job: isolated, pump-started, machine-stopped ..."""

    t_ns: int
    act: str
    text: str = ""
