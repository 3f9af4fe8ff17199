"""What a job added to an appliance, and the leak rate by that and by the jobs before it.

In plain words: a job added what it charged less what it recovered, because what came out and went back in was never
lost. So it counts neither how much was recovered nor whether the same refrigerant went back. What recovery left behind
and the vacuum pump drew off counts as added, which errs on the safe side. A job that took out more than it put back
left the rest to a later job, which put back what was taken, not what had leaked: at most one full charge, and nothing
where less than four fifths of it was taken: an overcharge put right, or taken out for another reason, which must not
swallow a later leak (our own figure). A first charge into an
appliance that no earlier job knows fills no leak: its day counts, its mass does not.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.value import Argument, Value, day_of, known, number, unknown, word
from logger.stages.leak_law.leak_rate import KEY, Addition, Appliance, judge_leak_rate

WHOLE_SHARE = 0.8
FIRST_CHARGE = "the first charge of an appliance with no earlier job on this computer"


@dataclass(frozen=True, slots=True)
class EarlierJob:
    """added_kg: charged less recovered, negative when more was taken out; None when that is not known.

    first_charge: an evacuated circuit was filled without a recovery in the same job. purpose: why it was filled, when
    not for a leak. verified: day of a successful follow-up verification test that it entered.
    """

    job: str
    day: date
    added_kg: float | None
    first_charge: bool = False
    purpose: str = ""
    verified: date | None = None

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> "EarlierJob":
        """From an entry of JOB_OPENED's "earlier_additions"."""
        added = data.get("added_kg")
        return cls(
            str(data["job"]), date.fromisoformat(data["date"]), None if added is None else float(added),
            bool(data.get("first_charge", False)), str(data.get("purpose", "")),
            date.fromisoformat(data["verified"]) if data.get("verified") else None,
        )  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Plain data, masses in kg, days in ISO 8601."""
        verified = {"verified": self.verified.isoformat()} if self.verified else {}
        return {"job": self.job, "date": self.day.isoformat(), "added_kg": self.added_kg,
                "first_charge": self.first_charge, "purpose": self.purpose, **verified}  # fmt: skip


@dataclass(frozen=True, slots=True)
class LeakRecord:
    """additions: of earlier jobs, oldest first; mass 0 where it filled no leak. awaited_kg: taken out and not yet put
    back. unknown_days: on which an amount was added that is not known. complete: every earlier job was read. verified:
    the last successful follow-up verification test. last_job: the day of the newest.
    """

    additions: tuple[Addition, ...] = ()
    awaited_kg: float = 0.0
    unknown_days: tuple[date, ...] = ()
    jobs: int = 0
    complete: bool = True
    verified: date | None = None
    last_job: date | None = None


def leak_record(jobs: Sequence[EarlierJob], full_charge_kg: float | None, complete: bool = True) -> LeakRecord:
    """The jobs of one appliance, in any order, as additions by the rule above."""
    additions: list[Addition] = []
    unknown_days: list[date] = []
    awaited = 0.0
    for i, job in enumerate(sorted(jobs, key=lambda j: (j.day, j.job))):
        if job.added_kg is None:
            unknown_days.append(job.day)
            additions.append(Addition(job.day, 0.0))
            awaited = 0.0  # taken as put back, so that no later leak hides in it
        elif job.added_kg < 0:
            taken = -job.added_kg
            if full_charge_kg is None or taken >= WHOLE_SHARE * full_charge_kg:
                awaited = min(awaited + taken, math.inf if full_charge_kg is None else full_charge_kg)
        else:
            added, awaited = max(0.0, job.added_kg - awaited), max(0.0, awaited - job.added_kg)
            no_leak = bool(job.purpose) or (i == 0 and complete and job.first_charge)
            if added > 0:
                additions.append(Addition(job.day, 0.0 if no_leak else added))
    verified = max((job.verified for job in jobs if job.verified is not None), default=None)
    last = max((job.day for job in jobs), default=None)
    return LeakRecord(tuple(additions), awaited, tuple(unknown_days), len(jobs), complete, verified, last)


def added_by(charged: Sequence[Value], recovered: Sequence[Value]) -> Value:
    """Charged less recovered, kg, over the stages of one job; unknown when one of them is."""
    for value in (*charged, *recovered):
        if value.number is None:
            return unknown("kg", str(value.problem))
    total = sum(v.number or 0.0 for v in charged) - sum(v.number or 0.0 for v in recovered)
    return known(total, "kg", math.hypot(*(v.u or 0.0 for v in (*charged, *recovered))))


def leak_rate_finding(
    charged: Sequence[Value],
    recovered: Sequence[Value],
    record: LeakRecord | None,
    *,
    appliance: Appliance,
    on: date,
    method: str = "annualizing",
    verified: date | None = None,
    first_charge: bool = False,
    purpose: str = "",
) -> Finding:
    """By the owner's method, after a charging stage that ended on the day `on`.

    charged, recovered: kg, of the stages of this job so far. record: of the earlier jobs; None when the appliance has
    no name to find them by. verified, first_charge, purpose: of this job, see EarlierJob. Where there is no rate, one
    statement says why: no verdict hangs on it, and it is never a pass.
    """
    net, full_charge_kg = added_by(charged, recovered), appliance.full_charge_kg
    moved = (
        *(number("charged", Quantity.MASS, v) for v in charged),
        *(number("recovered", Quantity.MASS, v) for v in recovered),
    )
    why = None
    if full_charge_kg is None:
        why = "no_full_charge"
    elif record is None:
        why = "no_appliance"
    elif net.number is None:
        why = "amount_unknown"
    if why is not None or record is None or net.number is None or full_charge_kg is None:
        return Finding(KEY, Verdict.INFO, (*moved, word("judged", why or ""), number("added", Quantity.MASS, net)))
    added = max(0.0, net.number - record.awaited_kg)
    found = (*moved, *_added(charged, recovered, record, net, added, on))
    if added == 0.0:
        return Finding(KEY, Verdict.INFO, (*found, word("judged", "nothing_added")))
    if first_charge and not record.jobs and record.complete:
        purpose = purpose or FIRST_CHARGE
    dates = [day for day in (record.verified, verified) if day is not None and day <= on]
    judged = judge_leak_rate(
        (*record.additions, Addition(on, added)), appliance, on, method=method, verified=max(dates, default=None),
        since=record.last_job, purpose=purpose,
    )  # fmt: skip
    verdict, more = judged.verdict, judged.inputs
    unknown_days = [day for day in record.unknown_days if (on - day).days < 365]
    if method == "rolling" and unknown_days:
        more = (*(one for one in more if one.name != "judged"), word("judged", "unknown_addition"))
        verdict, more = Verdict.INFO, (*more, day_of("unknown_addition", record.unknown_days[-1].isoformat()))
    elif verdict is Verdict.CANNOT_TELL:
        verdict = Verdict.INFO
    elif verdict is Verdict.PASS and not record.complete and method == "rolling":
        more = (*(one for one in more if one.name != "judged"), word("judged", "at_least"))
        verdict = Verdict.INFO
    return Finding(KEY, verdict, (*more, *found))


def _added(
    charged: Sequence[Value], recovered: Sequence[Value], record: LeakRecord, net: Value, added: float, on: date
) -> tuple[Argument, ...]:
    """How the mass added was found, and what is on record."""
    found = [
        number("added", Quantity.MASS, known(added, "kg", net.u)),
        number("charged_in_all", Quantity.MASS, known(_sum(charged), "kg")),
    ]
    if recovered:
        found.append(number("recovered_in_all", Quantity.MASS, known(_sum(recovered), "kg")))
    if record.awaited_kg > 0:
        found.append(number("taken_out_earlier", Quantity.MASS, known(record.awaited_kg, "kg")))
    days = [a.day for a in record.additions if a.day < on]
    found.append(number("earlier_additions", Quantity.COUNT, known(float(len(days)), "1")))
    if days:
        found.append(day_of("last_addition", max(days).isoformat()))
    return (*found, word("record", "complete" if record.complete else "incomplete"))


def _sum(values: Sequence[Value]) -> float:
    return sum(v.number or 0.0 for v in values)
