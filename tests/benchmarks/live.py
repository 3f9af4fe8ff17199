"""One second of the daemon's heart with everything in it, and the end of a long stage: 16 channels, ten scans a second.

Real frames of the simulated board, through decoding, histories, live quantities, every default alarm and the stage's
own findings, as `logger/app` calls them. Timed by the processor's clock of this process.
"""

import time
from collections.abc import Iterator
from dataclasses import dataclass, field

from firmware_protocol.framing import Frame, FrameDecoder, encode_frame
from firmware_protocol.messages import encode_message
from firmware_protocol.requests import Request, RequestDescribe, RequestHello, Start
from logger.config.job_file import parse_job
from logger.config.rig_file import parse_rig
from logger.model.events import CylinderOnScale, JobOpened, RigLoaded, StageBegun, StageEnded
from logger.model.units import NS_PER_S
from logger.pipeline.engine import ANALYSE_EVERY_NS, Engine
from sim_device.device import Device
from tests.benchmarks.rig16 import CHANNELS, DEVICE_ID, JOB_TOML, board, rig_toml, sense

Row = tuple[str, str, str, bool]
T0_NS = 1_795_000_000_000_000_000
STAGES = ("recovery", "evacuation", "decay-test", "charging", "start-up")
LIVE_S = 200
HOURS = 12
STEP_MS, END_S = 1.0, 2.0


@dataclass
class Took:
    """ms of each: a scan's frame, a tick, a tick with the stage's analysis, which comes every ten seconds."""

    scans: list[float] = field(default_factory=list)
    ticks: list[float] = field(default_factory=list)
    analyses: list[float] = field(default_factory=list)


def run() -> list[Row]:
    """Rows of name, value, target, whether it was met."""
    return [*(row for kind in STAGES for row in _live(kind)), *(_end(kind) for kind in STAGES)]


def _live(kind: str) -> list[Row]:
    engine, took = begun(kind), Took()
    for _ in seconds(engine, LIVE_S, took):
        pass
    scan, tick = p99(took.scans), p99(took.ticks)
    analysis = max(took.analyses[len(took.analyses) // 2 :])
    live = f"scan {scan:.2f} ms, tick {tick:.2f} ms (p99 of {len(took.scans)} and {len(took.ticks)})"
    return [
        (f"live step, {CHANNELS} channels, {kind}", live, f"< {STEP_MS:.0f} ms", scan < STEP_MS and tick < STEP_MS),
        (
            f"its findings, every {ANALYSE_EVERY_NS // NS_PER_S} s, {kind}",
            f"up to {analysis:.1f} ms",
            "none set",
            True,
        ),
    ]


def _end(kind: str) -> Row:
    """A reading of each point every four seconds: more than the histories have buckets, so they are as full as ever.
    Not judged as they come, as on a replay."""
    engine, took = begun(kind), Took()
    engine.live = False
    for _ in seconds(engine, HOURS * 3600, took, period_ms=4000):
        pass
    event = StageEnded(t_ns=engine.model.now_ns, number=1)
    began = time.perf_counter()
    engine.apply(event)
    took_s = time.perf_counter() - began
    assert engine.results[1].findings
    return f"end of a {HOURS} h stage, {kind}: its verdicts", f"{took_s:.2f} s", f"< {END_S:.0f} s", took_s < END_S


def begun(kind: str) -> Engine:
    """A job with this stage running, nothing received yet."""
    setup = parse_job(JOB_TOML, "bench")
    engine = Engine(live=True)
    for event in (
        JobOpened(t_ns=T0_NS, job=setup.job, cylinders=setup.cylinders),
        RigLoaded(t_ns=T0_NS + 1, rig=parse_rig(rig_toml("/dev/bench"))),
        CylinderOnScale(t_ns=T0_NS + 2, cylinder=setup.cylinders[0], reading_kg=None),
        StageBegun(t_ns=T0_NS + 3, number=1, kind=kind),
    ):
        engine.apply(event)
    return engine


def seconds(engine: Engine, count: int, took: Took, period_ms: int = 100) -> Iterator[int]:
    """The board's frames into the engine, a tick each second or with each scan, whichever is rarer."""
    device, decoder = Device(board(period_ms), sense, DEVICE_ID), FrameDecoder()
    asked: list[Request] = [RequestHello(1), *(RequestDescribe(2, i) for i in range(CHANNELS)), Start(3)]
    data = b"".join(encode_frame(encode_message(request)) for request in asked)
    for k in range(1, count * 1000 // period_ms):
        now_ms = k * period_ms
        now_ns = T0_NS + now_ms * 1_000_000
        frames = [f.raw for f in decoder.feed(device.step(data, now_ms / 1000)) if isinstance(f, Frame)]
        data = b""
        for raw in frames:
            before = time.process_time_ns()
            engine.frame(DEVICE_ID.hex(), now_ns, raw)
            took.scans.append((time.process_time_ns() - before) / 1e6)
        if now_ms % 1000 == 0:
            report, before = engine.result, time.process_time_ns()
            engine.tick(now_ns)
            ms = (time.process_time_ns() - before) / 1e6
            (took.ticks if engine.result is report else took.analyses).append(ms)
            engine.take_events()
            yield now_ms // 1000


def p99(ms: list[float]) -> float:
    return sorted(ms)[len(ms) * 99 // 100]


if __name__ == "__main__":
    for row in run():
        print(*row, sep=" | ")
