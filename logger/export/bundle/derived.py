"""The files made from the records: by the export once, and again by `verify`, which compares."""

import json
from collections.abc import Iterator, Sequence
from typing import Any

from logger.evidence.bagit import Digest
from logger.export.csv.sheets import ReadingsSheet, events_csv, events_metadata, readings_metadata, rfc3339
from logger.export.report.content import StageReadings, build_report_data, result_of, shown_for
from logger.export.report.report_data import RecordSource, Replay, Replayed, ReportData
from logger.export.report.typeset import ATTACHED_AT_MOST, Paper, render
from logger.export.story import Story
from logger.model.plain import finding_data, plain
from logger.model.sample import PointSample
from logger.model.version import ANALYSIS
from logger.stages import registry
from logger.stages.words import text_of

READINGS = "readings.csv"
REPORT = "report.pdf"
FINDINGS = "findings.json"


class Derived:
    """Runs the replay. story: with all of `records` passed through it."""

    def __init__(self, story: Story, records: RecordSource, replay: Replay) -> None:
        self._story = story
        self._stage_readings = StageReadings(story)
        self._sheet = ReadingsSheet(story.points)
        self._replayed: Replayed = replay(records, self._take)

    def _take(self, samples: Sequence[PointSample]) -> None:
        self._sheet.add(samples)
        self._stage_readings.add(samples)

    def readings(self) -> Iterator[bytes]:
        """readings.csv, line by line; once."""
        return self._sheet.lines()

    def small(self) -> dict[str, bytes]:
        """Every derived file but readings.csv and the report."""
        story, job = self._story, self._story.job
        about = f"Rimelog job {job.job_id}"
        return {
            READINGS + "-metadata.json": readings_metadata(story.points, f"{about}: readings", job.invented),
            "events.csv": b"".join(events_csv(story.rows(shown_for(story, self._replayed)))),
            "events.csv-metadata.json": events_metadata(f"{about}: events", job.invented),
            "job.json": _json(self._job()),
            FINDINGS: _json(self._findings()),
        }

    def conclusions(self) -> list[str]:
        """Stages whose verdict, as shown when they ended, is not the one all records give; in words."""
        found = []
        for number, stage in self._replayed.stages.items():
            then, now = result_of(self._story.concluded(number)), result_of(stage.findings)
            if then is not None and (now is None or then.verdict is not now.verdict):
                given = now.verdict.value if now else "nothing"
                version = self._story.analysis_at_end(number)
                by = "" if version == ANALYSIS else f" by version {version} of the analysis"
                found.append(
                    f"stage {number}: {then.verdict.value} was shown{by}, all records give {given} "
                    "(readings that came late can do that)"
                )
        return found

    def not_known(self) -> list[str]:
        """Stages of a later version, whose findings are the recorded ones; in words."""
        return [
            f"stage {one.number}: this version does not know the stage {one.kind}; its findings are as recorded"
            for one in self._story.state.stages
            if registry.definition(one.kind) is None
        ]

    def report(self, readings: Digest, csv: bytes | None, fingerprint: str | None, paper: Paper | None) -> bytes:
        """The PDF. csv: readings.csv, attached when it is not too large for that."""
        data = self.report_data(readings, fingerprint)
        return render(data, csv if csv is not None and len(csv) <= ATTACHED_AT_MOST else None, paper)

    def customer_form(self, readings: Digest, fingerprint: str | None, paper: Paper | None) -> bytes:
        """The report's first page alone."""
        return render(self.report_data(readings, fingerprint), None, paper, customer=True)

    def report_data(self, readings: Digest, fingerprint: str | None) -> ReportData:
        return build_report_data(self._story, self._replayed, self._stage_readings, readings, fingerprint)

    def _job(self) -> dict[str, Any]:
        story, state = self._story, self._story.state
        return {
            "about": "A Rimelog job. Values in SI (Pa absolute, K, kg, m3), times in UTC.",
            "job": plain(story.job),
            "software": story.software,
            "utc_offset_s": story.utc_offset_s,
            "closed": state.closed,
            "records": {
                "count": story.count,
                "head": story.head.hex(),
                "first": rfc3339(story.first_ns),
                "last": rfc3339(story.last_ns),
            },
            "ambient": plain(self._replayed.ambient),
            "cylinders": [plain(c) for c in state.cylinders.values()],
            "stages": [
                {"number": s.number, "kind": s.kind, "begun": rfc3339(s.begun_ns),
                 "ended": None if s.ended_ns is None else rfc3339(s.ended_ns), "settings": plain(s.settings)}
                for s in state.stages
            ],
            "instruments": [plain(i) for i in self._replayed.instruments],
        }  # fmt: skip

    def _findings(self) -> dict[str, Any]:
        stages: list[dict[str, Any]] = []
        shown = shown_for(self._story, self._replayed)
        for number, stage in sorted(self._replayed.stages.items()):
            result = result_of(stage.findings)
            stages.append({
                "stage": number,
                "verdict": result.verdict.value if result else None,
                "findings": [{**finding_data(f), "text": plain(text_of(f, shown))} for f in stage.findings],
            })  # fmt: skip
        return {
            "about": "What the analyses concluded from the records. Values in SI; u is a standard uncertainty (k = 1).",
            "format": 2,
            "stages": stages,
            "cylinders": [plain(row) for row in self._replayed.cylinders],
            "balance": [[label, plain(value)] for label, value in self._replayed.balance],
            **self._silent(),
        }

    def _silent(self) -> dict[str, Any]:
        """Only where something was corrected on which a limit hangs."""
        listed = [
            {"alarm": one.raised.key, "from": rfc3339(one.begin_ns), "limit": one.raised.limit, "unit": one.raised.unit,
             "to": None if one.end_ns is None else rfc3339(one.end_ns), "worst": plain(one.worst)}
            for one in self._replayed.silent
        ]  # fmt: skip
        return {"silent_alarms": listed} if listed else {}


def _json(data: dict[str, Any]) -> bytes:
    """Numbers with nine figures, for the reason that readings.csv has no more."""
    return (json.dumps(_settled(data), indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode(
        "utf-8", "backslashreplace"
    )


def _settled(data: Any) -> Any:
    if isinstance(data, float):
        return float(format(data, ".9g"))
    if isinstance(data, dict):
        return {key: _settled(value) for key, value in data.items()}
    if isinstance(data, list):
        return [_settled(value) for value in data]
    return data
