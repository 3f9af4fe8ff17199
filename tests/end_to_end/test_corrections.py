"""What was entered wrongly is put right from outside: on a running job, after its end, after it was closed."""

import json
import re
import zipfile
from pathlib import Path
from typing import Any

from tests.end_to_end.running import JOB_TOML, Stored, daemon, rimelog, simulated, until

WRONG = JOB_TOML.replace('"12.5kg"', '"13.9kg"').replace("R-407C", "R-410A")


def live(state: dict[str, Any], key: str) -> float | None:
    value = state["live"].get(key, {}).get("value")
    return None if value is None else float(value)


def findings_of(bundle: Path) -> list[Any]:
    with zipfile.ZipFile(bundle) as found:
        name = next(n for n in found.namelist() if n.endswith("findings.json"))
        return [one["findings"] for one in json.loads(found.read(name))["stages"]]


def test_a_tired_evening_is_put_right(tmp_path: Path) -> None:
    """A wrong tare and refrigerant, a stage by a slip, a mark at the wrong time; the customer after the close."""
    with (
        simulated(tmp_path, "recovery", speed=4.0, autopilot=True) as sim,
        daemon(tmp_path, sim.rig_file, speed=4.0, job_toml=WRONG) as logger,
    ):
        logger.ready()
        rimelog(tmp_path, "stage", "begin", "recovery")
        logger.when(lambda s: (live(s, "recovered") or 0.0) > 0.5, "something flows")
        wrong_kg = until(lambda: live(logger.status(), "mass_allowed"), "a limit by the wrong tare")
        # Stricter: at once. Two more times the tare, once looser without and once with a confirmation.
        said = rimelog(tmp_path, "correct", "cylinder", "cylinder 1", "tare", "12.5kg", "--by", "J. Invented")
        assert "13.90 kg -> 12.50 kg" in said
        logger.when(lambda s: (live(s, "mass_allowed") or wrong_kg) < wrong_kg - 1.0, "less room at once")
        body = ["correct", "cylinder", "cylinder 1", "tare", "12.9kg"]
        assert "--again 12.9kg --why" in rimelog(tmp_path, *body, status=1)  # the whole command
        assert "--again 12.9kg" in rimelog(tmp_path, *body, "--again", "--why", "read from the collar", status=1)
        assert logger.status()["cylinder"]["tare_kg"] == 12.5
        markings = ("--tare", "13.9kg", "--water-capacity", "21.6kg")
        rimelog(tmp_path, "cylinder", "add", "cylinder 1", *markings, "--as-stamped")
        rimelog(tmp_path, *body, "--again", "12.9kg", "--why", "read from the collar")
        assert logger.status()["cylinder"]["tare_kg"] == 12.9
        assert "tare 12.9" in rimelog(tmp_path, "cylinder", "show", "cylinder 1", "--units", "si")  # for later jobs
        rimelog(tmp_path, "correct", "--undo", "2")
        assert logger.status()["cylinder"]["tare_kg"] == 12.5
        said = rimelog(tmp_path, "correct", "refrigerant", "R-407C", "--again", "R-407C", "--why", "on the plate")
        assert "R-410A -> R-407C" in said
        logger.when(
            lambda s: s["job"]["refrigerant"] == "R-407C" and (live(s, "recovered") or 0.0) > 0.5, "worked in again"
        )
        # By a slip the recovery is ended; the slip is struck, the recovery goes on as if it had never ended.
        rimelog(tmp_path, "stage", "begin", "charging", "--anyway")
        rimelog(tmp_path, "correct", "stage", "2", "--strike")
        rimelog(tmp_path, "correct", "stage", "1", "--reopen")
        logger.when(
            lambda s: s["stage"]["kind"] == "recovery" and s["stage"]["running"] and live(s, "recovered") is not None,
            "the recovery goes on",
        )
        assert "Next: " in rimelog(tmp_path, "mark", "machine-stopped")
        rimelog(tmp_path, "correct", "mark", "1", "--ago", "4s")
        assert "[cylinder.unknown]" in rimelog(tmp_path, "correct", "cylinder", "C", "tare", "1kg", status=2)
        rimelog(tmp_path, "stage", "end")
        until(lambda: "struck" in rimelog(tmp_path, "correct", "--list"), "the list")
        logger.stop()
    stored = Stored(logger.file)
    assert stored.chain.holds
    before = stored.chain.count
    rimelog(tmp_path, "correct", "--job", "job-1", "charge", "17kg", "--by", "office")
    rimelog(tmp_path, "close", "job-1")
    rimelog(tmp_path, "export", "job-1", "--out", "first")
    said = rimelog(tmp_path, "correct", "customer", "Another plant (test)", "--why", "was missing")  # the last job
    assert "no job is logging: the last one, job-1" in said and "Export it again" in said
    rimelog(tmp_path, "export", "job-1", "--out", "second")
    first, second = (tmp_path / name / "rimelog-job-1.zip" for name in ("first", "second"))
    for bundle in (first, second):
        said = rimelog(tmp_path, "verify", bundle)
        assert "Everything was checked, and holds." in said, said
    assert findings_of(first) == findings_of(second)
    assert len(findings_of(second)) == 1  # the struck stage is in no list
    with zipfile.ZipFile(second) as found:
        info = found.read(next(n for n in found.namelist() if n.endswith("bag-info.txt"))).decode()
    assert re.search(r"^Supersedes: [0-9]+ [0-9a-f]{64}$", info, re.MULTILINE)
    assert "supersedes" in rimelog(tmp_path, "verify", second, "--supersedes", first)
    assert "does NOT" in rimelog(tmp_path, "verify", first, "--supersedes", second, status=1)
    assert "Another plant" in rimelog(tmp_path, "jobs")
    assert Stored(logger.file).chain.count > before
    # What was closed is there still, and gives the bundle of then.
    rimelog(tmp_path, "export", "job-1", "--out", "then", "--as-closed", "1")
    with zipfile.ZipFile(tmp_path / "then" / "rimelog-job-1.zip") as then, zipfile.ZipFile(first) as found:
        for name in found.namelist():
            if name.endswith(("records.jsonl", "findings.json", "events.csv", "readings.csv")):
                assert then.read(name) == found.read(name), name
