"""What follows of several jobs together: appliances with their leak rate over time, cylinders with what is in them.

The law is in stages/leak_law and asked here again with all jobs that are known, also those of
other computers, which the job itself could not know.
"""

import math
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from logger.cylinder.checks import due_date
from logger.model.appliance import plain_name
from logger.model.cylinder import marked_date
from logger.model.value import known
from logger.refrigerant import SHIPPED, Refrigerant, UnknownRefrigerant
from logger.register import schema
from logger.register.cylinders_sent import Sent
from logger.register.read_job import group_key
from logger.stages.leak_law.leak_rate import Appliance
from logger.stages.leak_law.leak_record import EarlierJob, leak_rate_finding, leak_record
from logger.stages.leak_law.mass_moved import MOVES

SAMPLE = "sample: "
FITS_KG = 0.25  # half a pound: hoses and hands on a scale (common practice)
EMPTY_KG = 0.05
TRACE_KG = 1e-6  # what arithmetic leaves


# -- appliances ------------------------------------------------------------------------------------------------------


def appliances(connection: sqlite3.Connection, touched: set[str] | None) -> None:
    """Make the rows of the groups anew; None: of all."""
    rows = connection.execute(
        "SELECT id, invented, customer, appliance, site FROM jobs ORDER BY begun_ns, id"
    ).fetchall()
    groups: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for job, invented, customer, appliance, site in rows:
        if plain_name(appliance or ""):
            groups[appliance_group(invented, customer, appliance)].append((job, plain_name(site or "")))
    for group in groups if touched is None else touched:
        connection.execute("DELETE FROM appliances WHERE id = ? OR id LIKE ? ESCAPE '!'", (group, _like(group, " @ ")))
        jobs = groups.get(group, [])
        sites = sorted({site for _, site in jobs} - {""})
        for site in sites or [""]:
            own = [job for job, at in jobs if at in ("", site) and (at or len(sites) < 2)]
            _appliance(connection, f"{group} @ {site}" if site else group, own)
        if len(sites) > 1 and (own := [job for job, at in jobs if not at]):
            _appliance(connection, group, own)


def appliance_group(invented: int, customer: str | None, appliance: str | None) -> str:
    names = " / ".join(filter(None, (plain_name(customer or ""), plain_name(appliance or ""))))
    return (SAMPLE if invented else "") + names


def _like(group: str, mark: str) -> str:
    """For LIKE with ESCAPE '!': the ids that follow the group's by a mark, such as a site's or a serial number's."""
    return group.replace("!", "!!").replace("%", "!%").replace("_", "!_") + mark + "%"


def _appliance(connection: sqlite3.Connection, id_: str, jobs: Sequence[str]) -> None:
    if not jobs:
        return
    marks = ", ".join("?" for _ in jobs)
    found = connection.execute(
        "SELECT id, date, customer, site, appliance, appliance_make, appliance_model, appliance_serial, "
        "appliance_class, refrigerant, full_charge_kg, volume_m3, invented, leak_rate_method FROM jobs "
        f"WHERE id IN ({marks}) ORDER BY begun_ns, id", tuple(jobs),
    ).fetchall()  # fmt: skip
    connection.executemany("UPDATE jobs SET appliance_id = ? WHERE id = ?", [(id_, job) for job in jobs])
    newest = found[-1]
    named = [next((row[i] for row in reversed(found) if row[i] not in (None, "")), newest[i]) for i in range(14)]
    rate: tuple[Any, ...] = (None, None, None, None)
    past: list[EarlierJob] = []
    verified = None
    how = {row[0]: row for row in found}
    additions = connection.execute(
        "SELECT job, date, added_kg, first_charge, purpose, verified FROM additions "
        f"WHERE job IN ({marks}) ORDER BY date, job", tuple(jobs),
    ).fetchall()  # fmt: skip
    for job, day, added_kg, first_charge, purpose, verified_on in additions:
        own = EarlierJob(job, date.fromisoformat(day), added_kg, bool(first_charge), purpose or "",
                         date.fromisoformat(verified_on) if verified_on else None)  # fmt: skip
        judged = _leak_rate(own, past, how[job])
        connection.execute(
            "UPDATE additions SET appliance_id = ?, leak_rate = ?, verdict = ?, threshold = ?, law = ?, repair_due = ? "
            "WHERE job = ?", (id_, *judged, job),
        )  # fmt: skip
        if judged[0] is not None:
            rate = judged[0], day, judged[1], judged[4]
        verified = max(filter(None, (verified, verified_on)), default=None)
        past.append(own)
    _insert(connection, schema.APPLIANCES, [(
        id_, named[2], named[3], named[4], named[5], named[6], named[7], newest[8], newest[9], named[10], named[11],
        newest[12], len(found), found[0][1], newest[1], *rate, verified,
    )])  # fmt: skip


def _leak_rate(own: EarlierJob, past: Sequence[EarlierJob], job: tuple[Any, ...]) -> tuple[Any, ...]:
    """(rate, verdict, threshold, law, day by which it must be repaired), each None where there is none."""
    full_charge_kg, use, method = job[10], job[8] or "comfort-cooling", job[13] or "annualizing"
    if own.added_kg is None or own.added_kg <= 0:
        return None, None, None, None, None
    finding = leak_rate_finding(
        [known(own.added_kg, "kg")], [], leak_record(past, full_charge_kg),
        appliance=Appliance(_refrigerant(job[9]), full_charge_kg, use), on=own.day, method=method,
        verified=own.verified, first_charge=own.first_charge, purpose=own.purpose,
    )  # fmt: skip
    rate, threshold = finding.value("leak_rate"), finding.value("threshold")
    texts = {one.name: one.value for one in finding.inputs if isinstance(one.value, str)}
    if rate is None or rate.number is None:
        return None, None, None, None, None
    limit = threshold.number if threshold is not None else None
    return rate.number, finding.verdict.value, limit, texts.get("law"), texts.get("repair_due")


def _refrigerant(name: str | None) -> Refrigerant | None:
    try:
        return SHIPPED.find(name) if name else None
    except UnknownRefrigerant:
        return None


# -- cylinders -------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Inside:
    """What is in a cylinder as its life goes on. kg: None when it is not known. rows: its movements."""

    id: str
    kg: float | None = None
    u_kg: float = 0.0
    seen: bool = False
    names: list[str] = field(default_factory=list)
    gross_kg: float | None = None
    gross_date: str | None = None
    last_job: str = ""
    last_date: str | None = None
    rows: list[tuple[Any, ...]] = field(default_factory=list)
    marked: dict[str, Any] = field(default_factory=dict)

    @property
    def holds(self) -> str:
        return " + ".join(self.names)

    def holds_also(self, name: str | None) -> None:
        if name and name not in self.names:
            self.names.append(name)

    def move(self, use: dict[str, Any], kind: str, mass_kg: float | None, u_kg: float | None, **ends: str) -> None:
        self._add(use, kind, use["job_refrigerant"] if kind in ("recovered", "charged") else self.holds, mass_kg, u_kg,
                  ends)  # fmt: skip

    def relabel(self, use: dict[str, Any], was: str, now: str, mass_kg: float | None) -> None:
        """What was one refrigerant is another from now on: part of a mixture, or what it is charged as."""
        if was != now and mass_kg is not None and mass_kg > 0:
            own = use.get("name", "")
            self._add(use, "mixed", was, mass_kg, None, {"from_kind": "cylinder", "from_name": own})
            self._add(use, "mixed", now, mass_kg, None, {"to_kind": "cylinder", "to_name": own})

    def _add(
        self, use: dict[str, Any], kind: str, name: str | None, mass_kg: float | None, u_kg: float | None,
        ends: Mapping[str, str],
    ) -> None:  # fmt: skip
        self.rows.append((
            self.id, len(self.rows) + 1, use["date"], use["t_ns"], use["job"], use["stage"], kind, name or "", mass_kg,
            u_kg, *(ends.get(end, "") for end in ("from_kind", "from_name", "to_kind", "to_name")),
            use["customer"] or "", ends.get("paper", ""), use["invented"], self.kg,
            self.holds,
        ))  # fmt: skip


_USE = (
    "job", "n", "stage", "kind", "date", "t_ns", "name", "group_key", "serial", "tare_kg", "water_capacity_kg",
    "tested", "requalify_years", "refrigerant", "candidates", "contents_kg", "job_refrigerant", "into_kg", "u_kg",
    "last_gross_kg",
)  # fmt: skip


def cylinders(connection: sqlite3.Connection, touched: set[str] | None, sent: Sequence[Sent]) -> None:
    """Make the rows of the groups anew; None: of all."""
    if touched is None:
        connection.execute("DELETE FROM cylinders")
        connection.execute("DELETE FROM movements")
        found = connection.execute("SELECT DISTINCT group_key FROM cylinder_uses").fetchall()
        touched = {group for (group,) in found} | {group_key(one.cylinder) for one in sent}
    for group in sorted(touched):
        for id_ in (group, SAMPLE + group):
            for table, column in (("cylinders", "id"), ("movements", "cylinder_id")):
                connection.execute(
                    f"DELETE FROM {table} WHERE {column} = ? OR {column} LIKE ? ESCAPE '!'",
                    (id_, _like(id_, " #")),
                )
        for life in _lives(connection, group, [one for one in sent if group_key(one.cylinder) == group]):
            _insert(connection, schema.MOVEMENTS, life.rows)
            if life.id not in ("", SAMPLE):
                _insert(connection, schema.CYLINDERS, [_row(life)])


def _lives(connection: sqlite3.Connection, group: str, sent: Iterable[Sent]) -> Iterable[_Inside]:
    """Of each cylinder of that name: by its serial number where there are several, sample data apart."""
    columns = ", ".join(f"u.{name}" for name in _USE)
    rows = connection.execute(
        f"SELECT {columns}, j.invented, j.customer, j.appliance FROM cylinder_uses u JOIN jobs j ON j.id = u.job "
        "WHERE u.group_key = ? ORDER BY u.t_ns, u.job, u.n", (group,),
    ).fetchall()  # fmt: skip
    uses = [dict(zip((*_USE, "invented", "customer", "appliance"), row, strict=True)) for row in rows]
    serials = {(use["invented"], group_key(use["serial"])) for use in uses if use["serial"]}
    lives: dict[str, _Inside] = {}
    happened: list[tuple[int, str, int, Any]] = [(use["t_ns"], use["job"], use["n"], use) for use in uses]
    happened += [(one.t_ns, "", one.n, one) for one in sent]
    last = group
    for _, _, _, what in sorted(happened, key=lambda one: one[:3]):
        if isinstance(what, Sent):
            _send(lives.setdefault(last, _Inside(last)), what)
            continue
        several = sum(1 for invented, _ in serials if invented == what["invented"]) > 1
        serial = group_key(what["serial"] or "") if several else ""
        id_ = (SAMPLE if what["invented"] else "") + group + (f" #{serial}" if serial else "")
        last = id_ if not what["invented"] else last
        _use(lives.setdefault(id_, _Inside(id_)), what)
    return lives.values()


def _use(life: _Inside, use: dict[str, Any]) -> None:
    if not use["group_key"]:  # of a cylinder that nobody named nothing is known but what moved
        if use["kind"] in MOVES:
            _moved(life, use)
        return
    tare_kg, gross_kg, into_kg, u_kg = use["tare_kg"], use["last_gross_kg"], use["into_kg"], use["u_kg"] or 0.0
    before_kg = gross_kg - tare_kg - into_kg if None not in (gross_kg, tare_kg, into_kg) else None
    if not life.seen:
        _first_seen(life, use, before_kg, u_kg)
    elif before_kg is not None:
        off_kg, life.kg = None if life.kg is None else before_kg - life.kg, before_kg
        if off_kg is not None and abs(off_kg) > max(FITS_KG, 2 * math.hypot(u_kg, life.u_kg)):
            side = "to" if off_kg > 0 else "from"
            life.move(use, "difference", abs(off_kg), math.hypot(u_kg, life.u_kg) or None,
                      **{f"{side}_kind": "cylinder", f"{side}_name": use["name"]})  # fmt: skip
        life.u_kg = u_kg
    if use["kind"] in MOVES:
        held = life.holds
        if MOVES[use["kind"]].into_cylinder or not held:
            life.holds_also(use["job_refrigerant"])
            life.relabel(use, held, life.holds, life.kg)
        life.kg = None if life.kg is None or into_kg is None else life.kg + into_kg
        life.u_kg = math.hypot(life.u_kg, u_kg)
        if gross_kg is not None:
            life.gross_kg, life.gross_date = gross_kg, use["date"]
            if tare_kg is not None:
                life.kg, life.u_kg = gross_kg - tare_kg, u_kg
        _moved(life, use)
    life.last_job, life.last_date, life.marked = use["job"], use["date"], use


def _first_seen(life: _Inside, use: dict[str, Any], before_kg: float | None, u_kg: float) -> None:
    life.seen = True
    life.kg, life.u_kg = (before_kg, u_kg) if before_kg is not None else (use["contents_kg"], 0.0)
    entered = [name for name in (use["refrigerant"], *(use["candidates"] or "").split(", ")) if name]
    empty = life.kg is not None and life.kg <= EMPTY_KG
    if empty and not use["candidates"]:  # in an empty one is only what comes into it
        entered = [use["job_refrigerant"] or ""]
    for name in entered or [
        use["job_refrigerant"] if use["kind"] in MOVES and not MOVES[use["kind"]].into_cylinder else None
    ]:
        life.holds_also(name)
    if life.kg is not None and life.kg > TRACE_KG:
        life.move(use, "opening", life.kg, life.u_kg or None, to_kind="cylinder", to_name=use["name"])


def _moved(life: _Inside, use: dict[str, Any]) -> None:
    recovered = MOVES[use["kind"]].into_cylinder
    both = [("appliance", use["appliance"] or ""), ("cylinder", use["name"])]
    (from_kind, from_name), (to_kind, to_name) = both if recovered else both[::-1]
    mass_kg = None if use["into_kg"] is None else use["into_kg"] if recovered else -use["into_kg"]
    moved_as = use["job_refrigerant"] or ""
    if not recovered and use["group_key"]:
        life.relabel(use, life.holds, moved_as, mass_kg)
    life.move(use, "recovered" if recovered else "charged", mass_kg, use["u_kg"], from_kind=from_kind,
              from_name=from_name, to_kind=to_kind, to_name=to_name)  # fmt: skip
    if recovered and use["group_key"]:
        life.relabel(use, moved_as, life.holds, mass_kg)


def _send(life: _Inside, sent: Sent) -> None:
    whole = sent.mass_kg is None
    mass_kg = life.kg if whole else sent.mass_kg
    use = {"date": sent.date, "t_ns": sent.t_ns, "job": "", "stage": None, "customer": "", "invented": 0,
           "job_refrigerant": ""}  # fmt: skip
    life.kg = 0.0 if whole else None if life.kg is None else life.kg - (sent.mass_kg or 0.0)
    name = life.marked.setdefault("name", sent.cylinder)
    life.move(use, "sent", mass_kg, life.u_kg or None, from_kind="cylinder", from_name=name, to_kind=sent.to,
              to_name=sent.who, paper=sent.paper)  # fmt: skip
    life.last_date, life.seen = sent.date, True
    if whole or (life.kg is not None and abs(life.kg) <= FITS_KG):
        life.names.clear()
    if whole:
        life.u_kg, life.gross_kg = 0.0, None


def _row(life: _Inside) -> tuple[Any, ...]:
    of = life.marked
    try:
        by = due_date(marked_date(of["tested"]), of["requalify_years"]).isoformat() if of.get("tested") else None
    except ValueError:
        by = None
    return (
        life.id, of.get("name"), of.get("serial"), of.get("tare_kg"), of.get("water_capacity_kg"), of.get("tested"), by,
        life.holds or None, life.holds if len(life.names) > 1 else None, life.kg, life.u_kg or None, life.gross_kg,
        life.gross_date, life.last_job, life.last_date,
    )  # fmt: skip


def _insert(connection: sqlite3.Connection, table: schema.TableOfJobs, rows: Iterable[tuple[Any, ...]]) -> None:
    connection.executemany(table.insert, rows)
