"""A correction as a person asks for it: found, checked as at first entry, weighed against what it makes looser."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from logger.cylinder.limits import CylinderLimits, limits
from logger.cylinder.markings import unlikely
from logger.model.cylinder import Cylinder, marked_date
from logger.model.errors import ComputeError, EventError
from logger.model.events import Corrected, Marked
from logger.model.plain import from_plain, plain
from logger.model.points import POINTS, Quantity
from logger.model.text import clean
from logger.model.value import Argument, Statement, Value, count_of, instant_of, known, name_of, number, word
from logger.physics.ambient import ambient
from logger.physics.charge_density import unlikely_charge
from logger.pipeline.correction_words import about, listed, old_and_new, shown_value
from logger.pipeline.engine import Engine
from logger.pipeline.entries import checked_cylinder, checked_settings, kinds, there_are
from logger.pipeline.errors import NotNow, not_now
from logger.pipeline.fact_table import As, Correctable, Span, facts_known, facts_of
from logger.pipeline.facts import Facts, StageNow, channel_fact, channel_name, effective_of, target_of
from logger.pipeline.job_state import JobState
from logger.pipeline.live_values import forbidding_of, refrigerant_of
from logger.refrigerant import Catalogue, RefrigerantError
from logger.stages import registry
from logger.stages.words import text_of
from logger.wording.values import Shown

TARGETS = ("job", "cylinder", "stage", "mark", "note", "swap", "sensor", "correction")
_NEIGHBOURS = ("stage.begin", "stage.end")
# What a number is above and at most, SI: the same as in a job file.
_RANGES = {
    "cylinder.tare_kg": (0.0, 100_000.0), "cylinder.water_capacity_kg": (0.0, 100_000.0),
    "cylinder.service_pressure_pa": (0.0, 100e6),
    "cylinder.test_pressure_pa": (0.0, 100e6), "cylinder.contents_kg": (-1e-9, 100_000.0),
    "cylinder.requalify_years": (0.0, 15.0), "job.full_charge_kg": (0.0, 1e6), "job.volume_m3": (0.0, 1e4),
    "job.volume_u_m3": (-1e-9, 1e4), "job.pump_ultimate_pa": (0.0, 1e5), "channel.span": (0.1, 10.0),
    "channel.zero": (-1e7, 1e7),
}  # fmt: skip
# Points whose lower reading lets more be put in, or a pressure be taken for lower.
_GUARDED = frozenset(
    {"cylinder_mass", "cylinder_pressure", "recovery_outlet_pressure", "system_pressure", "discharge_pressure",
     "liquid_pressure"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class LoosenedLimit:
    """label, before, after: in the user's units."""

    label: str
    before: str
    after: str


def correct(engine: Engine, body: dict[str, Any], now_ns: int) -> dict[str, Any]:
    """The act "correct": events wait in the engine, or the answer asks for a confirmation. Raises NotNow.

    body: target, which, fact, value (SI); since_ns, until_ns, why, by; token and again to confirm; over: although
    somebody else corrected it since `seen`; earlier: what earlier jobs give, by the app.
    """
    asked = _asked(engine, body, now_ns)
    trial = [*engine.recorded, *asked]
    facts = effective_of(trial)
    _check_facts(engine, facts, asked, body.get("as_entered") is True)
    shown, made = engine.shown, asked[0]
    state = JobState.by(facts)
    confirmed = None
    safety = any(engine.bearing(one)[1] for one in asked)
    looser = list(_looser(engine, state, asked, now_ns)) if safety else []
    if looser:
        bound = f"{made.fact} {made.of} {made.new!r} {made.since_ns} {made.until_ns}"
        token, again = body.get("token"), body.get("again")
        what = f"{about(made, facts, shown)}: {' -> '.join(old_and_new(made, facts, shown))}"
        if not token:
            lines = [what, *(f"{one.label}: {one.before} now, {one.after} then" for one in looser)]
            lines.append("This makes a limit looser. Read the marking once more, then confirm within 2 min.")
            return {
                "text": "\n".join(lines), "confirm": engine.confirmations.ask(bound, now_ns),
                "why_needed": not made.why,
            }  # fmt: skip
        if not isinstance(token, str) or not engine.confirmations.given(token, bound, now_ns):
            raise not_now("correct.confirmation")
        if again != body.get("value"):
            raise not_now("correct.typed_again")
        if not made.why:
            raise not_now("correct.reason")
        confirmed = "; ".join(f"{one.label}: {one.before} -> {one.after}" for one in looser)
    for one in asked:
        engine.emit(replace(one, confirmed=confirmed))
    engine.judge_now()
    return {
        "text": "\n".join(_answer(engine, asked, shown)), "correction": made.n, "safety": safety,
        "effect": engine.bearing(made)[0].value,
    }  # fmt: skip


def correctable(engine: Engine, body: dict[str, Any], now_ns: int) -> dict[str, Any]:
    """The act "correctable": all that was entered, and what was corrected, as lines."""
    del body, now_ns
    return {"text": "\n".join(listed(engine.facts, engine.model.state, engine.shown))}


def _answer(engine: Engine, made: list[Corrected], shown: Shown) -> Iterator[str]:
    facts = engine.facts
    for one in made:
        if one.fact == "correction.undone":
            yield f"Correction {one.n}: {about(one, facts, shown)} undone"
        else:
            old, new = old_and_new(one, facts, shown)
            yield f"Correction {one.n}: {about(one, facts, shown)}: {old} -> {new}"
    state = engine.model.state
    if made[0].fact == "stage.struck" and made[0].new is True:
        cut = [s for s in state.stages if s.ended_ns is not None]
        if cut and state.stage is None and engine.live:
            yield "No stage is running now. If the one before is still going on:"
            yield f"  rimelog correct stage {cut[-1].number} --reopen"
    if engine.catching_up_reason is not None and engine.live:
        yield "Being worked in now; until then the stricter of old and new counts."


# -- what is meant ---------------------------------------------------------------------------------------------------


def _asked(engine: Engine, body: dict[str, Any], now_ns: int) -> list[Corrected]:
    """One, and where two stages touch the one of the other bound, moved along."""
    facts = engine.facts
    target = str(body.get("target", ""))
    if target not in TARGETS:
        raise not_now("correct.target", *there_are(TARGETS))
    of = _which(engine, target, str(body.get("which", "")).strip())
    fact = _named(target, of, str(body.get("fact", "")), facts)
    since_ns, until_ns = _span(fact, body, facts, now_ns)
    old = _old(facts, of, fact, since_ns if since_ns is not None else until_ns and until_ns - 1)
    as_entered = body.get("as_entered") is True
    new = _checked(engine, fact, of, body.get("value"), now_ns, as_entered)
    seen = body.get("seen", len(facts.corrections))
    _not_over_another(facts, fact, of, seen, bool(body.get("over")), engine.shown)
    n = len(facts.corrections) + 1
    blends = None
    if fact.kind is As.REFRIGERANT and new is not None and engine.model.state.catalogue.blend(new) is None:
        blends = tuple(engine.user_catalogue.blend_records([new])) or None
    earlier = body.get("earlier") if isinstance(body.get("earlier"), dict) else None
    made = Corrected(
        t_ns=now_ns, n=n, fact=fact.key, of=of, old=old, new=new, since_ns=since_ns, until_ns=until_ns,
        by=_text(body, "by", 80), why=_text(body, "why", 300), seen=seen if type(seen) is int else 0, blends=blends,
        earlier=earlier,
    )  # fmt: skip
    if old == new and since_ns is None and until_ns is None:
        what = about(made, facts, engine.shown)
        raise not_now("correct.unchanged", name_of("about", what), _valued("value", fact, old, engine.shown))
    return [made, *_neighbour(facts, made), *_as_stamped(engine, made, as_entered)]


def _text(body: dict[str, Any], key: str, most: int) -> str:
    value = body.get(key, "")
    if not isinstance(value, str):
        raise not_now("act.text", name_of("field", key))
    return clean(value, most).strip()


def _which(engine: Engine, target: str, which: str) -> str:
    """Its name in the record. Raises NotNow that says what there is."""
    facts = engine.facts
    if target == "job":
        return "job"
    if target == "cylinder":
        names = [facts.cylinder(i).name for i in range(1, len(facts.cylinders) + 1)]
        folded = [name.casefold() for name in names]
        if which.casefold() in folded:
            return f"cylinder:{folded.index(which.casefold()) + 1}"
        raise not_now("cylinder.unknown", name_of("asked", clean(which, 60)), *there_are(names))
    if target == "sensor":
        return _channel(facts, which)
    ordinal = int(which) if which.isascii() and which.isdecimal() and len(which) < 9 else 0
    if target == "stage":
        stage = facts.stage_at(ordinal) or _stage_by_kind(facts, which)
        if stage is not None:
            return f"stage:{stage.ordinal}"
        raise not_now("correct.stage", *_asked_for(which), *there_are(f"{s.place} {s.kind}" for s in _in_order(facts)))
    things = {"mark": facts.marks, "note": facts.notes, "swap": facts.swaps, "correction": facts.corrections}[target]
    if not ordinal and target == "mark":
        acts = [i for i, one in enumerate(facts.marks, 1) if isinstance(one.now, Marked) and one.now.act == which]
        ordinal = acts[0] if len(acts) == 1 else 0
    if not 1 <= ordinal <= len(things):
        raise not_now(
            "correct.numbered", word("target", target), *_asked_for(which), count_of("there_are", len(things))
        )
    return f"{target}:{ordinal}"


def _channel(facts: Facts, which: str) -> str:
    rig = facts.rig()
    found = [(d.name, c) for d in (rig.devices if rig else ()) for c in d.channels]
    wanted = which.replace("-", "_").casefold()
    for device, channel in found:
        label = POINTS[channel.point].label.casefold() if channel.point in POINTS else ""
        if wanted in (channel.point, f"{device}/{channel.index}".casefold()) or which.casefold() == label:
            return channel_name(device, channel.index)
    for loaded in facts.rigs:  # one that a correction has taken off its point
        for d in loaded[1].rig.devices:
            for c in d.channels:
                if f"{d.name}/{c.index}".casefold() == which.casefold():
                    return channel_name(d.name, c.index)
    raise not_now("correct.sensor", *_asked_for(which), *there_are(c.point for _, c in found))


def _stage_by_kind(facts: Facts, which: str) -> StageNow | None:
    found = [s for s in _in_order(facts) if s.kind == which.casefold()]
    return found[0] if len(found) == 1 else None


def _in_order(facts: Facts) -> list[StageNow]:
    return sorted((s for s in facts.stages if s.stands), key=lambda s: s.place)


def _named(target: str, of: str, name: str, facts: Facts) -> Correctable:
    type_ = "channel" if target == "sensor" else target
    rows = list(facts_of(type_))
    if type_ == "stage":
        kind = facts.stages[target_of(of)[1] - 1].kind
        known = registry.definition(kind)
        own = {f.name for f in known.settings.__dataclass_fields__.values()} if known else set()
        rows = [one for one in rows if not one.key.startswith("stage.settings.") or one.name in own]
    wanted = name.replace("_", "-").casefold()
    for one in rows:
        if wanted in (one.typed, one.label):
            return one
    can = there_are(one.typed for one in rows if one.kind is not As.FLAG)
    raise not_now("correct.fact", word("target", target), *_asked_for(name), *can)


def _asked_for(which: str) -> tuple[Argument, ...]:
    """What was typed; nothing where it was left out."""
    text = clean(which, 60)
    return (name_of("asked", text),) if text else ()


def _word_of(fact: Correctable) -> Argument:
    return word("fact", fact.key)


def _valued(name: str, fact: Correctable, value: Any, shown: Shown) -> Argument:
    """A value of a fact: a number of its quantity, a moment, or as it is listed."""
    if isinstance(fact.kind, Quantity) and isinstance(value, int | float):
        return number(name, fact.kind, known(float(value), ""))
    if fact.kind is As.TIME and isinstance(value, int):
        return instant_of(name, value)
    return name_of(name, shown_value(fact, value, shown))


def _fact(made: Corrected) -> Correctable:
    return facts_known()[made.fact]


def _span(fact: Correctable, body: dict[str, Any], facts: Facts, now_ns: int) -> tuple[int | None, int | None]:
    bounds: list[int | None] = []
    for key in ("since_ns", "until_ns"):
        value = body.get(key)
        if value is None:
            bounds.append(None)
            continue
        if Span.SINCE not in fact.spans:
            raise not_now("correct.no_span", _word_of(fact))
        bounds.append(_time(value, facts, now_ns))
    since_ns, until_ns = bounds
    if since_ns is not None and until_ns is not None and since_ns >= until_ns:
        raise not_now("correct.span")
    return since_ns, until_ns


def _time(value: Any, facts: Facts, now_ns: int) -> int:
    begun_ns = facts.opened.t_ns if facts.opened is not None else 0
    if type(value) is not int or not begun_ns <= value <= now_ns:
        raise not_now("correct.time")
    return value


def _old(facts: Facts, of: str, fact: Correctable, t_ns: int | None) -> Any:
    """The effective value, plain."""
    type_, ordinal = target_of(of)
    match type_:
        case "job":
            return plain(getattr(facts.job(t_ns), fact.name))
        case "cylinder":
            return plain(getattr(facts.cylinder(ordinal), fact.name))
        case "channel":
            return channel_fact(facts.rig(t_ns), of, fact.name)
        case "correction":
            return not facts.corrections[ordinal - 1].standing
        case "stage":
            return _old_of_stage(facts.stages[ordinal - 1], fact)
    thing = {"mark": facts.marks, "note": facts.notes, "swap": facts.swaps}[type_][ordinal - 1]
    if fact.name == "struck":
        return thing.struck
    if fact.name == "at":
        return thing.now.t_ns
    return plain(getattr(thing.now, fact.name))


def _old_of_stage(stage: StageNow, fact: Correctable) -> Any:
    match fact.key:
        case "stage.begin":
            return stage.begin_ns
        case "stage.end":
            return stage.end_ns
        case "stage.kind":
            return {"kind": stage.kind, "settings": dict(stage.settings)}
        case "stage.struck":
            return stage.struck
        case "stage.split" | "stage.joined":
            return None
    return stage.settings.get(fact.name)


# -- plausible, as at first entry ------------------------------------------------------------------------------------


def _checked(engine: Engine, fact: Correctable, of: str, value: Any, now_ns: int, as_entered: bool) -> Any:
    """As it is stored. Raises NotNow."""
    if value is None:
        if fact.optional:
            return None
        raise not_now("correct.never_unknown", _word_of(fact))
    if isinstance(fact.kind, Quantity):
        return _number(engine, fact, value)
    kind = fact.kind
    if isinstance(kind, tuple):
        if value not in kind:
            raise not_now("correct.one_of", _word_of(fact), *there_are(kind))
        return value
    if fact.key.startswith("stage.settings."):
        return _setting(engine, fact, of, value, as_entered)
    match kind:
        case As.NUMBER:
            return _number(engine, fact, value)
        case As.DAY:
            return _day(fact, value)
        case As.REFRIGERANT:
            return _refrigerant(engine, value)
        case As.TIME:
            return _time(value, engine.facts, now_ns)
        case As.FLAG:
            return value is True
        case As.POINT:
            if value not in POINTS:
                raise not_now("point.unknown", name_of("asked", clean(str(value), 40)))
            return value
        case As.CYLINDER:
            return _cylinder(engine, value)
        case As.STAGE_KIND | As.SPLIT:
            return _kind(engine, fact, of, value, now_ns, as_entered)
        case As.STAGE:
            return _neighbour_stage(engine.facts, of, value)
    if kind is As.LINES:
        lines = value if isinstance(value, list) else str(value).split("\n")
        return [clean(str(line), 100) for line in lines][:10]
    if fact.key == "cylinder.candidates":
        return [_refrigerant(engine, one) for one in (value if isinstance(value, list) else [value])]
    if not isinstance(value, str) or (not clean(value, 200).strip() and fact.key in ("cylinder.name", "mark.act")):
        raise not_now("correct.line", _word_of(fact))
    text = clean(value, 200).strip()
    if fact.key == "cylinder.name":
        names = [engine.facts.cylinder(i).name.casefold() for i in range(1, len(engine.facts.cylinders) + 1)]
        if f"cylinder:{names.index(text.casefold()) + 1 if text.casefold() in names else 0}" not in (of, "cylinder:0"):
            raise not_now("correct.other_cylinder", name_of("cylinder", text))
        return text[:60]
    return text


def _number(engine: Engine, fact: Correctable, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise not_now("correct.number", _word_of(fact))
    above, most = _RANGES.get(fact.key, (-math.inf, math.inf))
    if not above < value <= most:
        quantity = fact.kind if isinstance(fact.kind, Quantity) else Quantity.COUNT
        raise not_now("correct.impossible", _word_of(fact), number("value", quantity, known(float(value), "")))
    if fact.key in ("job.altitude_m", "job.barometer_pa"):
        try:
            is_altitude = fact.name == "altitude_m"
            ambient(None, None if is_altitude else float(value), float(value) if is_altitude else None)
        except ComputeError as exc:
            raise not_now("correct.wrong", _word_of(fact), name_of("reason", str(exc))) from exc
    return float(value)


def _day(fact: Correctable, value: Any) -> str:
    try:
        return marked_date(str(value)).isoformat()
    except ValueError as exc:
        raise not_now("correct.day", _word_of(fact), name_of("reason", str(exc))) from exc


def _refrigerant(engine: Engine, value: Any) -> str:
    catalogue = engine.model.state.catalogue.with_more(engine.user_catalogue)
    try:
        return catalogue.find(str(value)).name
    except RefrigerantError as exc:
        raise not_now("correct.refrigerant", name_of("reason", str(exc))) from exc


def _cylinder(engine: Engine, value: Any) -> dict[str, Any]:
    """As entered: one of the job's own by name, or a whole one."""
    if isinstance(value, str):
        entered = engine.facts.cylinder_as_entered(value)
        if entered is None:
            asked = name_of("asked", clean(value, 60))
            raise not_now("cylinder.unknown", asked, *there_are(engine.model.state.cylinders))
        return dict(plain(entered))
    known_names: Catalogue = engine.model.state.catalogue.with_more(engine.user_catalogue)
    return dict(plain(checked_cylinder(value, known_names)))


def _setting(engine: Engine, fact: Correctable, of: str, value: Any, as_entered: bool) -> Any:
    stage = engine.facts.stages[target_of(of)[1] - 1]
    return _settings_of(engine, stage.kind, {fact.name: value}, as_entered)[fact.name]


def _settings_of(engine: Engine, kind: str, given: Any, as_entered: bool) -> dict[str, Any]:
    found = registry.definition(kind)
    if found is None:
        raise not_now("stage.no_such_kind", *kinds())
    return checked_settings(engine, found, given, as_entered)


def _kind(engine: Engine, fact: Correctable, of: str, value: Any, now_ns: int, as_entered: bool) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise not_now("correct.kind")
    stage = engine.facts.stages[target_of(of)[1] - 1]
    kind = str(value.get("kind") or stage.kind)
    given = value.get("settings")
    if given is None and kind == stage.kind:
        given = stage.settings
    made: dict[str, Any] = {"kind": kind, "settings": _settings_of(engine, kind, given or {}, as_entered)}
    if fact.kind is As.SPLIT:
        at_ns = _time(value.get("at"), engine.facts, now_ns)
        if not stage.begin_ns < at_ns < (stage.end_ns or now_ns):
            raise not_now("correct.split")
        made["at"] = at_ns
    return made


def _neighbour_stage(facts: Facts, of: str, value: Any) -> str:
    """The one after it, of the same kind."""
    order = _in_order(facts)
    stage = facts.stages[target_of(of)[1] - 1]
    after = order[order.index(stage) + 1 :] if stage in order else []
    if not after or after[0].kind != stage.kind or (type(value) is int and after[0].place != value):
        following = there_are(f"{one.place} {one.kind}" for one in after[:1])
        raise not_now("correct.joined", count_of("number", stage.place), *following)
    return f"stage:{after[0].ordinal}"


def _not_over_another(facts: Facts, fact: Correctable, of: str, seen: Any, over: bool, shown: Shown) -> None:
    newest = [c for c in facts.corrections if c.standing and (c.event.fact, c.event.of) == (fact.key, of)]
    if newest and not over and (type(seen) is not int or newest[-1].n > seen):
        one = newest[-1].event
        by = (name_of("by", one.by),) if one.by else ()
        values = (_valued(name, fact, value, shown) for name, value in (("old", one.old), ("new", one.new)))
        raise not_now("correct.another", *by, instant_of("at", one.t_ns), count_of("number", newest[-1].n), *values)


# -- stages beside each other ----------------------------------------------------------------------------------------


def _as_stamped(engine: Engine, made: Corrected, as_entered: bool) -> list[Corrected]:
    """An unlikely marking that a person says is stamped so. Raises NotNow with the probable slip."""
    if not made.of.startswith("cylinder:"):
        return []
    cylinder = effective_of([*engine.recorded, made]).cylinder(target_of(made.of)[1])
    slip = unlikely(cylinder)
    if slip is None:
        return []
    if not as_entered:
        raise NotNow(slip.why, Statement("correct.as_stamped"))
    return [replace(made, n=made.n + 1, fact="cylinder.as_stamped", old=cylinder.as_stamped, new=True)]


def _neighbour(facts: Facts, made: Corrected) -> list[Corrected]:
    """The bound of the stage beside, where the two touched: it moves along."""
    if made.fact not in _NEIGHBOURS or made.new is None:
        return []
    stage = facts.stages[target_of(made.of)[1] - 1]
    for other in _in_order(facts):
        if other is stage:
            continue
        if made.fact == "stage.begin" and other.end_ns == made.old and other.begin_ns < made.new:
            fact, old = "stage.end", other.end_ns
        elif made.fact == "stage.end" and other.begin_ns == made.old and (other.end_ns or made.new + 1) > made.new:
            fact, old = "stage.begin", other.begin_ns
        else:
            continue
        return [replace(made, n=made.n + 1, fact=fact, of=f"stage:{other.ordinal}", old=old)]
    return []


def _check_facts(engine: Engine, facts: Facts, asked: list[Corrected], as_entered: bool) -> None:
    """What it all comes to is possible. Raises NotNow."""
    made = asked[0]
    if made.fact == "correction.undone":
        n = target_of(made.of)[1]
        if not engine.facts.corrections[n - 1].standing:
            raise not_now("correct.undone", count_of("number", n))
    order = _in_order(facts)
    for stage, after in zip(order, [*order[1:], None], strict=True):
        which = (count_of("number", stage.place), word("stage", stage.kind))
        if stage.end_ns is not None and stage.end_ns <= stage.begin_ns:
            raise not_now("correct.ends_too_early", *which)
        if after is not None and (stage.end_ns is None or stage.end_ns > after.begin_ns):
            other = (count_of("next_number", after.place), word("next_stage", after.kind))
            until = () if stage.end_ns is None else (instant_of("until", stage.end_ns),)
            raise not_now("correct.overlap", *which, *until, *other, instant_of("begin", after.begin_ns))
    job, density = facts.job(), ("job.full_charge_kg", "job.volume_m3", "job.refrigerant")
    if job is not None and made.fact in density and job.full_charge_kg and job.volume_m3 and not as_entered:
        refrigerant = refrigerant_of(JobState.by(facts))
        if (slip := unlikely_charge(job.full_charge_kg, job.volume_m3, refrigerant)) is not None:
            raise NotNow(slip, Statement("correct.as_entered"))
    if made.fact.startswith("cylinder.") or made.fact == "swap.cylinder":
        _check_stays(engine, facts)
    try:
        for i in range(1, len(facts.cylinders) + 1):
            from_plain(Cylinder, plain(facts.cylinder(i)))
    except EventError as exc:
        raise not_now("cylinder.unreadable", name_of("reason", str(exc))) from exc


def _check_stays(engine: Engine, facts: Facts) -> None:
    """No cylinder on the scale was lighter than its tare."""
    state = engine.model.state
    by_name = {facts.cylinder(i).name: facts.cylinder(i) for i in range(1, len(facts.cylinders) + 1)}
    for stage, result in engine.results.items():
        for stay in result.stays:
            cylinder = by_name.get(stay.cylinder)
            lightest = min((v for v in (stay.before, stay.after) if v.number is not None), key=_mass, default=None)
            if cylinder is None or lightest is None or lightest.number is None:
                continue
            net = lightest.number - cylinder.tare_kg
            if net < -2 * (lightest.u or 0.0) - 0.05:
                raise _under_tare(cylinder, lightest, count_of("number", stage))
    now = engine.model.weighing.on_scale if engine.model.weighing is not None else None
    cylinder = by_name.get(state.on_scale or "")
    if now is None or now.number is None or cylinder is None or not engine.live:
        return
    if now.number - cylinder.tare_kg < -2 * (now.u or 0.0) - 0.05:
        raise _under_tare(cylinder, now)


def _under_tare(cylinder: Cylinder, gross: Value, *more: Argument) -> NotNow:
    return not_now(
        "correct.under_tare", name_of("cylinder", cylinder.name), number("gross", Quantity.MASS, gross), *more
    )


def _mass(value: Any) -> float:
    return float(value.number)


# -- what becomes looser ---------------------------------------------------------------------------------------------


def _looser(engine: Engine, then: JobState, asked: list[Corrected], now_ns: int) -> Iterator[LoosenedLimit]:
    """What could be filled further, or driven higher, than by the entries of now."""
    model, now, shown = engine.model, engine.model.state, engine.shown
    for name, cylinder in then.cylinders.items():
        before = now.cylinders.get(name) or _renamed(now, then, name)
        if before is None:
            continue
        was, will = _most_gross(now, before), _most_gross(then, cylinder)
        if was is not None and will is not None and will > was + 1e-6:
            yield LoosenedLimit(
                f"{name}, most on the scale", *(shown.one(known(x, ""), Quantity.MASS) for x in (was, will))
            )
        a, b = before.service_pressure_pa, cylinder.service_pressure_pa
        if a is not None and (b is None or b > a):
            kind = Quantity.PRESSURE_DIFFERENCE
            after = "unknown" if b is None else shown.one(known(b, ""), kind)
            yield LoosenedLimit(f"{name}, service pressure", shown.one(known(a, ""), kind), after)
    if then.on_scale != now.on_scale and now.cylinder is not None and then.cylinder is not None:
        was, will = _most_gross(now, now.cylinder), _most_gross(then, then.cylinder)
        if was is not None and will is not None and will > was + 1e-6:
            yield LoosenedLimit("most on the scale now", *(shown.one(known(x, ""), Quantity.MASS) for x in (was, will)))
    lifted = {f.key: f for f in forbidding_of(model, now, now_ns)}
    for one in forbidding_of(model, then, now_ns):
        lifted.pop(one.key, None)
    for finding in lifted.values():
        yield LoosenedLimit(text_of(finding, shown).headline, "must not be filled", "may be filled")
    for made in (_turned(engine, one) for one in asked):
        if (
            made.fact.startswith("channel.")
            and (point := channel_fact(engine.facts.rig(), made.of, "point")) in _GUARDED
        ):
            yield from _looser_reading(engine, made, point)
        fact, both = _fact(made), (made.old, made.new)
        numbers = isinstance(fact.kind, Quantity) and all(isinstance(x, int | float) for x in both)
        if fact.key.startswith("stage.settings.") and fact.safety and numbers and made.new > made.old:
            yield LoosenedLimit(fact.label, *(shown_value(fact, x, shown) for x in both))


def _turned(engine: Engine, made: Corrected) -> Corrected:
    """To undo is to correct from the new value to the old one."""
    while made.fact == "correction.undone":
        undone = _turned(engine, engine.facts.corrections[target_of(made.of)[1] - 1].event)
        made = replace(undone, old=undone.new, new=undone.old)
    return made


def _renamed(now: JobState, then: JobState, name: str) -> Cylinder | None:
    gone = [c for n, c in now.cylinders.items() if n not in then.cylinders]
    return gone[0] if name not in now.cylinders and len(gone) == 1 else None


def _most_gross(state: JobState, cylinder: Cylinder) -> float | None:
    if state.job is None:
        return None
    try:
        found: CylinderLimits = limits(cylinder, state.job.jurisdiction, state.job.refrigerant, state.catalogue)
    except (ComputeError, RefrigerantError):
        return None
    return None if found.max_net.number is None else found.max_net.number + cylinder.tare_kg


def _looser_reading(engine: Engine, made: Corrected, point: str) -> Iterator[LoosenedLimit]:
    """A lower reading of what is guarded, or none."""
    label = POINTS[point].label
    if made.fact == "channel.point":
        yield LoosenedLimit(label, "measured by this sensor", "not measured by it")
        return
    higher_is_lower = made.fact == "channel.zero"
    was, will = float(made.old or 0.0), float(made.new)
    if (will > was) == higher_is_lower and will != was:
        before, after = old_and_new(made, engine.facts, engine.shown)
        yield LoosenedLimit(f"{label} then reads lower, {_fact(made).label}", before, after)
