"""From frames and events in the loop to the job's file: segments on their way, what was committed, what went wrong.

The writer has a thread of its own; what it says arrives in the loop.
"""

import asyncio
import logging
from collections.abc import Callable
from typing import Any

from logger.alarms.defaults import DISK, STORE
from logger.clock import local_clock
from logger.evidence.chain import event_data
from logger.evidence.segments import SegmentBuilder
from logger.model.codec import event_bytes
from logger.model.events import Event
from logger.model.records import EVENT, NewRecord, Record
from logger.model.sample import PointSample, Scan, scans
from logger.model.value import Value, known, unknown
from logger.store.errors import StoreError
from logger.store.rollup import Bins
from logger.store.status import DISK_FULL, GONE, LOW_SPACE, REFUSED, Problem
from logger.store.writer import StoreWriter

log = logging.getLogger(__name__)

# Each tick submits a second, so there is about one commit a second; a shortest distance between commits as long as a
# tick's would let submissions fall behind by nearly another second.
COMMIT_S = 0.2
ANSWER_S = 3.0  # an act that is not in the file by then is answered all the same, with a word on that
ANSWER_IN_TROUBLE_S = 0.5
NOT_STORED = (DISK_FULL, REFUSED, GONE)


class Recorder:
    """on_event: called with (record id, the event's JSON) of each that was committed. newest_event: as handed to the
    writer. last_record: id of the newest record that was committed."""

    def __init__(self, on_event: Callable[[int, dict[str, Any]], None]) -> None:
        self.writer: StoreWriter | None = None
        self.last_record = 0
        self.newest_event = b""
        self._on_event = on_event
        self._segments = SegmentBuilder()
        self._scans: list[Scan] = []
        self._problem: Problem | None = None
        self._awaited: list[tuple[bytes, asyncio.Future[None]]] = []  # events whose acts are answered once stored
        self._loop = asyncio.get_running_loop()

    # -- in ------------------------------------------------------------------------------------------------------

    def keep(self, device: str, t_ns: int, raw: bytes, samples: list[PointSample]) -> None:
        """A frame received, and the readings in it."""
        self._segments.add(device, t_ns, raw)
        self._scans += scans(samples)

    def store(self, event: Event) -> None:
        # What was received before the event comes before it in the chain.
        self._submit(self._segments.flush(event.t_ns, force=True))
        self.newest_event = event_bytes(event)
        self._submit([NewRecord(EVENT, "", event.t_ns, 1, b"", self.newest_event)])

    def flush(self, now_ns: int) -> None:
        # By force: what arrived since the last tick is at risk until it is stored, however early this tick is.
        self._submit(self._segments.flush(now_ns, force=True))

    def replace_overview(self, bins: Bins, now_ns: int) -> None:
        """bins: of all readings taken in so far, as corrected."""
        self.flush(now_ns)
        if self.writer is None:
            return
        try:
            self.writer.replace_overview(bins)
        except StoreError as exc:
            log.error("store: %s", exc)

    async def close(self) -> None:
        if self.writer is not None:
            await self._loop.run_in_executor(None, self.writer.close)

    def _submit(self, new: list[NewRecord]) -> None:
        if self.writer is None or not (new or self._scans):
            return
        readings, self._scans = self._scans, []
        try:
            self.writer.submit(new, readings)
        except StoreError as exc:
            log.error("store: %s", exc)

    # -- what the writer says, from its thread -------------------------------------------------------------------

    def committed(self, stored: list[Record]) -> None:
        events = [(r, event_data(r)) for r in stored if r.kind == EVENT]
        self._in_loop(lambda: self._on_committed(stored[-1].id, events))

    def in_trouble(self, problem: Problem | None) -> None:
        def take() -> None:
            self._problem = problem

        self._in_loop(take)

    def _on_committed(self, last_id: int, events: list[tuple[Record, dict[str, Any]]]) -> None:
        self.last_record = last_id
        payloads = {record.payload for record, _ in events}
        for payload, stored in self._awaited:
            if payload in payloads and not stored.done():
                stored.set_result(None)
        for record, data in events:
            self._on_event(record.id, data)

    def _in_loop(self, act: Callable[[], None]) -> None:
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(act)

    # -- out -----------------------------------------------------------------------------------------------------

    async def has_stored(self, event: bytes) -> bool:
        """Whether the event, and so all before it, is in the file within a short time."""
        if self.writer is None:
            return False
        waiting = event, self._loop.create_future()
        self._awaited.append(waiting)
        self.writer.hurry()
        in_trouble = self._problem is not None and self._problem.kind in NOT_STORED
        try:
            await asyncio.wait_for(waiting[1], ANSWER_IN_TROUBLE_S if in_trouble else ANSWER_S)
        except TimeoutError:
            return False
        finally:
            self._awaited.remove(waiting)
        return True

    def health(self) -> dict[str, Value]:
        """Inputs of the alarms about store and disk."""
        well, problem = known(1.0, "1"), self._problem
        ill = well if problem is None else unknown("1", problem.text)
        low = problem is not None and problem.kind == LOW_SPACE
        return {STORE: well if low else ill, DISK: ill if low else well}

    def shape(self) -> dict[str, Any]:
        """For screens and commands."""
        if self.writer is None:
            return {}
        status = self.writer.status
        until = local_clock(status.last_t0_ns) if status.last_t0_ns else "nothing yet"
        text = f"stored to {until}"
        if status.problem is not None:
            not_stored = status.problem.kind in NOT_STORED or status.unsaved_s > 5
            text = f"NOT STORED: {status.problem.text}" if not_stored else f"{text}; {status.problem.text}"
        elif status.unsaved_s > 5:
            text = f"{status.unsaved_s:.0f} s not stored yet"
        return {
            "ok": status.problem is None and status.unsaved_s <= 5,
            "text": text,
            "last_id": status.last_id,
            "unsaved_s": status.unsaved_s,
            "lost_frames": status.lost_frames,
        }
