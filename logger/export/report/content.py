"""From records and replay to the report's data."""

import hashlib
from collections.abc import Iterable

from logger.evidence.bagit import Digest
from logger.export.report.envelope import Envelope
from logger.export.report.report_data import Plot, PointSummary, Replayed, ReportData, StageReport, Trace
from logger.export.story import Story, mark_label
from logger.model.events import KeepAwakeNoted
from logger.model.finding import Finding, Verdict
from logger.model.job import Stage
from logger.model.points import POINTS
from logger.model.sample import PointSample
from logger.model.units import STANDARD_ATMOSPHERE_PA
from logger.stages import registry
from logger.stages.definition import StageResult
from logger.wording.values import Shown

JUDGED = (Verdict.PASS, Verdict.FAIL, Verdict.CANNOT_TELL)


def shown_for(story: Story, replayed: Replayed) -> Shown:
    """How this job's numbers and times are shown."""
    ambient = replayed.ambient.number
    return Shown(story.job.units, STANDARD_ATMOSPHERE_PA if ambient is None else ambient, story.utc_offset_s)


class StageReadings:
    """What the report needs of the readings, gathered as they pass. story: with all records passed through it."""

    def __init__(self, story: Story) -> None:
        points = story.points
        self.by_stage = [{p: Envelope(s.begun_ns, _end(s, story)) for p in points} for s in story.state.stages]
        self._windows = [(s.begun_ns, _end(s, story)) for s in story.state.stages]
        self._at = 0

    def add(self, samples: Iterable[PointSample]) -> None:
        """Each to the stage it lies in; mostly that of the one before."""
        for sample in samples:
            if not self._within(self._at, sample.t_ns):
                found = [i for i in range(len(self._windows)) if self._within(i, sample.t_ns)]
                if not found:
                    continue
                self._at = found[0]
            envelope = self.by_stage[self._at].get(sample.point)
            if envelope is not None:
                envelope.add(sample.t_ns, sample.value, sample.problem)

    def _within(self, i: int, t_ns: int) -> bool:
        return i < len(self._windows) and self._windows[i][0] <= t_ns <= self._windows[i][1]


def build_report_data(
    story: Story, replayed: Replayed, stage_readings: StageReadings, readings: Digest, fingerprint: str | None = None
) -> ReportData:
    """story, stage_readings: with all records and all samples passed through. readings: of readings.csv."""
    shown = shown_for(story, replayed)
    return ReportData(
        job=story.job,
        refrigerant=story.state.catalogue.labelled(story.job.refrigerant),
        software=story.software,
        utc_offset_s=story.utc_offset_s,
        ambient=replayed.ambient,
        first_ns=story.first_ns,
        last_ns=story.last_ns,
        records=story.count,
        head=story.head,
        closed=story.state.closed,
        readings=readings,
        fingerprint=fingerprint,
        stages=_stages(story, replayed, stage_readings),
        cylinders=replayed.cylinders,
        balance=replayed.balance,
        alarms=story.alarms(),
        acts=story.acts(shown),
        corrections=story.corrections(shown),
        silent=replayed.silent,
        amended=story.amended,
        gaps=story.gaps(),
        awake=story.words_of(KeepAwakeNoted, shown),
        clock=story.clocks(shown),
        instruments=replayed.instruments,
        rig_digest=hashlib.sha256(text.encode()).hexdigest() if (text := story.state.rig.text) else "",
        speed=story.speed,
        logo=story.logo,
    )


def result_of(findings: Iterable[Finding]) -> Finding | None:
    """The finding that decides: one that fails before all others, else the first that a rule judged, else the first
    that asks for attention, else the first."""
    listed = list(findings)
    judged = [f for f in listed if f.verdict in JUDGED]
    failed = [f for f in judged if f.verdict is Verdict.FAIL]
    attention = [f for f in listed if f.verdict is Verdict.ATTENTION]
    return next(iter(failed or judged or attention or listed), None)


def _stages(story: Story, replayed: Replayed, readings: StageReadings) -> tuple[StageReport, ...]:
    return tuple(
        _stage(stage, _end(stage, story), replayed.stages.get(stage.number, StageResult()), envelopes, story)
        for stage, envelopes in zip(story.state.stages, readings.by_stage, strict=True)
    )


def _end(stage: Stage, story: Story) -> int:
    return story.last_ns if stage.ended_ns is None else stage.ended_ns


def _stage(stage: Stage, end_ns: int, result: StageResult, envelopes: dict[str, Envelope], story: Story) -> StageReport:
    decides, then = result_of(result.findings), result_of(story.concluded(stage.number))
    known = registry.definition(stage.kind)
    listed = known.listed if known else ()
    differs = then is not None and (decides is None or then.verdict is not decides.verdict)
    return StageReport(
        stage=stage,
        end_ns=end_ns,
        result=decides,
        findings=tuple(sorted(result.findings, key=lambda f: f is not decides)),
        plots=tuple(_plots(stage.kind, result, envelopes)),
        summaries=tuple(
            _summary(p, e) for p, e in envelopes.items() if (e.count or e.missing) and p.startswith(listed)
        ),
        marks=tuple(
            (m.t_ns, m.text or mark_label(m.act)) for m in story.state.marks if stage.begun_ns <= m.t_ns <= end_ns
        ),
        shown_then=then if differs else None,
    )


def _plots(kind: str, result: StageResult, envelopes: dict[str, Envelope]) -> Iterable[Plot]:
    known = registry.definition(kind)
    for spec in known.plots if known else ():
        if spec.hold and result.held_ns is None:
            continue
        drawn = [p for p in spec.points if p in envelopes and envelopes[p].count > 1]
        if not drawn:
            continue
        traces = [Trace(POINTS[p].label, envelopes[p].pieces()) for p in drawn]
        traces += [
            Trace(c.label, (tuple(zip(c.t_ns, c.value, strict=True)),), computed=True)
            for c in result.curves
            if c.point in drawn
        ]
        limits = tuple((limit.label, limit.value) for limit in result.limits if limit.point in drawn)
        out = tuple(sorted(span for p in drawn for span in envelopes[p].out_of_range()))
        span_ns = result.held_ns if spec.hold else None
        yield Plot(spec.title, POINTS[drawn[0]].quantity, tuple(traces), spec.log, limits, span_ns, spec.hold, out)


def _summary(point: str, envelope: Envelope) -> PointSummary:
    first, low, high, last = envelope.first, envelope.low, envelope.high, envelope.last
    if first is None or low is None or high is None or last is None:
        return PointSummary(point, envelope.count, envelope.missing, envelope.reason)
    return PointSummary(
        point, envelope.count, envelope.missing, envelope.reason, first[1], low[1], low[0], high[1], high[0], last[1]
    )
