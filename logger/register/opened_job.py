"""A job from Python: `job = logger.open_job("latest")`. Reads only, decodes when asked, keeps what it decoded.

    job = logger.open_job("latest")
    vacuum = job.readings("vacuum", stage=2)
    vacuum.t_ns, vacuum.value, vacuum.unit       # plain sequences, UTC nanoseconds and SI
    times, values = vacuum.numpy()               # when numpy is installed
    [(f.key, f.verdict) for f in job.stage(2).findings]

Names and meanings here are stable, as are measuring points (model/points.py), keys of findings and kinds of stage.
"""

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.evidence.bagit import PAYLOAD, Bag
from logger.evidence.record_lines import parse_records
from logger.evidence.safezip import SafeZip
from logger.export.bundle.write import RECORDS
from logger.export.story import Story
from logger.model.events import Event
from logger.model.finding import Finding, Text, Verdict
from logger.model.job import Job
from logger.model.points import POINTS
from logger.model.records import EVENT, Record
from logger.model.sample import Series
from logger.model.units import NS_PER_S
from logger.pipeline.replay import readings as read_again
from logger.register import NoSuchPoint, NoSuchStage, NotInstalled
from logger.stages import registry
from logger.stages.words import text_of
from logger.store.place import find_job
from logger.store.reader import StoreReader
from logger.wording.values import Shown

if TYPE_CHECKING:
    import numpy
    import pandas
    import pyarrow


@dataclass(frozen=True, slots=True)
class PointReadings:
    """The trusted readings of one measuring point, in order of time. t_ns: UTC nanoseconds; value: SI, in `unit`
    (UCUM), pressures absolute. Both of one length."""

    point: str
    unit: str
    t_ns: Sequence[int]
    value: Sequence[float]

    def __len__(self) -> int:
        return len(self.t_ns)

    def numpy(self) -> "tuple[numpy.ndarray[Any, Any], numpy.ndarray[Any, Any]]":
        """(times as datetime64[ns] UTC, values as float64). Raises NotInstalled."""
        np = _imported("numpy")
        times = np.asarray(self.t_ns, dtype="int64").astype("datetime64[ns]")
        return times, np.asarray(self.value, dtype="float64")

    def arrow(self) -> "pyarrow.Table":
        """Columns `t` (timestamp[ns, UTC]) and the point's name, its unit in the field's metadata. Raises
        NotInstalled."""
        pa = _imported("pyarrow")
        times = pa.array(self.t_ns, pa.int64()).cast(pa.timestamp("ns", "UTC"))
        fields = [pa.field("t", times.type), pa.field(self.point, pa.float64(), metadata={"unit": self.unit})]
        return pa.table([times, pa.array(self.value, pa.float64())], schema=pa.schema(fields))

    def pandas(self) -> "pandas.Series[float]":
        """Indexed by UTC, named as the point, `attrs["unit"]` its unit. Raises NotInstalled."""
        pd = _imported("pandas")
        index = pd.to_datetime(list(self.t_ns), unit="ns", utc=True).rename("t")
        series = pd.Series(list(self.value), index=index, name=self.point, dtype="float64")
        series.attrs["unit"] = self.unit
        return series

    def series(self) -> Series:
        """As `logger.analyse` takes it: seconds from the first reading."""
        first = self.t_ns[0] if self.t_ns else 0
        return Series(self.point, [(t - first) / NS_PER_S for t in self.t_ns], list(self.value))


@dataclass(frozen=True, slots=True)
class StageOfJob:
    """number: as shown. begun_ns, ended_ns: UTC; None while it was not ended. settings: SI. findings: as concluded
    last; verdict: of the one that decides, None where nothing was concluded."""

    number: int
    kind: str
    begun_ns: int
    ended_ns: int | None
    settings: dict[str, Any]
    findings: tuple[Finding, ...]
    verdict: Verdict | None


class OpenedJob:
    """about: who, where, which refrigerant, what charge. stages, events: after corrections, in order of time.

    points: measured in it. utc_offset_s: how far the clock of the place was ahead of UTC.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._readings: dict[str, tuple[array[int], array[float]]] | None = None
        story = Story()
        with self._records(EVENT) as records:
            for _ in story.passing(records):
                pass
        self._state, self._facts = story.state, story.facts
        self.about: Job = story.job
        self.id: str = self.about.job_id
        self.points: tuple[str, ...] = story.points
        self.utc_offset_s: int = story.utc_offset_s
        self.events: tuple[Event, ...] = tuple(placed.event for placed in self._facts.events)
        self.stages: tuple[StageOfJob, ...] = tuple(self._stages())

    def __repr__(self) -> str:
        return f"<job {self.id}: {self.about.refrigerant}, {len(self.stages)} stages>"

    def stage(self, number: int) -> StageOfJob:
        """Raises NoSuchStage."""
        found = next((one for one in self.stages if one.number == number), None)
        if found is None:
            there = ", ".join(f"{one.number} ({one.kind})" for one in self.stages) or "none"
            raise NoSuchStage(f"job {self.id} has no stage {number}; there are {there}")
        return found

    @property
    def findings(self) -> tuple[tuple[StageOfJob, Finding], ...]:
        return tuple((stage, finding) for stage in self.stages for finding in stage.findings)

    def readings(self, point: str, *, stage: int | None = None) -> PointReadings:
        """Of the whole job, or from the begin of a stage to its end. The first call decodes the job: some seconds for a
        night. Raises NoSuchPoint, NoSuchStage."""
        if point not in POINTS:
            raise NoSuchPoint(f"{point!r} is no measuring point; this job has {', '.join(self.points) or 'none'}")
        since, until = (None, None) if stage is None else (self.stage(stage).begun_ns, self.stage(stage).ended_ns)
        t_ns, values = self._decoded().get(point, (array("q"), array("d")))
        if not t_ns and point not in self.points:
            raise NoSuchPoint(f"job {self.id} did not measure {point!r}; it has {', '.join(self.points) or 'nothing'}")
        first = 0 if since is None else bisect_left(t_ns, since)
        last = len(t_ns) if until is None else bisect_right(t_ns, until)
        return PointReadings(point, POINTS[point].unit, t_ns[first:last], values[first:last])

    def text(self, finding: Finding, units: str = "us") -> Text:
        """A finding in words. units: "us" or "si"."""
        return text_of(finding, Shown(units, utc_offset_s=self.utc_offset_s))

    def _stages(self) -> Iterator[StageOfJob]:
        for one in self._state.stages:
            found = tuple(self._state.findings.get(one.number, ()))
            deciding = registry.deciding(one.kind, found)
            verdict = deciding.verdict if deciding is not None else None
            yield StageOfJob(one.number, one.kind, one.begun_ns, one.ended_ns, dict(one.settings), found, verdict)

    def _decoded(self) -> "dict[str, tuple[array[int], array[float]]]":
        if self._readings is None:
            found: dict[str, tuple[array[int], array[float]]] = {}
            with self._records() as records:
                for scan in read_again(list(records)):
                    for point, value in zip(scan.points, scan.values, strict=True):
                        times, values = found.setdefault(point, (array("q"), array("d")))
                        times.append(scan.t_ns)
                        values.append(value)
            self._readings = {point: _in_order(*columns) for point, columns in found.items()}
        return self._readings

    @contextmanager
    def _records(self, kind: str | None = None) -> Iterator[Iterator[Record]]:
        if self._path.suffix == ".zip":
            with self._path.open("rb") as file:
                records = parse_records(Bag(SafeZip(file)).chunks(PAYLOAD + RECORDS))
                yield (record for record in records if kind is None or record.kind == kind)
        else:
            with StoreReader(self._path) as reader:
                yield reader.records(kind=kind)


def open_job(job: str | Path = "latest") -> OpenedJob:
    """job: an id, the end of one, "latest", a job's folder or file, or a bundle (.zip), whose chain is not checked here
    (`rimelog verify`).

    Raises logger.store.errors.PlaceError where there is none, StoreError for a file that cannot be read,
    logger.evidence.errors.BundleError for a bundle, or a job that no record opens.
    """
    path = Path(job).expanduser()
    return OpenedJob(path if path.suffix == ".zip" and path.is_file() else find_job(str(job)).file)


def _in_order(t_ns: "array[int]", values: "array[float]") -> "tuple[array[int], array[float]]":
    """Readings that came late stand where they belong."""
    if all(a <= b for a, b in pairwise(t_ns)):
        return t_ns, values
    order = sorted(range(len(t_ns)), key=t_ns.__getitem__)
    return array("q", (t_ns[i] for i in order)), array("d", (values[i] for i in order))


def _imported(name: str) -> Any:
    import importlib

    try:
        return importlib.import_module(name)
    except ImportError as exc:
        raise NotInstalled(f"{name} is not installed: pip install 'rimelog[notebook]'") from exc
