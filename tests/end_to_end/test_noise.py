"""Ten minutes (of the devices' time) on a line that flips 1 % of the bytes and drops 1 %, both ways."""

from pathlib import Path

from logger.model.sample import PointSample
from logger.pipeline.replay import replay
from logger.store.reader import StoreReader
from tests.end_to_end.running import Stored, daemon, message_of, simulated, until
from tests.end_to_end.truth import frames_made
from tests.end_to_end.wire import Wire

SPEED = 40.0
MINUTES = 10
SHARE = 0.01


def test_ten_minutes_of_noise(tmp_path: Path) -> None:
    names = {"recovery board": 7, "scale": 1}  # and how many channels each has
    with (
        simulated(tmp_path, "recovery", speed=SPEED, autopilot=True, seed=5) as sim,
        Wire(sim.urls["recovery board"], tmp_path / "ttyBOARD") as board,
        Wire(sim.urls["scale"], seed=2) as scale,
    ):
        rig = sim.rig({"recovery board": board.url, "scale": scale.url}, tmp_path / "wired.toml")
        with daemon(tmp_path, rig, speed=SPEED) as logger:
            logger.ready()
            for wire in (board, scale):
                wire.spoil(SHARE)
            begun_s = sim.now_s
            until(lambda: sim.now_s >= begun_s + 60 * MINUTES, "ten minutes", 120)
            bad = {name: logger.device(name)["bad_frames"] for name in names}
            for wire in (board, scale):
                wire.spoil(0.0)
            quiet = int(sim.now_s)
            logger.when(lambda _: _whole(Stored(logger.file), quiet), "what was spoilt is there now", 120)
            assert [logger.device(name)["lost_frames"] for name in names] == [0, 0]
            said = logger.stop()
    assert all(count > 500 for count in bad.values()), bad  # more than one frame in five meets a fault
    assert "Error" not in said
    stored = Stored(logger.file)
    assert stored.chain.holds
    ids = {e["name"]: e["device"] for e in stored.of_type("device-hello")}
    readings = 0
    for name, channels in names.items():
        frames = {samples.sequence: raw for _, samples, raw in stored.samples[ids[name], 1]}
        assert sorted(frames) == list(range(len(frames)))  # all of them, and each once
        assert len(frames) == len(stored.samples[ids[name], 1]) > 5 * 60 * MINUTES
        first = message_of(frames[0])
        made = frames_made("recovery", 5, name, first.tick, len(frames))  # type: ignore[union-attr]
        assert [frames[i] for i in range(len(frames))] == made
        readings += _readings_in(made, channels)
    assert _replayed(logger.file) == readings


def _whole(stored: Stored, until_s: int) -> bool:
    for key in stored.samples:
        sequences = stored.sequences(*key)
        newest_s = max(s.tick for _, s, _ in stored.samples[key]) / 1000
        if newest_s < until_s or len(sequences) != max(sequences) + 1:
            return False
    return len(stored.samples) == 2


def _readings_in(frames: list[bytes], channels: int) -> int:
    """How many readings these frames carry: by the bitmap at the beginning of each."""
    count = 0
    for raw in frames:
        samples = message_of(raw)
        count += int.from_bytes(samples.data[: (channels + 7) // 8], "little").bit_count()  # type: ignore[union-attr]
    return count


def _replayed(file: Path) -> int:
    """Trusted readings that follow from the record."""
    found: list[PointSample] = []
    with StoreReader(file) as reader:
        replay(reader.records(), on_samples=found.extend)
    return sum(sample.value is not None for sample in found)
