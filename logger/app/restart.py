"""After a restart, or a correction: the whole record through the engine again, without holding up what comes now.

After a restart the live engine first takes the record's events alone (job, stage, cylinder, alarms) and the sequence
numbers of the newest frames: so readings are stored, alarms judged and missing frames asked for at once. A second
engine takes the whole record in short slices beside it, and after that what came meanwhile; then the live one adopts
what it knows. Until then everything that rests on the stage from its beginning is unknown, and says why. A short record
is through before anything begins. What was corrected, or entered late, is settled by the same second engine.
"""

import asyncio
import logging
import time
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from pathlib import Path

from firmware_protocol.codes import MessageType
from logger.evidence.chain import event_of, frames_of
from logger.model.events import DeviceHello, Event, GapNoted
from logger.model.records import FRAMES
from logger.model.sample import PointSample, scans
from logger.model.units import NS_PER_S
from logger.pipeline.engine import Engine
from logger.pipeline.facts import effective
from logger.pipeline.job_state import Item
from logger.pipeline.replay import in_order, steps
from logger.pipeline.silent_alarms import SilentAlarms
from logger.store.errors import StoreError
from logger.store.reader import StoreReader
from logger.store.rollup import Bins, fold

log = logging.getLogger(__name__)

AT_ONCE_S = 0.5  # the start is held up so long at most: enough for an hour of a usual rig
SLICE_S, PAUSE_S = 0.003, 0.001  # beside the live readings; with the next page of the record 10 ms, now and then 50
NOTICES_NS = 1800 * NS_PER_S  # so much of before counts for what readings show by themselves
TAIL = 4000  # records, an hour of a large rig: older holes were fetched or given up long ago
GREETING = 40  # records from a device's hello event on, among which its hello and mostly its descriptions are
_OF_ITSELF = (MessageType.HELLO, MessageType.DESCRIBE)  # a device that restarts all night says nothing else
CATCHING_UP = "the record of before the restart is still being read"


class SecondPass:
    """The record through a second engine, in slices, then what came meanwhile; the live one then adopts what it knows.
    `done`: nothing is behind any more."""

    def __init__(self, path: Path, live: Engine) -> None:
        """Raises StoreError: the record cannot be read."""
        self.done = False
        self._live, self._whole = live, Engine(live=False)
        self._reader = StoreReader(path)
        self._begun = True
        self._steps: Iterator[None] = iter(())
        self._deferred: deque[Item] | None = None
        self.overview: Bins | None = None  # of all readings, where they were corrected

    def _begin(self, until_id: int, recorded: Iterable[tuple[int, Event]]) -> None:
        """recorded: all events of the record, with their ids."""
        live = self._live
        assert live.deferred is not None
        self._deferred = live.deferred
        stage = live.model.state.stage
        self._whole.resumed_stage = stage.number if stage is not None else 0
        facts = effective((record_id, event) for record_id, event in recorded if record_id <= until_id)
        self._whole.silent = SilentAlarms(facts) if live.settle_after is not None else None
        before = in_order(self._reader.records(until_id=until_id), facts)
        self.overview = {} if facts.readings_corrected else None
        taken = self._into_overview if self.overview is not None else None
        self._steps = steps(chain(self._readable(before), _drained(live.deferred)), self._whole, taken)

    def _into_overview(self, samples: list[PointSample]) -> None:
        assert self.overview is not None
        fold(self.overview, scans(samples))

    def advance(self, for_s: float) -> bool:
        """Read on for so long; whether it is done."""
        if self._live.deferred is not self._deferred:  # something more was corrected: another one begins
            self.close()
        end_s = time.monotonic() + for_s
        for _ in self._steps:
            if time.monotonic() >= end_s:
                return False
        if not self.done:
            self.done = True
            self._live.adopt(self._whole)
            self._reader.close()
        return True

    async def run(self) -> None:
        """To the end, in slices."""
        begun_s = time.monotonic()
        while True:
            if self.advance(SLICE_S):
                break
            await asyncio.sleep(PAUSE_S)
        log.info("the record was read again beside in %.0f s", time.monotonic() - begun_s)

    def close(self) -> None:
        """Give up what is not done."""
        self.done, self._steps = True, iter(())
        self._reader.close()

    def _readable(self, items: Iterable[Item]) -> Iterator[Item]:
        """Damage found at the start stops it, as any other; found later it must not end the logging."""
        try:
            yield from items
        except StoreError as exc:
            if not self._begun:
                raise
            log.error("the rest of the record of before cannot be read; what is shown goes by what could be: %s", exc)


class Settle(SecondPass):
    """After something was corrected or entered late: up to that event, the last of the record that counts here."""

    def __init__(self, path: Path, live: Engine, until_id: int) -> None:
        """Raises StoreError: the record cannot be read."""
        super().__init__(path, live)
        self.after = live.settle_after
        self._begin(until_id, self._reader.events())


class CatchUp(SecondPass):
    """Of one job's file into the pipeline that will judge what comes.

    last_id: of the last record of before. newest_ns: when the newest frame of before came, 0 without any.
    """

    def __init__(self, path: Path, live: Engine, at_once_s: float = AT_ONCE_S) -> None:
        """Raises StoreError: the record cannot be read."""
        super().__init__(path, live)
        self._begun = False
        try:
            self.last_id = self._reader.last_id
            self.newest_ns = self._newest()
            live.catching_up_reason = CATCHING_UP
            recorded = list(self._reader.events())
            hellos = self._events(recorded)
            live.deferred = deque()
            self._whole.notices_from_ns = self.newest_ns - NOTICES_NS
            self._begin(self.last_id, recorded)
            if not self.advance(at_once_s):
                self._greetings(hellos)
            self._begun = True
        except BaseException:
            self._reader.close()
            raise

    def _events(self, recorded: Sequence[tuple[int, Event]]) -> dict[str, int]:
        """All events into the live engine; the record id of each device's newest hello."""
        hellos = {event.device: record_id for record_id, event in recorded if isinstance(event, DeviceHello)}
        self._live.apply_all(event for _, event in recorded)
        self._live.model.now_ns = max(self._live.model.now_ns, self.newest_ns)
        return hellos

    def _newest(self) -> int:
        begin, width = self.last_id, 64
        while begin > 0:
            end, begin, width = begin, max(0, begin - width), 8 * width
            found = [frames_of(r)[-1][0] for r in self._reader.records(begin, kind=FRAMES, until_id=end)]
            if found:
                return max(found)
        return 0

    def _greetings(self, hellos: dict[str, int]) -> None:
        """What the devices said of themselves, and which of their newest frames are there: where to go on fetching."""
        model, tail = self._live.model, max(0, self.last_id - TAIL)
        for device_id, hello in hellos.items():
            for record in self._reader.records(hello - 1, device=device_id, until_id=hello + GREETING):
                for t_ns, raw in frames_of(record) if record.id <= tail else ():
                    self._live.greeting(device_id, t_ns, raw)
        greeted: dict[str, list[tuple[int, bytes]]] = {}  # by device, from its newest hello on while nothing followed
        for record in self._reader.records(tail, until_id=self.last_id):
            if record.kind == FRAMES:
                held = greeted.setdefault(record.device, [])
                for t_ns, raw in frames_of(record):
                    kind = raw[1] if len(raw) > 1 else 0  # byte 0 is COBS's
                    if kind == MessageType.HELLO:
                        held.clear()
                    held.append((t_ns, raw))
                    if kind not in _OF_ITSELF:
                        self._greet(record.device, held)
                continue
            match event_of(record):
                case GapNoted(device=str(device_id), boot_count=int(boot_count), first=int(first), last=int(last)):
                    model.device(device_id).given_up(boot_count, first, last)
        for device_id, held in greeted.items():
            self._greet(device_id, held)
        for device in model.devices.values():
            model.described(device)

    def _greet(self, device_id: str, frames: list[tuple[int, bytes]]) -> None:
        for t_ns, raw in frames:
            self._live.greeting(device_id, t_ns, raw)
        frames.clear()


def _drained(deferred: deque[Item]) -> Iterator[Item]:
    while deferred:
        yield deferred.popleft()
