"""What is in each cylinder now, its life, and where weights do not fit: by the register."""

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from logger.model.cylinder import Cylinder, marked_date
from logger.model.points import Quantity
from logger.model.value import Value, known, unknown
from logger.register.answer_table import AnswerColumn, AnswerTable, answer
from logger.register.derive import SAMPLE
from logger.register.read_job import group_key
from logger.register.register import connect_reader, is_ours

NOT_KNOWN = "what is in it is not known: it was never weighed in a job"


@dataclass(frozen=True, slots=True)
class CylinderNow:
    """cylinder: as kept, or as a job entered it last; with what is known to be in it. inside: kg. weighed: gross, kg.

    mixture: refrigerants that came together in it. on_list: it is on the user's list. id: in the register, "" for none.
    """

    cylinder: Cylinder
    inside: Value
    weighed: Value
    weighed_date: str = ""
    mixture: str = ""
    on_list: bool = True
    id: str = ""
    last_job: str = ""


def cylinders_now(connection: sqlite3.Connection, on_list: Sequence[Cylinder]) -> list[CylinderNow]:
    """Those that are kept, in their order, then those that only jobs know."""
    rows = connection.execute("SELECT * FROM cylinders WHERE id NOT LIKE ? ORDER BY id", (SAMPLE + "%",)).fetchall()
    found = [_now(own, _row_of(rows, own)) for own in on_list]
    seen = {one.id for one in found}
    for row in rows:
        if row["id"] not in seen and row["tare_kg"] and row["water_capacity_kg"]:
            own = Cylinder(row["name"], row["tare_kg"], row["water_capacity_kg"], serial=row["serial"] or "",
                           tested=marked_date(row["tested"]) if row["tested"] else None)  # fmt: skip
            found.append(replace(_now(own, row), on_list=False))
    return found


def _row_of(rows: Iterable[sqlite3.Row], own: Cylinder) -> sqlite3.Row | None:
    """By its name; where two of that name have a serial number, by that."""
    key, serial = group_key(own.name), group_key(own.serial)
    fitting = [row for row in rows if row["id"] == key or row["id"].startswith(f"{key} #")]
    if len(fitting) > 1:
        fitting = [row for row in fitting if row["id"] == (f"{key} #{serial}" if serial else key)]
    return fitting[0] if fitting else None


def _now(own: Cylinder, row: sqlite3.Row | None) -> CylinderNow:
    if row is None:
        inside = unknown("kg", NOT_KNOWN) if own.contents_kg is None else known(own.contents_kg, "kg")
        return CylinderNow(own, inside, unknown("kg", "not weighed"))
    held = (row["refrigerant"] or "").split(" + ") if row["refrigerant"] else []
    if len(held) > 1:
        own = replace(own, refrigerant=None, candidates=tuple(held))
    elif held and own.refrigerant is None and not own.candidates:
        own = replace(own, refrigerant=held[0])
    weighed_kg = row["weighed_gross_kg"]
    return CylinderNow(
        own,
        unknown("kg", NOT_KNOWN) if row["contents_kg"] is None else known(row["contents_kg"], "kg", row["u_kg"]),
        unknown("kg", "not weighed") if weighed_kg is None else known(weighed_kg, "kg"),
        row["weighed_date"] or "", row["mixture"] or "", True, row["id"], row["last_job"] or "",
    )  # fmt: skip


def with_contents(cylinders: Iterable[Cylinder], data: Path | None = None) -> tuple[Cylinder, ...]:
    """As a new job should know them: with what is in them by the last one. Never waits and never fails: what the
    register does not know at once stays as it is entered."""
    listed = tuple(cylinders)
    try:
        with closing(connect_reader(data)) as connection:
            if not is_ours(connection):
                return listed
            rows = connection.execute("SELECT * FROM cylinders").fetchall()
    except sqlite3.Error:
        return listed
    found = []
    for own in listed:
        row = _row_of(rows, own)
        inside_kg = row["contents_kg"] if row is not None else None
        found.append(own if inside_kg is None else replace(own, contents_kg=max(0.0, inside_kg)))
    return tuple(found)


_MASS = Quantity.MASS
LIFE = (
    AnswerColumn("date", "Date"), AnswerColumn("kind", "What"), AnswerColumn("mass", "Mass", _MASS),
    AnswerColumn("inside", "Then in it", _MASS), AnswerColumn("refrigerant", "Refrigerant"),
    AnswerColumn("from", "From"), AnswerColumn("to", "To"), AnswerColumn("job", "Job"),
    AnswerColumn("paper", "Paper"),
)  # fmt: skip


def life(connection: sqlite3.Connection, id_: str) -> AnswerTable:
    """Each movement, with what was in it after, kg."""
    rows = connection.execute(
        "SELECT * FROM movements WHERE cylinder_id = ? AND kind != 'mixed' ORDER BY n", (id_,)
    ).fetchall()
    found = []
    for row in rows:
        ends = (row["from_name"] or row["from_kind"], row["to_name"] or row["to_kind"])
        what = (row["date"], row["kind"], row["mass_kg"], row["inside_kg"], row["refrigerant"])
        found.append((*what, *ends, row["job"], row["paper"]))
    return answer(LIFE, found)


def differences(connection: sqlite3.Connection, job: str) -> list[sqlite3.Row]:
    """Where the weights of a job do not fit what was in a cylinder after the job before."""
    found = connection.execute(
        "SELECT * FROM movements WHERE job = ? AND kind = 'difference' ORDER BY cylinder_id", (job,)
    )
    return found.fetchall()
