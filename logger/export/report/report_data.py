"""What the report says, as plain data in SI: built from the records and what the engine makes of them (build.py)."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from logger.evidence.bagit import Digest
from logger.model.cylinder import Cylinder
from logger.model.finding import Finding
from logger.model.job import Job, Stage
from logger.model.points import Quantity
from logger.model.records import Record
from logger.model.rig import Calibration
from logger.model.sample import PointSample
from logger.model.value import Value
from logger.pipeline.silent_alarms import SilentAlarm
from logger.stages.definition import StageResult

RecordSource = Callable[[], Iterator[Record]]
"""All records of a job from the first on; each call begins at the first."""


@dataclass(frozen=True, slots=True)
class InstrumentChannel:
    """range_low, range_high, accuracy in `unit` (UCUM) as the device states them; None when it does not.

    u: standard uncertainty of the newest reading, SI of the point, unknown with its reason. gauge: it measures
    against ambient.
    """

    index: int
    label: str
    point: str
    unit: str
    sensor: str
    range_low: float | None
    range_high: float | None
    accuracy: float | None
    accuracy_of_reading: float | None
    calibration: Calibration
    u: Value
    gauge: bool = False


@dataclass(frozen=True, slots=True)
class Instrument:
    """name: the rig file's. Empty texts where the device never said hello."""

    name: str
    device_id: str
    model: str = ""
    firmware: str = ""
    channels: tuple[InstrumentChannel, ...] = ()
    problem: str | None = None


@dataclass(frozen=True, slots=True)
class CylinderRow:
    """One stay of a cylinder on the scale. Net masses in kg; change: positive when it was filled.

    stage: number, None between stages. cylinder: its markings, None when they were not entered. limit: most it may
    hold net.
    """

    stage: int | None
    name: str
    cylinder: Cylinder | None
    begin: Value
    end: Value
    change: Value
    limit: Value


@dataclass(frozen=True, slots=True)
class Replayed:
    """What the pure engine makes of a job's records, besides the samples.

    ambient: absolute Pa that gauge readings refer to, with how it is known as note. stages: what was concluded of each,
    by number. balance: labelled masses (kg)
    under the cylinder table ("Recovered, all cylinders", "Charge by the nameplate"). silent: alarms that did not ring
    by what was entered then, and would have by the facts as corrected.
    """

    ambient: Value
    stages: Mapping[int, StageResult] = field(default_factory=dict)
    instruments: tuple[Instrument, ...] = ()
    cylinders: tuple[CylinderRow, ...] = ()
    balance: tuple[tuple[str, Value], ...] = ()
    silent: tuple[SilentAlarm, ...] = ()


RECOVERED, CHARGED = "Recovered, all cylinders", "Charged"  # of the balance
OnSamples = Callable[[Sequence[PointSample]], None]


class Replay(Protocol):
    """Runs a job's records, and gives the samples on the way: those of one scan in one call, scans in any order.

    Pure: the same records give the same result on any computer, up to the last bits of its arithmetic.
    """

    def __call__(self, records: RecordSource, on_samples: OnSamples, /) -> Replayed: ...


@dataclass(frozen=True, slots=True)
class Trace:
    """pieces: polylines of (UTC ns, SI value), broken where there is no trusted reading."""

    label: str
    pieces: tuple[tuple[tuple[int, float], ...], ...]
    computed: bool = False


@dataclass(frozen=True, slots=True)
class Plot:
    """log: a vacuum over decades. limits: (label, SI). span_ns: other than the whole stage. close: the axis is that of
    the readings, a limit far off is only named. out_of_range: (from, to, on which side) without a reading."""

    title: str
    quantity: Quantity
    traces: tuple[Trace, ...]
    log: bool = False
    limits: tuple[tuple[str, float], ...] = ()
    span_ns: tuple[int, int] | None = None
    close: bool = False
    out_of_range: tuple[tuple[int, int, str], ...] = ()


@dataclass(frozen=True, slots=True)
class PointSummary:
    """One measuring point over one stage. Values SI; times UTC ns. All None when there was no trusted reading.

    reason: the most frequent one for those missing.
    """

    point: str
    count: int
    missing: int
    reason: str = ""
    first: float | None = None
    low: float | None = None
    low_ns: int | None = None
    high: float | None = None
    high_ns: int | None = None
    last: float | None = None


@dataclass(frozen=True, slots=True)
class StageReport:
    """result: the finding that decides, None when nothing was concluded. end_ns: last record if still running.

    shown_then: what was concluded when the stage ended, by what had arrived by then, where its verdict was another.
    """

    stage: Stage
    end_ns: int
    result: Finding | None
    findings: tuple[Finding, ...]
    plots: tuple[Plot, ...]
    summaries: tuple[PointSummary, ...]
    marks: tuple[tuple[int, str], ...]
    shown_then: Finding | None = None


@dataclass(frozen=True, slots=True)
class AlarmEntry:
    """One time an alarm was raised. value: at the raise, SI. Times UTC ns, None when it did not come to that.

    put_aside: "shelved" or the like, when a person or the stage ended it so.
    """

    label: str
    priority: str
    raised_ns: int
    value: Value
    limit: Value
    quantity: Quantity
    acknowledged_ns: int | None = None
    acknowledged_by: str = ""
    cleared_ns: int | None = None
    first_out: bool = False
    put_aside: str = ""


@dataclass(frozen=True, slots=True)
class GapEntry:
    begin_ns: int
    end_ns: int
    cause: str
    device: str = ""


@dataclass(frozen=True, slots=True)
class Act:
    """A line of the job's diary: a note, a mark, a cylinder on the scale, an alarm shelved, a setting changed."""

    t_ns: int
    kind: str
    text: str
    by: str = ""


@dataclass(frozen=True, slots=True)
class CorrectionEntry:
    """n: its number. about, text: what was corrected, and how. changed: verdicts that it turned, in words."""

    n: int
    t_ns: int
    about: str
    text: str
    by: str
    changed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ReportData:
    """readings: digest of readings.csv. fingerprint: of the key that signs the bundle, None when it is not signed.

    refrigerant: its label. head: digest of the last record; records: how many. closed: whether the job was closed
    (else: as far as it went).
    """

    job: Job
    refrigerant: str
    software: str
    utc_offset_s: int
    ambient: Value
    first_ns: int
    last_ns: int
    records: int
    head: bytes
    closed: bool
    readings: Digest
    fingerprint: str | None = None
    stages: tuple[StageReport, ...] = ()
    cylinders: tuple[CylinderRow, ...] = ()
    balance: tuple[tuple[str, Value], ...] = ()
    alarms: tuple[AlarmEntry, ...] = ()
    acts: tuple[Act, ...] = ()
    corrections: tuple[CorrectionEntry, ...] = ()
    silent: tuple[SilentAlarm, ...] = ()
    amended: str = ""  # what the job supersedes, when it was closed before
    gaps: tuple[GapEntry, ...] = ()
    awake: tuple[str, ...] = ()
    clock: tuple[str, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    rig_digest: str = ""
    logo: bytes = b""
    speed: float = 1.0  # of a simulated job, against real time
