"""The snapshot as JSON: SI numbers for machines, `text` in the user's units for people.

Text that came from a device or a person is cleaned of control characters here, once, before any screen shows it.
"""

from datetime import UTC, datetime
from typing import Any

from logger.api.next_step import next_step
from logger.model.drawing import LimitLine
from logger.model.plain import plain
from logger.model.points import POINTS, Quantity
from logger.model.text import clean
from logger.model.units import NS_PER_S, STANDARD_ATMOSPHERE_PA, from_si, show, user_unit
from logger.model.value import Value, known
from logger.pipeline.snapshot import Snapshot
from logger.stages import registry
from logger.stages.words import shown_finding, text_of
from logger.wording.numbers import in_one
from logger.wording.values import Shown

CAUTION = (
    "Records and warns only. It replaces no relief valve, float switch or scale alarm: "
    "local codes, the cylinder's markings and licensed practice come first."
)

CAUTION_SHORT = "Records and warns only. Local codes and the cylinder's markings come first."


def shape(snapshot: Snapshot, extra: dict[str, Any]) -> dict[str, Any]:
    """JSON-able state. extra: what the app knows besides (alarms, devices, store, awake), already plain."""
    job, stage = snapshot.job, snapshot.stage
    ambient = snapshot.ambient_pa.number or STANDARD_ATMOSPHERE_PA
    view = registry.view(stage.kind if stage and stage.ended_ns is None else None)
    known_stage = registry.definition(stage.kind) if stage and stage.ended_ns is None else None

    def row(value: Value, quantity: Quantity) -> dict[str, Any]:
        return {
            "value": value.number,
            "unit": value.unit,
            "u": value.u,
            "problem": clean(in_one(value.problem, job.units)) if value.problem else None,
            "note": in_one(value.note, job.units) if value.note else value.note,
            "quantity": quantity.value,
            "text": show(value, quantity, job.units, ambient),
        }

    def _level(one: LimitLine, quantity: Quantity) -> dict[str, Any]:
        """shown: in the unit that the API's history is in."""
        unit = user_unit(quantity, job.units)
        return {
            "value": one.value,
            "shown": from_si(one.value, unit, ambient),
            "text": show(known(one.value, ""), quantity, job.units, ambient),
        }

    first = {name: i for i, name in enumerate(view.points)}
    points = [
        {"point": name, "label": POINTS[name].label, "age_s": now.age_s, **row(now.value, POINTS[name].quantity)}
        for name, now in sorted(snapshot.points.items(), key=lambda item: first.get(item[0], len(first)))
    ]
    quantities = registry.live_quantities()
    words = Shown(job.units, ambient)
    live = {
        key: {"key": key, "label": in_one(quantities[key].label, job.units), **row(value, quantities[key].quantity)}
        for key, value in snapshot.live.items()
    }
    return {
        "version": 1,
        "t_ns": snapshot.t_ns,
        "time": datetime.fromtimestamp(snapshot.t_ns / NS_PER_S, UTC).isoformat(timespec="seconds"),
        "job": {k: clean(v) if isinstance(v, str) else v for k, v in plain(job).items()},
        "refrigerant": clean(snapshot.refrigerant),
        "stage": None
        if stage is None
        else {
            **plain(stage),
            "label": registry.label(stage.kind),
            "running": stage.ended_ns is None,
            "elapsed_s": ((stage.ended_ns or snapshot.t_ns) - stage.begun_ns) / NS_PER_S,
        },
        "view": {
            "headline": view.headline,
            "lines": [k for k in view.lines if k in live],
            "trend": view.trend,
            "log_trend": view.log,
        },
        "ambient": row(snapshot.ambient_pa, Quantity.BAROMETER),
        "cylinder": plain(snapshot.cylinder) if snapshot.cylinder else None,
        "points": points,
        "live": live,
        "advice": [clean(line) for line in snapshot.advice],
        "findings": [shown_finding(f, words) for f in snapshot.findings],
        "earlier": [
            {"number": s.number, "label": registry.label(s.kind), "headline": text.headline, "text": text.body}
            for s, text in ((s, text_of(f, words)) for s, f in snapshot.earlier)
        ],
        "notes": [{"t_ns": n.t_ns, "text": clean(n.text), "author": clean(n.author)} for n in snapshot.notes],
        "marks": _marks(snapshot),
        "limits": [
            {"label": clean(one.label), "point": one.point, **_level(one, POINTS[one.point].quantity)}
            for one in snapshot.limits
        ],
        "acts": list(known_stage.acts) if known_stage is not None else [],
        "cylinders": [clean(name) for name in snapshot.cylinders],
        "proposals": [
            {
                "n": one.n,
                "key": one.key,
                "text": clean(one.text),
                "question": clean(one.question),
                "as_of_ns": one.as_of_ns,
                "needs": one.needs,
            }
            for one in snapshot.proposals
        ],
        "next": next_step(stage, snapshot.cylinder is not None, snapshot.pending, snapshot.proposals),
        "caution": CAUTION,
        "caution_short": CAUTION_SHORT,
        **extra,
    }


def _marks(snapshot: Snapshot) -> list[dict[str, Any]]:
    """What was marked in the stage shown, and the cylinders that came on the scale, oldest first."""
    said = [(one.t_ns, one.act.replace("-", " ")) for one in snapshot.marks]
    said += [(t_ns, f"{name} on the scale") for t_ns, name in snapshot.swaps]
    return [{"t_ns": t_ns, "text": clean(text)} for t_ns, text in sorted(said)]
