"""The real daemon and the real firmware: a job with a relay, a cut line, a host that dies, noise, a failing supply."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from firmware_protocol.framing import Frame, FrameDecoder
from firmware_protocol.messages import Hello, decode_payload
from logger.api.client import DaemonError
from tests.conftest import TIMES, Figure
from tests.end_to_end.running import Daemon, Stored, daemon, until
from tests.firmware.board import MASS, PRESSURE, TEMPERATURE, Board
from tests.firmware.bridge import Bridge, bridged

TIMEOUT_S = 3.0
RIG = """\
[rig]
name = "Reference firmware (emulated)"

[[device]]
name = "reference board"
url = "{url}"
id = "{device_id}"

  [[device.channel]]
  index = {pressure}
  point = "recovery_inlet_pressure"

  [[device.channel]]
  index = {temperature}
  point = "cylinder_temperature"

  [[device.channel]]
  index = {mass}
  point = "cylinder_mass"

  [[device.output]]
  index = 0
  hold = "machine"
  timeout = "{timeout:g}s"
"""


def _kg(mass: float) -> float:
    """mV at the scale's input."""
    return 5000 * mass / 150


def _id_of(board: Board) -> str:
    blocks = FrameDecoder().feed(board.run(500))
    (hello,) = [decode_payload(b.payload) for b in blocks if isinstance(b, Frame)]
    assert isinstance(hello, Hello)
    return hello.device_id.hex()


def _armed(host: Daemon) -> bool:
    try:
        host.client.act("autostop-arm", operator="tester")
    except DaemonError:
        return False  # something still objects: a reading not there yet
    return True


def _closed(host: Daemon, bridge: Bridge) -> None:
    until(lambda: _armed(host), "armed")
    until(lambda: bridge.relay, "the contact closes")
    host.when(lambda state: state["relays"][0]["contact"] == "closed", "the daemon says that the contact is closed")


def _complete(host: Daemon, device_id: str) -> bool:
    numbers = sorted(Stored(host.file).sequences(device_id))
    return numbers == list(range(len(numbers)))


@contextmanager
def logged(
    tmp_path: Path, rig_text: str = RIG, speed: int = 1, extra: str = ""
) -> Iterator[tuple[Board, Bridge, Daemon, str]]:
    """A board with 14 kg on its scale, read by a daemon; its device id last. speed: of the chip and of the record.
    extra: options for the firmware's compiler."""
    with Board(extra=extra) as board:
        device_id = _id_of(board)
        board.set_input(MASS, _kg(14.0))
        with bridged(board, speed) as bridge:
            rig = tmp_path / "rig.toml"
            rig.write_text(rig_text.format(
                url=bridge.url, device_id=device_id, pressure=PRESSURE, temperature=TEMPERATURE, mass=MASS,
                timeout=TIMEOUT_S,
            ))  # fmt: skip
            with daemon(tmp_path, rig, speed=speed) as host:
                yield board, bridge, host, device_id


def test_a_job_with_the_reference_firmware(tmp_path: Path) -> None:
    with logged(tmp_path) as (_, bridge, host, device_id):
        host.ready()
        host.client.act("stage-begin", kind="recovery")
        _closed(host, bridge)

        bridge.cut()  # shorter than the ring, longer than a time-out of the line
        time.sleep(1.0)
        bridge.join()
        host.ready()
        until(lambda: _complete(host, device_id), "what was missed is fetched")

        host.client.act("autostop-release", operator="tester")
        until(lambda: not bridge.relay, "released")
        _closed(host, bridge)
        bridge.set_input(MASS, _kg(40.0))  # over the cylinder's limit: the chip's own guard
        until(lambda: not bridge.relay, "the guard opens it", 2 * TIMEOUT_S)
        host.when(lambda state: state["relays"][0]["mode"] == "stopped", "the daemon says so")
        bridge.set_input(MASS, _kg(14.0))
        host.client.act("stage-end")
        host.client.act("stage-begin", kind="recovery")

        host.client.act("acknowledge")
        _closed(host, bridge)
        host.kill()
        until(lambda: not bridge.relay, "the permit runs out", TIMEOUT_S + 3.0)
    stored = Stored(host.file)
    assert stored.chain.holds
    assert len(stored.sequences(device_id)) > 50


SPEED = 10
FLAT_OUT = RIG.partition("  [[device.output]]")[0].replace('id = "{device_id}"', 'id = "{device_id}"\nperiod = "0.02s"')


def test_flat_out_into_a_job(tmp_path: Path, figure: Figure) -> None:
    """All channels as fast as the firmware samples, 50 frames a second, from hello to the stored record, ten times as
    fast as in real life: a minute of the chip's time. RIMELOG_EXAMPLES=60 makes it an hour."""
    seconds = 60 * TIMES
    with logged(tmp_path, FLAT_OUT, SPEED) as (board, bridge, host, device_id):
        host.ready()
        host.client.act("stage-begin", kind="recovery")
        begun_s, begun_ms = time.monotonic(), board.ms
        until(lambda: board.ms > begun_ms + seconds * 1000, "the chip's time is over", 60 + seconds)
        took_s = time.monotonic() - begun_s
        host.client.act("stage-end")
        with bridge.lock:
            used = board.stack_bytes()
        host.stop()
    stored = Stored(host.file)
    numbers = stored.sequences(device_id)
    figure(
        f"daemon on the firmware flat out: {len(numbers)} frames of {seconds} s in {took_s:.0f} s, stack {used} bytes"
    )
    assert stored.chain.holds
    assert sorted(numbers) == list(
        range(len(numbers))
    )  # the line of the emulated chip loses nothing, so neither may they
    assert len(numbers) > 50 * (seconds - 2)
    assert used <= 250


NOISE = 0.002  # of the bytes are flipped, dropped, inserted: each, and both ways


def _accounted_for(host: Daemon, device_id: str, beyond: int) -> bool:
    """Every frame up to the newest is stored, or said to be lost."""
    stored = Stored(host.file)
    numbers = set(stored.sequences(device_id))
    gaps = [gap for gap in stored.of_type("gap") if gap.get("first") is not None]
    lost = {number for gap in gaps for number in range(gap["first"], gap["last"] + 1)}
    return max(numbers) > beyond and numbers | lost == set(range(max(numbers) + 1))


def test_noise_on_the_line_is_counted_and_no_frame_goes_unsaid(tmp_path: Path) -> None:
    with logged(tmp_path, speed=4) as (_, bridge, host, device_id):
        host.ready()
        bridge.noise.flip = bridge.noise.drop = bridge.noise.insert = NOISE
        host.when(lambda state: state["devices"][0]["bad_frames"] > 8, "bad frames are counted")
        bridge.noise.flip = bridge.noise.drop = bridge.noise.insert = 0.0
        newest = max(Stored(host.file).sequences(device_id))
        until(lambda: _accounted_for(host, device_id, newest + 20), "what was spoilt is there, or is said to be lost")
        host.stop()
    stored = Stored(host.file)
    assert stored.chain.holds
    numbers = stored.sequences(device_id)
    assert len(numbers) == len(set(numbers)) > 50


WRAP_MS = 15_000  # after its start the milliseconds run over, in a build for that


def _ran_over(stored: Stored, device_id: str, boot: int) -> bool:
    """Within that start's stream."""
    ticks = [samples.tick for _, samples, _ in stored.samples.get((device_id, boot), [])]
    return bool(ticks) and min(ticks) < WRAP_MS and max(ticks) > 2**32 - WRAP_MS


def test_the_milliseconds_run_over_after_the_supply_failed(tmp_path: Path) -> None:
    with logged(tmp_path, speed=2, extra=f"-DFIRST_MS=0x{2**32 - WRAP_MS:x}ul") as (board, bridge, host, device_id):
        host.ready()
        with bridge.lock:
            board.reset("brownout")
        until(lambda: _ran_over(Stored(host.file), device_id, 2), "they ran over in the stream of the second start")
        host.ready().stop()
    stored = Stored(host.file)
    assert stored.chain.holds
    numbers = stored.sequences(device_id, 2)
    assert sorted(numbers) == list(range(len(numbers)))
    assert not [gap for gap in stored.of_type("gap") if gap.get("boot_count") == 2 and gap.get("frames")]


@pytest.mark.parametrize("moment_ms", [0, 700])
def test_the_supply_fails_and_the_daemon_goes_on_by_itself(tmp_path: Path, moment_ms: int) -> None:
    with logged(tmp_path) as (board, bridge, host, device_id):
        host.ready()
        time.sleep(moment_ms / 1000)
        with bridge.lock:
            board.reset("brownout")
        until(lambda: (device_id, 2) in Stored(host.file).samples, "samples of the second start are stored")
        host.stop()
    stored = Stored(host.file)
    assert stored.chain.holds
    assert {boot for _, boot in stored.samples} == {1, 2}
