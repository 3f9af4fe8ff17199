"""An invented shop's jobs: many, small, sealed, and always the same. Events are of the kinds that the logger writes;
masses go through the ledger that stages weigh with.

`python -m tests.register.shop FOLDER [N]` makes a data directory with N jobs to try things on.
"""

import random
import sqlite3
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from logger.evidence.chain import GENESIS, chained, new_event
from logger.model.cylinder import Cylinder
from logger.model.events import (
    CylinderOnScale,
    Event,
    FindingConcluded,
    JobClosed,
    JobOpened,
    Marked,
    NoteWritten,
    RigLoaded,
    RunBegun,
    RunEnded,
    StageBegun,
    StageEnded,
)
from logger.model.finding import Finding, Text, Verdict
from logger.model.job import Job
from logger.model.points import Quantity
from logger.model.records import EVENT, NewRecord, Record
from logger.model.rig import Calibration, Rig, RigChannel, RigDevice
from logger.model.units import NS_PER_S
from logger.model.value import known, number, word
from logger.scale.ledger import MassLedger
from logger.store.blocks import pack_block
from logger.store.database import APPLICATION_ID, schema_steps
from logger.store.place import jobs_dir
from logger.store.rows import INSERT_RECORD, row_of
from tests.store.making import second

FIRST_NS = 1_735_722_000_000_000_000  # 1 January 2025, 9 o'clock UTC
DAY_NS = 86_400 * NS_PER_S
STEP_NS = 3 * 3600 * NS_PER_S  # from a job to the next
NAMES = {"R-410A": 9.0, "R-407C": 98.0, "R-134a": 60.0, "R-404A": 30.0, "R-22": 45.0}  # kg in an appliance of it
PV = (Verdict.PASS,) * 7 + (Verdict.FAIL, Verdict.CANNOT_TELL, Verdict.ATTENTION)


@dataclass(frozen=True, slots=True)
class Made:
    """A job as it was made. events: in the order of its record."""

    job: Job
    events: tuple[Event, ...]


def jobs(count: int, seed: int = 7, step_ns: int = STEP_NS) -> Iterator[Made]:
    """step_ns: from one to the next."""
    chance = random.Random(seed)
    appliances = max(1, count // 12)
    gross: dict[str, float] = {}
    for k in range(count):
        yield _job(k, FIRST_NS + k * step_ns, chance.randrange(appliances), chance, gross)


def _job(k: int, begun: int, appliance: int, chance: random.Random, gross: dict[str, float]) -> Made:
    of = random.Random(appliance)
    refrigerant = of.choice(sorted(NAMES))
    charge_kg = round(NAMES[refrigerant] * of.uniform(0.5, 1.5), 1)
    day = date(2025, 1, 1) + timedelta(days=(begun - FIRST_NS) // DAY_NS)
    job = Job(
        f"{day.isoformat()}-{k % 8 + 1:02d}", refrigerant, charge_kg, f"Customer {appliance % 40}",
        f"Site {appliance % 3}" if appliance % 5 else "", f"Chiller {appliance}", f"Technician {k % 4}",
        certification="" if k % 9 == 0 else f"T-{k % 4}", volume_m3=round(charge_kg * of.uniform(3e-4, 9e-4), 4),
        appliance_make="Northwind" if appliance % 2 else "", appliance_serial=f"SN{appliance}",
        recovered_to="" if k % 7 == 0 else "reclaimer", recovery_machine="Twin 2, 4711", vacuum_pump="Pump 8 cfm, 12",
        recovery_machine_made=date(2019, 5, 1), appliance_class=of.choice(("commercial", "comfort-cooling")),
    )  # fmt: skip
    makes = _Events(begun, chance, gross)
    recovers, fills = k % 3 != 2, k % 4 != 3
    name = f"{refrigerant[2:]}-{appliance % 2}"
    cylinder = Cylinder(name, 12.5, 60.0, 2.76e6, date(2024, 2, 1), refrigerant, serial=f"C{name}")
    supply = Cylinder(f"supply {name}", 14.0, 60.0, 2.76e6, date(2023, 5, 1), refrigerant, contents_kg=40.0)
    makes.add(JobOpened(t_ns=0, job=job, cylinders=(cylinder, supply)))
    makes.add(RunBegun(t_ns=0, software="rimelog 0.2.0", utc_offset_s=-6 * 3600))
    makes.add(RigLoaded(t_ns=0, rig=_rig(k, day)))
    amount = round(charge_kg * chance.uniform(0.05, 0.4), 2)
    if recovers:
        makes.add(CylinderOnScale(t_ns=0, cylinder=cylinder, reading_kg=None))
        makes.stage("recovery", "recovery.level", makes.weighed("recovery.mass", "recovered", cylinder, amount, 1))
    makes.stage("pressure-test", "standing-pressure.verdict")
    makes.add(Marked(t_ns=0, act="pump-oil-changed"))
    makes.stage("evacuation", "evacuation.progress")
    makes.stage("decay-test", "decay.verdict")
    if fills:
        makes.add(CylinderOnScale(t_ns=0, cylinder=supply, reading_kg=None))
        more = round(amount * (1 + chance.choice((0.0, 0.02, 0.3))), 2) if recovers else amount
        makes.stage("charging", "charging.target", makes.weighed("charging.mass", "charged", supply, more, -1))
    if k % 5:
        superheat = number("suction_superheat", Quantity.TEMPERATURE_DIFFERENCE, known(chance.uniform(3, 9), "K", 0.4))
        makes.stage("start-up", "start_up.feed", Finding("start_up.figures", Verdict.INFO, (superheat,)))
    if k % 6 == 0:
        makes.add(NoteWritten(t_ns=0, text=f"filter-drier changed, moisture indicator green again ({k})"))
    makes.add(RunEnded(t_ns=0))
    makes.add(JobClosed(t_ns=0))
    return Made(job, tuple(makes.events))


def weighing(
    day: str, kind: str, cylinder: Cylinder, before_kg: float, after_kg: float, refrigerant: str = "R-410A", **more: Any
) -> Made:
    """A job with one recovery or charging, by the cylinder's gross weights."""
    job = Job(f"{day}-01", refrigerant, 20.0, "Invented brewery", "Cellar", "Chiller 1", **more)
    begun = FIRST_NS + (date.fromisoformat(day) - date(2025, 1, 1)).days * DAY_NS
    makes = _Events(begun, random.Random(0), {cylinder.name: before_kg})
    makes.add(JobOpened(t_ns=0, job=job, cylinders=(cylinder,)))
    makes.add(RunBegun(t_ns=0, software="rimelog 0.2.0"))
    makes.add(RigLoaded(t_ns=0, rig=_rig(0, date(2025, 1, 1))))
    makes.add(CylinderOnScale(t_ns=0, cylinder=cylinder, reading_kg=None))
    recovery, into = kind == "recovery", 1 if after_kg > before_kg else -1
    decides, name = ("recovery.level", "recovered") if recovery else ("charging.target", "charged")
    makes.stage(
        kind, decides, makes.weighed(f"{kind}.mass", name, cylinder, abs(after_kg - before_kg), into), sure=True
    )
    makes.add(JobClosed(t_ns=0))
    return Made(job, tuple(makes.events))


class _Events:
    def __init__(self, begun_ns: int, chance: random.Random, gross: dict[str, float]) -> None:
        self.events: list[Event] = []
        self._now, self._chance, self._gross, self._number = begun_ns, chance, gross, 0

    def add(self, event: Event, after_s: float = 1.0) -> None:
        self._now += round(after_s * NS_PER_S)
        self.events.append(replace(event, t_ns=self._now))

    def stage(self, kind: str, decides: str, *more: Finding, sure: bool = False) -> None:
        """Of ten, seven pass; one in twenty ends with nothing concluded."""
        self._number += 1
        self.add(StageBegun(t_ns=0, number=self._number, kind=kind))
        self.add(StageEnded(t_ns=0, number=self._number, analysis=3, software="0.2.0"), self._chance.uniform(300, 3000))
        if not sure and self._chance.random() < 0.05:
            return
        verdict = Verdict.PASS if sure else self._chance.choice(PV)
        found = number("settled", Quantity.PRESSURE, known(self._chance.uniform(2e4, 9e4), "Pa", 500.0))
        for finding in (Finding(decides, verdict, (found, word("judged", "held"))), *more):
            said = Text(f"{finding.key.replace('.', ' ')}: {finding.verdict.word}", "As shown then.")
            self.add(FindingConcluded(t_ns=0, stage=self._number, finding=finding, said=said), 0.0)

    def weighed(self, key: str, name: str, cylinder: Cylinder, amount_kg: float, into: int) -> Finding:
        """By the ledger; a supply that would run out is a full one again, as is a recovery cylinder emptied."""
        before = self._gross.get(cylinder.name, cylinder.tare_kg + (0.0 if into > 0 else 40.0))
        if not cylinder.tare_kg <= before + into * amount_kg <= cylinder.tare_kg + 45.0:
            before = cylinder.tare_kg + (0.0 if into > 0 else 40.0)
        ledger = MassLedger(0.01).begin(0.0, cylinder.name, before, 0.003)
        ledger = ledger.read(known(before + into * amount_kg, "kg", 0.003))
        self._gross[cylinder.name] = before + into * amount_kg
        moved = number(name, Quantity.MASS, known(amount_kg, "kg", ledger.moved.u))
        return Finding(key, Verdict.INFO, (moved, *ledger.inputs()))


def _rig(k: int, day: date) -> Rig:
    done = date(day.year - (1 if k % 4 else 2), 11, 1)
    channels = tuple(
        RigChannel(i, point, Calibration(zero=0.01 * (k // 500), u=0.1, done=None if i == 3 else done))
        for i, point in enumerate(("cylinder_mass", "vacuum", "suction_pressure", "ambient_temperature"))
    )
    return Rig("van", (RigDevice("board", None, f"00a1b2c3d4e5f6{k % 3:02x}", channels),))


def store(data: Path, made: Made, *, sealed: bool = True) -> Path:
    """Its file, written at once."""
    folder = jobs_dir(data) / made.job.job_id
    folder.mkdir(parents=True)
    file = folder / "job.rimelog"
    begun = made.events[0].t_ns
    frames = [second(i, t_ns=begun + i * NS_PER_S) for i in range(3)]
    records = _chain([*map(new_event, made.events[:3]), *frames, *map(new_event, made.events[3:])])
    connection = sqlite3.connect(file, isolation_level=None)
    connection.executescript("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; " + "".join(schema_steps()))
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {len(schema_steps())}")
    connection.execute("BEGIN")
    events = [record for record in records if record.kind == EVENT] if sealed else records
    connection.executemany(INSERT_RECORD, map(row_of, events))
    facts = [("job_id", made.job.job_id), ("created_ns", str(begun))]
    if sealed:
        block = [record for record in records if record.kind != EVENT]
        connection.execute("INSERT INTO block VALUES (?, ?, ?)", (block[0].id, block[-1].id, pack_block(block)))
        facts.append(("sealed_ns", str(made.events[-1].t_ns)))
    connection.executemany("INSERT INTO about VALUES (?, ?)", facts)
    connection.execute("COMMIT")
    connection.close()
    return file


def _chain(new: Sequence[NewRecord]) -> list[Record]:
    records: list[Record] = []
    for record in new:
        records.append(chained(records[-1].digest if records else GENESIS, record, len(records) + 1))
    return records


def main() -> None:
    data, count = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 200
    for made in jobs(count):
        store(data, made)


if __name__ == "__main__":
    main()
