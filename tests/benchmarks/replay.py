"""The stored record through the engine again, against the time it took to record: 16 channels, ten scans a second.

As when a job goes on after a restart: the stage still runs. What its end adds is in `live` and `evidence`.
"""

import tempfile
import time
from pathlib import Path

from firmware_protocol.framing import Frame, FrameDecoder, encode_frame
from firmware_protocol.messages import encode_message
from firmware_protocol.requests import Request, RequestDescribe, RequestHello, Start
from logger.config.job_file import parse_job
from logger.config.rig_file import parse_rig
from logger.evidence.chain import new_event
from logger.evidence.segments import SegmentBuilder
from logger.model.events import CylinderOnScale, Event, JobOpened, RigLoaded, StageBegun, StageEnded
from logger.model.sample import PointSample
from logger.pipeline.replay import replay
from logger.store.checkpoints import Sign
from logger.store.reader import StoreReader
from logger.store.writer import StoreWriter
from sim_device.device import Device
from tests.benchmarks.rig16 import CHANNELS, DEVICE_ID, JOB_TOML, board, rig_toml, sense

Row = tuple[str, str, str, bool]
SECONDS = 1800
ROUNDS = 6
T0_NS = 1_795_000_000_000_000_000
TARGET = 2000.0


def run() -> list[Row]:
    """Rows of name, value, target, whether it was met."""
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / "job.rimelog"
        record(path, SECONDS)
        best, count = float("inf"), 0
        for _ in range(ROUNDS):
            count = 0

            def counted(samples: list[PointSample]) -> None:
                nonlocal count
                count += len(samples)

            begun = time.perf_counter()
            with StoreReader(path) as reader:
                replay(reader.records(), on_samples=counted)
            best = min(best, time.perf_counter() - begun)
    assert count > 0.99 * SECONDS * 10 * CHANNELS
    times = SECONDS / best
    value = f"{times:,.0f} x real time ({count / best:,.0f} readings/s)"
    return [(f"replay of {SECONDS // 60} min in a recovery", value, f">= {TARGET:.0f} x", times >= TARGET)]


def record(path: Path, seconds: int, *, ended: bool = False, sign: Sign | None = None) -> None:
    """A recovery of so long, as the daemon would have stored it. ended: the stage, too, with its verdicts."""
    setup = parse_job(JOB_TOML, "bench")
    first: list[Event] = [
        JobOpened(t_ns=T0_NS, job=setup.job, cylinders=setup.cylinders),
        RigLoaded(t_ns=T0_NS + 1, rig=parse_rig(rig_toml("/dev/bench"))),
        CylinderOnScale(t_ns=T0_NS + 2, cylinder=setup.cylinders[0], reading_kg=None),
        StageBegun(t_ns=T0_NS + 3, number=1, kind="recovery"),
    ]
    writer = StoreWriter.open(
        path, job_id="bench", now_ns=lambda: T0_NS, sign=sign, commit_interval_s=3600.0, reserve_bytes=0
    )
    writer.submit([new_event(event) for event in first])
    device, decoder, builder = Device(board(), sense, DEVICE_ID), FrameDecoder(), SegmentBuilder()
    asked: list[Request] = [RequestHello(1), *(RequestDescribe(2, i) for i in range(CHANNELS)), Start(3)]
    data = b"".join(encode_frame(encode_message(request)) for request in asked)
    for tenth in range(1, seconds * 10):
        now_ns = T0_NS + tenth * 100_000_000
        for block in decoder.feed(device.step(data, tenth / 10)):
            if isinstance(block, Frame):
                builder.add(DEVICE_ID.hex(), now_ns + 300_000, block.raw)
        data = b""
        if tenth % 10 == 0:
            writer.submit(builder.flush(now_ns, force=True))
        if tenth % 1000 == 0:
            writer.flush()
    if ended:
        writer.submit([new_event(StageEnded(t_ns=now_ns, number=1))])
    writer.close()


if __name__ == "__main__":
    for row in run():
        print(*row, sep=" | ")
