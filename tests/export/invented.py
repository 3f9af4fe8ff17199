"""An invented job for the tests of this room, built by hand: a brewery's R-407C glycol chiller. No real plant.

Frames here are not the device protocol but two or three little-endian doubles: what they mean is this file's replay's
affair, as in the product it is the engine's.
"""

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from logger.evidence.chain import GENESIS, chained, encode_offsets, frames_of, new_event
from logger.export.report.report_data import (
    CylinderRow,
    Instrument,
    InstrumentChannel,
    OnSamples,
    RecordSource,
    Replayed,
)
from logger.model import records as r
from logger.model.alarm import AlarmEvent, Priority, State
from logger.model.cylinder import Cylinder
from logger.model.drawing import Curve, LimitLine
from logger.model.events import AlarmChanged
from logger.model.finding import Finding, Verdict
from logger.model.job import Job
from logger.model.plain import plain
from logger.model.points import Quantity
from logger.model.records import FRAMES, NewRecord, Record
from logger.model.rig import Calibration, Rig, RigChannel, RigDevice
from logger.model.sample import PointSample
from logger.model.units import NS_PER_S
from logger.model.value import known, number, unknown
from logger.stages.definition import StageResult
from tests.stored import stored_event
from tests.worded import worded

T0_NS = 1_772_467_200_000_000_000  # 2026-03-02T16:00:00Z
SCALE, MANIFOLD = "52494d450000a001", "52494d450000a002"
POINTS_OF = {SCALE: ("cylinder_mass",), MANIFOLD: ("recovery_inlet_pressure", "cylinder_pressure", "vacuum")}
NO_READING = math.inf

JOB = Job(
    job_id="2026-03-02-01",
    refrigerant="R-407C",
    full_charge_kg=99.8,
    customer="Kettle & Reed Brewing (invented)",
    site="Cellar roof, north side",
    appliance="Glycol chiller GC-2, circuit A",
    technician="J. Invented",
    volume_m3=0.18,
    volume_u_m3=0.009,
    altitude_m=180.0,
    recovery_machine_made=date(2019, 5, 1),
    units="us",
    invented=True,
)
C1 = Cylinder("RC-1", 25.0, 56.0, 2_757_903.0, date(2024, 2, 1), "R-407C")
C2 = Cylinder("RC-2", 25.2, 56.0, 2_757_903.0, date(2023, 11, 1), "R-407C")
RIG = Rig(
    "Service trolley 1",
    (
        RigDevice("Scale", None, SCALE, (RigChannel(0, "cylinder_mass", Calibration(0.02, 1.0003, 0.02,
                  date(2025, 11, 3), "C-118")),)),
        RigDevice("Manifold board", None, MANIFOLD, tuple(RigChannel(i, p) for i, p in
                  enumerate(POINTS_OF[MANIFOLD]))),
    ),
    text='[rig]\nname = "Service trolley 1"\n',
)  # fmt: skip


@dataclass
class Recorder:
    """Makes the chain."""

    records: list[Record] = field(default_factory=list)

    def add(self, new: NewRecord) -> None:
        previous = self.records[-1].digest if self.records else GENESIS
        self.records.append(chained(previous, new, len(self.records) + 1))

    def event(self, name: str, t_ns: int, /, **fields: Any) -> None:
        self.add(stored_event(name, t_ns, **fields))

    def scan(self, device: str, t_ns: int, *values: float | None) -> None:
        raw = struct.pack(f"<{len(values)}d", *(NO_READING if v is None else v for v in values))
        self.add(NewRecord(FRAMES, device, t_ns, 1, encode_offsets([(0, len(raw))]), raw))

    @property
    def source(self) -> RecordSource:
        return lambda: iter(self.records)


def decoded(record: Record) -> Iterator[PointSample]:
    for t_ns, raw in frames_of(record):
        for point, value in zip(POINTS_OF[record.device], struct.unpack(f"<{len(raw) // 8}d", raw), strict=True):
            if value == NO_READING:
                yield PointSample(t_ns, point, None, "open circuit")
            else:
                yield PointSample(t_ns, point, value)


def replay(records: RecordSource, on_samples: OnSamples) -> Replayed:
    """This file's stand-in for the engine's replay: findings computed from the samples, so that a changed frame
    changes them."""
    masses: list[float] = []
    vacua: list[PointSample] = []
    for record in records():
        if record.kind != FRAMES:
            continue
        samples = list(decoded(record))
        on_samples(samples)
        masses += [s.value for s in samples if s.point == "cylinder_mass" and s.value is not None]
        held = record.t0_ns > T0_NS + 14_400 * NS_PER_S
        vacua += [s for s in samples if s.point == "vacuum" and s.value is not None and held]
    first, last = (masses[0], masses[-1]) if masses else (0.0, 0.0)
    rise = (vacua[-1].value or 0.0) - (vacua[0].value or 0.0) if vacua else 0.0
    return Replayed(
        ambient=known(99_100.0, "Pa", 1000.0, "barometer from 180 m (591 ft), ISO 2533 standard atmosphere"),
        stages={
            1: StageResult(recovery_findings(last - first), limits=(
                LimitLine("limit of RC-1, 80 % by volume", "cylinder_mass", 25.0 + 49.6),)),
            2: StageResult(limits=(LimitLine("target 500 micron", "vacuum", 66.7),)),
            3: StageResult(decay_findings(rise), curves=decay_curve(vacua), limits=(
                LimitLine("limit 1000 micron", "vacuum", 133.3),)),
        },
        instruments=instruments(),
        cylinders=(
            CylinderRow(1, "RC-1", C1, known(0.0, "kg"), known(49.1, "kg", 0.03), known(49.1, "kg", 0.04),
                        known(49.6, "kg")),
            CylinderRow(1, "RC-2", C2, unknown("kg", "not weighed before"), known(45.9, "kg", 0.03),
                        known(45.9, "kg", 0.04), known(49.6, "kg")),
        ),
        balance=(
            ("Recovered, all cylinders", known(last - first, "kg", 0.06)),
            ("Charge by the nameplate", known(99.8, "kg")),
            ("Not accounted for", known(99.8 - (last - first), "kg", 0.06, "leaked before the visit, or left in oil")),
        ),
    )  # fmt: skip


def recovery_findings(recovered_kg: float) -> tuple[Finding, ...]:
    return (
        worded(
            "recovery.level", Verdict.PASS, "Required level reached and held",
            f"Recovered {recovered_kg / 0.45359237:.1f} lb ({recovered_kg:.2f} kg). The system stayed below 10 inHg "
            "vacuum for 20 minutes after the machine was stopped.",
            rule="40 CFR 82.156, table 1: appliance of 200 lb or more, medium pressure, machine made after 1993",
            decision_rule="The reading plus its expanded uncertainty must stay at or below the level.",
            inputs=(
                number("Recovered", Quantity.MASS, known(recovered_kg, "kg", 0.06)),
                number("Pressure 20 min after the stop, absolute", Quantity.PRESSURE, known(61_200.0, "Pa", 900.0)),
                number("Level required, absolute", Quantity.PRESSURE, known(65_200.0, "Pa")),
                number("Shell temperature", Quantity.TEMPERATURE, known(301.4, "K", 0.4)),
                number("Rise over ambient", Quantity.TEMPERATURE_DIFFERENCE, known(6.2, "K", 0.6)),
            ),
        ),
        worded(
            "recovery.stall", Verdict.ATTENTION, "Rate fell away for 14 minutes at 18:42",
            "The rate fell from 0.9 lb/min (0.41 kg/min) to nearly nothing while charge remained; cylinder pressure "
            "rose at the same time.",
            causes=("cylinder hot: its pressure rose by 31 psi (2.1 bar)", "air or another non-condensable in it"),
            check_next=("Cool the cylinder", "Compare cylinder pressure with saturation at its shell temperature"),
        ),
    )  # fmt: skip


def decay_findings(rise_pa: float) -> tuple[Finding, ...]:
    return (
        worded(
            "decay.verdict", Verdict.CANNOT_TELL, "Cannot tell",
            "The rise could be a small leak or water boiling off: the curve is still bending at the end and the "
            "uncertainty reaches across the limit. A hold of two hours or more would tell.",
            rule="Own profile “tight”: rise of no more than 100 micron in 30 minutes",
            decision_rule="Guard band of one expanded uncertainty: held only if rise + U stays within the limit.",
            inputs=(
                number("Rise over the hold", Quantity.VACUUM, known(rise_pa, "Pa", 3.1)),
                number("Water vapor pressure", Quantity.VACUUM, unknown("Pa", "no ambient temperature measured")),
            ),
            causes=("water or outgassing oil", "a leak of up to 3e-6 Pa m3/s of air"),
            check_next=("Hold for two hours", "Warm the low points of the circuit"),
        ),
    )  # fmt: skip


def decay_curve(vacua: list[PointSample]) -> tuple[Curve, ...]:
    t = [s.t_ns for s in vacua[::30]]
    fitted = [80.0 - 30.0 * math.exp(-(x - t[0]) / NS_PER_S / 900.0) for x in t]
    return (Curve("fitted: saturating rise", "vacuum", t, fitted),)


def instruments() -> tuple[Instrument, ...]:
    def channel(index: int, point: str, **more: Any) -> InstrumentChannel:
        values: dict[str, Any] = {
            "label": point, "unit": "[psi]", "sensor": "ratiometric voltage", "range_low": -14.5, "range_high": 500.0,
            "accuracy": 2.5, "accuracy_of_reading": None, "calibration": Calibration(), "u": known(9_950.0, "Pa"),
        }  # fmt: skip
        return InstrumentChannel(index, point=point, **(values | more))

    return (
        Instrument("Scale", SCALE, "platform scale", "rime-scale 1.2.0", (
            channel(0, "cylinder_mass", unit="kg", sensor="bridge", range_low=0.0, range_high=150.0, accuracy=0.03,
                    calibration=RIG.devices[0].channels[0].calibration, u=known(0.02, "kg")),)),
        Instrument("Manifold board", MANIFOLD, "", "rime-manifold 0.9.1", (
            channel(0, "recovery_inlet_pressure", gauge=True),
            channel(1, "cylinder_pressure", calibration=Calibration(2757.9, 1.002, None, date(2026, 1, 14))),
            channel(2, "vacuum", unit="Pa", sensor="direct", range_low=0.1, range_high=13_000.0, accuracy=1.0,
                    accuracy_of_reading=0.05, u=unknown("Pa", "not stated")),)),
    )  # fmt: skip


def alarm(t_ns: int, event: AlarmEvent, before: State, after: State, **more: Any) -> AlarmChanged:
    values: dict[str, Any] = {
        "t_ns": t_ns, "key": "cylinder-near-limit", "label": "Cylinder nearly full", "priority": Priority.HIGH,
        "event": event, "from_state": before, "to_state": after, "value": 0.912, "problem": None, "limit": 0.9,
        "unit": "1", "quantity": Quantity.RATIO, "cause": "above the limit",
        "message": "Make the next cylinder ready.",
    }  # fmt: skip
    return AlarmChanged(**(values | more))


def opened(job: dict[str, Any]) -> Recorder:
    rec = Recorder()
    rec.event(r.JOB_OPENED, T0_NS, job=plain(replace(JOB, **job)), cylinders=[plain(C1), plain(C2)],
              profiles={})  # fmt: skip
    rec.event(r.RUN_BEGUN, T0_NS, software="rimelog 0.1.0", python="3.11.7", system="Linux", speed=1.0,
              utc_offset_s=-6 * 3600)  # fmt: skip
    rec.event(r.RIG_LOADED, T0_NS + 1, rig=plain(RIG))
    rec.event(r.DEVICE_HELLO, T0_NS + 2, device=SCALE, name="Scale", url="/dev/ttyUSB0", firmware="rime-scale 1.2.0")
    rec.event(r.KEEP_AWAKE, T0_NS + 3, text="The computer is kept awake; closing the lid would still send it to sleep.")
    rec.event(r.CYLINDER_ON_SCALE, T0_NS + 4, cylinder=plain(C1), reading_kg=25.0)
    rec.event(r.STAGE_BEGUN, T0_NS + NS_PER_S, number=1, kind="recovery", settings={}, operator="J. Invented")
    return rec


def alarm_story(rec: Recorder, raised_s: int, seen_s: int, cleared_s: int) -> None:
    unseen, seen = State.UNACKNOWLEDGED, State.ACKNOWLEDGED
    rec.add(new_event(alarm(T0_NS + raised_s * NS_PER_S, AlarmEvent.RAISE, State.NORMAL, unseen, first_out=True)))
    rec.add(new_event(alarm(T0_NS + seen_s * NS_PER_S, AlarmEvent.ACKNOWLEDGE, unseen, seen, operator="J. Invented")))
    rec.add(new_event(alarm(T0_NS + cleared_s * NS_PER_S, AlarmEvent.RETURN, seen, State.NORMAL, value=0.2)))


def short_job(note: str = "Filter drier changed.", **job: Any) -> Recorder:
    """A minute of recovery: enough for every kind of event."""
    rec = opened(job)
    for i in range(60):
        t = T0_NS + (i + 2) * NS_PER_S
        rec.scan(SCALE, t, 25.0 + 0.2 * i)
        rec.scan(MANIFOLD, t + 1000, 500_000.0 - 100 * i, 700_000.0 + 50 * i, None)
    rec.event(r.NOTE, T0_NS + 30 * NS_PER_S, text=note, author="J. Invented")
    alarm_story(rec, 40, 50, 52)
    from_ns, to_ns = T0_NS + 20 * NS_PER_S, T0_NS + 24 * NS_PER_S
    rec.event(r.GAP, T0_NS + 55 * NS_PER_S, from_ns=from_ns, to_ns=to_ns, cause="link lost", device=MANIFOLD)
    rec.event(r.STAGE_ENDED, T0_NS + 62 * NS_PER_S, number=1)
    rec.event(r.JOB_CLOSED, T0_NS + 63 * NS_PER_S)
    return rec


def long_job(**job: Any) -> Recorder:
    """An evening: recovery into two cylinders, evacuation, decay test; a gap, an alarm, notes. A reading every 5 s."""
    rec = opened(job)
    for i in range(2000):
        t_s = 2 + 5 * i
        t = T0_NS + t_s * NS_PER_S
        if t_s == 5002:
            rec.event(r.NOTE, t - 1, text="RC-1 full, valve closed, RC-2 on the scale. Shell at 28 °C by hand.",
                      author="J. Invented")  # fmt: skip
            rec.event(r.CYLINDER_ON_SCALE, t - 1, cylinder=plain(C2), reading_kg=25.2)
            rec.event(r.MARK, t - 1, act="cylinder-swapped", text="")
        net = 95.0 * (1 - math.exp(-t_s / 3600))
        bump = 0.3 * math.sin(i) if i % 97 == 0 else 0.0
        rec.scan(SCALE, t, 25.0 + net if t_s < 5002 else 25.2 + net - 71.0 + bump)
        if not 6000 < t_s < 6600:
            inlet = 99_100 + 650_000 * math.exp(-t_s / 2500) - 40_000 * (t_s / 10_000)
            rec.scan(MANIFOLD, t + 1000, inlet, 850_000 + 90_000 * math.sin(t_s / 1500), None)
    alarm_story(rec, 4300, 4410, 5100)
    rec.event(r.GAP, T0_NS + 6600 * NS_PER_S, from_ns=T0_NS + 6000 * NS_PER_S, to_ns=T0_NS + 6600 * NS_PER_S,
              cause="link: cable out", device=MANIFOLD)  # fmt: skip
    rec.event(r.STAGE_ENDED, T0_NS + 10_002 * NS_PER_S, number=1)
    rec.event(r.STAGE_BEGUN, T0_NS + 10_800 * NS_PER_S, number=2, kind="evacuation", settings={"target_vacuum": 66.7})
    rec.event(r.MARK, T0_NS + 10_860 * NS_PER_S, act="pump-started", text="")
    rec.event(r.MARK, T0_NS + 12_300 * NS_PER_S, act="pump-oil-changed", text="oil changed")
    for i in range(700):
        t_s = 10_801 + 5 * i
        vacuum = 40 + 98_000 * math.exp(-(t_s - 10_800) / 260)
        rec.scan(MANIFOLD, T0_NS + t_s * NS_PER_S, 99_100.0, 850_000.0, vacuum)
    rec.event(r.STAGE_ENDED, T0_NS + 14_302 * NS_PER_S, number=2)
    rec.event(r.STAGE_BEGUN, T0_NS + 14_400 * NS_PER_S, number=3, kind="decay-test", settings={"profile": "tight"})
    rec.event(r.MARK, T0_NS + 14_400 * NS_PER_S, act="isolated", text="")
    for i in range(430):
        t_s = 14_401 + 5 * i
        vacuum = 80 - 30 * math.exp(-(t_s - 14_400) / 900) + 0.4 * math.sin(7 * i)
        rec.scan(MANIFOLD, T0_NS + t_s * NS_PER_S, 99_100.0, 850_000.0, vacuum)
    rec.event(
        r.NOTE, T0_NS + 16_600 * NS_PER_S, text="Customer told that a longer hold is needed.", author="J. Invented"
    )
    rec.event(r.STAGE_ENDED, T0_NS + 16_602 * NS_PER_S, number=3)
    rec.event(r.JOB_CLOSED, T0_NS + 16_800 * NS_PER_S)
    return rec
