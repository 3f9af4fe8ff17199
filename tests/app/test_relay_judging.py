"""The scale's relay carries the recovery machine's supply: what opens it, and how soon. Real processes, real sockets.

Times are those of the simulated rig, which runs in real time. None of these openings needs the host to be quick: they
are the device's own, or those of permits that stay out.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger.api.client import DaemonError
from logger.model.records import PERMIT
from tests.end_to_end.running import JOB_TOML, Daemon, Sim, Stored, daemon, rimelog, simulated, until

TIMEOUT_S = 3.0
SLACK_S = 4.0  # for a busy machine
OUTPUT = f'\n  [[device.output]]\n  index = 0\n  hold = "recovery machine"\n  timeout = "{TIMEOUT_S:g}s"\n'


@contextmanager
def _rig(place: Path) -> Iterator[Sim]:
    with simulated(place, "recovery", relay=True) as sim:
        text = sim.rig_file.read_text("utf-8") + OUTPUT  # the scale comes last
        sim.rig_file.write_text(text, encoding="utf-8")
        yield sim


def _run_the_machine(sim: Sim, host: Daemon) -> None:
    """Arm, wait for the contact, switch the machine on."""

    def armed() -> bool:
        try:
            host.client.act("autostop-arm", operator="tester")
        except DaemonError:
            return False  # something still objects: a reading not back yet
        return True

    until(armed, "armed")
    host.when(lambda state: state["relays"][0]["contact"] == "closed", "the contact is closed")
    sim.do("start_recovery")
    assert sim.truth["recovering"]


def stops(sim: Sim, since_s: float, within_s: float) -> float:
    """Seconds of the rig's time from since_s until the machine stands."""
    until(lambda: not sim.truth["recovering"], "the machine is stopped", within_s + 20)
    stopped_s = max(t_s for t_s, action, _ in sim.ask(done=0) if action == "stop_recovery")
    assert stopped_s - since_s <= within_s + SLACK_S
    return float(stopped_s - since_s)


def test_a_lost_sensor_and_a_killed_host_open_it(tmp_path: Path) -> None:
    with _rig(tmp_path) as sim, daemon(tmp_path, sim.rig_file) as host:
        host.ready()
        said = rimelog(tmp_path, "autostop", "arm", status=2)
        assert "no recovery is running" in said
        host.client.act("stage-begin", kind="recovery")

        _run_the_machine(sim, host)
        at_s = sim.now_s
        sim.fault("wire", "scale", channel=0, state="open")
        stops(sim, at_s, 0.2)  # the device's own guard, at its next sample
        host.when(lambda state: state["relays"][0]["mode"] == "stopped", "the host says so")
        host.when(lambda state: any(a["key"] == "machine-power-cut" for a in state["alarms"]), "an alarm says so")
        sim.fault("mend", "scale")
        assert host.status()["relays"][0]["contact"] == "open", "it does not come back by itself"

        _run_the_machine(sim, host)
        at_s = sim.now_s
        host.kill()
        stops(sim, at_s, TIMEOUT_S)
        acts = [(event["act"], event.get("reason", "")) for event in Stored(host.file).of_type(PERMIT)]
    assert [act for act, _ in acts].count("armed") == 2
    assert "its scale gave no reading" in " | ".join(reason for _, reason in acts)


def test_an_overfill_opens_it_and_it_stays_open(tmp_path: Path) -> None:
    job_file = tmp_path / "job.toml"
    job_file.write_text(
        JOB_TOML.replace('"21.6kg"', '"0.90kg"\nas_stamped = true'), encoding="utf-8"
    )  # full after some seconds, by more than the stamped tare may be off
    with _rig(tmp_path) as sim, daemon(tmp_path, sim.rig_file, "--job-file", str(job_file), "--job", "job-1") as host:
        host.ready()
        host.client.act("stage-begin", kind="recovery")
        _run_the_machine(sim, host)
        until(lambda: not sim.truth["recovering"], "the machine is stopped")
        limit_kg = 0.90 / 21.6 * 19.6756  # the strictest rule's, of the job's cylinder
        in_it_kg = sim.truth["cylinders_kg"]["cylinder 1"]
        assert in_it_kg < limit_kg + 0.05
        host.when(lambda state: state["relays"][0]["mode"] == "stopped", "the host says so")
        with pytest.raises(DaemonError, match="full to its limit"):
            host.client.act("autostop-arm")
        host.client.act("acknowledge")
        with pytest.raises(DaemonError, match="full to its limit"):
            host.client.act("autostop-arm")
        assert host.status()["relays"][0]["contact"] == "open"
