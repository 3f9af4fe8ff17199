"""The same evening without mistakes: a new job of the recorded frames, with the events as they should have been."""

import contextlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from logger.evidence.chain import event_of, new_event
from logger.model.events import (
    AlarmChanged,
    Corrected,
    CylinderOnScale,
    Event,
    FindingConcluded,
    JobAmended,
    JobClosed,
    JobOpened,
    Marked,
    NoteWritten,
    ProposalAnswered,
    Proposed,
    StageBegun,
    StageEnded,
)
from logger.model.records import EVENT, NewRecord, Record
from logger.store.reader import StoreReader
from logger.store.writer import StoreWriter

# What people enter, what follows from it, and what was told of it. All else a device, a clock or the program did.
OF_PEOPLE = (StageBegun, StageEnded, Marked, NoteWritten, CylinderOnScale, Corrected, Proposed, ProposalAnswered)
FOLLOWS = (FindingConcluded, AlarmChanged, JobAmended, JobClosed)


def clean_twin(
    mistaken: Path,
    clean: Path,
    entered: Sequence[Event],
    opened: Callable[[JobOpened], JobOpened],
) -> None:
    """clean: in the folder of its job's id. entered: what people should have entered, each at its time.
    opened: how the job should have been opened."""
    with StoreReader(mistaken) as reader:
        records = list(_records(reader, sorted(entered, key=lambda event: event.t_ns), opened))
    clean.parent.mkdir(parents=True)
    newest_ns = max(record.t0_ns for record in records)
    writer = StoreWriter.open(clean, job_id=clean.parent.name, now_ns=lambda: newest_ns, reserve_bytes=0)
    with contextlib.closing(writer):
        writer.submit(records)


def _records(
    reader: StoreReader, entered: list[Event], opened: Callable[[JobOpened], JobOpened]
) -> Iterator[NewRecord]:
    for record in reader.records():
        while entered and entered[0].t_ns < record.t0_ns:
            yield new_event(entered.pop(0))
        if record.kind != EVENT:
            yield _again(record)
            continue
        event = event_of(record)
        if isinstance(event, JobOpened):
            yield new_event(opened(event))
        elif not isinstance(event, (*OF_PEOPLE, *FOLLOWS)):
            yield _again(record)
    yield from map(new_event, entered)


def _again(record: Record) -> NewRecord:
    return NewRecord(record.kind, record.device, record.t0_ns, record.n, record.offsets, record.payload)
