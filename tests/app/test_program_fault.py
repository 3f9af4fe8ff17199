"""An error of this program at a device's frame: the frame is kept, the others go on, and it is an alarm."""

import asyncio
from pathlib import Path

import pytest

from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Status, encode_message
from logger.app.daemon import Daemon
from logger.app.feed import DeviceFeed
from logger.clock import Clock
from logger.evidence.chain import frames_of
from logger.link.events import StatusReceived
from logger.model.job import Job
from logger.model.records import FRAMES
from logger.model.rig import Rig, RigDevice
from logger.pipeline.heart import Pipeline
from logger.store.reader import StoreReader

SCALE = RigDevice("scale", "socket://127.0.0.1:1", "52696d6500000001")


def test_the_frame_is_kept_and_the_night_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError("of ours")

    status = Status(1, 2, 3, 4, 5, 6, 7, 8)
    raw = encode_frame(encode_message(status))

    async def night() -> None:
        daemon = Daemon("job-1", tmp_path / "job.rimelog", Clock())
        daemon.open(Rig("r", (SCALE,)), Job("job-1", "R-407C"))
        feed = DeviceFeed(SCALE, daemon.pipeline, daemon.clock, 1.0, daemon.emit, daemon.keep_frame)
        monkeypatch.setattr(Pipeline, "frame", fails)
        feed.take(StatusReceived(1, raw, status))
        daemon.tick()
        assert "program-fault" in daemon.pipeline.waiting_alarms()
        await daemon.close()

    asyncio.run(night())
    with StoreReader(tmp_path / "job.rimelog") as reader:
        kept = [frame for record in reader.records() if record.kind == FRAMES for _, frame in frames_of(record)]
    assert kept == [raw]
