"""A job from Python: what it gives is what the record holds, in whatever form; the notebook of docs/ runs."""

import json
import sys
from pathlib import Path
from typing import Any

import pytest

import logger
from logger.evidence.errors import BundleError
from logger.export.bundle.trusted_keys import signing_key
from logger.export.bundle.write import export_bundle
from logger.export.replayed import replay_job
from logger.pipeline.replay import readings
from logger.register import NoSuchPoint, NoSuchStage, NotInstalled
from logger.register.opened_job import OpenedJob
from logger.store.errors import PlaceError, StoreDamaged
from logger.store.place import job_place
from tests.cli.commandline import store_job
from tests.export.simulated import JOB, simulated_job
from tests.tools import missing

NOTEBOOK = Path(__file__).resolve().parent.parent.parent / "docs" / "notebook.ipynb"


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path))
    store_job(tmp_path, JOB.job_id, simulated_job("tight", 1000.0, ("vacuum board",)))
    return tmp_path


def installed(name: str) -> Any:
    try:
        return __import__(name)
    except ImportError:
        missing(f"{name} (readings in its form)")


def test_it_has_what_the_record_has(data: Path) -> None:
    job = logger.open_job("latest")
    assert isinstance(job, OpenedJob) and (job.id, job.about.customer) == (JOB.job_id, JOB.customer)
    expected = [
        (scan.t_ns, value)
        for scan in readings(simulated_job("tight", 1000.0, ("vacuum board",)))
        for point, value in zip(scan.points, scan.values, strict=True)
        if point == "vacuum"
    ]
    found = job.readings("vacuum")
    assert list(zip(found.t_ns, found.value, strict=True)) == expected and len(found) > 500
    assert found.unit == "Pa" and "vacuum" in job.points
    kinds = [(stage.number, stage.kind) for stage in job.stages]
    assert kinds == [(1, "evacuation"), (2, "decay-test")]
    own = job.readings("vacuum", stage=1)
    stage = job.stage(1)
    assert stage.ended_ns is not None
    assert [t for t, _ in expected if stage.begun_ns <= t <= stage.ended_ns] == list(own.t_ns)
    assert any(type(event).__name__ == "StageBegun" for event in job.events)


def test_it_says_what_there_is_not(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    job = logger.open_job(JOB.job_id)
    with pytest.raises(NoSuchPoint, match="no measuring point"):
        job.readings("vacum")
    with pytest.raises(NoSuchPoint, match="did not measure"):
        job.readings("subcooled_level" if "subcooled_level" in job.points else "cylinder_mass")
    with pytest.raises(NoSuchStage, match="1 \\(evacuation\\)"):
        job.stage(9)
    with pytest.raises(PlaceError):
        logger.open_job("nothing")
    for name in ("numpy", "pyarrow", "pandas"):
        monkeypatch.setitem(sys.modules, name, None)
    few = job.readings("vacuum")
    for form in (few.numpy, few.arrow, few.pandas):
        with pytest.raises(NotInstalled, match="notebook"):
            form()
    job_place(JOB.job_id, data).file.write_bytes(b"nothing " * 600)
    with pytest.raises(StoreDamaged):
        logger.open_job(JOB.job_id)
    (data / "x.zip").write_bytes(b"no zip")
    with pytest.raises(BundleError):
        logger.open_job(data / "x.zip")


def test_numpy_arrow_and_pandas_have_the_same(data: Path) -> None:
    np, pa, pd = installed("numpy"), installed("pyarrow"), installed("pandas")
    found = logger.open_job().readings("vacuum", stage=1)
    times, values = found.numpy()
    assert values.tolist() == list(found.value) and times.astype("int64").tolist() == list(found.t_ns)
    table = found.arrow()
    assert table.column("vacuum").to_pylist() == list(found.value)
    assert table.column("t").cast(pa.int64()).to_pylist() == list(found.t_ns)
    assert table.schema.field("vacuum").metadata == {b"unit": b"Pa"}
    series = found.pandas()
    assert series.tolist() == list(found.value) and series.attrs["unit"] == "Pa"
    assert series.index.as_unit("ns").asi8.tolist() == list(found.t_ns) and str(series.index.tz) == "UTC"
    assert isinstance(series, pd.Series) and values.dtype == np.float64


def test_a_bundle_opens_as_the_job_it_is_of(data: Path, tmp_path: Path) -> None:
    records = simulated_job("tight", 120.0, ("vacuum board",))
    done = export_bundle(lambda: iter(records), replay_job, signing_key(data), tmp_path / "out")
    job = logger.open_job(done.bundle)
    assert job.id == JOB.job_id and len(job.readings("vacuum")) > 50


def test_the_notebook_runs(data: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("numpy", "pyarrow", "pandas", "matplotlib"):
        installed(name)
    monkeypatch.setenv("MPLBACKEND", "Agg")
    names: dict[str, Any] = {}
    for cell in json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == []  # nothing of another job stays in it
            exec(compile("".join(cell["source"]), str(NOTEBOOK), "exec"), names)
    assert "evacuation.progress" in capsys.readouterr().out
    (lines,) = names["axes"].lines
    assert len(lines.get_xdata()) == len(names["vacuum"])
