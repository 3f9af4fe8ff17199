"""From readings to a proposal to a person's yes: the same record facts as if it had been told by hand then."""

from collections.abc import Iterator

import pytest

from logger.model.events import (
    CylinderOnScale,
    Marked,
    ProposalAnswered,
    Proposed,
    StageBegun,
    StageEnded,
)
from logger.model.units import NS_PER_S
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine
from logger.pipeline.errors import NotNow
from logger.pipeline.facts import effective_of
from logger.pipeline.proposals import open_proposals
from logger.pipeline.replay import in_order
from tests.export.simulated import T0_NS
from tests.pipeline.test_engine import brewery

ACTS = (StageBegun, StageEnded, Marked, CylinderOnScale)
NAMES = ("cylinder A", "cylinder B")


def evening(until_s: int, entered: tuple[str, ...] = ("cylinder A",)) -> Engine:
    """The brewery's recovery with nobody telling anything but these cylinders. The engine's own events go on being
    applied as they are made."""
    engine, next_tick, entered_ns = Engine(), 0, []
    for t_ns, _, _, device, item in in_order(brewery()):
        if t_ns > T0_NS + until_s * NS_PER_S:
            break
        if t_ns >= next_tick:
            engine.tick(t_ns)
            next_tick = t_ns - t_ns % NS_PER_S + NS_PER_S
        if isinstance(item, bytes):
            engine.device_connected(device)
            engine.frame(device, t_ns, item)
        elif not isinstance(item, ACTS) or (isinstance(item, CylinderOnScale) and item.cylinder.name in entered):
            engine.apply(item)
            entered_ns.append(t_ns)
    return engine


def proposed(engine: Engine) -> Iterator[Proposed]:
    return (event for event in engine.recorded if isinstance(event, Proposed))


def test_a_recovery_that_nobody_began_is_proposed_and_rings_within_a_minute() -> None:
    engine = evening(160)  # the machine was started at 90 s
    (one,) = proposed(engine)
    assert one.about.key == "recovery.started"
    assert one.as_of_ns == pytest.approx(T0_NS + 90 * NS_PER_S, abs=5 * NS_PER_S)
    assert one.t_ns < T0_NS + 130 * NS_PER_S
    judge = engine.judge
    rows = judge.alarm_engine.present(judge.state, judge.inputs(engine.model, engine.values))
    rung = [row for row in rows if row.key == "flow-no-stage"]
    assert len(rung) == 1 and engine.values["flow_without_stage"].number == pytest.approx(0.058 * 68, rel=0.2)
    shown = engine.snapshot()
    assert [p.n for p in shown.proposals] == [1] and shown.proposals[0].question.startswith("Begin recovery as of ")


def test_a_yes_gives_the_facts_of_one_who_told_it_then() -> None:
    asked, by_hand = evening(160), evening(160)
    (one,) = proposed(asked)
    now_ns = asked.model.now_ns
    assert do(asked, "yes", {"operator": "A. B."}, now_ns)["n"] == 1
    do(by_hand, "stage-begin", {"kind": "recovery", "operator": "A. B."}, one.as_of_ns)
    facts = [effective_of(engine.recorded) for engine in (asked, by_hand)]
    begun = [[p.event for p in found.events if isinstance(p.event, ACTS)] for found in facts]
    assert begun[0] == begun[1]
    assert open_proposals(asked.model.state) == []
    by_hand.tick(by_hand.model.now_ns + NS_PER_S)
    answers = [e.answer for e in by_hand.recorded if isinstance(e, ProposalAnswered)]
    assert answers == ["entered"], "told by hand: nothing is asked any more"


def test_a_yes_may_say_another_time() -> None:
    engine = evening(160)
    at_ns = T0_NS + 60 * NS_PER_S
    do(engine, "yes", {"n": 1, "at_ns": at_ns}, at_ns)
    assert engine.model.state.stages[0].begun_ns == at_ns
    assert engine.model.state.answers[1].as_of_ns == at_ns


def test_a_no_is_kept_and_it_is_not_asked_again() -> None:
    engine = evening(160)
    do(engine, "no", {}, engine.model.now_ns)
    assert engine.model.state.answers[1].answer == "no"
    assert engine.snapshot().proposals == ()
    with pytest.raises(NotNow, match=r"proposal\.none"):
        do(engine, "yes", {}, engine.model.now_ns)
    assert engine.model.state.stages == []


def test_another_cylinder_is_asked_for_by_name_where_the_weight_does_not_tell() -> None:
    """Of two that fit neither, a person says which."""
    engine = evening(1480, entered=("cylinder A",))
    swap = next(e for e in proposed(engine) if e.about.key == "scale.cylinder_changed")
    assert swap.as_of_ns == pytest.approx(T0_NS + 1170 * NS_PER_S, abs=90 * NS_PER_S)
    with pytest.raises(NotNow, match=r"proposal\.several"):
        do(engine, "yes", {}, engine.model.now_ns)
    if not swap.acts[0].body:
        with pytest.raises(NotNow, match=r"proposal\.which_cylinder"):
            do(engine, "yes", {"n": swap.n}, engine.model.now_ns)
    do(engine, "yes", {"n": swap.n, "name": "cylinder B"}, engine.model.now_ns)
    assert engine.model.state.swaps[-1] == (swap.as_of_ns, "cylinder B")


def test_nothing_is_proposed_of_what_is_told() -> None:
    engine, next_tick = Engine(), 0
    for t_ns, _, _, device, item in in_order(brewery()):
        if t_ns >= next_tick:
            engine.tick(t_ns)
            next_tick = t_ns - t_ns % NS_PER_S + NS_PER_S
        if isinstance(item, bytes):
            engine.device_connected(device)
            engine.frame(device, t_ns, item)
        else:
            engine.apply(item)
    (ended,) = proposed(engine)  # the one thing that nobody entered
    assert ended.about.key == "recovery.liquid_ended"
    assert ended.as_of_ns == pytest.approx(T0_NS + 1450 * NS_PER_S, abs=20 * NS_PER_S)
    assert engine.values["flow_without_stage"].number == 0.0


def test_replay_looks_at_the_same_seconds_as_live() -> None:
    """The detectors fed from the record give what they gave live."""
    live, replayed = evening(160), Engine(live=False)
    replayed.notices_from_ns = 0
    next_tick = 0
    for t_ns, record_id, _, device, item in in_order(brewery()):
        if t_ns > T0_NS + 160 * NS_PER_S:
            break
        if t_ns >= next_tick and record_id:
            replayed.tick(t_ns)
            next_tick = t_ns - t_ns % NS_PER_S + NS_PER_S
        if isinstance(item, bytes):
            replayed.frame(device, t_ns, item)
        elif not isinstance(item, ACTS):
            replayed.take(item)
    (one,) = proposed(live)
    assert [(seen.about, seen.as_of_ns, seen.u_s) for seen in replayed.noticed] == [(one.about, one.as_of_ns, one.u_s)]


def test_proposals_change_nothing_else() -> None:
    """No stage, cylinder, mark, relay or analysis follows from one that nobody answered."""
    engine = evening(160)
    without = [event for event in engine.recorded if not isinstance(event, Proposed | ProposalAnswered)]
    facts, plain = effective_of(engine.recorded), effective_of(without)
    assert [p.event for p in plain.events] == [p.event for p in facts.events if not isinstance(p.event, Proposed)]
    assert engine.model.state.stage is None and engine.settle_after is None


def test_what_is_shown_is_read_from_the_record() -> None:
    """A restart shows the same proposals, answered ones gone."""
    engine = evening(160)
    again = Engine(live=False)
    again.apply_all(engine.recorded)
    again.model.now_ns = engine.model.now_ns
    assert again.snapshot().proposals == engine.snapshot().proposals != ()
    do(engine, "no", {}, engine.model.now_ns)
    answered = Engine(live=False)
    answered.apply_all(engine.recorded)
    assert answered.snapshot().proposals == ()
