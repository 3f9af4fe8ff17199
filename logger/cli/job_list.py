"""What a list of jobs shows of each, read from its events alone: no frame is decoded, so that many jobs are quick."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from logger.evidence.errors import ChainError
from logger.model.events import Event, FindingConcluded, JobClosed, JobOpened, RunBegun, StageBegun, StageEnded
from logger.model.finding import Verdict
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.pipeline.facts import JobFact, effective
from logger.stages import registry
from logger.store.errors import StoreError
from logger.store.place import JobPlace
from logger.store.reader import StoreReader

_MAX_OFFSET_S = 86_400


@dataclass(slots=True)
class StageSummary:
    """findings: (verdict, headline), the stage's own verdict first; [] until it was concluded."""

    number: int
    kind: str
    label: str
    begun_ns: int
    ended_ns: int | None = None
    findings: list[tuple[str, str]] = field(default_factory=list)
    after: str | None = None

    def concluded(self, after: str | None, verdict: str, headline: str) -> None:
        """after: the correction that had it concluded again; earlier findings then no longer count."""
        if after != self.after:
            self.after, self.findings = after, []
        self.findings.append((verdict, headline))


@dataclass(slots=True)
class JobSummary:
    """begun_ns: when the job was opened, UTC; utc_offset_s: how far the user's clock was ahead of that.

    closed: JobClosed is in the record and nothing after it; sealed: the file takes no more. size_bytes: file and log.
    problem: why the job, or the rest of it, cannot be read. Text is cleaned.
    """

    job_id: str
    size_bytes: int
    running: bool
    begun_ns: int | None = None
    utc_offset_s: int = 0
    customer: str = ""
    site: str = ""
    appliance: str = ""
    refrigerant: str = ""
    invented: bool = False
    stages: list[StageSummary] = field(default_factory=list)
    closed: bool = False
    sealed: bool = False
    problem: str | None = None

    @property
    def state(self) -> str:
        if self.running:
            return "running"
        return "closed" if self.sealed else "damaged" if self.problem else "not closed"

    @property
    def day(self) -> str:
        """In the user's own time then; "" when nothing was opened."""
        if self.begun_ns is None:
            return ""
        then = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=self.begun_ns // NS_PER_S + self.utc_offset_s)
        return then.date().isoformat()

    @property
    def open_stage(self) -> StageSummary | None:
        """Begun last and not ended."""
        return self.stages[-1] if self.stages and self.stages[-1].ended_ns is None else None

    def to_dict(self) -> dict[str, Any]:
        return {
            "id": self.job_id, "date": self.day or None, "begun_ns": self.begun_ns, "customer": self.customer,
            "site": self.site, "appliance": self.appliance, "refrigerant": self.refrigerant,
            "invented": self.invented, "state": self.state, "running": self.running, "closed": self.sealed,
            "size_bytes": self.size_bytes, "problem": self.problem,
            "stages": [_stage_data(stage) for stage in self.stages],
        }  # fmt: skip


def summary(place: JobPlace) -> JobSummary:
    """Never raises for a job that cannot be read: `problem` says why, with what was read before it."""
    files = (place.file, place.file.with_name(place.file.name + "-wal"))
    found = JobSummary(clean(place.job_id), sum(f.stat().st_size for f in files if f.is_file()), False)
    try:
        found.running = place.running
        with StoreReader(place.file) as reader:
            found.sealed = reader.sealed_ns is not None
            recorded: list[tuple[int, Event]] = []
            try:
                recorded.extend(reader.events())  # what was read before a fault is kept
            finally:
                for placed in effective(recorded).events:
                    take(found, placed.event)
    except (StoreError, ChainError) as exc:
        found.problem = clean(str(exc))
    return found


def take(found: JobSummary, event: Event) -> None:
    """Add what one event tells."""
    found.closed = isinstance(event, JobClosed)
    match event:
        case JobOpened(job=job):
            found.begun_ns = event.t_ns if found.begun_ns is None else found.begun_ns
            names = (job.customer, job.site, job.appliance, job.refrigerant)
            found.customer, found.site, found.appliance, found.refrigerant = map(clean, names)
            found.invented = job.invented
        case RunBegun():
            found.utc_offset_s = max(-_MAX_OFFSET_S, min(event.utc_offset_s, _MAX_OFFSET_S))
        case StageBegun():
            name = clean(event.kind, 40)
            found.stages.append(StageSummary(event.number, name, registry.label(name), event.t_ns))
        case JobFact(key="customer" | "site" | "appliance" | "refrigerant" as key):
            setattr(found, key, clean(str(event.value)))
        case StageEnded() if found.stages:
            ended = [stage for stage in found.stages if stage.number == event.number] or found.stages[-1:]
            ended[-1].ended_ns = event.t_ns
        case FindingConcluded(finding=finding):
            for stage in found.stages:
                if stage.number == event.stage:
                    stage.concluded(event.after, finding.verdict.value, clean(event.words.headline))


_NEEDS_ATTENTION = (Verdict.FAIL, Verdict.CANNOT_TELL, Verdict.ATTENTION)


def lines(job: JobSummary) -> list[tuple[str, str]]:
    """(mark, text) for a terminal: the job, whose it is, then a line a stage."""
    head = f"{job.job_id:<20} {job.day:<10}  {job.refrigerant:<10} {job.state:<10} {size(job.size_bytes):>9}"
    out = [("", head)]
    whose = ", ".join(filter(None, (job.customer, job.site, job.appliance)))
    if job.invented and "invented" not in whose.casefold():
        whose += " (invented)"
    if whose:
        out.append(("", f"  {whose}"))
    out += [_stage_line(stage, running=job.running and stage is job.open_stage) for stage in job.stages]
    if job.problem is not None:
        out.append(("NO", f"{job.problem}; ask `rimelog doctor {job.job_id}`"))
    return out


def _stage_line(stage: StageSummary, *, running: bool) -> tuple[str, str]:
    if stage.ended_ns is None:
        return "", f"{stage.label}: {'running now' if running else 'not ended'}"
    if not stage.findings:
        return "", f"{stage.label}: ended, nothing concluded"
    verdict, headline = stage.findings[0]
    more = sum(other in _NEEDS_ATTENTION for other, _ in stage.findings[1:])
    return Verdict(verdict).word, f"{stage.label}: {headline}" + (f" (and {more} more to look at)" if more else "")


def _stage_data(stage: StageSummary) -> dict[str, Any]:
    first = stage.findings[0] if stage.findings else (None, None)
    return {
        "number": stage.number, "kind": stage.kind, "label": stage.label,
        "begun_ns": stage.begun_ns, "ended_ns": stage.ended_ns,
        "verdict": first[0], "headline": first[1],
        "findings": [{"verdict": verdict, "headline": headline} for verdict, headline in stage.findings],
    }  # fmt: skip


def size(count: int) -> str:
    """ "12.3 MB"."""
    number, unit = float(count), "B"
    for unit in ("B", "kB", "MB", "GB"):
        if number < 999.95 or unit == "GB":
            break
        number /= 1000
    return f"{number:.0f} {unit}" if unit == "B" else f"{number:.1f} {unit}"
