"""A year's refrigerant: every movement, sums by customer, the balance, and what a record by law still lacks."""

import sqlite3
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from logger.model.points import Quantity
from logger.register.answer_table import AnswerColumn, AnswerTable, answer
from logger.register.derive import SAMPLE
from logger.stages.leak_law.mass_moved import MOVES

_MASS = Quantity.MASS
NOT_READ = "text not read here"


@dataclass(frozen=True, slots=True)
class LawField:
    """What a record of the law asks of a job. where: SQL over jobs `j` that is true where it is missing. law: the text.
    verified: how that the text asks it was checked (docs/law.md says the same of its other figures)."""

    name: str
    said: str
    where: str
    law: str
    verified: str


def _has_stage(kinds: Iterable[str]) -> str:
    listed = ", ".join(f"'{kind}'" for kind in kinds)
    return f"EXISTS (SELECT 1 FROM stages s WHERE s.job = j.id AND s.kind IN ({listed}))"


_MOVES = _has_stage(MOVES)
_RECOVERS = _has_stage(kind for kind, of in MOVES.items() if of.into_cylinder)
_UNNAMED = f"('', '{SAMPLE}')"  # ids of what no job named
_OWNER = "40 CFR 82.157, 84.106, (EU) 2024/573 article 7"
FIELDS = (
    LawField("customer", "customer", f"j.customer = '' AND {_MOVES}", _OWNER, NOT_READ),
    LawField("appliance", "appliance", f"j.appliance = '' AND {_MOVES}", _OWNER, NOT_READ),
    LawField("technician", "technician", f"j.technician = '' AND {_MOVES}", _OWNER, NOT_READ),
    LawField("certification", "technician's certificate number", f"j.certification = '' AND {_MOVES}",
             "40 CFR 82.161, (EU) 2024/573 article 7", NOT_READ),
    LawField("full_charge", "full charge", f"j.full_charge_kg IS NULL AND {_MOVES}", "40 CFR 82.152, 82.157, 84.106",
             "82.157(a) to (c)(2) read in a copy: a leak rate needs it"),
    LawField("recovery_machine_made", "date of the recovery machine",
             f"j.recovery_machine_made IS NULL AND {_RECOVERS}", "40 CFR 82.156, table 1", "table read"),
    LawField("recovery_level", "verdict on the recovery level", f"{_RECOVERS} AND NOT EXISTS (SELECT 1 FROM findings f "
             "WHERE f.job = j.id AND f.key = 'recovery.level' AND f.verdict IN ('pass', 'fail'))",
             "40 CFR 82.156, table 1", "table read"),
    LawField("mass", "a mass moved", "EXISTS (SELECT 1 FROM movements m WHERE m.job = j.id AND m.mass_kg IS NULL)",
             "40 CFR 82.157, 84.106, (EU) 2024/573 article 7", NOT_READ),
    LawField("cylinder", "name of a cylinder", "EXISTS (SELECT 1 FROM movements m WHERE m.job = j.id "
             f"AND m.cylinder_id IN {_UNNAMED})", "40 CFR 82.156(a)(3)", NOT_READ),
    LawField("recovered_to", "where the recovered refrigerant goes", f"j.recovered_to = '' AND {_RECOVERS}",
             "40 CFR 82.156(a)(3), (EU) 2024/573 article 7", NOT_READ),
    LawField("verification", "verification test after a leak rate over its threshold",
             "EXISTS (SELECT 1 FROM additions a JOIN appliances p ON p.id = a.appliance_id WHERE a.job = j.id "
             "AND a.verdict = 'fail' AND (p.verified IS NULL OR p.verified < a.date))",
             "40 CFR 82.157, 84.106", "as docs/law.md says of the leak rate"),
)  # fmt: skip

LOG = (
    AnswerColumn("date", "Date"), AnswerColumn("kind", "What"), AnswerColumn("refrigerant", "Refrigerant"),
    AnswerColumn("mass", "Mass", _MASS), AnswerColumn("u", "u (k=1)", _MASS), AnswerColumn("cylinder", "Cylinder"),
    AnswerColumn("customer", "Customer"), AnswerColumn("site", "Site"), AnswerColumn("appliance", "Appliance"),
    AnswerColumn("serial", "Serial"), AnswerColumn("full_charge", "Full charge", _MASS), AnswerColumn("to", "To"),
    AnswerColumn("paper", "Paper"), AnswerColumn("technician", "Technician"),
    AnswerColumn("certification", "Certificate"),
    AnswerColumn("leak_rate", "Leak rate a year", Quantity.RATIO), AnswerColumn("job", "Job"),
)  # fmt: skip
BY_CUSTOMER = (
    AnswerColumn("customer", "Customer"), AnswerColumn("refrigerant", "Refrigerant"),
    AnswerColumn("recovered", "Recovered", _MASS), AnswerColumn("charged", "Charged", _MASS),
    AnswerColumn("added", "Added", _MASS),
)  # fmt: skip
BALANCE = (
    AnswerColumn("refrigerant", "Refrigerant"), AnswerColumn("at_start", "Start", _MASS),
    AnswerColumn("recovered", "+recovered", _MASS), AnswerColumn("opening", "+came", _MASS),
    AnswerColumn("mixed", "+mixed", _MASS), AnswerColumn("charged", "-charged", _MASS),
    AnswerColumn("sent", "-sent", _MASS), AnswerColumn("at_end", "Held", _MASS),
    AnswerColumn("difference", "Off by", _MASS),
)  # fmt: skip
MISSING = (AnswerColumn("job", "Job"), AnswerColumn("date", "Date"), AnswerColumn("missing", "Missing"))


@dataclass(frozen=True, slots=True)
class RefrigerantLog:
    """movements: of the year. by_customer: sums. balance: by refrigerant, of all cylinders. missing: by job. unnamed:
    kg that went into (above zero) or out of cylinders that were not named, by refrigerant; unknown: movements whose
    mass is not known."""

    year: int
    movements: AnswerTable
    by_customer: AnswerTable
    balance: AnswerTable
    missing: AnswerTable
    unnamed: dict[str, float]
    unknown: int

    @property
    def off_kg(self) -> float:
        """By how much the balance does not close, the sum of its sizes."""
        return float(sum(abs(row["difference"]) for row in self.balance.data()))


def refrigerant_log(
    connection: sqlite3.Connection, year: int, customer: str = "", *, sample: bool = False
) -> RefrigerantLog:  # fmt: skip
    """customer: a part of the name: movements, sums and missing fields of this one alone; the balance is of all."""
    values = {"since": f"{year:04d}-01-01", "until": f"{year:04d}-12-31", "sample": int(sample),
              "customer": f"%{customer}%"}  # fmt: skip
    here = "m.date BETWEEN :since AND :until AND m.invented <= :sample"
    rows = connection.execute(
        "SELECT m.date, m.kind, m.refrigerant, m.mass_kg, m.u_kg, CASE WHEN m.to_kind = 'cylinder' THEN m.to_name "
        "WHEN m.from_kind = 'cylinder' THEN m.from_name END, m.customer, j.site, j.appliance, j.appliance_serial, "
        "j.full_charge_kg, CASE WHEN m.kind = 'sent' THEN trim(m.to_kind || ' ' || m.to_name) "
        "WHEN m.kind = 'recovered' THEN j.recovered_to END, m.paper, j.technician, j.certification, a.leak_rate, m.job "
        "FROM movements m "
        f"LEFT JOIN jobs j ON j.id = m.job LEFT JOIN additions a ON a.job = m.job AND m.kind = 'charged' WHERE {here} "
        "AND m.kind != 'mixed' AND m.customer LIKE :customer ORDER BY m.t_ns, m.cylinder_id, m.n",
        values,
    ).fetchall()
    sums = connection.execute(
        "SELECT customer, refrigerant, total(mass_kg) FILTER (WHERE kind = 'recovered'), total(mass_kg) "
        "FILTER (WHERE kind = 'charged'), total(CASE kind WHEN 'charged' THEN mass_kg ELSE -mass_kg END) "
        f"FROM movements m WHERE {here} AND kind IN ('recovered', 'charged') AND customer LIKE :customer "
        "GROUP BY 1, 2 ORDER BY 1, 2",
        values,
    ).fetchall()
    unnamed = connection.execute(
        "SELECT refrigerant, total(CASE kind WHEN 'recovered' THEN mass_kg ELSE -mass_kg END) FROM movements m "
        f"WHERE {here} AND cylinder_id IN {_UNNAMED} GROUP BY 1", values,
    ).fetchall()  # fmt: skip
    return RefrigerantLog(
        year, answer(LOG, rows), answer(BY_CUSTOMER, sums), answer(BALANCE, _balance(connection, values)),
        answer(MISSING, _missing(connection, values)), {row[0]: row[1] for row in unnamed if abs(row[1]) > 1e-9},
        sum(row[3] is None for row in rows),
    )  # fmt: skip


def _balance(connection: sqlite3.Connection, values: dict[str, Any]) -> list[tuple[Any, ...]]:
    """What came in less what went out against what is in the cylinders by their last weights."""
    found: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    rows = connection.execute(
        f"SELECT * FROM movements WHERE date <= :until AND invented <= :sample AND cylinder_id NOT IN {_UNNAMED} "
        "ORDER BY cylinder_id, n", values,
    ).fetchall()  # fmt: skip
    ends: dict[str, dict[str, tuple[str, float]]] = {"at_start": {}, "at_end": {}}
    for row in rows:
        before = row["date"] < values["since"]
        for when in ("at_start", "at_end") if before else ("at_end",):
            ends[when].pop(row["cylinder_id"], None)
            if row["inside_kg"] is not None:
                ends[when][row["cylinder_id"]] = row["held"], row["inside_kg"]
        if not before and row["kind"] != "difference" and row["mass_kg"] is not None:
            sign = -1.0 if row["kind"] == "mixed" and row["to_kind"] != "cylinder" else 1.0
            found[row["refrigerant"]][row["kind"]] += sign * row["mass_kg"]
    for when, of in ends.items():
        for name, kg in of.values():
            found[name][when] += kg
    out = []
    for name in sorted(found):
        one = found[name]
        expected = one["at_start"] + one["recovered"] + one["opening"] + one["mixed"] - one["charged"] - one["sent"]
        parts = [one[c.key] for c in BALANCE[1:-1]]
        if any(abs(part) > 1e-9 for part in parts):
            out.append((name or "not known", *parts, one["at_end"] - expected))
    return out


def _missing(connection: sqlite3.Connection, values: dict[str, Any]) -> list[tuple[str, str, str]]:
    found: dict[tuple[str, str], list[str]] = defaultdict(list)
    for one in FIELDS:
        rows = connection.execute(
            f"SELECT j.id, j.date FROM jobs j WHERE {one.where} AND j.date BETWEEN :since AND :until "
            "AND j.invented <= :sample AND j.customer LIKE :customer", values,
        )  # fmt: skip
        for job, day in rows:
            found[job, day].append(one.said)
    return [(job, day, ", ".join(said)) for (job, day), said in sorted(found.items())]
