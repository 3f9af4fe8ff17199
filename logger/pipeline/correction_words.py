"""Corrections in words, and the list of what can be corrected: for answers, events.csv and the report."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from logger.model.events import Corrected, CylinderOnScale, Marked, NoteWritten
from logger.model.points import POINTS, Quantity
from logger.model.text import clean
from logger.model.value import known
from logger.pipeline.fact_table import As, Correctable, fact_of, facts_of
from logger.pipeline.facts import Facts, channel_fact, target_of
from logger.pipeline.job_state import JobState
from logger.stages import registry
from logger.wording.given import cylinder_named
from logger.wording.values import Shown


def shown_value(fact: Correctable | None, value: Any, shown: Shown) -> str:
    """In the user's units and local time."""
    if value is None:
        return "unknown" if fact is None or fact.key != "stage.end" else "running"
    kind = fact.kind if fact is not None else As.TEXT
    if isinstance(kind, Quantity) and isinstance(value, int | float):
        return shown.one(known(float(value), ""), kind)
    if kind is As.TIME and isinstance(value, int):
        return shown.time(value)
    if kind is As.FLAG:
        return "struck" if value is True else "counts"
    if kind is As.CYLINDER and isinstance(value, dict):
        return str(value.get("name", "?"))
    if kind is As.STAGE_KIND and isinstance(value, dict):
        return registry.label(str(value.get("kind")))
    if kind is As.SPLIT and isinstance(value, dict):
        return f"{registry.label(str(value.get('kind')))} from {shown.time(int(value.get('at', 0)))}"
    if kind is As.POINT:
        return POINTS[value].label if value in POINTS else str(value)
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "none"
    if isinstance(value, float):
        return f"{value:g}"
    return clean(str(value), 120) or "blank"


def old_and_new(made: Corrected, facts: Facts | None, shown: Shown) -> tuple[str, str]:
    """Both values in words. facts: as for `about`; a zero is then in the unit of what its sensor measures."""
    fact = fact_of(made.fact)
    if fact is not None and fact.key == "channel.zero":
        point = channel_fact(facts.rig(), made.of, "point") if facts is not None else None
        if point not in POINTS:
            return f"{made.old or 0.0:g}", f"{made.new or 0.0:g} (in SI)"
        fact, old = replace(fact, kind=POINTS[point].quantity.difference), made.old or 0.0
        return shown_value(fact, old, shown), shown_value(fact, made.new, shown)
    return shown_value(fact, made.old, shown), shown_value(fact, made.new, shown)


def about(made: Corrected, facts: Facts | None, shown: Shown) -> str:
    """What was corrected: "cylinder A, tare". facts: all of the job, None where only the event is at hand."""
    fact = fact_of(made.fact)
    label = fact.label if fact is not None else made.fact
    span = f" since {shown.clock(made.since_ns)[:5]}" if made.since_ns is not None else ""
    span += f" until {shown.clock(made.until_ns)[:5]}" if made.until_ns is not None else ""
    (type_, number), rest = target_of(made.of), made.of.partition(":")[2]
    if type_ == "job":
        return label + span
    thing = f"{type_} {rest}"
    if type_ == "channel":
        thing = f"sensor {rest}"
    elif facts is not None and type_ == "cylinder" and 1 <= number <= len(facts.cylinders):
        thing = cylinder_named(facts.cylinder(number).name)
    elif facts is not None and type_ == "stage" and 1 <= number <= len(facts.stages):
        stage = facts.stages[number - 1]
        thing = f"stage {stage.place}" if stage.place else registry.label(stage.kind).lower()
        if made.fact == "stage.struck":
            thing = f"{registry.label(stage.kind).lower()} of {shown.clock(stage.begin_ns)[:5]}"
    elif facts is not None and type_ == "mark" and 1 <= number <= len(facts.marks):
        mark = facts.marks[number - 1].now
        thing = f"mark {number} ({mark.act if isinstance(mark, Marked) else ''})"
    if made.fact == "correction.undone":
        return thing
    return f"{thing}, {label}{span}"


def correction_text(made: Corrected, shown: Shown, facts: Facts | None = None) -> tuple[str, str]:
    """(about, text): "cylinder A, tare", "55.0 lb -> 61.4 lb; read from the collar"."""
    if made.fact == "correction.undone":
        text = "undone"
    elif made.fact.endswith(".struck"):
        text = "struck: it does not count"
    elif made.fact == "stage.joined":
        text = "joined with the one after it"
    else:
        text = " -> ".join(old_and_new(made, facts, shown))
    parts = [text, made.why, f"confirmed: {made.confirmed}" if made.confirmed else ""]
    return about(made, facts, shown), "; ".join(filter(None, parts))


def listed(facts: Facts, state: JobState, shown: Shown) -> Iterator[str]:
    """All that was entered, in lines of at most 78 characters where the names allow."""
    job = facts.job()
    if job is not None:
        yield f"job {job.job_id}"
        for fact in facts_of("job"):
            value = getattr(job, fact.name)
            yield f"  {fact.typed:<18}{shown_value(fact, _plain(value), shown)}"
    for i in range(1, len(facts.cylinders) + 1):
        cylinder = facts.cylinder(i)
        yield f"cylinder {cylinder.name}" + ("   (on the scale)" if cylinder.name == state.on_scale else "")
        for fact in facts_of("cylinder"):
            value = getattr(cylinder, fact.name)
            if fact.name not in ("name", "candidates", "requalify_years") or (fact.name == "candidates" and value):
                yield f"  {fact.typed:<18}{shown_value(fact, _plain(value), shown)}"
    for stage in sorted((s for s in facts.stages if s.stands), key=lambda s: s.place):
        end = shown.clock(stage.end_ns)[:5] if stage.end_ns is not None else "running"
        yield f"stage {stage.place}   {shown.time(stage.begin_ns)} to {end}   {registry.label(stage.kind)}"
        for name, value in stage.settings.items():
            row = fact_of(f"stage.settings.{name}")
            yield f"  {name.replace('_', '-'):<18}{shown_value(row, _plain(value), shown)}"
    for stage in (s for s in facts.stages if s.struck and s.split_from is None):
        yield f"struck    {shown.time(stage.begin_ns)}   {registry.label(stage.kind)}"
    for name, things in (("swap", facts.swaps), ("mark", facts.marks), ("note", facts.notes)):
        for i, thing in enumerate(things, 1):
            now = thing.now
            what = ""
            match now:
                case CylinderOnScale(cylinder=cylinder):
                    what = f"{cylinder.name} on the scale"
                case Marked(act=act, text=text):
                    what = f"{act} {text}".strip()
                case NoteWritten(text=text):
                    what = text
            gone = "   (struck)" if thing.struck else ""
            yield f"{name} {i}   {shown.time(now.t_ns)}   {clean(what, 44)}{gone}"
    for one in facts.corrections:
        subject, text = correction_text(one.event, shown, facts)
        by = f" by {one.event.by}" if one.event.by else ""
        undone = "" if one.standing else "   (undone)"
        yield f"correction {one.n}   {shown.time(one.event.t_ns)}{by}{undone}"
        yield f"  {subject}: {text}"


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value
