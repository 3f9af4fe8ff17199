"""A job of the simulated plant as a record, without links, store or clock: frames by the device protocol.

The plant is invented; the engine, protocol and analyses are the product's.
"""

from dataclasses import replace
from functools import lru_cache
from typing import Any

from firmware_protocol.framing import Frame, FrameDecoder, encode_frame
from firmware_protocol.messages import Message, encode_message
from firmware_protocol.requests import RequestDescribe, RequestHello, SetPeriod, Start
from logger.evidence.chain import GENESIS, chained, new_event
from logger.evidence.segments import SegmentBuilder
from logger.model import records as r
from logger.model.cylinder import Cylinder
from logger.model.events import JobOpened
from logger.model.job import Job
from logger.model.plain import plain
from logger.model.records import NewRecord, Record
from logger.model.rig import Rig, RigChannel, RigDevice
from logger.model.units import NS_PER_S
from sim_device.boards import boards
from sim_device.rig import Rig as SimRig
from sim_device.rig import device_id
from tests.once import once_a_run
from tests.stored import stored_event

T0_NS = 1_772_467_200_000_000_000
JOB = Job("2026-03-02-02", "R-407C", 98.0, "Invented brewery", "Cold room", "Glycol chiller", "Nobody",
          volume_m3=0.05, volume_u_m3=0.0025, units="us", invented=True)  # fmt: skip
MARKS = {"isolate": "isolated", "start_pump": "pump-started", "stop_pump": "pump-stopped",
         "start_recovery": "machine-started", "stop_recovery": "machine-stopped"}  # fmt: skip


@lru_cache(maxsize=8)
@once_a_run
def simulated_job(
    scenario: str, until_s: float, only: tuple[str, ...], step_s: float = 1.0, seed: int = 3
) -> tuple[Record, ...]:
    """Records of a scenario from its start. Stages, marks and swaps follow the plant's own time line."""
    return recorded(scenario, until_s, only, step_s, seed)


def recorded(
    scenario: str,
    until_s: float,
    only: tuple[str, ...],
    step_s: float = 1.0,
    seed: int = 3,
    opened: JobOpened | None = None,
    period_ms: int | None = None,
) -> tuple[Record, ...]:
    """opened: a job of one's own, whose stages begin with the settings of the time line; None: JOB, with none.
    period_ms: of each channel, None as the boards have it. Ends with the plant's last act."""
    sim = SimRig(scenario, seed, only=only)
    records: list[Record] = []
    segments = SegmentBuilder()
    decoders = {name: FrameDecoder() for name in only}
    ids = {name: device_id(name, seed).hex() for name in only}

    def store(new: list[NewRecord]) -> None:
        for one in new:
            records.append(chained(records[-1].digest if records else GENESIS, one, len(records) + 1))

    def event(t_ns: int, kind: str, /, **fields: Any) -> None:
        store(segments.flush(t_ns, force=True))
        store([stored_event(kind, t_ns, **fields)])

    def talk(name: str, data: bytes, t_s: float) -> None:
        for block in decoders[name].feed(sim.step(name, data, t_s)):
            assert isinstance(block, Frame)
            segments.add(ids[name], T0_NS + round(t_s * NS_PER_S), block.raw)

    cylinders = [
        Cylinder(c.name, c.tare_kg, c.water_capacity_kg, c.service_pressure_psi * 6894.757)
        for c in sim.plant.scenario.cylinders
    ]
    if opened is None:
        event(T0_NS, r.JOB_OPENED, job=plain(JOB), cylinders=[plain(c) for c in cylinders], profiles={})
    else:
        cylinders = list(opened.cylinders)
        store([new_event(opened)])
    event(T0_NS, r.RUN_BEGUN, software="rimelog 0.1.0", python="3.11", system="Linux", speed=1.0, utc_offset_s=-21_600)
    event(T0_NS, r.RIG_LOADED, rig=plain(_rig(sim, ids)))
    for name in only:
        event(T0_NS, r.DEVICE_HELLO, device=ids[name], name=name, url="", firmware="sim")
        channels = len(sim.devices[name].board.channels)
        asked: list[Message] = [RequestHello(1), *(RequestDescribe(2 + i, i) for i in range(channels)), Start(99)]
        if period_ms is not None:
            asked.insert(1, SetPeriod(98, period_ms))
        for request in asked:
            talk(name, encode_frame(encode_message(request)), 0.0)
    if cylinders:
        event(T0_NS, r.CYLINDER_ON_SCALE, cylinder=plain(cylinders[0]), reading_kg=None)
    number, told, t_s = 0, 0, 0.0
    while t_s < until_s:
        t_s += step_s
        for name in only:
            talk(name, b"", t_s)
        store(segments.flush(T0_NS + round(t_s * NS_PER_S)))
        for act in sim.plant.done[told:]:
            at_ns = T0_NS + round(t_s * NS_PER_S)
            if act.action == "stage" and "begin" in act.kw:
                number += 1
                event(at_ns, r.STAGE_BEGUN, number=number, kind=act.kw["begin"], operator="Nobody",
                      settings=act.kw.get("settings", {}) if opened else {})  # fmt: skip
            elif act.action == "stage":
                event(at_ns, r.STAGE_ENDED, number=number)
            elif act.action == "swap_cylinder":
                cylinder = next(c for c in cylinders if c.name == act.kw["to"])
                event(at_ns, r.CYLINDER_ON_SCALE, cylinder=plain(cylinder), reading_kg=None)
            elif act.action in MARKS:
                event(at_ns, r.MARK, act=MARKS[act.action], text="")
        told = len(sim.plant.done)
        if told and sim.plant.done[-1].action == "stop_machine":
            break
    event(T0_NS + round(t_s * NS_PER_S), r.RUN_ENDED)
    return tuple(records)


def _rig(sim: SimRig, ids: dict[str, str]) -> Rig:
    found = {board.name: board for board in boards(sim.plant.scenario)}
    return Rig(
        "Simulated rig",
        tuple(
            RigDevice(name, None, device, tuple(RigChannel(i, c.point) for i, c in enumerate(found[name].channels)))
            for name, device in ids.items()
        ),
        text="[rig]\n",
    )


def with_job(records: tuple[Record, ...], **changes: Any) -> tuple[Record, ...]:
    """The same with another job; the chain made to fit."""
    out: list[Record] = []
    opened = JobOpened(t_ns=T0_NS, job=replace(JOB, **changes))
    for record in records:
        new = NewRecord(record.kind, record.device, record.t0_ns, record.n, record.offsets, record.payload)
        new = new_event(opened) if record.id == 1 else new
        out.append(chained(out[-1].digest if out else GENESIS, new, len(out) + 1))
    return tuple(out)
