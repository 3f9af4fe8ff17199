"""One evening's troubles in a row: a pulled cable, a device that starts anew, a program that stands still."""

import re
import signal
import time
from pathlib import Path

from sim_device.rig import device_id
from tests.end_to_end.running import Stored, daemon, simulated, until
from tests.end_to_end.wire import Wire

AWAY_S = 4.0
DEVICE = device_id("scale", 3).hex()


def test_an_evening_of_troubles_loses_no_frame(tmp_path: Path) -> None:
    port = tmp_path / "ttyUSB0"
    with (
        simulated(tmp_path, "recovery", only=("scale",)) as sim,
        Wire(sim.urls["scale"], port) as wire,
        daemon(tmp_path, sim.rig({"scale": str(port)}, tmp_path / "wired.toml")) as logger,
    ):
        logger.ready()
        logger.client.act("stage-begin", kind="recovery")
        # Unplugged, and plugged in again as another port behind the same name.
        wire.unplug()
        logger.when(lambda state: not state["devices"][0]["ok"], "the loss is seen")
        assert "lost" in logger.device("scale")["text"]
        logger.when(lambda state: state["live"]["cylinder_net_mass"]["value"] is None, "no old mass is shown")
        _wait(AWAY_S)
        wire.plug_in()
        logger.ready()
        until(lambda: _complete(logger.file, 1, 5 * AWAY_S), "what was made meanwhile is fetched")
        # Switched off and on: what it had kept would be gone.
        sim.fault("reboot", "scale", down_s=1.0)
        until(lambda: _boots(logger.file) == {1, 2}, "the second boot is stored")
        logger.ready()
        # The whole program stands still.
        logger.process.send_signal(signal.SIGSTOP)
        _wait(AWAY_S)
        before = len(Stored(logger.file).sequences(DEVICE, 2))
        logger.process.send_signal(signal.SIGCONT)
        logger.when(lambda state: any(a["key"] == "clock-gap" for a in state["alarms"]), "the standstill is told")
        logger.ready()
        until(lambda: _complete(logger.file, 2, before + 5 * (AWAY_S + 3)), "all is fetched")
        said = logger.stop()
    lost = r"^\d\d:\d\d:\d\d \S+ scale: LOST, .+\. Still logging; it reconnects automatically$"
    assert re.search(lost, said, re.M), said
    assert re.search(r"^\d\d:\d\d:\d\d \S+ scale: connected again$", said, re.M)
    stored = Stored(logger.file)
    assert stored.chain.holds
    assert _complete(logger.file, 1, 0)
    assert [e["boot_count"] for e in stored.of_type("device-hello")][:1] == [1]
    assert len(stored.of_type("device-lost")) == 1  # unplugged; a program that stood still is no silence of the device
    causes = [e["cause"] for e in stored.of_type("gap")]
    assert causes.count("device restarted") == 1
    stalls = [e for e in stored.of_type("gap") if "was stopped" in e["cause"]]  # a busy machine may make another
    stall = max(stalls, key=lambda e: e["seconds"])
    assert stall["kind"] == "stall"
    assert AWAY_S - 1 < stall["seconds"] < AWAY_S + 30
    assert not [cause for cause in causes if "was stopped" not in cause and cause != "device restarted"]
    times = sorted(t_ns for frames in stored.samples.values() for t_ns, _, _ in frames)
    assert times[0] < stall["from_ns"] < stall["to_ns"] < times[-1]


def _wait(seconds: float) -> None:
    end = time.monotonic() + seconds
    until(lambda: time.monotonic() >= end, "time")


def _boots(file: Path) -> set[int]:
    return {boot for _, boot in Stored(file).samples}


def _complete(file: Path, boot: int, count: float) -> bool:
    """More than so many frames of that boot, from the first without a hole, each once."""
    sequences = Stored(file).sequences(DEVICE, boot)
    return len(sequences) > count and sorted(sequences) == list(range(len(sequences)))
