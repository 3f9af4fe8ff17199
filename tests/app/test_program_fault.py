"""An error of this program at a device's frame: the frame is kept, the others go on, it is an alarm, and neither a
restart nor an export fails at it again."""

import asyncio
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Status, encode_message
from logger.app.daemon import Daemon
from logger.app.device_feed import DeviceFeed
from logger.app.restart import CatchUp
from logger.clock import Clock
from logger.decode.device_model import Explained
from logger.evidence.chain import frames_of
from logger.export.bundle.outcome import Result
from logger.export.bundle.verify import verify_bundle
from logger.export.bundle.write import export_bundle
from logger.export.replayed import replay_job
from logger.link.link_events import StatusReceived
from logger.model.job import Job
from logger.model.records import FRAMES
from logger.model.rig import Rig, RigDevice
from logger.pipeline.device_readings import DeviceReadings
from logger.pipeline.engine import Engine
from logger.store.reader import StoreReader

SCALE = RigDevice("scale", "socket://127.0.0.1:1", "52696d6500000001")


def fails(*_: object, **__: object) -> None:
    raise ZeroDivisionError("of ours")


def test_the_frame_is_kept_the_night_goes_on_and_so_does_a_restart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    status = Status(1, 2, 3, 4, 5, 6, 7, 8)
    raw = encode_frame(encode_message(status))
    path = tmp_path / "job.rimelog"
    monkeypatch.setattr(DeviceReadings, "frame", fails)

    async def night(job: Job | None) -> None:
        daemon = Daemon("job-1", path, Clock())
        daemon.open(Rig("r", (SCALE,)), job)
        feed = DeviceFeed(SCALE, daemon.engine, daemon.clock, 1.0, daemon.emit, daemon.keep_frame)
        feed.take(StatusReceived(1, raw, status, Explained(status)))
        daemon.tick()
        assert "program-fault" in daemon.engine.judge.waiting()
        await daemon.close()

    asyncio.run(night(Job("job-1", "R-407C")))
    asyncio.run(night(None))
    with StoreReader(path) as reader:
        records = list(reader.records())
    kept = [frame for record in records if record.kind == FRAMES for _, frame in frames_of(record)]
    assert kept == [raw, raw]
    beside = CatchUp(path, Engine(live=False), at_once_s=0.0)  # a long record: what devices said comes first
    while not beside.advance(0.0):
        pass

    bundle = export_bundle(lambda: iter(records), replay_job, Ed25519PrivateKey.generate(), tmp_path).bundle
    checked = verify_bundle(bundle, replay_job, known=lambda key: "this computer")
    assert checked.result is Result.HOLDS_BUT and [check.key for check in checked.unchecked] == ["checkpoints"]
