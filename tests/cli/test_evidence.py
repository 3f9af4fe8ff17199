"""`rimelog export` and `rimelog verify`, on a real store."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from logger.cli.evidence import export, verify
from logger.evidence.keys import allowed_signers_line, public_key
from logger.evidence.sshsig import BUNDLE_NAMESPACE, CHECKPOINT_NAMESPACE, sign
from logger.export.bundle.trusted_keys import signing_key
from logger.model.records import NewRecord
from logger.store.writer import StoreWriter
from tests.export.simulated import T0_NS, simulated_job

JOB = "2026-03-02-02"


def run(*arguments: str) -> Result:
    return CliRunner().invoke({"export": export, "verify": verify}[arguments[0]], list(arguments[1:]))


@pytest.fixture
def stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A data directory with one job in it, checkpoints signed with the user's key."""
    data = tmp_path / "data"
    monkeypatch.setenv("RIMELOG_DATA", str(data))
    place = data / "jobs" / JOB
    place.mkdir(parents=True)
    key = signing_key(data)
    writer = StoreWriter.open(
        place / "job.rimelog", job_id=JOB, now_ns=lambda: T0_NS,
        sign=lambda message: sign(key, message, CHECKPOINT_NAMESPACE),
    )  # fmt: skip
    for record in simulated_job("tight", 400.0, ("vacuum board",)):
        writer.submit(
            [NewRecord(record.kind, record.device, record.t0_ns, record.n, record.offsets, record.payload)], []
        )
    writer.close()
    return tmp_path


def test_export_then_verify(stored: Path) -> None:
    done = run("export", JOB, "--out", str(stored / "out"))
    assert done.exit_code == 0, done.output
    bundle = stored / "out" / f"rimelog-{JOB}.zip"
    assert str(bundle) in done.output and (stored / "out" / f"rimelog-{JOB}.pdf").is_file()
    checked = run("verify", str(bundle))
    assert checked.exit_code == 0, checked.output
    assert "Everything was checked, and holds." in checked.output
    assert "the key of this computer's user" in checked.output
    data = json.loads(run("verify", str(bundle), "--json").output)
    assert data["holds"] and {c["outcome"] for c in data["checks"]} == {"holds"}


def test_verify_says_no_with_its_exit_status(stored: Path) -> None:
    run("export", JOB, "--out", str(stored))
    bundle = stored / f"rimelog-{JOB}.zip"
    bundle.write_bytes(bundle.read_bytes()[:-100])
    checked = run("verify", str(bundle))
    assert checked.exit_code == 1 and "does NOT hold" in checked.output
    assert "Traceback" not in checked.output


def test_only_the_key_that_was_asked_for_passes(stored: Path) -> None:
    run("export", JOB, "--out", str(stored))
    bundle = str(stored / f"rimelog-{JOB}.zip")
    key = public_key(signing_key(stored / "data"))
    other = public_key(signing_key(stored / "other"))
    for asked, status in ((key.fingerprint, 0), (other.fingerprint, 1)):
        assert run("verify", bundle, "--fingerprint", asked).exit_code == status
        line = allowed_signers_line("pat@example.org", BUNDLE_NAMESPACE, key if status == 0 else other)
        (stored / "signers").write_text(line)
        checked = run("verify", bundle, "--signers", str(stored / "signers"))
        assert checked.exit_code == status
        assert ("pat@example.org" in checked.output) is (status == 0)


def test_a_strangers_computer_says_that_the_key_is_not_known(stored: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run("export", JOB, "--out", str(stored))
    monkeypatch.setenv("RIMELOG_DATA", str(stored / "elsewhere"))
    checked = run("verify", str(stored / f"rimelog-{JOB}.zip"))
    assert checked.exit_code == 3 and "is not known here" in checked.output
    assert "HOLDS, BUT not all was checked: key (marked -- above)." in checked.output
    assert not (stored / "elsewhere").exists()  # verifying makes no key
