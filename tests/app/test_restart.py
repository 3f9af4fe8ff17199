"""A daemon that was killed in the middle of a stage goes on as if it had not been, apart from the gap.

The measure is a daemon that nobody killed, on the same readings of the simulated plant.
"""

import json
import math
import os
import pickle
import re
import signal
import subprocess
import sys
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import pytest

from logger.alarms.defaults import FLOW_WITHOUT_STAGE
from logger.app.restart import CATCHING_UP, CatchUp
from logger.model.events import JobOpened, RigLoaded, StageBegun
from logger.model.records import NewRecord
from logger.model.units import NS_PER_S
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine
from logger.pipeline.errors import NotNow
from logger.pipeline.job_state import Item
from logger.pipeline.replay import in_order, replay
from logger.stages.charging.live import CLOSING_S
from logger.store.place import job_place
from logger.store.writer import StoreWriter
from tests.app.killable import Course, shown, unbroken
from tests.end_to_end.running import ROOT
from tests.export.simulated import T0_NS, simulated_job

DOWN_S = 4
# (scenario, its devices, settings of its stage, killed at, looked at): after the liquid was gone; after the valve was
# closed once, so that its closing time is learned; some minutes after isolation
STAGES: dict[str, tuple[tuple[str, ...], dict[str, Any], float, float]] = {
    "recovery": (("recovery board", "scale"), {}, 420.0, 440.0),
    "charging": (("scale",), {"target": 15.5}, 527.0, 560.0),
    "tight": (("vacuum board",), {}, 760.0, 790.0),
}


@lru_cache(maxsize=3)
def items_of(scenario: str) -> tuple[Item, ...]:
    devices, settings, _, end_s = STAGES[scenario]
    items = in_order(simulated_job(scenario, end_s, devices))
    return tuple((t, i, k, d, _set(item, settings)) for t, i, k, d, item in items)


def _set(item: Any, settings: dict[str, Any]) -> Any:
    return replace(item, settings=settings) if isinstance(item, StageBegun) and settings else item


def course(scenario: str) -> Course:
    items = items_of(scenario)
    opened = next(item for *_, item in items if isinstance(item, JobOpened))
    loaded = next(item for *_, item in items if isinstance(item, RigLoaded))
    kill_ns = T0_NS + int(STAGES[scenario][2] * NS_PER_S)
    job = replace(opened.job, job_id=f"{scenario}-1")
    return Course(job, loaded.rig, items, kill_ns, kill_ns + DOWN_S * NS_PER_S)


def run(folder: Path, which: str) -> "subprocess.CompletedProcess[str]":
    command = [sys.executable, "-m", "tests.app.killable", str(folder), which]
    return subprocess.run(command, cwd=ROOT, text=True, capture_output=True, check=False, timeout=300)


@pytest.mark.skipif(os.name == "nt", reason="SIGKILL")
def test_killed_in_the_middle_of_a_stage_it_goes_on_as_if_it_had_not_been(tmp_path: Path) -> None:
    for scenario in STAGES:
        (tmp_path / f"{scenario}.pickle").write_bytes(pickle.dumps(course(scenario)))
    killed = run(tmp_path, "first")
    assert killed.returncode == -signal.SIGKILL, killed.stderr
    again = run(tmp_path, "second")
    assert again.returncode == 0, again.stderr
    for scenario, found in json.loads(again.stdout).items():
        wanted = unbroken(tmp_path / f"{scenario}-unbroken" / "job.rimelog", course(scenario))
        within_their_u(found.pop("values"), json.loads(json.dumps(wanted.pop("values"))))
        same(found, json.loads(json.dumps(wanted)))
        assert bool(found["closing_s"]) is (scenario == "charging")
        assert found["closing_s"] != CLOSING_S, "the closing time was learned before"
        if scenario == "recovery":
            assert found["advice"][0].startswith("Pulling VAPOR for"), "known since before the kill"


def within_their_u(found: dict[str, list[Any]], wanted: dict[str, list[Any]]) -> None:
    """A second of readings was never committed: a rate may have been taken over another window since."""
    assert found.keys() == wanted.keys()
    for key, (number, problem, u) in wanted.items():
        same(found[key][1], problem)
        if number is None:
            assert found[key][0] is None, key
        else:
            apart = 3 * math.hypot(u or 0.0, found[key][2] or 0.0)
            assert found[key][0] == pytest.approx(number, rel=0.01, abs=max(apart, 1e-3)), key


def same(found: Any, wanted: Any) -> None:
    """Numbers to a hundredth, words but for the numbers in them."""
    if isinstance(wanted, dict):
        assert found.keys() == wanted.keys()
        for key in wanted:
            same(found[key], wanted[key])
    elif isinstance(wanted, list | tuple):
        assert len(found) == len(wanted)
        for one, other in zip(found, wanted, strict=True):
            same(one, other)
    elif wanted is None:
        assert found is None
    elif isinstance(wanted, str):
        assert re.sub("[0-9.]+", "#", found) == re.sub("[0-9.]+", "#", wanted)
    else:
        assert found == pytest.approx(wanted, rel=0.01, abs=1e-3)


def test_a_long_record_is_read_beside_what_comes(tmp_path: Path) -> None:
    items = items_of("recovery")
    kill_ns, end_ns = T0_NS + 420 * NS_PER_S, T0_NS + 440 * NS_PER_S
    records = simulated_job("recovery", STAGES["recovery"][3], STAGES["recovery"][0])
    path = job_place("job-1", tmp_path).file
    writer = StoreWriter.open(path, job_id="job-1", now_ns=lambda: T0_NS)
    for record in records:
        if record.t0_ns <= kill_ns:
            writer.submit(
                [NewRecord(record.kind, record.device, record.t0_ns, record.n, record.offsets, record.payload)]
            )
    writer.close()
    live = Engine(live=False)
    reading = CatchUp(path, live, at_once_s=0.0)
    assert not reading.done
    resumed = {
        k: (d.model.hello, d.model.sequence.next, d.model.sequence.missing)
        for k, d in live.model.devices.items()
        if d.model.sequence
    }
    live.go_live()
    coming = [item for item in items if kill_ns < item[0] <= end_ns]
    for k, (t_ns, _, _, device, item) in enumerate(coming):
        if isinstance(item, bytes):
            live.frame(device, t_ns, item)
        else:
            live.apply(item)
        live.tick(t_ns)
        for _ in range(20):
            reading.advance(0.0)
        if k == len(coming) // 2:
            assert not reading.done
            _not_yet(live, t_ns)
    assert reading.advance(60.0) and live.catching_up_reason is None
    live.tick(end_ns)
    whole = Engine(live=False)
    whole.resumed_stage = 1
    replay([record for record in records if record.t0_ns <= end_ns], whole)
    whole.tick(end_ns)
    found = shown(live)["values"]
    found.pop(FLOW_WITHOUT_STAGE)  # judged live only
    same(found, shown(whole)["values"])
    assert live.snapshot().advice == whole.snapshot().advice
    for key, known in whole.model.devices.items():
        hello, following, missing = resumed[key]
        assert hello is not None and hello == known.hello, "known before its frames were read: where to go on fetching"
        sequence = known.model.sequence
        assert sequence is not None and not missing
        assert 0 < sequence.next - following <= 100


def _not_yet(live: Engine, now_ns: int) -> None:
    """In between: what hangs on the moment is known and judged, what hangs on the past says why it is not."""
    seen = live.snapshot()
    assert seen.stage is not None and seen.stage.kind == "recovery"
    assert seen.live["cylinder_of_limit"].number is not None
    assert seen.live["recovered"].number is None and seen.live["recovered"].problem == CATCHING_UP
    assert CATCHING_UP in seen.advice[0]
    with pytest.raises(NotNow, match=r"^act\.catching_up, "):
        do(live, "stage-end", {}, now_ns)
