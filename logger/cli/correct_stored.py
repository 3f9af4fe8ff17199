"""Corrections of a job that is not running: the same act on its record, and its findings concluded again.

A job that was closed goes on as an amended one: its records stay the first of the new file.
"""

from typing import Any

import click

from logger.cli.errors import with_code
from logger.cli.helpers import signer
from logger.cli.job_close import newest_ns_of
from logger.cli.jobs import Signatures
from logger.cli.quantities import user_catalogue
from logger.clock import Clock
from logger.evidence.chain import new_event
from logger.model.events import Corrected, Event, JobAmended, JobClosed
from logger.model.sample import PointSample, scans
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine, concluded_anew
from logger.pipeline.errors import NotNow
from logger.pipeline.facts import effective
from logger.pipeline.replay import replay
from logger.pipeline.silent_alarms import SilentAlarms, silent_words
from logger.pipeline.words import refusal_of
from logger.store.amend import amend
from logger.store.errors import StoreBusy, StoreDamaged
from logger.store.place import JobPlace, anchors_dir
from logger.store.reader import StoreReader
from logger.store.rollup import Bins, fold
from logger.store.writer import StoreWriter


class StoredJob:
    """The file of a job, read whole at the first act. Raises StoreError."""

    def __init__(self, place: JobPlace) -> None:
        self._place = place
        self._engine: Engine | None = None
        self._recorded: list[tuple[int, Event]] = []
        self._count, self._head, self._sealed, self._newest_ns = 0, b"", False, 0

    def now(self) -> tuple[int, int]:
        engine = self._read()
        return self._now_ns(), engine.model.state.utc_offset_s

    def act(self, action: str, **body: Any) -> dict[str, Any]:
        """Raises click.ClickException for what is refused."""
        engine = self._read()
        try:
            answer = do(engine, action, body, self._now_ns())
        except NotNow as exc:
            raise click.ClickException(with_code(refusal_of(exc, engine.shown), exc.why[0].key)) from exc
        new = engine.take_events()
        if new:
            done = self._store(engine, new)
            answer["text"] = "\n".join((answer["text"], *done))
        return answer

    def _now_ns(self) -> int:
        return Clock(not_before_ns=self._newest_ns).now_ns()

    def _read(self) -> Engine:
        if self._engine is not None:
            return self._engine
        with StoreReader(self._place.file, anchors_dir()) as reader:
            chain = reader.verify(Signatures())
            if not chain.holds:
                raise StoreDamaged(f"job {self._place.job_id} is not corrected: {chain.problem}; ask `rimelog doctor`")
            self._count, self._head, self._sealed = chain.count, chain.head, reader.sealed_ns is not None
            self._newest_ns = newest_ns_of(reader)
            self._recorded = list(reader.events())
            self._engine = self._replayed(reader, self._recorded)
        return self._engine

    def _replayed(self, reader: StoreReader, recorded: list[tuple[int, Event]], overview: Bins | None = None) -> Engine:
        """overview: to be filled with all readings."""
        engine, facts = Engine(live=False), effective(recorded)
        engine.user_catalogue, engine.silent = user_catalogue(), SilentAlarms(facts)

        def take(samples: list[PointSample]) -> None:
            if overview is not None and facts.readings_corrected:
                fold(overview, scans(samples))

        replay(reader.records(), engine, take, facts=facts)
        engine.remember(event for _, event in recorded)
        engine.take_events()
        return engine

    def _store(self, engine: Engine, new: list[Event]) -> list[str]:
        """With the findings that follow; in a closed job as its amendment. What that changed, in words."""
        place = self._place
        if place.running:
            raise StoreBusy(f"job {place.job_id} is running now: correct it there")
        made = next(event for event in new if isinstance(event, Corrected))
        before = {number: list(found) for number, found in engine.model.state.findings.items()}
        recorded = [*self._recorded, *((self._count + i, event) for i, event in enumerate(new, 1))]
        bins: Bins = {}
        with StoreReader(place.file) as reader:
            again = self._replayed(reader, recorded, bins)
        overview = bins if again.facts.readings_corrected else None
        again.model.now_ns = max(again.model.now_ns, made.t_ns)
        found = concluded_anew(again, before, f"correction:{made.n}")
        events = [*new, *found]
        if self._sealed:
            amended = JobAmended(
                t_ns=made.t_ns, prior_count=self._count, prior_head=self._head.hex(), by=made.by, why=made.why
            )
            events = [amended, *events, JobClosed(t_ns=made.t_ns)]
            amend(
                place.file, [new_event(event) for event in events], now_ns=made.t_ns, sign=signer(),
                check_signature=Signatures(), anchors=anchors_dir(), overview=overview,
            )  # fmt: skip
        else:
            writer = StoreWriter.open(
                place.file, job_id=place.job_id, now_ns=lambda: made.t_ns, sign=signer(), anchors=anchors_dir(),
                reserve_bytes=0,
            )  # fmt: skip
            writer.submit([new_event(event) for event in events])
            if overview is not None:
                writer.replace_overview(overview)
            writer.close()
        self._engine = None
        changed = sorted({event.stage for event in found if hasattr(event, "stage")})
        said = [f"Stage {', '.join(map(str, changed))}: findings concluded again."] if changed else []
        silent = again.silent.found() if again.silent is not None else ()
        said += [f"By this an alarm would have rung, and none did: {silent_words(one, again.shown)}." for one in silent]
        if self._sealed:
            said.append(
                f"The closed job is amended: its first {self._count:,} records stay as they were. Export it again; the "
                "new bundle says what it supersedes."
            )
        return said
