"""The stored record through the engine again: after a restart, for exports, and for whoever checks a bundle."""

import heapq
from collections.abc import Callable, Iterable, Iterator

from logger.evidence.chain import event_of, frames_of
from logger.model.events import Event
from logger.model.records import EVENT, Record
from logger.model.sample import PointSample, Scan, scans
from logger.model.units import NS_PER_S
from logger.pipeline.engine import Engine
from logger.pipeline.job_state import Item

# Records end within seconds of each other; frames of one second lie in several of them.
LOOK_AHEAD_NS = 10 * NS_PER_S


def in_order(records: Iterable[Record]) -> Iterator[Item]:
    """Frames and events by their time; ties by their place in the chain."""
    waiting: list[Item] = []
    for record in records:
        if record.kind == EVENT:
            event = event_of(record)
            heapq.heappush(waiting, (record.t0_ns, record.id, 0, "", event))
        else:
            for i, (t_ns, raw) in enumerate(frames_of(record)):
                heapq.heappush(waiting, (t_ns, record.id, i, record.device, raw))
        while waiting and waiting[0][0] < record.t0_ns - LOOK_AHEAD_NS:
            yield heapq.heappop(waiting)
    while waiting:
        yield heapq.heappop(waiting)


def replay(
    records: Iterable[Record],
    engine: Engine | None = None,
    on_samples: Callable[[list[PointSample]], None] | None = None,
    on_event: Callable[[int, Event], None] | None = None,
) -> Engine:
    """Run records through a pipeline that does not judge. on_event: (record id, event)."""
    engine = engine or Engine(live=False)
    for _ in steps(in_order(records), engine, on_samples, on_event):
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
    on_event: Callable[[int, Event], None] | None = None,
) -> Iterator[int]:
    """`replay` item by item, for whoever has other things to do in between; gives the record id of each."""
    next_tick = 0
    for t_ns, record_id, _, device, item in items:
        if t_ns >= next_tick:
            engine.tick(t_ns)
            next_tick = t_ns - t_ns % NS_PER_S + NS_PER_S
        if isinstance(item, bytes):
            samples = engine.frame(device, t_ns, item)
            if samples and on_samples is not None:
                on_samples(samples)
        else:
            engine.apply(item)
            if on_event is not None:
                on_event(record_id, item)
        yield record_id
