"""The daemon is stopped in its tracks and goes on seconds later (SIGSTOP; a swapped-out laptop does the same).

Its relay has opened meanwhile, the gap is told, and the devices' frames of that time are fetched.
"""

import os
import signal
import time
from pathlib import Path

import pytest

from logger.api.client import DaemonError
from logger.model.records import GAP, PERMIT
from tests.app.test_relay_judging import OUTPUT, TIMEOUT_S, stops
from tests.end_to_end.running import Stored, daemon, simulated, until

pytestmark = pytest.mark.skipif(os.name == "nt", reason="SIGSTOP")
FROZEN_S = 4.5


def test_a_frozen_daemon_loses_its_relay_and_no_frame(tmp_path: Path) -> None:
    with simulated(tmp_path, "recovery", only=("scale",), relay=True) as sim:
        sim.rig_file.write_text(sim.rig_file.read_text("utf-8") + OUTPUT, encoding="utf-8")
        with daemon(tmp_path, sim.rig_file) as host:
            host.ready()
            host.client.act("stage-begin", kind="recovery")

            def armed() -> bool:
                try:
                    host.client.act("autostop-arm")
                except DaemonError:
                    return False
                return True

            until(armed, "armed")
            host.when(lambda state: state["relays"][0]["contact"] == "closed", "closed")
            sim.do("start_recovery")
            host.process.send_signal(signal.SIGSTOP)
            begun = time.monotonic()
            stops(sim, sim.now_s, TIMEOUT_S)
            time.sleep(max(0.0, FROZEN_S - (time.monotonic() - begun)))
            host.process.send_signal(signal.SIGCONT)
            host.when(lambda state: state["relays"][0]["mode"] == "stopped", "it is told that the relay opened")
            host.when(lambda state: any(a["key"] == "clock-gap" for a in state["alarms"]), "and that time was lost")
            host.ready()
            until(lambda: _complete(Stored(host.file)), "what was missed is sent again")
            host.stop()
            stored = Stored(host.file)
    assert stored.chain.problem is None
    assert _complete(stored), "every frame is there"
    assert [event for event in stored.of_type(GAP) if "was stopped" in event["cause"]]
    assert [event for event in stored.of_type(PERMIT) if event["act"] == "stopped"]


def _complete(stored: Stored) -> bool:
    (device,) = {name for name, _ in stored.samples}
    sequences = stored.sequences(device)
    return sorted(sequences) == list(range(min(sequences), max(sequences) + 1))
