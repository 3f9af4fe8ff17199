"""The register's tables: what stands in each column, and their making. docs/register.md is written from here.

Names of tables and columns are stable: they are only added to. Masses are kg, pressures Pa, temperatures K, rates per
second; `utc` is RFC 3339, `date` the day at the place of the job.
"""

import sqlite3
from dataclasses import dataclass

VERSION = 3  # one that differs is made anew
APPLICATION_ID = 0x52696D72  # "Rimr"


@dataclass(frozen=True, slots=True)
class TableOfJobs:
    """columns: (name, type, what it is). key: its primary key; indexes: one for each of these."""

    name: str
    about: str
    columns: tuple[tuple[str, type, str], ...]
    key: tuple[str, ...]
    indexes: tuple[tuple[str, ...], ...] = ()

    @property
    def insert(self) -> str:
        names = ", ".join(name for name, _, _ in self.columns)
        return f"INSERT INTO {self.name} ({names}) VALUES ({', '.join('?' for _ in self.columns)})"


_JOB = ("job", str, "id of the job, as in `jobs.id`")
_STAGE = ("stage", int, "number of the stage in its job, as in `stages.number`")
_DATE = ("date", str, "day at the place, ISO 8601")

JOBS = TableOfJobs(
    "jobs",
    "One row a job.",
    (
        ("id", str, "as `rimelog jobs` shows it"),
        ("uid", str, "SHA-256 of the job's first record, hex: the same wherever the job is kept"),
        ("records", int, "how many records were read"),
        ("place", str, "`here`, or `received` from another computer"),
        ("signed_by", str, "fingerprint of the key that signed what was received"),
        ("path", str, "folder of the job, below the data directory where it is there"),
        _DATE,
        ("begun_ns", int, "when it was opened, UTC"),
        ("ended_ns", int, "of its last event, UTC"),
        ("utc_offset_s", int, "how far the clock of the place was ahead of UTC"),
        ("customer", str, ""),
        ("site", str, ""),
        ("appliance", str, "as named in the job"),
        ("appliance_id", str, "`appliances.id`"),
        ("appliance_make", str, ""),
        ("appliance_model", str, ""),
        ("appliance_serial", str, ""),
        ("leak_rate_method", str, "`annualizing` or `rolling`"),
        ("refrigerant", str, ""),
        ("full_charge_kg", float, ""),
        ("volume_m3", float, ""),
        ("appliance_class", str, "`comfort-cooling`, `commercial` ..."),
        ("technician", str, ""),
        ("certification", str, "the technician's number"),
        ("work_order", str, ""),
        ("recovered_to", str, "where the recovered refrigerant goes, as entered"),
        ("recovery_machine_made", str, "day, ISO 8601"),
        ("invented", int, "1: sample data, no real job"),
        ("state", str, "`open`, `closed` or `damaged`: then what is whole of it is here"),
        ("problem", str, "why the rest of it cannot be read"),
        ("verdict", str, "the worst of its stages': `fail`, `cannot tell`, `attention`, `pass`; NULL: none was drawn"),
        ("software", str, "version that recorded last"),
        ("size_bytes", int, "of its file and log"),
    ),
    ("id",),
    (("uid",), ("appliance_id",), ("date",), ("refrigerant",)),
)
STAGES = TableOfJobs(
    "stages",
    "One row for each stage, after corrections.",
    (
        _JOB,
        ("number", int, "1, 2, 3 ... in order of beginning"),
        ("kind", str, "`recovery`, `pressure-test`, `evacuation`, `decay-test`, `charging`, `start-up`"),
        _DATE,
        ("begun_ns", int, "UTC"),
        ("ended_ns", int, "UTC; NULL: it was not ended"),
        ("lasted_s", float, ""),
        ("verdict", str, "of the finding that decides; NULL: nothing was concluded"),
        ("headline", str, "of that finding, as shown when it was drawn"),
        ("settings", str, "as given at its beginning, JSON in SI"),
    ),
    ("job", "number"),
    (("kind", "verdict"), ("verdict",)),
)
FINDINGS = TableOfJobs(
    "findings",
    "What each stage's analysis concluded, as it was concluded last.",
    (
        _JOB,
        _STAGE,
        ("n", int, "1, 2, 3 ... in the stage; the deciding one is not always the first"),
        ("key", str, "such as `recovery.level`"),
        ("verdict", str, "`pass`, `fail`, `cannot tell`, `attention`, `info`"),
        ("decides", int, "1: the stage is judged by it"),
        ("headline", str, "as shown when it was drawn"),
    ),
    ("job", "stage", "n"),
    (("key", "verdict"),),
)
MEASURES = TableOfJobs(
    "measures",
    "The numbers that findings rest on.",
    (
        _JOB,
        _STAGE,
        ("n", int, "`findings.n`"),
        ("i", int, "order in the finding"),
        ("key", str, "`findings.key`"),
        ("name", str, "such as `recovered`"),
        ("value", float, "SI; NULL: unknown"),
        ("unit", str, "UCUM code"),
        ("u", float, "standard uncertainty (k=1); NULL: nobody stated one"),
        ("problem", str, "why there is no value"),
    ),
    ("job", "stage", "n", "i"),
    (("key", "name"),),
)
EVENTS = TableOfJobs(
    "events",
    "What was recorded between the readings, in the order of the record; findings have their own table.",
    (
        _JOB,
        ("record", int, "number in the job's chain"),
        ("t_ns", int, "when it happened, UTC"),
        ("type", str, "`mark`, `note`, `alarm` ..."),
        ("about", str, ""),
        ("text", str, "in words"),
        ("by", str, "who"),
    ),
    ("job", "record"),
)
CORRECTIONS = TableOfJobs(
    "corrections",
    "What was entered wrongly and put right; all other tables hold what is right.",
    (
        _JOB,
        ("n", int, "1, 2, 3 ... in the job"),
        ("t_ns", int, "when it was entered, UTC"),
        ("fact", str, "such as `cylinder.tare`"),
        ("of", str, "what it is about"),
        ("old", str, "JSON, SI"),
        ("new", str, "JSON, SI"),
        ("by", str, ""),
        ("why", str, ""),
        ("standing", int, "0: it was undone"),
    ),
    ("job", "n"),
)
CYLINDER_USES = TableOfJobs(
    "cylinder_uses",
    "Each stay of a cylinder in a job, as entered and as weighed.",
    (
        _JOB,
        ("n", int, "1, 2, 3 ... in the job"),
        _STAGE,
        ("kind", str, "kind of the stage; `on-scale`: it was only named in the job"),
        _DATE,
        ("t_ns", int, "end of the stage, UTC"),
        ("name", str, ""),
        ("group_key", str, "the name, lower case"),
        ("serial", str, ""),
        ("tare_kg", float, ""),
        ("water_capacity_kg", float, ""),
        ("tested", str, "day or month, ISO 8601"),
        ("requalify_years", float, ""),
        ("refrigerant", str, "entered for the cylinder"),
        ("candidates", str, "of an unknown mixture, as entered"),
        ("contents_kg", float, "entered as in it when the job began"),
        ("job_refrigerant", str, "what the stage moved"),
        ("into_kg", float, "into the cylinder, negative out of it; NULL: not known"),
        ("u_kg", float, "standard uncertainty of that"),
        ("last_gross_kg", float, "last settled reading of the scale with it; NULL: not recorded"),
    ),
    ("job", "n"),
    (("group_key",),),
)
CYLINDERS = TableOfJobs(
    "cylinders",
    "What is in each cylinder now, by the jobs and by what was entered of where it went.",
    (
        ("id", str, "its name, lower case; with the serial number where two share a name"),
        ("name", str, "as entered last"),
        ("serial", str, ""),
        ("tare_kg", float, ""),
        ("water_capacity_kg", float, ""),
        ("tested", str, ""),
        ("requalify_by", str, "day after which it may not be filled; NULL: the test date is not entered"),
        ("refrigerant", str, "what is in it; NULL: nothing known"),
        ("mixture", str, "refrigerants that came together in it, joined by ` + `; NULL: one alone"),
        ("contents_kg", float, "in it now; NULL: not known"),
        ("u_kg", float, ""),
        ("weighed_gross_kg", float, "last weight"),
        ("weighed_date", str, ""),
        ("last_job", str, ""),
        ("last_date", str, ""),
    ),
    ("id",),
)
MOVEMENTS = TableOfJobs(
    "movements",
    "Every movement of refrigerant into, out of and between what is named: recovered, charged, sent; and what weights "
    "show beside.",
    (
        ("cylinder_id", str, "`cylinders.id`; empty: no cylinder was named"),
        ("n", int, "1, 2, 3 ... of the cylinder, in order of time"),
        _DATE,
        ("t_ns", int, "UTC"),
        ("job", str, "empty: outside a job"),
        ("stage", int, ""),
        (
            "kind",
            str,
            "`recovered`, `charged`, `sent`, `opening` (in it when first seen), `difference` (a weight shows it), "
            "`mixed` (from one refrigerant to the mixture that it came to)",
        ),
        ("refrigerant", str, ""),
        ("mass_kg", float, "above zero; NULL: not known"),
        ("u_kg", float, "standard uncertainty"),
        ("from_kind", str, "`appliance`, `cylinder`, or empty"),
        ("from_name", str, ""),
        ("to_kind", str, "`appliance`, `cylinder`, `reclaimer`, `reuse`, `destruction`, `customer`, or empty"),
        ("to_name", str, ""),
        ("customer", str, ""),
        ("paper", str, "number of the shipping paper"),
        ("invented", int, "1: sample data"),
        ("inside_kg", float, "in the cylinder after it, by its weight where it was weighed; NULL: not known"),
        ("held", str, "refrigerant, or mixture, in the cylinder then"),
    ),
    ("cylinder_id", "n"),
    (("date",), ("job",)),
)
APPLIANCES = TableOfJobs(
    "appliances",
    "The appliances that jobs were about, as entered last.",
    (
        ("id", str, "customer / site / appliance, lower case"),
        ("customer", str, ""),
        ("site", str, ""),
        ("name", str, ""),
        ("make", str, ""),
        ("model", str, ""),
        ("serial", str, ""),
        ("class", str, "40 CFR 82.157 and 84.106"),
        ("refrigerant", str, ""),
        ("full_charge_kg", float, ""),
        ("volume_m3", float, ""),
        ("invented", int, "1: sample data"),
        ("jobs", int, ""),
        ("first_date", str, ""),
        ("last_date", str, ""),
        ("leak_rate", float, "share of the full charge a year, at the last addition; NULL: none"),
        ("leak_rate_date", str, ""),
        ("leak_rate_verdict", str, ""),
        ("repair_due", str, "day, where the leak rate is over its threshold"),
        ("verified", str, "day of the last successful follow-up verification test, as entered"),
    ),
    ("id",),
    (("leak_rate",),),
)
ADDITIONS = TableOfJobs(
    "additions",
    "What each job that moved refrigerant added to its appliance, and the leak rate with it by all jobs known here.",
    (
        _JOB,
        ("appliance_id", str, ""),
        _DATE,
        ("charged_kg", float, "NULL: not known"),
        ("recovered_kg", float, "NULL: not known"),
        ("added_kg", float, "charged less recovered, negative when more was taken out; NULL: not known"),
        ("first_charge", int, "1: an evacuated circuit was filled without a recovery in the same job"),
        ("purpose", str, "why, when not for a leak"),
        ("verified", str, "day of a follow-up verification test that the job entered"),
        ("leak_rate", float, "share of the full charge a year; NULL: none"),
        ("verdict", str, "against the threshold of the law that applies; NULL: no rate"),
        ("threshold", float, "share a year"),
        ("law", str, ""),
        ("repair_due", str, "day"),
        ("recorded_leak_rate", float, "as concluded in the job itself, by the jobs known there then"),
    ),
    ("job",),
    (("appliance_id",),),
)
INSTRUMENTS = TableOfJobs(
    "instruments",
    "Each channel that a job was run with, and its calibration then: rows of several jobs show its drift.",
    (
        _JOB,
        ("instrument", str, "id of the device where known, else its name in the rig"),
        ("name", str, ""),
        ("channel", int, ""),
        ("point", str, "what it measured"),
        _DATE,
        ("calibrated", str, "day; NULL: none is recorded"),
        ("due", str, "day; NULL: none is recorded"),
        ("zero", float, "SI: what it shows at zero"),
        ("span", float, ""),
        ("u", float, "standard uncertainty after calibration, SI"),
        ("zero_drift", float, "since the calibration before, SI"),
        ("certificate", str, ""),
    ),
    ("job", "instrument", "channel"),
    (("instrument", "channel"),),
)
MACHINES = TableOfJobs(
    "machines",
    "Recovery machines, vacuum pumps and vacuum gauges that jobs name.",
    (
        _JOB,
        ("kind", str, "`recovery machine`, `vacuum pump`, `vacuum gauge`"),
        ("name", str, "make, model and serial number, as entered"),
        ("made", str, "day, of a recovery machine"),
    ),
    ("job", "kind"),
    (("name",),),
)
TEXTS = TableOfJobs(
    "texts",
    "What is looked for by words: names, notes, marks, headlines. `texts_fts` is its full-text index (FTS5).",
    (("id", int, ""), _JOB, ("text", str, "")),
    ("id",),
    (("job",),),
)
FILES = TableOfJobs(
    "files",
    "Of which state of each job's file its rows are.",
    (
        _JOB,
        ("path", str, ""),
        ("size_bytes", int, ""),
        ("mtime_ns", int, ""),
        ("log_bytes", int, "of the write-ahead log; NULL: the job is closed and has none"),
        ("log_mtime_ns", int, ""),
    ),
    ("job",),
)
MADE_OF = TableOfJobs(
    "made_of",
    "What else the rows are made of: the size of the file of cylinders sent.",
    (("key", str, ""), ("value", str, "")),
    ("key",),
)

OF_A_JOB = (
    STAGES,
    FINDINGS,
    MEASURES,
    EVENTS,
    CORRECTIONS,
    CYLINDER_USES,
    ADDITIONS,
    INSTRUMENTS,
    MACHINES,
    TEXTS,
    FILES,
)
TABLES = (JOBS, *OF_A_JOB[:-2], CYLINDERS, MOVEMENTS, APPLIANCES, TEXTS, FILES, MADE_OF)


def create(connection: sqlite3.Connection) -> None:
    """All tables, empty, in place of what was there, in the transaction that is open."""
    from sqlite_utils import Database

    db = Database(connection)
    connection.execute("DROP TABLE IF EXISTS texts_fts")
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
        if not name.startswith("sqlite_"):
            connection.execute(f'DROP TABLE IF EXISTS "{name}"')
    for table in TABLES:
        made = db.table(table.name)
        made.create(
            {name: type_ for name, type_, _ in table.columns}, pk=table.key[0] if len(table.key) == 1 else table.key
        )
        for index in table.indexes:
            made.create_index(index)
    db.table(TEXTS.name).enable_fts(["text"], create_triggers=True)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {VERSION}")
