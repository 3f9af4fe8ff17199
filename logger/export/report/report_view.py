"""The report's data as the texts, table rows and drawings that the template sets: SI to the user's units here."""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any

from logger.alarms.words import figure_text, limit_text
from logger.decode.calibration_fit import Standing, standing, zero_drift
from logger.export.report import report_words as say
from logger.export.report.chart import drawing_of
from logger.export.report.content import JUDGED
from logger.export.report.first_page import figures, first_page
from logger.export.report.report_data import (
    AlarmEntry,
    CylinderRow,
    GapEntry,
    Instrument,
    InstrumentChannel,
    PointSummary,
    ReportData,
    StageReport,
)
from logger.model.finding import Finding
from logger.model.points import POINTS, Quantity
from logger.model.text import clean
from logger.model.units import NS_PER_S, STANDARD_ATMOSPHERE_PA, UNITS, show_unit
from logger.model.value import Code, Value, known
from logger.pipeline.silent_alarms import silent_words
from logger.stages import registry
from logger.stages.words import label_of, text_of
from logger.wording.given import cylinder_named, many
from logger.wording.values import Shown, lasted

_Q = Quantity
MAX_ROWS = 150  # of one list; the rest are in events.csv


def view(data: ReportData, attached: bool) -> dict[str, Any]:
    """attached: whether readings.csv goes into the PDF."""
    ambient = data.ambient.number
    shown = Shown(data.job.units, STANDARD_ATMOSPHERE_PA if ambient is None else ambient, data.utc_offset_s)
    job = data.job
    place = " · ".join(part for part in (job.appliance, job.site) if part)
    return {
        "title": "Refrigeration service report",
        "place": place or f"Job {job.job_id}",
        "subtitle": place,
        "place_short": clean(place or f"Job {job.job_id}", 70),
        "job_id": job.job_id,
        "when": f"{shown.time(data.first_ns, False)} to {shown.time(data.last_ns, False)}",
        "zone": shown.zone,
        "software": data.software,
        "invented": say.SAMPLE if job.invented else None,
        "first": first_page(data, shown),
        "closed": data.closed,
        "sha256": data.readings.sha256,
        "attached": attached,
        "job": _job_rows(data, shown),
        "stages": [_stage(stage, data, shown) for stage in data.stages],
        "cylinders": [_cylinder(row, shown) for row in data.cylinders],
        "balance": [_balance(label, value, shown) for label, value in data.balance],
        "alarms": _few([_alarm(entry, shown) for entry in data.alarms]),
        "corrected": _corrected(data),
        "amended": data.amended,
        "corrections": _few(
            [[str(c.n), shown.time(c.t_ns), c.about, "; ".join((c.text, *c.changed)), c.by] for c in data.corrections]
        ),
        "silent": [silent_words(one, shown) for one in data.silent[:20]],
        "acts": _few([[shown.time(a.t_ns), a.kind, a.text, a.by] for a in data.acts]),
        "gaps": _few([_gap(gap, shown) for gap in data.gaps]),
        "awake": list(data.awake),
        "clock": list(data.clock[:20]),
        "instruments": [_instrument(i, shown, _day(data.first_ns)) for i in data.instruments],
        "rig_digest": data.rig_digest,
        "method": [list(pair) for pair in say.METHOD],
        "caution": say.CAUTION,
        "caution_short": say.CAUTION_SHORT,
        "qr_caption": say.QR_CAPTION,
        "check": {
            "fingerprint": data.fingerprint,
            "signed": say.SIGNED if data.fingerprint else say.UNSIGNED,
            "not_shown": say.NOT_SHOWN if data.fingerprint else "",
            "how": say.HOW_TO_CHECK,
            "readings_bytes": f"{data.readings.size:,}",
            "records": f"{data.records:,}",
            "head": data.head.hex(),
        },
    }


def _corrected(data: ReportData) -> str:
    """For page one."""
    count, turned = len(data.corrections), sum(bool(c.changed) for c in data.corrections)
    if not count:
        return ""
    verdicts = f", {turned} changed a verdict" if turned else ", no verdict changed"
    silent = f", {many(len(data.silent), 'alarm')} did not ring" if data.silent else ""
    return f"{many(count, 'correction')}{verdicts}{silent}: see Corrected"


def _few(rows: list[list[str]]) -> dict[str, Any]:
    return {"rows": rows[:MAX_ROWS], "more": max(0, len(rows) - MAX_ROWS)}


def _job_rows(data: ReportData, shown: Shown) -> list[list[str]]:
    job = data.job
    rows = [
        ("Refrigerant", data.refrigerant),
        ("Full charge", shown.number(job.full_charge_kg, _Q.MASS)),
        ("Internal volume", _with_u(job.volume_m3, job.volume_u_m3, _Q.VOLUME, shown)),
        ("Barometric pressure", _ambient(data.ambient, shown)),
        ("Job", job.job_id),
        *([("Simulated", f"{data.speed:g} times faster than real time")] if data.speed != 1 else []),
    ]
    return [[label, text] for label, text in rows if text and text != "not stated"]


def _with_u(number: float | None, u: float | None, quantity: Quantity, shown: Shown) -> str:
    text = shown.number(number, quantity)
    return text if number is None or not u else f"{text} ± {shown.spread(2 * u, quantity)} (95 %)"


def _ambient(value: Value, shown: Shown) -> str:
    if value.number is None:
        return f"unknown: {value.problem}"
    text = shown.both(value, _Q.BAROMETER)
    _, _, origin = (value.note or "").rpartition(") ")  # its number was said in kPa before that
    return f"{text}, {origin}" if origin else text


def _stage(report: StageReport, data: ReportData, shown: Shown) -> dict[str, Any]:
    stage = report.stage
    plots = [drawing_of(plot, stage.begun_ns, report.end_ns, shown, report.marks, data.gaps) for plot in report.plots]
    drawn = [plot for plot in plots if plot is not None]
    return {
        "number": stage.number,
        "name": registry.label(stage.kind),
        "when": _when(report, shown),
        "lines": _lines(report, shown),
        "picture": drawn[:1],
        "plots": drawn[1:],
        "summaries": [_summary(s, shown) for s in report.summaries],
        "findings": [_finding(f, f is report.result, shown) for f in report.findings],
    }


def _when(report: StageReport, shown: Shown) -> str:
    begun, end = (shown.time(t_ns, False) for t_ns in (report.stage.begun_ns, report.end_ns))
    took = lasted((report.end_ns - report.stage.begun_ns) / NS_PER_S)
    running = ", still running" if report.stage.ended_ns is None else ""
    return f"{begun} to {end[11:] if end[:10] == begun[:10] else end} {shown.zone}, {took}{running}"


def _lines(report: StageReport, shown: Shown) -> list[list[str]]:
    """(what, text) under the picture: the figures, what they were judged by, what is to be done."""
    text = text_of(report.result, shown) if report.result else None
    rows = [
        ("Figures", figures(report, shown)),
        ("Judged by", say.sentence(text.rule) if text and report.result and report.result.verdict in JUDGED else ""),
        ("Check next", "; ".join(text.check_next) if text else ""),
    ]
    return [[what, said] for what, said in rows if said]


def _summary(summary: PointSummary, shown: Shown) -> list[str]:
    point = POINTS[summary.point]

    def figure(value: float | None, t_ns: int | None = None) -> str:
        if value is None:
            return "none"
        text = shown.one(known(value, point.unit), point.quantity)
        return text if t_ns is None else f"{text} at {shown.clock(t_ns)}"

    return [
        point.label,
        figure(summary.first),
        figure(summary.low, summary.low_ns),
        figure(summary.high, summary.high_ns),
        figure(summary.last),
        _counted(summary),
    ]


def _counted(summary: PointSummary) -> str:
    why = f" ({summary.reason})" if summary.reason else ""
    return f"{summary.count:,}" + (f", {summary.missing:,} missing{why}" if summary.missing else "")


def _finding(finding: Finding, decides: bool, shown: Shown) -> dict[str, Any]:
    """decides: its verdict and sentence stand on the first page, and are not printed again."""
    text = say.beside_badge(text_of(finding, shown))
    return {
        "decides": decides,
        "repeated": text.line == text.body,
        "verdict": finding.verdict.value,
        "word": finding.verdict.word,
        "headline": say.sentence(text.headline),
        "text": text.body,
        "rule": text.rule,
        "decision_rule": text.decision_rule,
        "inputs": _inputs(finding, shown),
        "causes": list(text.causes),
        "check_next": list(text.check_next),
    }


def _inputs(finding: Finding, shown: Shown) -> list[list[str]]:
    """(label, number with its spread) of each number the finding rests on."""
    rows, named = [], ""
    for one in finding.inputs:
        if isinstance(one.value, str):
            named = cylinder_named(one.value) if one.name == "cylinder" and one.kind is Code.NAME else ""
            continue
        if _says_nothing(finding, one.name, one.kind, one.value):
            continue
        if one.name == "confidence":
            text = shown.confidence(one.value)
        elif isinstance(one.kind, Quantity):
            text = shown.with_spread(one.value, one.kind)
        else:  # of a record that does not say what quantity it is
            text = shown.in_si(one.value)
        label = f"of {named}" if one.name == "of_cylinder" and named else label_of(finding, one.name)
        rows.append([say.sentence(label), text])
    return rows


def _says_nothing(finding: Finding, name: str, kind: Quantity | Code | None, value: Value) -> bool:
    """What only an analysis works with, a time that is over, the number of a hold where there is one; findings.json has
    them."""
    holds = finding.value("holds")
    alone = name in ("hold_number", "holds") and holds is not None and holds.number == 1.0
    return alone or kind is _Q.DECADE_RATE or (kind is _Q.TIME and value.number == 0.0)


def _cylinder(row: CylinderRow, shown: Shown) -> list[str]:
    cylinder = row.cylinder
    marking = ["not entered"]
    if cylinder is not None:
        marking = [
            *([f"serial {cylinder.serial}"] if cylinder.serial else []),
            f"tare {shown.both(known(cylinder.tare_kg, 'kg'), _Q.MASS)}",
            f"water capacity {shown.both(known(cylinder.water_capacity_kg, 'kg'), _Q.MASS)}",
            f"tested {cylinder.tested.isoformat()}" if cylinder.tested else "test date not stated",
        ]
    numbers = [shown.one(v, _Q.MASS) for v in (row.begin, row.end, row.change, row.limit)]
    return [row.name, "; ".join(marking), str(row.stage or "–"), *numbers]


def _balance(label: str, value: Value, shown: Shown) -> list[str]:
    return [label, shown.with_spread(value, _Q.MASS), value.note or ""]


def _alarm(entry: AlarmEntry, shown: Shown) -> list[str]:
    number = entry.value.number
    value = shown.figure(entry.value, entry.quantity) if number is None else figure_text(number, entry.quantity, shown)
    if entry.limit.number is not None:
        value += f" (limit {limit_text(entry.limit.number, entry.quantity, shown)})"
    seen = "not acknowledged"
    if entry.acknowledged_ns is not None:
        by = f" by {entry.acknowledged_by}" if entry.acknowledged_by else ""
        seen = f"acknowledged {shown.clock(entry.acknowledged_ns)}{by}"
    cleared = entry.put_aside or "not cleared"
    if entry.cleared_ns is not None:
        cleared = f"cleared {shown.clock(entry.cleared_ns)}"
    label = entry.label + (" (first)" if entry.first_out else "")
    return [shown.time(entry.raised_ns), entry.priority.upper(), label, value, f"{seen}, {cleared}"]


def _gap(gap: GapEntry, shown: Shown) -> list[str]:
    took = lasted((gap.end_ns - gap.begin_ns) / NS_PER_S) if gap.end_ns > gap.begin_ns else "–"
    return [shown.time(gap.begin_ns), shown.time(gap.end_ns), took, gap.device or "all", gap.cause]


def _day(t_ns: int) -> date:
    return datetime.fromtimestamp(t_ns / NS_PER_S, UTC).date()


def _instrument(instrument: Instrument, shown: Shown, day: date) -> dict[str, Any]:
    about = [instrument.model, instrument.firmware and f"firmware {instrument.firmware}"]
    return {
        "name": instrument.name,
        "id": instrument.device_id,
        "about": ", ".join(part for part in about if part),
        "problem": instrument.problem,
        "rows": [_channel(channel, shown, day) for channel in instrument.channels],
    }


def _channel(channel: InstrumentChannel, shown: Shown, day: date) -> list[str]:
    point, calibration = POINTS[channel.point], channel.calibration
    done = [f"zero {shown.spread(calibration.zero, point.quantity)}", f"span {calibration.span:g}"]
    if calibration.done:
        done.append(calibration.done.isoformat())
    certified = {"by": calibration.by, "against": calibration.reference, "certificate": calibration.certificate}
    done += [f"{what} {text}" for what, text in certified.items() if text]
    if (drift := zero_drift(calibration)) is not None:
        done.append(f"zero moved by {shown.spread(drift, point.quantity)} since the one before")
    if calibration.zeroed:
        by = f" by {calibration.zeroed_by}" if calibration.zeroed_by else ""
        against = f" against {calibration.zeroed_against}" if calibration.zeroed_against else ""
        done.append(f"zero taken {calibration.zeroed.isoformat()}{by}{against}")
    how = standing(calibration, day)
    if how is Standing.NONE:
        done.append("no date of calibration recorded")
    elif how is Standing.OVERDUE:
        done.append(f"OVERDUE: due after {calibration.due_days} days")
    untouched = calibration.zero == 0 and calibration.span == 1 and not (calibration.done or calibration.zeroed)
    u = "not stated" if channel.u.number is None else f"± {shown.spread(2 * channel.u.number, point.quantity)}"
    return [
        f"{channel.index}",
        point.label,
        channel.sensor,
        _range(channel.range_low, channel.range_high, channel.unit, channel.gauge),
        _accuracy(channel),
        "Factory calibration, not verified" if untouched else ", ".join(done),
        u,
    ]


def _range(low: float | None, high: float | None, unit: str, gauge: bool) -> str:
    if low is None and high is None:
        return "not stated"
    first, last = ("?" if v is None else f"{v:,g}" for v in (low, high))
    name = _spread_unit(unit) if gauge else _unit_name(unit)
    if gauge:
        name += "g" if name in ("psi", "bar") else " gauge"
    return f"{first} to {last} {name}"


def _unit_name(ucum: str) -> str:
    """A UCUM code as people write it."""
    return next(
        (show_unit(unit) for unit in UNITS.values() if unit.ucum == ucum and unit.reference == "absolute"), ucum
    )


def _spread_unit(ucum: str) -> str:
    """The same for a difference, or where the reference is named beside it."""
    return _unit_name(ucum).replace("psia", "psi")


def _accuracy(channel: InstrumentChannel) -> str:
    parts: Sequence[str] = [
        f"{channel.accuracy:g} {_spread_unit(channel.unit)}" if channel.accuracy else "",
        f"{100 * channel.accuracy_of_reading:g} % of reading" if channel.accuracy_of_reading else "",
    ]
    stated = " + ".join(part for part in parts if part)
    return f"± ({stated})" if " + " in stated else f"± {stated}" if stated else "not stated"
