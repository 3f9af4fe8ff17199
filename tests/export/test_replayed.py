"""The engine's own replay behind the bundle: real frames by the protocol, from the simulated (invented) plant."""

import csv
import io
import json
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from logger.evidence.chain import chained
from logger.export.bundle.outcome import Outcome
from logger.export.bundle.verify import verify_bundle
from logger.export.bundle.write import Exported, export_bundle
from logger.export.replayed import replay_job
from logger.export.report.report_data import Replayed
from logger.model.finding import Verdict
from logger.model.records import FRAMES, MARK, NewRecord, Record
from logger.model.sample import PointSample
from logger.stages.words import text_of
from logger.wording.values import Shown
from tests.export.rebag import as_new, chained_again, put_together, signed_again, taken_apart
from tests.export.simulated import T0_NS, simulated_job
from tests.stored import stored_event

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


def decay() -> tuple[Record, ...]:
    """Pull-down and the first half hour of the hold, from a tight circuit."""
    return simulated_job("tight", 2400.0, ("vacuum board",))


def recovery() -> tuple[Record, ...]:
    return simulated_job("recovery", 1500.0, ("scale", "recovery board"))


def marked(records: tuple[Record, ...], **at_s: float) -> tuple[Record, ...]:
    """With marks of the recovery machine, as if told at the end: the chain made to fit."""
    out = list(records)
    for act, t_s in at_s.items():
        mark = stored_event(MARK, T0_NS + round(t_s * 1e9), act=f"machine-{act}", text="")
        out.append(chained(out[-1].digest, mark, len(out) + 1))
    return tuple(out)


def replayed(records: tuple[Record, ...]) -> tuple[Replayed, list[PointSample]]:
    samples: list[PointSample] = []
    return replay_job(lambda: iter(records), samples.extend), samples


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Exported:
    records = decay()
    return export_bundle(lambda: iter(records), replay_job, KEY, tmp_path_factory.mktemp("simulated"))


def test_findings_curves_limits_and_instruments_of_a_vacuum() -> None:
    found, samples = replayed(decay())
    evacuation, hold = (found.stages[number] for number in (1, 2))
    assert evacuation.findings and hold.findings
    assert hold.findings[0].key == "decay.verdict"
    assert [(limit.label, round(limit.value, 1)) for limit in evacuation.limits] == [("target", 40.0)]
    (curve,) = hold.curves
    measured = [s.value for s in samples if s.point == "vacuum" and s.value is not None and s.t_ns > curve.t_ns[0]]
    assert min(measured) * 0.9 < curve.value[0] < max(measured) * 1.1
    assert curve.t_ns[0] >= T0_NS + 620 * 10**9  # the hold begins 620 s into the scenario
    (instrument,) = found.instruments
    assert instrument.firmware.startswith("sim_device")
    vacuum = next(c for c in instrument.channels if c.point == "vacuum")
    assert vacuum.unit == "um[Hg]" and vacuum.u.number is not None and not vacuum.gauge


def test_a_recovery_machine_that_was_started_again_has_let_nothing_settle() -> None:
    """A cylinder was changed in between: the last stop is not the end of the recovery."""
    found, _ = replayed(marked(recovery(), stopped=300.0, started=320.0))
    findings = {f.key: f for f in found.stages[1].findings}
    assert findings["recovery.level"].verdict is Verdict.CANNOT_TELL
    assert "still settling" in text_of(findings["recovery.level"], Shown()).body
    stopped, _ = replayed(marked(recovery(), stopped=300.0))
    assert {f.key: f for f in stopped.stages[1].findings}["recovery.level"].value("settled_for") is not None


def test_the_cylinder_on_the_scale_and_the_balance_of_a_recovery() -> None:
    found, samples = replayed(recovery())
    row = found.cylinders[0]
    masses = [s.value for s in samples if s.point == "cylinder_mass" and s.value is not None]
    assert row.cylinder is not None and row.change.number is not None and row.end.number is not None
    # By the samples alone: what the scale gained, and what stands on it less the tare.
    assert row.change.number == pytest.approx(masses[-1] - masses[0], abs=0.3)
    assert row.end.number == pytest.approx(masses[-1] - row.cylinder.tare_kg, abs=0.3)
    assert row.limit.number is not None and row.limit.number > 0
    balance = dict(found.balance)
    assert balance["Recovered, all cylinders"].number == pytest.approx(row.change.number, abs=1e-9)
    assert balance["Full charge less recovered"].number == pytest.approx(98.0 - row.change.number, abs=1e-9)


def test_the_bundle_of_a_simulated_job_verifies(exported: Exported) -> None:
    report = verify_bundle(exported.bundle, replay_job)
    assert {check.outcome for check in report.checks} == {Outcome.HOLDS, Outcome.NOT_CHECKED}
    assert [check.key for check in report.unchecked] == ["key", "checkpoints"]
    assert {c.key for c in report.checks if c.outcome is not Outcome.HOLDS} == {"key", "checkpoints"}


def test_readings_are_the_samples(exported: Exported) -> None:
    _, files = taken_apart(exported.bundle)
    rows = list(csv.DictReader(io.StringIO(files["data/readings.csv"].decode(), newline="")))
    _, samples = replayed(decay())
    column = [float(row["vacuum [Pa]"]) for row in rows if row["vacuum [Pa]"]]
    assert column == [float(format(s.value, ".9g")) for s in samples if s.point == "vacuum" and s.value is not None]
    missing = [row["problem"] for row in rows if "vacuum: " in row["problem"]]
    assert len(missing) == sum(s.point == "vacuum" and s.value is None for s in samples)
    assert [row["time"] for row in rows] == sorted(row["time"] for row in rows)


def _shown(files: dict[str, bytes]) -> Shown:
    job = json.loads(files["data/job.json"])
    return Shown(job["job"]["units"], job["ambient"]["number"], job["utc_offset_s"])


def test_findings_in_the_bundle_are_the_replays(exported: Exported) -> None:
    _, files = taken_apart(exported.bundle)
    found = json.loads(files["data/findings.json"])
    again, _ = replayed(decay())
    keys = [[(f["key"], f["verdict"]) for f in s["findings"]] for s in found["stages"]]
    assert keys == [[(f.key, f.verdict) for f in s.findings] for s in again.stages.values()]
    bodies = [[f["text"]["body"] for f in s["findings"]] for s in found["stages"]]
    assert bodies == [[text_of(f, _shown(files)).body for f in s.findings] for s in again.stages.values()]


def test_a_frame_taken_out_by_the_holder_of_the_key_is_found(exported: Exported, tmp_path: Path) -> None:
    """Chain and signature made to fit: the readings no longer follow from the records."""

    def without_one(record: Record) -> NewRecord | None:
        return None if record.kind == FRAMES and record.id == 900 else as_new(record)

    top, files = taken_apart(exported.bundle)
    forged = put_together(top, signed_again(chained_again(files, without_one), KEY), tmp_path / "less.zip")
    failing = {c.key for c in verify_bundle(forged, replay_job).checks if c.outcome is Outcome.FAILS}
    assert "readings" in failing


def test_a_running_stage_is_analysed_as_far_as_it_got() -> None:
    records = simulated_job("tight", 400.0, ("vacuum board",))
    found, _ = replayed(records)
    (evacuation,) = found.stages.values()
    assert evacuation.findings
