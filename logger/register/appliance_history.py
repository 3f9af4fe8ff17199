"""One appliance over all its jobs: additions and leak rate, tests, start-ups side by side with their trend."""

import sqlite3
from dataclasses import dataclass
from datetime import date
from typing import Any

from logger.model.appliance import plain_name
from logger.model.points import Quantity
from logger.model.value import Value, known, unknown
from logger.register.answer_table import NO_VERDICT, AnswerColumn, AnswerTable, answer
from logger.statistics.least_squares import line

_Q = Quantity
DAYS_A_YEAR = 365.0
MIN_START_UPS = 3  # for a trend: two always lie on a line
LIST = (
    AnswerColumn("appliance", "Appliance"), AnswerColumn("customer", "Customer"), AnswerColumn("site", "Site"),
    AnswerColumn("refrigerant", "Refrigerant"), AnswerColumn("full_charge", "Full charge", _Q.MASS),
    AnswerColumn("jobs", "Jobs"), AnswerColumn("last_date", "Last"),
    AnswerColumn("leak_rate", "Leak rate a year", _Q.RATIO), AnswerColumn("verdict", "Verdict"),
    AnswerColumn("id", "Id"),
)  # fmt: skip
JOBS = (AnswerColumn("date", "Date"), AnswerColumn("job", "Job"), AnswerColumn("verdict", "Verdict", none=NO_VERDICT),
        AnswerColumn("stages", "Stages"), AnswerColumn("technician", "Technician"))  # fmt: skip
ADDITIONS = (
    AnswerColumn("date", "Date"), AnswerColumn("added", "Added", _Q.MASS, "not known"),
    AnswerColumn("charged", "Charged", _Q.MASS),
    AnswerColumn("recovered", "Recovered", _Q.MASS), AnswerColumn("leak_rate", "Leak rate a year", _Q.RATIO),
    AnswerColumn("threshold", "Threshold", _Q.RATIO), AnswerColumn("verdict", "Verdict"),
    AnswerColumn("repair_due", "Repair due"), AnswerColumn("verified", "Verified"),
    AnswerColumn("purpose", "Purpose"), AnswerColumn("law", "Law"), AnswerColumn("job", "Job"),
)  # fmt: skip
TESTS = (
    AnswerColumn("date", "Date"), AnswerColumn("stage", "Stage"), AnswerColumn("verdict", "Verdict", none=NO_VERDICT),
    AnswerColumn("headline", "Result"), AnswerColumn("job", "Job"),
)  # fmt: skip
FIGURES = {
    "suction_superheat": "Superheat", "approach": "Approach", "condensing_over_ambient": "Cond. over ambient",
    "subcooling": "Subcooling",
}  # fmt: skip
START_UPS = (
    AnswerColumn("date", "Date"), AnswerColumn("job", "Job"), AnswerColumn("verdict", "Verdict", none=NO_VERDICT),
    *(AnswerColumn(name, label, _Q.TEMPERATURE_DIFFERENCE) for name, label in FIGURES.items()),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class ApplianceHistory:
    """trends: of each figure of the start-ups, K a year with its standard uncertainty; unknown with the reason."""

    about: dict[str, Any]
    jobs: AnswerTable
    additions: AnswerTable
    tests: AnswerTable
    start_ups: AnswerTable
    trends: dict[str, Value]


def appliances(connection: sqlite3.Connection, *, sample: bool = False) -> AnswerTable:
    rows = connection.execute(
        "SELECT name, customer, site, refrigerant, full_charge_kg, jobs, last_date, leak_rate, leak_rate_verdict, id "
        "FROM appliances WHERE invented <= :sample ORDER BY customer, site, name", {"sample": int(sample)},
    )  # fmt: skip
    return answer(LIST, rows)


def find_appliances(connection: sqlite3.Connection, name: str) -> list[str]:
    """Ids that are the name, else of appliances that are named so, else that have it in them, in any case."""
    rows = connection.execute("SELECT id, name FROM appliances ORDER BY id").fetchall()
    wanted = plain_name(name)
    exact = [row["id"] for row in rows if row["id"] == wanted] or [
        row["id"] for row in rows if plain_name(row["name"]) == wanted
    ]
    return exact or [row["id"] for row in rows if wanted in row["id"]]


def history(connection: sqlite3.Connection, id_: str) -> ApplianceHistory:
    about = dict(connection.execute("SELECT * FROM appliances WHERE id = ?", (id_,)).fetchone())
    jobs = connection.execute(
        "SELECT j.date, j.id, j.verdict, (SELECT group_concat(kind, ', ') FROM (SELECT kind FROM stages "
        "WHERE job = j.id ORDER BY number)), j.technician FROM jobs j WHERE appliance_id = ? ORDER BY begun_ns, id",
        (id_,),
    ).fetchall()  # fmt: skip
    additions = connection.execute(
        "SELECT date, added_kg, charged_kg, recovered_kg, leak_rate, threshold, verdict, repair_due, verified, "
        "purpose, law, job FROM additions WHERE appliance_id = ? ORDER BY date, job", (id_,),
    ).fetchall()  # fmt: skip
    tests = connection.execute(
        "SELECT s.date, s.kind, s.verdict, s.headline, s.job FROM stages s JOIN jobs j ON j.id = s.job "
        "WHERE j.appliance_id = ? AND s.kind IN ('pressure-test', 'decay-test') ORDER BY s.begun_ns", (id_,),
    ).fetchall()  # fmt: skip
    figures = ", ".join(f"max(m.value) FILTER (WHERE m.name = '{name}')" for name in FIGURES)
    start_ups = connection.execute(
        f"SELECT s.date, s.job, s.verdict, {figures} FROM stages s JOIN jobs j ON j.id = s.job LEFT JOIN measures m "
        "ON m.job = s.job AND m.stage = s.number AND m.key = 'start_up.figures' WHERE j.appliance_id = ? "
        "AND s.kind = 'start-up' GROUP BY s.job, s.number ORDER BY s.begun_ns", (id_,),
    ).fetchall()  # fmt: skip
    shown = answer(START_UPS, start_ups)
    trends = {name: _trend([(row["date"], row[name]) for row in shown.data()]) for name in FIGURES}
    return ApplianceHistory(
        about, answer(JOBS, jobs), answer(ADDITIONS, additions), answer(TESTS, tests), shown, trends
    )  # fmt: skip


def _trend(found: list[tuple[str, float | None]]) -> Value:
    """Slope of a straight line through the start-ups, K a year, its u by their scatter about it."""
    points = [(date.fromisoformat(day).toordinal() / DAYS_A_YEAR, value) for day, value in found if value is not None]
    if len(points) < MIN_START_UPS:
        return unknown("K/a", f"fewer than {MIN_START_UPS} start-ups")
    years, values = [p[0] - points[0][0] for p in points], [p[1] for p in points]
    if max(years) <= min(years):
        return unknown("K/a", "all on one day")
    fitted = line(years, values)
    return unknown("K/a", "no line fits") if fitted is None else known(fitted.slope, "K/a", fitted.u_slope)
