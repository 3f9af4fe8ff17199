"""What people do: each act is checked, becomes events of the record, and is answered."""

from collections.abc import Callable, Mapping
from typing import Any

from logger.model.alarm import State
from logger.model.errors import Refusal
from logger.model.events import (
    CylinderOnScale,
    Marked,
    NoteWritten,
    ProposalAnswered,
    Proposed,
    SettingChanged,
    StageBegun,
    StageEnded,
)
from logger.model.points import Quantity
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.model.value import count_of, instant_of, known, name_of, number, word
from logger.model.version import ANALYSIS, SOFTWARE
from logger.physics.charge_density import unlikely_charge
from logger.pipeline.correcting import correct, correctable
from logger.pipeline.engine import ENTERED_LATE_NS, Engine
from logger.pipeline.entries import checked_cylinder, checked_settings, kinds, there_are
from logger.pipeline.errors import NotNow, not_now
from logger.pipeline.live_values import forbidding
from logger.pipeline.proposals import acts_in_words, in_words, open_proposals
from logger.stages import registry
from logger.stages.definition import StageDefinition
from logger.stages.words import shown_finding, text_of

Body = dict[str, Any]


def do(engine: Engine, action: str, body: Body, now_ns: int) -> Body:
    """Carry out an action; events wait in `engine.take_events()`. Returns the answer. Raises NotNow."""
    act = _ACTS.get(action)
    if act is None:
        raise not_now("act.unknown", name_of("asked", clean(action)))
    if engine.model.state.job is None:
        raise not_now("act.no_job")
    if engine.catching_up_reason is not None and action in ("stage-begin", "stage-end", "yes"):
        raise not_now("act.catching_up", name_of("reason", engine.catching_up_reason))
    return act(engine, body, now_ns)


def end_stage(engine: Engine, now_ns: int, operator: str = "") -> Body:
    """End the running stage, if any; its findings become part of the record."""
    stage = engine.model.state.stage
    if stage is None:
        raise not_now("stage.none_running")
    if now_ns <= stage.begun_ns:
        raise not_now("stage.ends_too_early", word("stage", stage.kind), instant_of("begun", stage.begun_ns))
    number = engine.facts.identity(stage.number)
    engine.emit(StageEnded(t_ns=now_ns, number=number, operator=operator, analysis=ANALYSIS, software=SOFTWARE))
    if stage.number in engine.results:  # else they follow
        engine.record_findings(stage.number)
    text = f"{registry.label(stage.kind)} ended"
    return {"text": text, "ended": stage.number, "findings": findings_shown(engine, stage.number)}


def findings_shown(engine: Engine, number: int) -> list[dict[str, Any]]:
    """Of an ended stage, as the API gives them; none while they are computed."""
    result = engine.results.get(number)
    return [shown_finding(one, engine.shown) for one in result.findings] if result is not None else []


def _stage_begin(engine: Engine, body: Body, now_ns: int) -> Body:
    state = engine.model.state
    known = registry.definition(str(body.get("kind")))
    if known is None:
        raise not_now("stage.no_such_kind", *kinds())
    settings = checked_settings(engine, known, body.get("settings", {}), body.get("as_entered") is True)
    operator = _word(body, "operator")
    until_ns = _free(engine, now_ns)
    if body.get("anyway") is not True and until_ns is None and now_ns >= engine.model.now_ns - ENTERED_LATE_NS:
        _may_go_on(engine, known.kind)
    ended = end_stage(engine, now_ns, operator) if state.stage is not None and until_ns is None else {}
    identity = engine.facts.next_stage
    engine.emit(StageBegun(t_ns=now_ns, number=identity, kind=known.kind, settings=settings, operator=operator))
    if until_ns is not None:
        engine.emit(StageEnded(t_ns=until_ns, number=identity, operator=operator, analysis=ANALYSIS, software=SOFTWARE))
    number = next(s.place for s in engine.facts.stages if s.begun.number == identity)
    text = f"{known.label} begun, stage {number}"
    if ended:
        text = f"{ended['text']}\n{text}"
    if until_ns is not None:
        text = (
            f"{known.label} entered as stage {number}, {engine.shown.clock(now_ns)[:5]} to "
            f"{engine.shown.clock(until_ns)[:5]}; what was found follows in a moment"
        )
    return {**ended, "text": f"{text}{_judged_by(engine, known, settings)}", "number": number}


def _judged_by(engine: Engine, known: StageDefinition[Any], settings: Mapping[str, Any]) -> str:
    """Which acceptance profile a stage that begins is judged by, where it is by one."""
    key = settings.get("profile") or known.profile
    profile = engine.model.state.profiles.get(key) or known.profiles.get(key)
    which = "" if settings.get("profile") else "; another: `--profile NAME`"
    return "" if profile is None else f"\nJudged by {key}: {profile.label}{which}"


def _may_go_on(engine: Engine, kind: str) -> None:
    """Raises NotNow where a stage is begun twice, or left for a later one with its requirement missed."""
    state, pending = engine.model.state, engine.pending()
    last = state.stage or (state.stages[-1] if state.stages else None)
    if last is None:
        return
    which = (count_of("number", last.number), word("stage", last.kind))
    if last.ended_ns is None and kind == last.kind:
        lasted_s = (engine.model.now_ns - last.begun_ns) / NS_PER_S
        raise not_now("stage.same_runs", *which, number("lasted", Quantity.TIME, known(lasted_s, "s")))
    if pending is not None and pending.missed and registry.is_later(kind, last.kind):
        raise not_now("stage.not_done", *which, name_of("missed", pending.text))


def _free(engine: Engine, at_ns: int) -> int | None:
    """Until when no other stage is, for one that began then; None: until now, a running one is ended first. Raises
    NotNow."""
    for stage in engine.model.state.stages:
        which = (count_of("number", stage.number), word("stage", stage.kind))
        if at_ns < stage.begun_ns:
            return stage.begun_ns
        if stage.ended_ns is not None and at_ns < stage.ended_ns:
            raise not_now("stage.another_then", *which, instant_of("at", at_ns), instant_of("until", stage.ended_ns))
        if stage.ended_ns is None and at_ns <= stage.begun_ns:
            raise not_now("stage.begun_then", *which)
    return None


def _stage_end(engine: Engine, body: Body, now_ns: int) -> Body:
    return end_stage(engine, now_ns, _word(body, "operator"))


def _mark(engine: Engine, body: Body, now_ns: int) -> Body:
    act = _word(body, "act", 60)
    if not act:
        raise not_now("mark.empty")
    engine.emit(Marked(t_ns=now_ns, act=act, text=_word(body, "text")))
    return {"text": f"marked: {act}"}


def _note(engine: Engine, body: Body, now_ns: int) -> Body:
    text = _word(body, "text", 2000)
    if not text:
        raise not_now("note.empty")
    engine.emit(NoteWritten(t_ns=now_ns, text=text, author=_word(body, "author")))
    return {"text": "noted"}


def _cylinder(engine: Engine, body: Body, now_ns: int) -> Body:
    """By name, as the job or the user's list has it; the app adds "cylinder" data for one of the user's list."""
    state, name = engine.model.state, _word(body, "name", 60)
    data, known = body.get("cylinder"), state.catalogue.with_more(engine.user_catalogue)
    if data is not None:
        cylinder = checked_cylinder(data, known)
    elif (entered := engine.facts.cylinder_as_entered(name)) is not None:
        cylinder = entered
    else:
        raise not_now("cylinder.unknown", name_of("asked", name), *there_are(state.cylinders))
    weighing = engine.model.weighing
    late = now_ns < engine.model.now_ns - ENTERED_LATE_NS
    reading_kg = weighing.on_scale.number if weighing and not late else None
    inside = [name for name in (cylinder.refrigerant, *cylinder.candidates) if name is not None]
    brought = known.blend_records(name for name in inside if state.catalogue.blend(name) is None)
    engine.emit(CylinderOnScale(t_ns=now_ns, cylinder=cylinder, reading_kg=reading_kg, blends=tuple(brought) or None))
    against = [text_of(f, engine.shown).body for f in forbidding(engine.model, now_ns)]
    on_scale = engine.model.state.on_scale or cylinder.name
    return {"text": " ".join((f"{on_scale} is on the scale now.", *against))}


def _acknowledge(engine: Engine, body: Body, now_ns: int) -> Body:
    key, operator = _word(body, "key", 80), _word(body, "operator")
    alarms, state = engine.judge.alarm_engine, engine.judge.state
    before = len(engine.judge.waiting())
    if key:
        engine.step_alarms(_allowed(engine, lambda: alarms.acknowledge(state, key, operator, now_ns)))
        return {"text": f"acknowledged: {key}"}
    engine.step_alarms(alarms.acknowledge_all(state, operator, now_ns))
    done = before - len(engine.judge.waiting())
    if done:
        return {"text": f"{done} alarm{'' if done == 1 else 's'} acknowledged"}
    latched = [k for k, one in engine.judge.state.keys.items() if one.state is State.LATCHED_ACKNOWLEDGED]
    for latch in latched:  # seen before, and over: asked again, they are let go
        engine.step_alarms(alarms.reset(engine.judge.state, latch, operator, now_ns))
    return {"text": f"reset: {', '.join(latched)}" if latched else "nothing to acknowledge"}


def _alarm_act(verb: str) -> Callable[[Engine, Body, int], Body]:
    def act(engine: Engine, body: Body, now_ns: int) -> Body:
        key, operator, reason = _word(body, "key", 80), _word(body, "operator"), _word(body, "reason")
        alarms, state = engine.judge.alarm_engine, engine.judge.state
        if verb == "shelved":
            seconds = _number(body, "seconds", 1800.0)
            stepped = _allowed(engine, lambda: alarms.shelve(state, key, operator, reason, seconds, now_ns))
        elif verb == "unshelved":
            stepped = _allowed(engine, lambda: alarms.unshelve(state, key, operator, now_ns, reason))
        elif verb == "reset":
            stepped = _allowed(engine, lambda: alarms.reset(state, key, operator, now_ns, reason))
        elif verb == "taken out of service":
            stepped = _allowed(engine, lambda: alarms.out_of_service(state, key, operator, reason, now_ns))
        else:
            stepped = _allowed(engine, lambda: alarms.return_to_service(state, key, operator, now_ns, reason))
        engine.step_alarms(stepped)
        return {"text": f"{verb}: {key}"}

    return act


def _answered(answer: str) -> Callable[[Engine, Body, int], Body]:
    def act(engine: Engine, body: Body, now_ns: int) -> Body:
        """body: n, where there are several; of a yes what its acts need besides, and the time if it is another one."""
        one = _proposal(engine, body.get("n"))
        ended: Body = {}
        operator, as_of_ns, text = _word(body, "operator"), None, f"not so: {in_words(one, engine.shown).text}"
        if answer == "yes":
            at_ns = now_ns if {"ago_s", "at_ns"} & body.keys() else one.as_of_ns
            as_of_ns = at_ns if at_ns != one.as_of_ns else None
            text = f"{acts_in_words(one.acts)} as of {engine.shown.clock(at_ns)[:5]}"
            for each in one.acts:
                of_act = {**each.body, "operator": operator, "anyway": True}
                if each.action == "cylinder":
                    of_act |= {key: body[key] for key in ("name", "cylinder") if key in body}
                    if "name" not in of_act:
                        raise not_now("proposal.which_cylinder", count_of("n", one.n))
                done = _ACTS[each.action](engine, of_act, at_ns)
                text = "; ".join((text, *str(done["text"]).split("\n")))
                ended |= {key: done[key] for key in ("ended", "findings") if key in done}
        t_ns = engine.model.now_ns
        engine.emit(ProposalAnswered(t_ns=t_ns, n=one.n, answer=answer, operator=operator, as_of_ns=as_of_ns))
        return {**ended, "text": text, "n": one.n}

    return act


def _proposal(engine: Engine, n: Any) -> Proposed:
    """The open one of that number, or the only one. Raises NotNow."""
    found = open_proposals(engine.model.state)
    if not found:
        raise not_now("proposal.none")
    numbers = [count_of("open", one.n) for one in found]
    if n is None and len(found) > 1:
        raise not_now("proposal.several", *numbers)
    for one in found:
        if n in (None, one.n):
            return one
    raise not_now("proposal.unknown", name_of("n", clean(str(n), 20)), *numbers)


def _setting(engine: Engine, body: Body, now_ns: int) -> Body:
    key, value = _word(body, "key", 40), body.get("value")
    if key == "units" and value in ("us", "si"):
        pass
    elif key in _SETTINGS:
        value = _number(body, "value", 0.0)
        if not value > 0 or (key == "barometer_pa" and not 50_000 <= value <= 110_000):
            raise not_now(
                "correct.impossible", word("fact", f"job.{key}"), number("value", _SETTINGS[key], known(value, ""))
            )
        job = engine.model.state.job
        charge = value if key == "full_charge_kg" else job and job.full_charge_kg
        volume = value if key == "volume_m3" else job and job.volume_m3
        if key != "barometer_pa" and charge and volume and body.get("as_entered") is not True:
            slip = unlikely_charge(charge, volume, engine.model.refrigerant())
            if slip is not None:
                raise NotNow(slip)
    else:
        raise not_now("job_setting.unknown")
    engine.emit(SettingChanged(t_ns=now_ns, key=key, value=value))
    return {"text": f"{key} is {value} now"}


_SETTINGS = {
    "barometer_pa": Quantity.BAROMETER,
    "full_charge_kg": Quantity.MASS,
    "volume_m3": Quantity.VOLUME,
}


def _allowed(engine: Engine, act: Callable[[], Any]) -> Any:
    try:
        return act()
    except Refusal as exc:
        raise NotNow(*exc.why, about=exc.about) from exc


def _word(body: Body, key: str, limit: int = 300) -> str:
    value = body.get(key, "")
    if not isinstance(value, str):
        raise not_now("act.text", name_of("field", key))
    return clean(value, limit)


def _number(body: Body, key: str, default: float) -> float:
    value = body.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise not_now("act.number", name_of("field", key))
    return float(value)


_ACTS: dict[str, Callable[[Engine, Body, int], Body]] = {
    "stage-begin": _stage_begin,
    "stage-end": _stage_end,
    "mark": _mark,
    "note": _note,
    "cylinder": _cylinder,
    "acknowledge": _acknowledge,
    "shelve": _alarm_act("shelved"),
    "unshelve": _alarm_act("unshelved"),
    "reset": _alarm_act("reset"),
    "out-of-service": _alarm_act("taken out of service"),
    "return-to-service": _alarm_act("back in service"),
    "setting": _setting,
    "yes": _answered("yes"),
    "no": _answered("no"),
    "correct": correct,
    "correctable": correctable,
}
