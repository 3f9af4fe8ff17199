"""Ready questions: each one SELECT over the tables of docs/register.md, and what its columns are."""

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from logger.model.appliance import plain_name
from logger.model.points import Quantity
from logger.register.answer_table import NO_VERDICT, AnswerColumn, AnswerTable, answer

_Q = Quantity


@dataclass(frozen=True, slots=True)
class Question:
    """purpose: one line. options: which of the command's options it takes, with what each is when not given."""

    name: str
    purpose: str
    columns: tuple[AnswerColumn, ...]
    sql: str
    options: Mapping[str, Any] = field(default_factory=dict)


_JOB = (AnswerColumn("job", "Job"), AnswerColumn("date", "Date"))
LEAKS = Question(
    "leaks",
    "Appliances that leak more than --over a year, by last addition.",
    (
        AnswerColumn("customer", "Customer"),
        AnswerColumn("appliance", "Appliance"),
        AnswerColumn("site", "Site"),
        AnswerColumn("refrigerant", "Refrigerant"),
        AnswerColumn("leak_rate", "Leak rate a year", _Q.RATIO),
        AnswerColumn("date", "At"),
        AnswerColumn("verdict", "Verdict"),
        AnswerColumn("repair_due", "Repair due"),
    ),
    "SELECT customer, name, site, refrigerant, leak_rate, leak_rate_date, leak_rate_verdict, repair_due "
    "FROM appliances WHERE leak_rate > :over AND invented <= :sample ORDER BY leak_rate DESC, id",
    {"over": 0.1},
)
TESTS = Question(
    "tests",
    "Pressure tests, evacuations and decay tests of --appliance.",
    (
        *_JOB,
        AnswerColumn("appliance", "Appliance"),
        AnswerColumn("stage", "Stage"),
        AnswerColumn("verdict", "Verdict", none=NO_VERDICT),
        AnswerColumn("headline", "Result"),
        AnswerColumn("lasted", "Lasted", _Q.TIME),
    ),
    "SELECT s.job, s.date, j.appliance, s.kind, s.verdict, s.headline, s.lasted_s FROM stages s "
    "JOIN jobs j ON j.id = s.job WHERE s.kind IN ('pressure-test', 'evacuation', 'decay-test') "
    "AND (:appliance = '' OR instr(plain(j.customer || ' ' || j.site || ' ' || j.appliance), plain(:appliance)) > 0) "
    "AND j.invented <= :sample ORDER BY s.begun_ns, s.job",
    {"appliance": ""},
)
RECOVERED = Question(
    "recovered",
    "Mass recovered by year (or in --year), refrigerant and cylinder.",
    (
        AnswerColumn("year", "Year"),
        AnswerColumn("refrigerant", "Refrigerant"),
        AnswerColumn("cylinder", "Cylinder"),
        AnswerColumn("recovered", "Recovered", _Q.MASS),
        AnswerColumn("recoveries", "Recoveries"),
        AnswerColumn("not_known", "Not known"),
    ),
    "SELECT substr(date, 1, 4), refrigerant, to_name, sum(mass_kg), count(*), sum(mass_kg IS NULL) FROM movements "
    "WHERE kind = 'recovered' AND invented <= :sample AND (:year = '' OR substr(date, 1, 4) = :year) "
    "GROUP BY 1, 2, cylinder_id ORDER BY 1, 2, cylinder_id",
    {"year": ""},
)
PULL_DOWNS = Question(
    "pull-downs",
    "Times of evacuations that reached their target, by volume.",
    (
        AnswerColumn("volume_from", "Volume from", _Q.VOLUME),
        AnswerColumn("volume_to", "to", _Q.VOLUME),
        AnswerColumn("count", "Count"),
        AnswerColumn("shortest", "Shortest", _Q.TIME),
        AnswerColumn("mean", "Mean", _Q.TIME),
        AnswerColumn("longest", "Longest", _Q.TIME),
    ),
    "WITH bounds(low, high) AS (VALUES (0, 0.003), (0.003, 0.01), (0.01, 0.03), (0.03, 0.1), (0.1, 0.3), (0.3, 1e9)) "
    "SELECT low, nullif(high, 1e9), count(*), min(lasted_s), avg(lasted_s), max(lasted_s) FROM stages s "
    "JOIN jobs j ON j.id = s.job JOIN bounds ON j.volume_m3 >= low AND j.volume_m3 < high "
    "WHERE s.kind = 'evacuation' AND s.verdict = 'pass' AND s.lasted_s IS NOT NULL AND j.invented <= :sample "
    "GROUP BY low ORDER BY low",
)
CALIBRATIONS = Question(
    "calibrations",
    "Channels with an overdue calibration, or none on record.",
    (
        AnswerColumn("instrument", "Instrument"),
        AnswerColumn("channel", "Channel"),
        AnswerColumn("point", "Measures"),
        AnswerColumn("calibrated", "Calibrated"),
        AnswerColumn("due", "Due"),
        AnswerColumn("last_used", "Last used"),
    ),
    # With max(), SQLite takes the other columns from the row that has it: each channel as it was used last.
    "SELECT instrument, channel, point, calibrated, due, date FROM (SELECT instrument, channel, point, calibrated, "
    "due, date, max(date || job) FROM instruments WHERE job NOT IN (SELECT id FROM jobs WHERE invented > :sample) "
    "GROUP BY instrument, channel) WHERE due IS NULL OR due < :today ORDER BY due, instrument, channel",
    {"today": ""},
)
UNDECIDED = Question(
    "undecided",
    "Stages without a verdict or with CAN'T TELL; jobs without any.",
    (
        *_JOB,
        AnswerColumn("customer", "Customer"),
        AnswerColumn("appliance", "Appliance"),
        AnswerColumn("stage", "Stage"),
        AnswerColumn("verdict", "Verdict", none=NO_VERDICT),
        AnswerColumn("headline", "Result"),
    ),
    "SELECT job, date, customer, appliance, kind, verdict, headline FROM (SELECT s.job, j.date, j.customer, "
    "j.appliance, s.kind, s.verdict, s.headline, j.begun_ns, s.number, j.invented FROM stages s JOIN jobs j "
    "ON j.id = s.job WHERE s.verdict IS NULL OR s.verdict = 'cannot tell' "
    "UNION ALL SELECT id, date, customer, appliance, NULL, NULL, "
    "NULL, begun_ns, 0, invented FROM jobs WHERE id NOT IN (SELECT job FROM stages)) WHERE invented <= :sample "
    "ORDER BY begun_ns, job, number",
)
QUESTIONS = {one.name: one for one in (LEAKS, TESTS, RECOVERED, PULL_DOWNS, CALIBRATIONS, UNDECIDED)}
SAMPLE_NOTE = "Sample data is left out: --sample puts it in."


def put(connection: sqlite3.Connection, question: Question, *, sample: bool = False, **options: Any) -> AnswerTable:
    """options: those the question has; what is None is as when not given. sample: with invented jobs."""
    connection.create_function("plain", 1, lambda text: plain_name(text or ""), deterministic=True)
    given = {name: value for name, value in options.items() if value is not None}
    values = {**question.options, **given, "sample": int(sample)}
    rows = connection.execute(question.sql, values).fetchall()
    invented = not sample and connection.execute("SELECT 1 FROM jobs WHERE invented LIMIT 1").fetchone() is not None
    return answer(question.columns, rows, *((SAMPLE_NOTE,) if invented else ()))
