"""A device that sends nothing but random bytes, as fast as they are taken, beside a scale that works."""

import random
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sim_device.rig import device_id
from tests.conftest import TIMES, Figure
from tests.end_to_end.running import Stored, daemon, simulated

SECONDS = 3.0  # RIMELOG_EXAMPLES=200 makes ten minutes of them
MAX_GROWTH_KB = 20_000
NOISE = """
[[device]]
name = "noise"
url = "socket://127.0.0.1:{port}"

  [[device.channel]]
  index = 0
  point = "suction_pressure"
"""


@contextmanager
def flood() -> Iterator[int]:
    """Its port."""
    blocks = [random.Random(seed).randbytes(65536) for seed in range(8)]
    over = threading.Event()

    def serve() -> None:
        while not over.is_set():
            try:
                host, _ = server.accept()
                with host:
                    while not over.is_set():
                        for block in blocks:
                            host.sendall(block)
            except OSError:
                continue  # the host went away, or it is over

    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.5)
        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield server.getsockname()[1]
        over.set()
    thread.join(10)


def _resident_kb(pid: int) -> int:
    rows = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(row.split()[1]) for row in rows if row.startswith("VmRSS"))


def test_random_bytes_at_full_speed_cost_no_reading_and_no_memory(tmp_path: Path, figure: Figure) -> None:
    with simulated(tmp_path, "recovery", only=("scale",)) as sim, flood() as port:
        rig = tmp_path / "noisy.toml"
        rig.write_text(Path(sim.rig_file).read_text() + NOISE.format(port=port))
        with daemon(tmp_path, rig) as host:
            host.when(lambda state: state["devices"][0]["ok"], "the scale is there")
            host.when(lambda state: state["devices"][1]["bad_frames"] > 500, "the noise is counted")
            before_kb, size = _resident_kb(host.process.pid), host.file.stat().st_size
            time.sleep(SECONDS * TIMES)
            grown_kb = _resident_kb(host.process.pid) - before_kb
            noise = host.device("noise")
            assert not noise["ok"] and noise["frames"] == 0
            host.stop()
    figure(f"random bytes for {SECONDS * TIMES:.0f} s: {noise['bad_frames']} blocks, memory {grown_kb:+} kB")
    assert grown_kb < MAX_GROWTH_KB
    stored = Stored(host.file)
    numbers = stored.sequences(device_id("scale", 3).hex())
    assert stored.chain.holds
    assert numbers == list(range(len(numbers))) and len(numbers) > 4 * SECONDS * TIMES
    assert host.file.stat().st_size < size + 3_000_000 * TIMES
