"""An outage of some minutes in a recovery (a restart, a cable), whose readings the devices kept and send again."""

from collections.abc import Iterable
from dataclasses import replace

import pytest

from logger.model.alarm import AlarmEvent, Priority
from logger.model.events import AlarmChanged, NoteWritten, StageEnded
from logger.model.finding import Text, Verdict
from logger.model.units import NS_PER_S
from logger.pipeline.engine import Engine
from logger.pipeline.job_state import Item
from logger.pipeline.replay import in_order
from logger.stages.definition import StageResult
from sim_device.rig import device_id
from tests.export.simulated import T0_NS
from tests.pipeline.test_engine import brewery

SWAP_S = 1170
SCALE = device_id("scale", 3).hex()
Course = tuple[list[Item], list[Item], list[Item]]


def course(gone_s: int, back_s: int, end_s: int) -> Course:
    """Of the scale: before, missed, after. Events are never missed."""
    gone_ns, back_ns, end_ns = (T0_NS + s * NS_PER_S for s in (gone_s, back_s, end_s))
    before: list[Item] = []
    missed: list[Item] = []
    after: list[Item] = []
    for item in in_order(brewery()):
        t_ns, _, _, device, what = item
        if t_ns > end_ns or device not in ("", SCALE):
            continue
        if t_ns > back_ns:
            after.append(item)
        else:
            (missed if t_ns > gone_ns and isinstance(what, bytes) else before).append(item)
    return before, missed, after


def unbroken(course: Course) -> Engine:
    return fed(sorted((item for part in course for item in part), key=lambda item: item[:3]))


def fed(items: Iterable[Item], live: bool = True, engine: Engine | None = None) -> Engine:
    engine, next_tick = engine or Engine(live), 0
    for t_ns, _, _, device, item in items:
        if t_ns >= next_tick:
            engine.tick(t_ns)
            next_tick = t_ns - t_ns % NS_PER_S + NS_PER_S
        if isinstance(item, bytes):
            engine.device_connected(device)
            engine.frame(device, t_ns, item)
        else:
            engine.apply(item)
    return engine


def sent_again(missed: list[Item], after: list[Item]) -> Iterable[Item]:
    """As devices do: what is new at once, what was missed in portions beside it."""
    waiting = list(missed)
    for k, item in enumerate(after):
        yield item
        for late in waiting[:20] if k > 10 else ():
            yield (item[0], *late[1:])
        del waiting[: 20 if k > 10 else 0]
    assert not waiting


def test_what_moved_in_an_outage_counts_once_its_readings_have_come() -> None:
    before, missed, after = course(60, 400, 480)  # the machine was started in between
    wanted = unbroken((before, missed, after))
    again = fed([*before, *sent_again(missed, after)])
    for key in ("recovered", "cylinder_net_mass", "cylinder_of_limit", "mass_allowed", "mass_rate", "time_to_limit"):
        assert again.values[key].number == pytest.approx(wanted.values[key].number, rel=0.01), key
        assert again.values[key].note == wanted.values[key].note
    assert again.values["recovered"].number == pytest.approx(21.3, abs=1.0)


def test_without_them_nobody_knows_what_stands_on_the_scale_and_it_is_said() -> None:
    before, _, after = course(60, 400, 480)
    never = fed([*before, *after])
    assert "another cylinder" in str(never.values["cylinder_of_limit"].problem)
    assert "1 jump(s) of the scale to what nobody named, not counted" in str(never.values["recovered"].note)


def test_a_cylinder_changed_in_an_outage_is_no_refrigerant() -> None:
    """The change itself comes late; it was told while nothing was heard of the scale."""
    before, missed, after = course(SWAP_S - 60, SWAP_S + 60, SWAP_S + 150)
    again, wanted = fed([*before, *sent_again(missed, after)]), unbroken((before, missed, after))
    assert again.model.state.on_scale == "cylinder B"
    for key, within in (("recovered", 0.1), ("cylinder_of_limit", 0.005)):
        assert again.values[key].number == pytest.approx(wanted.values[key].number, abs=within)


def test_a_stage_that_has_ended_is_concluded_again_when_readings_of_it_come_late() -> None:
    before, missed, after = course(60, 400, 480)
    end: Item = (
        T0_NS + 480 * NS_PER_S,
        NS_PER_S,
        0,
        "",
        StageEnded(t_ns=T0_NS + 480 * NS_PER_S, number=1),
    )
    late: list[Item] = [(T0_NS + 481 * NS_PER_S, *item[1:]) for item in missed]
    wanted = fed([*before, *missed, *after, end]).results[1]
    for live in (True, False):
        engine = fed([*before, *after, end], live)
        at_its_end = engine.results[1]
        assert _recovered(at_its_end) < 10.0, "the readings in which most of it came are missing"
        passed = replace(at_its_end.findings[0], verdict=Verdict.PASS, said=Text("passed", ""))
        engine.results[1] = replace(at_its_end, findings=(passed, *at_its_end.findings[1:]))
        fed(late, engine=engine)
        for second in range(490, 495):
            engine.tick(T0_NS + second * NS_PER_S)
        events = engine.take_events()
        notes = [e.text for e in events if isinstance(e, NoteWritten)]
        assert [("it was: passed" in text) for text in notes] == [True] * live, "told once, and not on replay"
        raised = [e for e in events if isinstance(e, AlarmChanged) and e.key == "verdict-changed"]
        assert [e.event for e in raised] == [AlarmEvent.RAISE, AlarmEvent.RETURN] * live, "it stays until seen"
        assert all(e.priority is Priority.LOW for e in raised)
        again = engine.results[1]
        assert _recovered(again) == pytest.approx(_recovered(wanted), abs=0.05)
        assert [(f.key, f.verdict) for f in again.findings] == [(f.key, f.verdict) for f in wanted.findings]
        assert engine.result is again and engine.model.facts[1] is again.facts


def _recovered(report: StageResult) -> float:
    number = report.result.recovered.number
    assert isinstance(number, float)
    return number


def test_late_readings_with_no_ended_stage_conclude_nothing() -> None:
    """By a correction the stage that had ended goes on again, or is another."""
    before, _, _ = course(60, 400, 480)
    engine = fed(before)
    assert engine.model.state.stage is not None
    engine.model.late_ns = engine.model.now_ns
    engine.tick(engine.model.now_ns + 600 * NS_PER_S)
    assert engine.model.late_ns is None and engine.model.state.stage is not None
    assert engine.judge.health["program"].number == 1.0
