"""The stored record through the engine again: after a restart, for exports, and for whoever checks a bundle.

Two passes: first all events, folded into what they mean together (facts.py), then the frames with those between them.
"""

import heapq
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping

from logger.evidence.chain import event_of, frames_of
from logger.model.events import Event
from logger.model.records import EVENT, FRAMES, Record
from logger.model.sample import PointSample, Scan, scans
from logger.model.units import NS_PER_S
from logger.pipeline.engine import ACTS, Engine
from logger.pipeline.facts import Facts, effective
from logger.pipeline.job_state import Item

# Records end within seconds of each other; frames of one second lie in several of them.
MERGE_WINDOW_NS = 10 * NS_PER_S


def facts_of(records: Iterable[Record]) -> Facts:
    """What the events among the records mean together."""
    return effective((record.id, event_of(record)) for record in records if record.kind == EVENT)


def in_order(records: Iterable[Record], facts: Facts | None = None) -> Iterator[Item]:
    """Frames by their time and effective events by theirs; ties by their place in the chain.

    facts: of all the events that count; None: of these records, which are then held in memory unless they are already.
    Frames alone move time on: what was told, alarmed or corrected between them changes no reading. (Version 0.1.0 let
    events do it too.)
    """
    if facts is None:
        records = records if isinstance(records, list | tuple) else tuple(records)
        facts = facts_of(records)
    # What people do may be entered at any later time, and corrected; all else is where it stands in the chain.
    moving = () if facts.of_first_version else ACTS
    acts = deque(p for p in facts.events if p.made or isinstance(p.event, moving))
    others = {p.place: p.event for p in facts.events if not (p.made or isinstance(p.event, moving))}
    for item in _as_stored(records, others, facts.of_first_version):
        while acts and (acts[0].event.t_ns, acts[0].place) < item[:2]:
            yield _item(acts.popleft().event)
        yield item if facts.of_first_version or isinstance(item[4], bytes) else _item(item[4])
    while acts:
        yield _item(acts.popleft().event)


def _item(event: Event) -> Item:
    """One that moves no time on: without a place in the chain."""
    return event.t_ns, 0, 0, "", event


def _as_stored(records: Iterable[Record], events: Mapping[int, Event], by_events: bool) -> Iterator[Item]:
    """by_events: these move time on too."""
    waiting: list[Item] = []
    for record in records:
        if record.kind == EVENT and record.id in events:
            heapq.heappush(waiting, (record.t0_ns, record.id, 0, "", events[record.id]))
        if record.kind == FRAMES:
            for i, (t_ns, raw) in enumerate(frames_of(record)):
                heapq.heappush(waiting, (t_ns, record.id, i, record.device, raw))
        while waiting and waiting[0][0] < record.t0_ns - MERGE_WINDOW_NS and (by_events or record.kind == FRAMES):
            yield heapq.heappop(waiting)
    while waiting:
        yield heapq.heappop(waiting)


def replay(
    records: Iterable[Record],
    engine: Engine | None = None,
    on_samples: Callable[[list[PointSample]], None] | None = None,
    on_event: Callable[[Event], None] | None = None,
    facts: Facts | None = None,
) -> Engine:
    """Run records through a pipeline that does not judge. on_event: called with each effective event. facts: as for
    `in_order`."""
    engine = engine or Engine(live=False)
    for _ in steps(in_order(records, facts), engine, on_samples, on_event):
        pass
    engine.count_late()
    return engine


def readings(records: Iterable[Record]) -> Iterator[Scan]:
    """The trusted readings in the records, as they are taken live."""
    got: list[PointSample] = []
    for _ in steps(in_order(records), Engine(live=False), got.extend):
        yield from scans(got)
        got.clear()


def steps(
    items: Iterable[Item],
    engine: Engine,
    on_samples: Callable[[list[PointSample]], None] | None = None,
    on_event: Callable[[Event], None] | None = None,
) -> Iterator[None]:
    """`replay` item by item, for whoever has other things to do in between."""
    next_tick = 0
    for t_ns, record_id, _, device, item in items:
        if t_ns >= next_tick and (record_id or isinstance(item, bytes)):
            engine.tick(t_ns)
            next_tick = t_ns - t_ns % NS_PER_S + NS_PER_S
        if isinstance(item, bytes):
            samples = engine.frame(device, t_ns, item)
            if samples and on_samples is not None:
                on_samples(samples)
        else:
            engine.take(item)
            if on_event is not None:
                on_event(item)
        yield
