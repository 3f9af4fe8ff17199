"""What did not ring by a wrong entry, and would have by the right one."""

import pytest

from logger.evidence.chain import GENESIS, chained, event_of, new_event
from logger.export.replayed import replay_job
from logger.model.alarm import AlarmEvent
from logger.model.events import AlarmChanged, Corrected, CylinderOnScale, Event
from logger.model.records import EVENT, NewRecord, Record
from logger.model.units import NS_PER_S
from logger.pipeline.silent_alarms import SilentAlarm, silent_words
from logger.wording.values import Shown
from tests.export.simulated import T0_NS, simulated_job

END_NS = T0_NS + 500 * NS_PER_S


@pytest.fixture(scope="module")
def records() -> tuple[Record, ...]:
    return simulated_job("recovery", 500.0, ("scale",))


def silent(records: tuple[Record, ...], *more: Event) -> tuple[SilentAlarm, ...]:
    """By the record with more events at its end."""
    found = list(records)
    for event in more:
        found.append(chained(found[-1].digest if found else GENESIS, new_event(event), len(found) + 1))
    return replay_job(lambda: iter(found), lambda samples: None).silent


def corrected(old: float, new: float, n: int = 1, fact: str = "cylinder.water_capacity_kg") -> Corrected:
    return Corrected(t_ns=END_NS, n=n, fact=fact, of="cylinder:1", old=old, new=new)


def test_an_overfill_that_the_wrong_entry_hid_is_listed_once(records: tuple[Record, ...]) -> None:
    swap = next(e for e in (event_of(r) for r in records if r.kind == EVENT) if isinstance(e, CylinderOnScale))
    entered = swap.cylinder.water_capacity_kg
    assert silent(records) == ()
    assert silent(records, corrected(entered, entered - 0.1)) == ()  # there was room by the right one too
    (one,) = silent(records, corrected(entered, 2.0))
    assert one.raised.key == "overfill" and one.end_ns is None
    assert T0_NS < one.begin_ns < END_NS
    assert one.worst.number is not None and one.worst.number > 1.0
    assert "limit 100" in silent_words(one, Shown("si"))
    undone = Corrected(t_ns=END_NS, n=2, fact="correction.undone", of="correction:1", old=False, new=True)
    assert silent(records, corrected(entered, 2.0), undone) == ()
    assert silent(records, corrected(0.0, 1.0, fact="cylinder.contents_kg")) == ()  # no limit hangs on it


def test_what_rang_then_is_not_listed(records: tuple[Record, ...]) -> None:
    (one,) = silent(records, corrected(20.0, 2.0))
    rang = AlarmChanged(
        **{name: getattr(one.raised, name) for name in AlarmChanged.__dataclass_fields__ if name != "extra"}
    )
    with_alarm = tuple(_with(records, rang))
    assert silent(with_alarm, corrected(20.0, 2.0)) == ()
    assert rang.event is AlarmEvent.RAISE


def test_an_overcharge_that_the_wrong_target_hid_is_listed() -> None:
    """What a stage's own watch computes is judged again too."""
    charged = simulated_job("charging", 700.0, ("scale",), 2.0)

    def target(new: float) -> Corrected:
        return Corrected(
            t_ns=T0_NS + 700 * NS_PER_S, n=1, fact="stage.settings.target", of="stage:1", old=None, new=new
        )

    (one,) = silent(charged, target(5.0))
    assert one.raised.key == "overcharge" and one.worst.number is not None and one.worst.number < -0.1
    assert silent(charged, target(90.0)) == ()


def _with(records: tuple[Record, ...], event: Event) -> list[Record]:
    """The event in the record before its last one; the chain made to fit."""
    found: list[Record] = []
    listed: list[Record | NewRecord] = [*records[:-1], new_event(event), records[-1]]
    for one in listed:
        new = NewRecord(one.kind, one.device, one.t0_ns, one.n, one.offsets, one.payload)
        found.append(chained(found[-1].digest if found else GENESIS, new, len(found) + 1))
    return found
