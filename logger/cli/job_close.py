"""Closing a job: end the stage if asked to, write JobClosed through the job's one writer, verify and seal."""

from dataclasses import dataclass
from typing import Any

from logger.cli.helpers import signer
from logger.cli.job_list import JobSummary, take
from logger.clock import Clock
from logger.evidence.chain import frames_of, new_event
from logger.model.counted import Counted, uncounted
from logger.model.events import Event, FindingConcluded, JobClosed
from logger.model.records import EVENT, NewRecord
from logger.model.text import clean
from logger.pipeline.facts import effective
from logger.register.register import entered
from logger.store.errors import StoreBusy, StoreDamaged, StoreError, StoreTailLost
from logger.store.place import JobPlace, anchors_dir
from logger.store.reader import CheckSignature, StoreReader
from logger.store.seal import seal
from logger.store.writer import StoreWriter

_LAST_RECORDS = 50  # among them is the one with the newest frame: devices' records end within seconds of each other


@dataclass(frozen=True, slots=True)
class Closed:
    """already: it was closed before, nothing was done. findings: (headline, text) of a stage ended by this."""

    records: int
    before_bytes: int
    after_bytes: int
    already: bool = False
    findings: tuple[tuple[str, str], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        return {
            "records": self.records, "before_bytes": self.before_bytes, "after_bytes": self.after_bytes,
            "already_closed": self.already, "findings": [{"headline": h, "text": t} for h, t in self.findings],
        }  # fmt: skip


def close_job(
    place: JobPlace,
    *,
    end_stage: bool,
    without_checkpoints: bool,
    check_signature: CheckSignature,
    counted: Counted = uncounted,
) -> Closed:
    """Raises StoreBusy while the job is written, StoreError for a stage that runs (without end_stage), StoreDamaged for
    a record that does not hold, StoreTailLost for one that no checkpoint saw (without_checkpoints: a note in the record
    says so): nothing was changed then.

    When the sealing itself fails, only JobClosed was added; closing again goes on from there.
    """
    if place.running:
        raise StoreBusy(f"job {place.job_id} is being written; end that first with `rimelog stop`")
    new: list[NewRecord] = []
    findings: list[tuple[str, str]] = []
    anchors = anchors_dir()
    with StoreReader(place.file, anchors) as reader:
        job_id = reader.job_id or place.job_id
        if reader.sealed_ns is not None:
            bytes_ = place.file.stat().st_size
            return Closed(reader.last_id, bytes_, bytes_, already=True)
        chain = reader.verify(check_signature, counted)
        if not chain.holds:
            raise StoreDamaged(f"job {place.job_id} is not closed: {chain.problem}; ask `rimelog doctor`")
        if chain.count == 0:
            raise StoreError(f"{place.file} has no records; there is nothing to close")
        not_seen = reader.unseen()
        if not_seen is not None and not without_checkpoints:
            raise StoreTailLost(
                f"job {place.job_id} is not closed: {not_seen}; they may have been rewritten. Ask `rimelog doctor`; "
                "to close it all the same, name --without-checkpoints"
            )
        summary = JobSummary(place.job_id, 0, False)
        for placed in effective(reader.events()).events:
            take(summary, placed.event)
        newest_ns = newest_ns_of(reader)
        if summary.open_stage is not None and not end_stage:
            raise StoreError(
                f"job {place.job_id} is not closed: its {summary.open_stage.label.lower()} has not been ended; "
                "end it where its readings end with --end-stage, or go on with `rimelog run --continue`"
            )
        if summary.open_stage is not None:
            events = _end_stage(reader, newest_ns, counted)
            new += map(new_event, events)
            said = [event.words for event in events if isinstance(event, FindingConcluded)]
            findings = [(clean(text.headline), clean(text.body, 1000)) for text in said]
    # The record's time may be ahead of the computer's (a clock set back, a demonstration): it never goes back.
    clock = Clock(not_before_ns=newest_ns)
    if not summary.closed:
        new.append(new_event(JobClosed(t_ns=clock.now_ns())))
    sign = signer()
    if new or not_seen is not None:
        writer = StoreWriter.open(
            place.file, job_id=job_id, now_ns=clock.now_ns, sign=sign, anchors=anchors, reserve_bytes=0,
            accept_lost_tail=not_seen is not None,
        )  # fmt: skip
        writer.submit(new)
        writer.close()
    done = seal(
        place.file, now_ns=clock.now_ns(), sign=sign, check_signature=check_signature, anchors=anchors, counted=counted
    )
    entered()
    return Closed(done.chain.count, done.before_bytes, done.after_bytes, findings=tuple(findings))


def newest_ns_of(reader: StoreReader) -> int:
    """UTC of the newest frame or event."""
    times = [0]
    for record in reader.records(max(0, reader.last_id - _LAST_RECORDS)):
        times += [record.t0_ns] if record.kind == EVENT else [t_ns for t_ns, _ in frames_of(record)]
    return max(times)


def _end_stage(reader: StoreReader, at_ns: int, counted: Counted) -> list[Event]:
    """The events that the daemon would have written, from the same record by the same code."""
    from logger.pipeline.acts import end_stage
    from logger.pipeline.replay import replay

    recorded = list(reader.events())
    engine = replay(counted(reader.records(), "Analysing", reader.last_id), facts=effective(recorded))
    engine.remember(event for _, event in recorded)
    engine.take_events()
    end_stage(engine, at_ns)
    return engine.take_events()
