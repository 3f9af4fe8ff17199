"""Events: there and back, byte for byte as ever; what later versions hold is kept; what is malformed is refused."""

import json
import re
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import date
from enum import Enum
from pathlib import Path
from types import NoneType
from typing import Any, get_args, get_origin, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import logger
from logger.model import codec
from logger.model.alarm import RENAMED
from logger.model.codec import EVENT_CLASSES, details_of, event_bytes, event_from_json, event_to_json, operator_of
from logger.model.cylinder import MonthOnly
from logger.model.errors import EventError
from logger.model.events import AlarmChanged, Event, GapNoted, NoteWritten, StageBegun, UnknownEvent
from logger.model.finding import Finding, Verdict
from logger.model.instrument import MODBUS, PROTOCOL, TEXT, LineField, ModbusPort, Register, TextPort
from logger.model.points import Quantity
from logger.model.records import CORRECTED, JOB_AMENDED, PROPOSAL_ANSWERED, PROPOSED
from logger.model.rig import RigChannel, RigDevice
from logger.model.value import Argument, Code, Value
from logger.pipeline.job_state import JobState
from tests.worded import worded

T0_NS = 1_772_467_200_000_000_000
# Version 0.1.0 wrote a time into each finding that was never set; it is not written any more.
GOLDEN = Path(__file__).with_name("events.jsonl").read_bytes().replace(b'"t_ns":null,"text"', b'"text"').splitlines()
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=5), inner, max_size=2),
    max_leaves=5,
)
LATER = st.dictionaries(st.text(max_size=5).map("later {}".format), JSON, max_size=2)
NUMBERS = st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False)
SCALARS: dict[Any, st.SearchStrategy[Any]] = {
    Any: JSON,
    NoneType: st.none(),
    str: st.text(max_size=12),
    bool: st.booleans(),
    int: st.integers(-(2**63), 2**63 - 1),
    float: NUMBERS,
    date: st.dates() | st.builds(MonthOnly, st.integers(1, 9999), st.integers(1, 12), st.just(1)),
    Value: st.builds(Value, NUMBERS, st.text(max_size=3), st.none() | NUMBERS, note=st.none() | st.text(max_size=9))
    | st.builds(Value, st.none(), st.text(max_size=3), problem=st.text(min_size=1, max_size=9)),
}  # fmt: skip
SCALARS[Argument] = st.builds(Argument, st.text(max_size=12), st.sampled_from(Quantity), SCALARS[Value]) | st.builds(
    Argument, st.text(max_size=12), st.sampled_from(Code), st.text(max_size=12)
)
TOLD = st.text(max_size=12)
SCALARS[Finding] = st.builds(
    Finding, TOLD, st.sampled_from(Verdict), st.lists(SCALARS[Argument], max_size=2).map(tuple)) | (
    st.builds(worded, TOLD, st.sampled_from(Verdict), TOLD, TOLD, TOLD, TOLD,
              st.lists(st.builds(Argument, TOLD, st.none(), SCALARS[Value]), max_size=2).map(tuple))
)  # fmt: skip
MINIMAL_JOB = {"job_id": "j", "refrigerant": "R-22"}
NO_REASON = [["x", {"number": None, "unit": "K"}]]
FINDING = {"key": "k", "verdict": "pass", "headline": "", "text": ""}
REASONLESS = {"number": None, "unit": "K"}

LOGGER = Path(logger.__file__).parent


def of_hint(hint: Any) -> st.SearchStrategy[Any]:
    if hint in SCALARS:
        return SCALARS[hint]
    origin, arguments = get_origin(hint), get_args(hint)
    if hint is RigDevice:
        return st.one_of(device(PROTOCOL), device(TEXT), device(MODBUS))
    if is_dataclass(hint):
        return built(hint)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return st.sampled_from(hint)
    if origin is tuple and Ellipsis in arguments:
        return st.lists(of_hint(arguments[0]), max_size=2).map(tuple)
    if origin is tuple:
        return st.tuples(*map(of_hint, arguments))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return st.dictionaries(st.text(max_size=5), of_hint(arguments[1]), max_size=2)
    return st.one_of(*map(of_hint, arguments))


def built(cls: Any, **given_fields: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    hints = get_type_hints(cls)
    made = {
        f.name: LATER if f.name == "extra" else of_hint(hints[f.name])
        for f in fields(cls)
        if f.name not in given_fields
    }
    return st.builds(cls, **made, **given_fields)


def device(kind: str) -> st.SearchStrategy[RigDevice]:
    """Its port and the sources of its channels are of its kind."""
    port, source = {PROTOCOL: (NoneType, NoneType), TEXT: (TextPort, LineField), MODBUS: (ModbusPort, Register)}[kind]
    channels = st.lists(built(RigChannel, source=of_hint(source)), max_size=2).map(tuple)
    return built(RigDevice, kind=st.just(kind), port=of_hint(port), channels=channels)


def read(payload: bytes, t_ns: int) -> Event:
    return event_from_json(codec.event_data(payload, t_ns))


@pytest.mark.parametrize("cls", EVENT_CLASSES.values(), ids=EVENT_CLASSES)
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_an_event_comes_back_as_it_was(cls: type[Event], data: st.DataObject) -> None:
    event = data.draw(built(cls))
    payload = event_bytes(event)
    again = read(payload, event.t_ns)
    assert again == event and type(again) is cls
    assert event_bytes(again) == payload  # a month without a day stays one, a whole number whole


def holds(now: Any, then: Any) -> bool:
    """Whether everything of then is there as it was."""
    if isinstance(then, dict):
        return isinstance(now, dict) and all(key in now and holds(now[key], value) for key, value in then.items())
    if isinstance(then, list):
        return len(now) == len(then) and all(map(holds, now, then))
    return type(now) is type(then) and bool(now == then)


@pytest.mark.parametrize("payload", GOLDEN, ids=[f"{json.loads(line)['type']}-{i}" for i, line in enumerate(GOLDEN)])
def test_the_bytes_are_those_of_the_first_version(payload: bytes) -> None:
    """One of each type and set of keys, as version 0.1.0 wrote them; what was added since comes with its default."""
    event = read(payload, json.loads(payload)["t_ns"])
    assert not isinstance(event, UnknownEvent) and not event.extra
    then = json.loads(payload)
    if then.get("key") in RENAMED:
        then["key"] = RENAMED[then["key"]]
    assert holds(event_to_json(event), then)


def test_an_alarm_that_was_renamed_is_read_by_its_name_of_today() -> None:
    """Its details in events.csv name no version: those of records of before read as they did."""
    payload = next(line for line in GOLDEN if b'"key":"flood"' in line)
    event = read(payload, json.loads(payload)["t_ns"])
    assert isinstance(event, AlarmChanged) and event.key == "many-alarms"
    assert event_to_json(event)["v"] == 2 and read(event_bytes(event), event.t_ns) == event
    assert '"v"' not in details_of(event)


def test_there_are_bytes_of_every_type() -> None:
    since = {CORRECTED, JOB_AMENDED, PROPOSED, PROPOSAL_ANSWERED}
    assert {json.loads(line)["type"] for line in GOLDEN} == set(EVENT_CLASSES) - since


@pytest.mark.parametrize("payload", GOLDEN[::3])
def test_keys_of_a_later_version_are_kept(payload: bytes) -> None:
    data = json.loads(payload) | {"later": {"a": [1, None]}, "extra": 5}
    event = event_from_json(data)
    assert event.extra == {"later": {"a": [1, None]}, "extra": 5}
    assert holds(event_to_json(event), data)


@pytest.mark.parametrize(
    "data",
    [
        {"type": "oil-changed", "t_ns": T0_NS, "v": 7, "operator": "K", "litres": 2.5},
        {"type": "stage-begun", "t_ns": T0_NS, "v": 2, "operator": "K", "kinds": ["recovery"]},
        {"type": "stage-ended", "t_ns": T0_NS, "v": 2, "author": "K", "number": "one"},
    ],
)
def test_events_of_a_later_version_are_kept_and_change_nothing(data: dict[str, Any]) -> None:
    event = event_from_json(data)
    assert isinstance(event, UnknownEvent) and codec.type_of(event) == data["type"]
    assert event_to_json(event) == data and operator_of(event) == "K"
    assert json.loads(details_of(event)).keys() == data.keys() - {"type", "t_ns", "operator", "author"}
    state = JobState()
    state.apply(StageBegun(t_ns=1, number=1, kind="recovery"))
    before = {name: value.copy() if hasattr(value, "copy") else value for name, value in vars(state).items()}
    state.apply(event)
    assert vars(state) == before


def test_events_of_an_earlier_version_are_read_as_todays(monkeypatch: pytest.MonkeyPatch) -> None:
    """A made-up past: version 1 said "words", version 2 had no author yet."""
    monkeypatch.setitem(codec.UPGRADES, ("note", 1), lambda old: {"text": old.pop("words"), **old})
    monkeypatch.setitem(codec.UPGRADES, ("note", 2), lambda old: {**old, "author": "nobody"})
    todays = NoteWritten(t_ns=5, text="x", author="nobody", extra={"later": 1})
    assert event_from_json({"type": "note", "t_ns": 5, "words": "x", "later": 1}) == todays
    assert event_from_json({"type": "note", "t_ns": 5, "v": 1, "words": "x", "later": 1}) == todays
    assert event_from_json({"type": "note", "t_ns": 5, "v": 2, "text": "x", "later": 1}) == todays
    written = {"type": "note", "t_ns": 5, "v": 3, "text": "x", "author": "nobody", "later": 1}
    assert event_to_json(todays) == written and event_from_json(written) == todays
    assert isinstance(event_from_json(written | {"v": 4}), UnknownEvent)
    with pytest.raises(EventError, match="note event: text: 5 is no text"):
        event_from_json({"type": "note", "t_ns": 5, "words": 5})


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"type": "stage-begun", "number": "1", "kind": "recovery"}, "stage-begun event: number: '1' is no whole"),
        ({"type": "stage-begun", "number": True, "kind": "recovery"}, "number: True is no whole number"),
        ({"type": "stage-begun", "number": 1}, "stage-begun event: kind is missing"),
        ({"type": "stage-begun", "number": 1, "kind": "recovery", "settings": []}, r"settings: \[\] is no table"),
        ({"type": "note", "text": None}, "text: None is no text"),
        ({"type": "note", "text": "x", "v": 0}, "version is a whole number"),
        ({"type": "note", "text": "x", "v": "2"}, "version is a whole number"),
        ({"type": "clock", "device": "ab", "fit": {"error_ns": 5}}, "clock event: fit: drift is missing"),
        ({"type": "cylinder-on-scale", "cylinder": {"name": "A"}, "reading_kg": None}, "cylinder: tare_kg is missing"),
        ({"type": "gap", "from_ns": 1.5}, "from_ns: 1.5 is no whole number"),
        ({"type": "gap", "seconds": 10**400}, "seconds: 10+ is no number"),
        ({"type": "gap", "lost_checkpoints": [[1, "a", 2]]}, "is no list of 2"),
        ({"type": "job-opened", "job": {"job_id": "j"}}, "job: refrigerant is missing"),
        ({"type": "job-opened", "job": MINIMAL_JOB | {"full_charge_kg": "9"}}, "job: full_charge_kg: '9' is no number"),
        ({"type": "job-opened", "job": MINIMAL_JOB | {"recovery_machine_made": "May"}}, "'May' is no date"),
        ({"type": "finding", "stage": 1, "finding": {"key": "k", "verdict": "so so"}}, "'so so' is none of pass, fail"),
        ({"type": "finding", "stage": 1, "finding": FINDING | {"verdict": "so so"}}, "'so so' is none of pass, fail"),
        ({"type": "finding", "stage": 1, "finding": FINDING | {"inputs": [["x", REASONLESS]]}}, "inputs: a Value"),
        ({"type": "setting", "key": "units", "value": None}, "value: None is no"),
        ({"type": "rig-loaded", "rig": {"name": "r", "devices": [{"name": "d"}]}}, "devices: url is missing"),
        ({"type": 5}, "needs"),
        ({"type": "note", "t_ns": 2**63, "text": ""}, "needs"),
        ({"type": "note", "t_ns": True, "text": ""}, "needs"),
    ],
)  # fmt: skip
def test_what_is_not_as_its_type_says_is_refused_in_words(wrong: dict[str, Any], words: str) -> None:
    with pytest.raises(EventError, match=words):
        event_from_json({"t_ns": T0_NS, **wrong})


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(GOLDEN), st.data())
def test_whatever_a_key_holds_there_is_an_event_or_an_event_error(payload: bytes, data: st.DataObject) -> None:
    found = json.loads(payload)
    key = data.draw(st.sampled_from(sorted(found)))
    changed = found | {key: data.draw(JSON)}
    try:
        event = event_from_json(changed)
    except EventError as exc:
        assert str(exc)
        return
    assert event_from_json(event_to_json(event)) == event


def test_what_is_not_said_is_not_written() -> None:
    assert event_to_json(GapNoted(t_ns=1, cause="x")) == {"type": "gap", "t_ns": 1, "cause": "x"}
    said = GapNoted(t_ns=1, cause="x", first=0)
    assert event_to_json(said)["first"] == 0 and event_to_json(replace(said, first=None)).get("first", "-") == "-"


def test_only_the_codec_reads_an_event_by_its_keys() -> None:
    """Whoever else has an event as plain data hands it on: the daemon to those who follow it."""
    handing_on = {"model/codec.py", "evidence/chain.py", "app/daemon.py", "app/recorder.py"}
    sources = {str(path.relative_to(LOGGER)): path.read_text(encoding="utf-8") for path in LOGGER.rglob("*.py")}
    assert {name for name, source in sources.items() if re.search(r"\bevent_data\b", source)} == handing_on
    read = re.compile(r"\bevent_data\([^()]*\)\s*(\[|\.get)")
    assert [name for name, source in sources.items() if name != "model/codec.py" and read.search(source)] == []
