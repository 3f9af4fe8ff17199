"""What was told against what is so: a mistaken evening that was put right means the same as one without mistakes."""

from dataclasses import dataclass, fields, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.cylinder import Cylinder
from logger.model.events import (
    Corrected,
    CylinderOnScale,
    Event,
    FindingConcluded,
    JobOpened,
    Marked,
    NoteWritten,
    RigLoaded,
    SettingChanged,
    StageBegun,
    StageEnded,
    UnknownEvent,
)
from logger.model.finding import Finding, Verdict
from logger.model.job import Job
from logger.model.plain import plain
from logger.model.rig import Calibration, Rig, RigChannel, RigDevice
from logger.model.units import NS_PER_S
from logger.pipeline.fact_table import NOT_CORRECTED, facts_known
from logger.pipeline.facts import Facts, JobFact, channel_name, effective_of
from logger.pipeline.job_state import JobState
from logger.stages import registry
from logger.stages.settings import settings_of

T0 = 1_772_467_200_000_000_000
A = Cylinder("A", 25.0, 50.0, 2.7e6)
B = Cylinder("B", 26.0, 50.0)
RIG = Rig("r", (RigDevice("scale", None, "aa", (RigChannel(0, "cylinder_mass"),)),))


def at(minutes: float) -> int:
    return T0 + int(minutes * 60) * NS_PER_S


def seen(events: list[Event]) -> list[tuple[Any, ...]]:
    """What engine and report are given, without what names only the telling."""
    facts = effective_of(events)
    return [
        (type(p.event).__name__, p.event.t_ns, [getattr(p.event, f.name) for f in fields(p.event)])
        for p in facts.events
        if not isinstance(p.event, FindingConcluded)
    ]


def job(**changes: Any) -> JobOpened:
    return JobOpened(t_ns=T0, job=replace(Job("j", "R-407C", 98.0, customer="C", technician="T"), **changes),
                     cylinders=(A, B))  # fmt: skip


@dataclass
class Chain:
    """Events in the order of telling; corrections number themselves."""

    events: list[Event]

    def correct(self, fact: str, of: str, new: Any, t_ns: int = at(600), **more: Any) -> "Chain":
        n = sum(isinstance(e, Corrected) for e in self.events) + 1
        self.events.append(Corrected(t_ns=t_ns, n=n, fact=fact, of=of, old=None, new=new, **more))
        return self


def test_without_corrections_it_is_what_was_told() -> None:
    events: list[Event] = [
        job(), RigLoaded(t_ns=at(0), rig=RIG), CylinderOnScale(t_ns=at(1), cylinder=A, reading_kg=None),
        StageBegun(t_ns=at(2), number=1, kind="recovery"), Marked(t_ns=at(3), act="machine-stopped"),
        StageEnded(t_ns=at(4), number=1), FindingConcluded(t_ns=at(4), stage=1, finding=Finding("k", Verdict.PASS)),
        StageBegun(t_ns=at(4), number=2, kind="evacuation"),
        SettingChanged(t_ns=at(5), key="full_charge_kg", value=9.0),
        NoteWritten(t_ns=at(6), text="n"), UnknownEvent(t_ns=at(7), type="later"),
    ]  # fmt: skip
    facts = effective_of(events)
    assert [p.event for p in facts.events] == events
    assert not facts.unknown


def test_every_field_that_is_entered_has_a_row_or_a_reason() -> None:
    rows = set(facts_known())
    for cls, target in ((Job, "job"), (Cylinder, "cylinder"), (Calibration, "calibration")):
        for field in fields(cls):
            name = f"{target}.{field.name}"
            assert name in rows or name in NOT_CORRECTED or f"channel.{field.name}" in rows, name
    for stage in registry.STAGES:
        for one in settings_of(stage.settings):
            assert f"stage.settings.{one.name}" in rows


# -- the property: mistakes put right ----------------------------------------------------------------------------------

Clean = list[Event]
MISTAKES = [
    "tare", "capacity", "refrigerant", "charge", "customer", "kind", "begin", "end", "mark moved", "mark wrong", "slip",
    "double mark", "swap late", "swap wrong", "slip swap", "zero", "rename", "setting", "undone twice", "late mark",
    "late stage", "technician since",
]  # fmt: skip


@st.composite
def evenings(draw: st.DrawFn) -> Clean:
    """Stages one after another, swaps, marks and notes between, each at a minute of its own."""
    kinds = draw(st.lists(st.sampled_from([one.kind for one in registry.STAGES]), min_size=1, max_size=4))
    events: list[Event] = [
        job(),
        RigLoaded(t_ns=at(0), rig=RIG),
        CylinderOnScale(t_ns=at(1), cylinder=A, reading_kg=None),
    ]
    minute = 10.0
    for number, kind in enumerate(kinds, 1):
        events.append(StageBegun(t_ns=at(minute), number=number, kind=kind))
        for _ in range(draw(st.integers(0, 2))):
            minute += 2
            what = draw(st.sampled_from(["mark", "swap", "note"]))
            if what == "mark":
                events.append(Marked(t_ns=at(minute), act=draw(st.sampled_from(["isolated", "pump-started"]))))
            elif what == "swap":
                events.append(CylinderOnScale(t_ns=at(minute), cylinder=draw(st.sampled_from([A, B])), reading_kg=None))
            else:
                events.append(NoteWritten(t_ns=at(minute), text="n"))
        minute += 10
        events.append(StageEnded(t_ns=at(minute), number=number))
        minute += draw(st.sampled_from([0.0, 5.0]))
    return events


def mistaken(clean: Clean, mistake: str, pick: int) -> Chain | None:
    """The evening with one mistake, put right at its end; None where it has nothing to mistake so."""
    chain = Chain(list(clean))

    def nth(cls: type[Event]) -> tuple[int, int] | None:
        """(index in the chain, ordinal) of one of them."""
        found = [i for i, e in enumerate(chain.events) if isinstance(e, cls)]
        return (found[pick % len(found)], pick % len(found) + 1) if found else None

    def swap_in(i: int, **changes: Any) -> None:
        chain.events[i] = replace(chain.events[i], **changes)

    stages = [i for i, e in enumerate(clean) if isinstance(e, StageBegun)]
    match mistake:
        case "tare" | "capacity":
            name = "tare_kg" if mistake == "tare" else "water_capacity_kg"
            wrong = replace(A, tare_kg=77.0) if mistake == "tare" else replace(A, water_capacity_kg=77.0)
            for i, event in enumerate(chain.events):
                if isinstance(event, CylinderOnScale) and event.cylinder == A:
                    swap_in(i, cylinder=wrong)
            swap_in(0, cylinders=(wrong, B))
            return chain.correct(f"cylinder.{name}", "cylinder:1", getattr(A, name))
        case "rename":
            for i, event in enumerate(chain.events):
                if isinstance(event, CylinderOnScale) and event.cylinder == A:
                    swap_in(i, cylinder=replace(A, name="X"))
            swap_in(0, cylinders=(replace(A, name="X"), B))
            return chain.correct("cylinder.name", "cylinder:1", "A")
        case "refrigerant" | "customer":
            told = job().job
            wrong_job = replace(told, customer="X") if mistake == "customer" else replace(told, refrigerant="R-410A")
            swap_in(0, job=wrong_job)
            return chain.correct(f"job.{mistake}", "job", getattr(job().job, mistake))
        case "charge":
            swap_in(0, job=replace(job().job, full_charge_kg=5.0))
            chain.events.insert(2, SettingChanged(t_ns=at(0.5), key="full_charge_kg", value=7.0))
            return chain.correct("job.full_charge_kg", "job", 98.0)
        case "technician since":
            return chain.correct("job.technician", "job", "Z", since_ns=at(3)).correct(
                "job.technician", "job", "T", since_ns=at(2))  # fmt: skip
        case "zero":
            wrong_rig = Rig("r", (RigDevice("scale", None, "aa", (RigChannel(0, "cylinder_mass", Calibration(3.0)),)),))
            swap_in(1, rig=wrong_rig)
            return chain.correct("channel.zero", channel_name("scale", 0), 0.0)
        case "kind":
            i, ordinal = nth(StageBegun) or (0, 0)
            right = clean[i].kind  # type: ignore[attr-defined]
            swap_in(i, kind="start-up", settings={"x": 1.0})
            return chain.correct("stage.kind", f"stage:{ordinal}", {"kind": right, "settings": {}})
        case "setting":
            i, ordinal = nth(StageBegun) or (0, 0)
            swap_in(i, settings={"target": 1.0})
            return chain.correct("stage.settings.target", f"stage:{ordinal}", None)
        case "begin":
            swap_in(stages[0], t_ns=at(10.5))
            return chain.correct("stage.begin", "stage:1", at(10))
        case "end":
            i, ordinal = nth(StageEnded) or (0, 0)
            swap_in(i, t_ns=clean[i].t_ns - NS_PER_S)
            return chain.correct("stage.end", f"stage:{ordinal}", clean[i].t_ns)
        case "mark moved" | "mark wrong" | "late mark":
            found = nth(Marked)
            if found is None:
                return None
            i, ordinal = found
            right_mark = clean[i]
            assert isinstance(right_mark, Marked)
            if mistake == "late mark":  # told at the end, at its own time
                chain.events.append(chain.events.pop(i))
                return chain
            if mistake == "mark moved":
                swap_in(i, t_ns=at(599))
                return chain.correct("mark.at", f"mark:{ordinal}", right_mark.t_ns)
            swap_in(i, act="nitrogen-filled")
            return chain.correct("mark.act", f"mark:{ordinal}", right_mark.act)
        case "double mark":
            chain.events.append(Marked(t_ns=at(11), act="isolated"))
            return chain.correct("mark.struck", f"mark:{sum(isinstance(e, Marked) for e in chain.events)}", True)
        case "swap late" | "swap wrong":
            i, ordinal = nth(CylinderOnScale) or (0, 0)
            right_swap = clean[i]
            assert isinstance(right_swap, CylinderOnScale)
            if mistake == "swap late":
                swap_in(i, t_ns=at(598))
                return chain.correct("swap.at", f"swap:{ordinal}", right_swap.t_ns)
            swap_in(i, cylinder=B if right_swap.cylinder == A else A)
            return chain.correct("swap.cylinder", f"swap:{ordinal}", plain(right_swap.cylinder))
        case "slip swap":
            chain.events.append(CylinderOnScale(t_ns=at(12), cylinder=B, reading_kg=None))
            return chain.correct(
                "swap.struck", f"swap:{sum(isinstance(e, CylinderOnScale) for e in chain.events)}", True)  # fmt: skip
        case "slip":  # begun after all others, ended, struck
            number = len(stages) + 1
            chain.events += [StageBegun(t_ns=at(500), number=number, kind="charging"),
                             StageEnded(t_ns=at(501), number=number)]  # fmt: skip
            return chain.correct("stage.struck", f"stage:{number}", True)
        case "late stage":
            if len(stages) < 2:
                return None
            i = stages[0]
            begun = chain.events.pop(i)
            j = next(k for k, e in enumerate(chain.events) if isinstance(e, StageEnded) and e.number == 1)
            ended = chain.events.pop(j)
            last = len(stages) + 1
            chain.events += [replace(begun, number=last), replace(ended, number=last)]  # type: ignore[call-arg]
            return chain
        case _:  # corrected wrongly, undone, undone again and that undone: the right one first
            chain.correct("job.customer", "job", "wrong").correct("correction.undone", "correction:1", True)
            chain.correct("correction.undone", "correction:2", True)
            return chain.correct("correction.undone", "correction:3", True)


@pytest.mark.parametrize("mistake", MISTAKES)
@given(clean=evenings(), pick=st.integers(0, 9))
@settings(max_examples=40, deadline=None)
def test_a_mistake_put_right_is_none(mistake: str, clean: Clean, pick: int) -> None:
    chain = mistaken(clean, mistake, pick)
    if chain is None:
        return
    made, wanted = seen(chain.events), seen(clean)
    if mistake == "technician since":
        made = [one for one in made if one[0] != JobFact.__name__]
    assert made == wanted
    assert JobState.by(effective_of(chain.events)).stages == JobState.by(effective_of(clean)).stages


CORRECTIONS = st.lists(
    st.sampled_from(
        [("job.customer", "job", "X"), ("job.full_charge_kg", "job", 50.0), ("cylinder.tare_kg", "cylinder:1", 24.0),
         ("mark.act", "mark:1", "else"), ("stage.kind", "stage:1", {"kind": "charging", "settings": {}}),
         ("swap.at", "swap:1", at(2)), ("note.struck", "note:1", True)]
    ),
    max_size=5, unique_by=lambda one: one[0],
)  # fmt: skip


@given(clean=evenings(), made=CORRECTIONS, seed=st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_corrections_of_several_facts_commute(clean: Clean, made: list[tuple[str, str, Any]], seed: Any) -> None:
    one, other = Chain(list(clean)), Chain(list(clean))
    mixed = list(made)
    seed.shuffle(mixed)
    for fact, of, new in made:
        one.correct(fact, of, new)
    for fact, of, new in mixed:
        other.correct(fact, of, new)
    assert seen(one.events) == seen(other.events)


@given(clean=evenings(), made=CORRECTIONS)
@settings(max_examples=60, deadline=None)
def test_to_correct_and_to_undo_is_nothing(clean: Clean, made: list[tuple[str, str, Any]]) -> None:
    chain = Chain(list(clean))
    for fact, of, new in made:
        chain.correct(fact, of, new)
    for n in range(len(made), 0, -1):
        chain.correct("correction.undone", f"correction:{n}", True)
    assert seen(chain.events) == seen(clean)


@given(clean=evenings(), made=CORRECTIONS)
@settings(max_examples=60, deadline=None)
def test_by_way_of_another_value_is_the_same(clean: Clean, made: list[tuple[str, str, Any]]) -> None:
    one, other = Chain(list(clean)), Chain(list(clean))
    for fact, of, new in made:
        between: Any = {str: "between", float: 3.0, int: at(3), bool: False}.get(type(new), new)
        one.correct(fact, of, new)
        other.correct(fact, of, between).correct(fact, of, new)
    assert seen(one.events) == seen(other.events)


def split_and_joined(clean: Clean, minute: float) -> Facts:
    number = sum(isinstance(e, StageBegun) for e in clean)
    first = next(e for e in clean if isinstance(e, StageBegun))
    chain = Chain(list(clean)).correct("stage.split", "stage:1", {"at": at(minute), "kind": first.kind, "settings": {}})
    assert len(JobState.by(effective_of(chain.events)).stages) == number + 1
    return effective_of(chain.correct("stage.joined", "stage:1", f"stage:{number + 1}").events)


@given(clean=evenings())
@settings(max_examples=40, deadline=None)
def test_to_split_and_to_join_is_nothing(clean: Clean) -> None:
    found = split_and_joined(clean, 10.5)
    assert JobState.by(found).stages == JobState.by(effective_of(clean)).stages


def test_a_stage_told_in_another_order_keeps_its_identity() -> None:
    events: list[Event] = [
        job(), StageBegun(t_ns=at(20), number=1, kind="evacuation"), StageBegun(t_ns=at(5), number=2, kind="recovery"),
        StageEnded(t_ns=at(20), number=2),
        FindingConcluded(t_ns=at(30), stage=2, finding=Finding("k", Verdict.PASS), after="entered late"),
    ]  # fmt: skip
    state = JobState.by(effective_of(events))
    assert [(s.number, s.kind, s.ended_ns) for s in state.stages] == [(1, "recovery", at(20)), (2, "evacuation", None)]
    assert state.findings.keys() == {1}
    facts = effective_of(events)
    assert (facts.identity(1), facts.identity(2), facts.next_stage) == (2, 1, 3)


def test_a_later_telling_that_says_something_new_counts() -> None:
    """The cylinder was corrected; afterwards it is told with another tare, which nobody corrected."""
    chain = Chain([job(), CylinderOnScale(t_ns=at(1), cylinder=A, reading_kg=None)])
    chain.correct("cylinder.tare_kg", "cylinder:1", 24.0, at(2))
    chain.events.append(CylinderOnScale(t_ns=at(3), cylinder=A, reading_kg=None))  # as it was told: corrected
    assert effective_of(chain.events).cylinder(1).tare_kg == 24.0
    chain.events.append(CylinderOnScale(t_ns=at(4), cylinder=replace(A, tare_kg=23.0), reading_kg=None))
    assert effective_of(chain.events).cylinder(1).tare_kg == 23.0


def test_findings_concluded_again_replace_those_of_before() -> None:
    events: list[Event] = [
        job(), StageBegun(t_ns=at(1), number=1, kind="recovery"), StageEnded(t_ns=at(2), number=1),
        FindingConcluded(t_ns=at(2), stage=1, finding=Finding("k", Verdict.PASS)),
        FindingConcluded(t_ns=at(2), stage=1, finding=Finding("l", Verdict.INFO)),
        FindingConcluded(t_ns=at(9), stage=1, finding=Finding("k", Verdict.FAIL), after="correction:1"),
    ]  # fmt: skip
    state = JobState.by(effective_of(events))
    assert [f.verdict for f in state.findings[1]] == [Verdict.FAIL]
    assert [(after, len(found)) for after, found in state.earlier_findings[1]] == [(None, 2)]


def test_what_a_later_version_corrects_is_told() -> None:
    chain = Chain([job(), UnknownEvent(t_ns=at(1), type="revised", extra={"critical": True})])
    assert effective_of(chain.correct("weather.rain", "weather:1", 3).events).unknown == ("revised", "weather.rain")


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**40), 2**40) | st.floats(allow_nan=False) | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.sampled_from(["at", "kind", "settings"]), inner),
    max_leaves=4,
)  # fmt: skip
TARGET = st.sampled_from(["job", "cylinder:1", "cylinder:9", "stage:1", "stage:2", "mark:1", "swap:1", "note:0",
                          "correction:1", "correction:2", "channel:scale/0", "channel:/", ":", "stage:-1"])  # fmt: skip


@given(
    clean=evenings(),
    made=st.lists(st.tuples(st.sampled_from(sorted(facts_known())), TARGET, JSON, st.none() | st.integers(0, 2**62)),
                  max_size=6),
)  # fmt: skip
@settings(max_examples=150, deadline=None)
def test_nothing_that_can_be_stored_breaks_it(clean: Clean, made: list[tuple[str, str, Any, int | None]]) -> None:
    chain = Chain(list(clean))
    for fact, of, new, since_ns in made:
        chain.correct(fact, of, new, since_ns=since_ns)
    facts = effective_of(chain.events)
    assert len(facts.corrections) == len(made)
