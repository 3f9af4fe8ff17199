"""The first page: what a customer reads and both sign. One unit system; what was not entered leaves no hole."""

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from logger.export.report import report_words as say
from logger.export.report.report_data import CHARGED, RECOVERED, CylinderRow, Instrument, ReportData, StageReport
from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.text import clean
from logger.model.value import Value, known
from logger.stages import registry
from logger.stages.words import label_of, text_of
from logger.wording.values import Shown

_Q = Quantity
_MEASURING = {"vacuum": "Vacuum gauge", "cylinder_mass": "Scale"}  # named by the device where nothing was entered
_MAX_OPEN = 8
_FEW_STAGES = 8  # of more of them there is no room for the questions, and figures of the newest of a kind alone
_MAX_STAGES = 20


def first_page(data: ReportData, shown: Shown) -> dict[str, Any]:
    job, listed = data.job, data.stages[-_MAX_STAGES:]
    many = len(listed) > _FEW_STAGES
    return {
        "company": list(job.company),
        "about": _filled_in(_about(data, shown)),
        "answers": [_answer(stage, shown, many) for stage in listed],
        "earlier": len(data.stages) - len(listed),
        "refrigerant": list(_masses(data, shown)),
        "figures": [
            [_named(one), text] for one in (_newest(listed) if many else listed) if (text := figures(one, shown))
        ],
        "equipment": _filled_in(_equipment(data)),
        "open": _few(_open(data, shown)),
        "signs": [[who, name] for who, name in (("Technician", job.technician), ("Customer", job.customer))],
    }


def _filled_in(rows: Iterable[tuple[str, str]]) -> list[list[str]]:
    return [[label, text] for label, text in rows if text]


def _few(rows: Iterable[str]) -> list[str]:
    listed = list(dict.fromkeys(rows))
    more = len(listed) - _MAX_OPEN
    return listed if more <= 0 else [*listed[: _MAX_OPEN - 1], f"{more + 1} more: see the findings"]


def _about(data: ReportData, shown: Shown) -> Iterator[tuple[str, str]]:
    job = data.job
    certified = f"certification {job.certification}" if job.certification else ""
    model = [
        f"{label} {text}"
        for label, text in (
            ("make", job.appliance_make),
            ("model", job.appliance_model),
            ("serial", job.appliance_serial),
        )
        if text
    ]
    charge = "" if job.full_charge_kg is None else f", full charge {shown.one(known(job.full_charge_kg, ''), _Q.MASS)}"
    yield "Customer", job.customer
    yield "Site", job.site
    yield "System", job.appliance
    yield "Nameplate", ", ".join(model)
    yield "Refrigerant", data.refrigerant + charge
    yield "Technician", ", ".join(filter(None, (job.technician, certified)))
    yield "Work order", job.work_order
    begun, ended = shown.time(data.first_ns, False), shown.time(data.last_ns, False)
    ended = ended[11:] if ended[:10] == begun[:10] else ended
    yield (
        "Work done",
        f"{begun} to {ended}, local time {shown.zone}" if shown.zone != "UTC" else f"{begun} to {ended} UTC",
    )


def _named(stage: StageReport) -> str:
    return f"{stage.stage.number} {registry.label(stage.stage.kind)}"


def _newest(stages: Sequence[StageReport]) -> list[StageReport]:
    """Of each kind, those that have figures before others."""
    last = {one.stage.kind: one for one in stages if one.findings}
    return [one for one in stages if one in last.values()]


def _answer(stage: StageReport, shown: Shown, many: bool) -> dict[str, str]:
    known_stage = registry.definition(stage.stage.kind)
    text = text_of(stage.result, shown) if stage.result else None
    return {
        "name": _named(stage),
        "question": known_stage.question if known_stage and not many else "",
        "verdict": stage.result.verdict.value if stage.result else "none",
        "word": stage.result.verdict.word if stage.result else say.NOT_JUDGED[0],
        "text": say.sentence(say.beside_badge(text).line) if text else say.NOT_JUDGED[1],
        "then": say.shown_then(stage.shown_then, shown),
        "running": "Still running when this was made." if stage.stage.ended_ns is None else "",
    }


def figures(stage: StageReport, shown: Shown) -> str:
    """ "Vacuum at isolation 196 microns · highest in the hold 202 microns", "" when there is none."""
    known_stage = registry.definition(stage.stage.kind)
    listed = known_stage.figures if known_stage else ()
    parts = [
        f"{label_of(finding, name)} {shown.figure(value, quantity)}"
        for key, wanted in listed
        for finding in stage.findings
        if finding.key == key
        for name, value, quantity in _numbers(finding)
        if wanted in (name, None) and value.number is not None
    ]
    return say.sentence(" · ".join(dict.fromkeys(parts)))


def _numbers(finding: Finding) -> Iterator[tuple[str, Value, Quantity]]:
    for one in finding.inputs:
        if isinstance(one.value, Value) and isinstance(one.kind, Quantity):
            yield one.name, one.value, one.kind


def _masses(data: ReportData, shown: Shown) -> Iterator[list[str]]:
    """What was done, mass, by which cylinders, where it goes."""
    totals = dict(data.balance)
    filled = [row for row in data.cylinders if (row.change.number or 0.0) > 0]
    emptied = [row for row in data.cylinders if (row.change.number or 0.0) < 0]
    for word, total, rows, goes in (
        ("Recovered", totals.get(RECOVERED), filled, data.job.recovered_to),
        ("Charged", totals.get(CHARGED), emptied, ""),
    ):
        if rows or total is not None:
            yield [
                word,
                shown.figure(total, _Q.MASS) if total is not None else "",
                "; ".join(_cylinders(rows, shown)),
                goes,
            ]


def _cylinders(rows: Sequence[CylinderRow], shown: Shown) -> Iterator[str]:
    """Each once, however often it was on the scale."""
    of_name: dict[str, list[CylinderRow]] = {}
    for row in rows:
        serial = f", serial {row.cylinder.serial}" if row.cylinder and row.cylinder.serial else ""
        of_name.setdefault(row.name + serial, []).append(row)
    for name, listed in of_name.items():
        u = math.hypot(*(row.change.u or 0.0 for row in listed)) or None
        mass = known(abs(sum(row.change.number or 0.0 for row in listed)), "kg", u)
        yield f"{name}: {shown.figure(mass, _Q.MASS)}"


def _equipment(data: ReportData) -> Iterator[tuple[str, str]]:
    job = data.job
    made = f"made {job.recovery_machine_made.isoformat()}" if job.recovery_machine_made else ""
    yield "Recovery machine", ", ".join(filter(None, (job.recovery_machine, made)))
    yield "Vacuum pump", job.vacuum_pump
    entered = {"vacuum": job.vacuum_gauge}
    for point, label in _MEASURING.items():
        found = next((one for one in data.instruments if point in (c.point for c in one.channels)), None)
        yield label, entered.get(point) or (_device(found) if found else "")


def _device(found: Instrument) -> str:
    return ", ".join(filter(None, (found.name, found.model, f"id {found.device_id}" if found.device_id else "")))


def _open(data: ReportData, shown: Shown) -> Iterator[str]:
    for stage in data.stages:
        if stage.stage.ended_ns is None:
            yield f"{_named(stage)}: still running"
        passed = stage.result is not None and stage.result.verdict is Verdict.PASS
        for verdict in (Verdict.FAIL, Verdict.CANNOT_TELL, Verdict.ATTENTION):
            stands = " (the PASS stands)" if passed and verdict is Verdict.ATTENTION else ""  # words: as a verdict does
            for finding in (one for one in stage.findings if one.verdict is verdict):
                to_do = _to_do(finding, shown).removeprefix(f"{registry.label(stage.stage.kind).lower()}: ")
                yield f"{_named(stage)}: {to_do}{stands}"
    if not data.closed:
        yield "The job was not closed when this was made"


def _to_do(finding: Finding, shown: Shown) -> str:
    return clean(say.open_point(text_of(finding, shown)), 300)
