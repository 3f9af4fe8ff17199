"""`rimelog export` and `rimelog verify`, on a real store."""

import json
import os
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread

import pytest
from click.testing import CliRunner, Result

from logger.cli.evidence import export, verify
from logger.cli.timestamp_command import timestamp
from logger.evidence.keys import allowed_signers_line, public_key
from logger.evidence.sshsig import BUNDLE_NAMESPACE, CHECKPOINT_NAMESPACE, sign
from logger.evidence.timestamp import request
from logger.export.bundle.trusted_keys import signing_key
from logger.model.records import NewRecord
from logger.store.writer import StoreWriter
from tests.evidence.test_timestamp import Authority
from tests.export.simulated import T0_NS, simulated_job

JOB = "2026-03-02-02"


def run(*arguments: str) -> Result:
    return CliRunner().invoke(
        {"export": export, "verify": verify, "timestamp": timestamp}[arguments[0]], list(arguments[1:])
    )


@pytest.fixture
def stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A data directory with one job in it, checkpoints signed with the user's key: a link to where it lies."""
    data, real = tmp_path / "data", tmp_path / "another disk"
    real.mkdir()
    if os.name != "nt":  # there a link needs a right of its own
        data.symlink_to(real)
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


@pytest.fixture
def authority(tmp_path: Path) -> Iterator[tuple[str, Authority]]:
    """Address of a time stamp authority, and itself."""
    made = Authority(tmp_path / "authority")

    class Answer(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            assert self.headers["Content-Type"] == "application/timestamp-query"
            reply = made.reply(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(200)
            self.send_header("Content-Type", "application/timestamp-reply")
            self.end_headers()
            self.wfile.write(reply)

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Answer) as server:
        thread = Thread(target=server.serve_forever)
        thread.start()
        yield f"http://127.0.0.1:{server.server_port}/", made
        server.shutdown()
        thread.join()


def test_a_time_stamp_is_kept_beside_the_bundle_and_checked(stored: Path, authority: tuple[str, Authority]) -> None:
    run("export", JOB, "--out", str(stored))
    bundle, (url, made) = stored / f"rimelog-{JOB}.zip", authority
    stamped = run("timestamp", str(bundle), "--authority", url)
    assert stamped.exit_code == 0, stamped.output
    assert checks(run("verify", str(bundle), "--json"))["timestamp"] == "noted"
    rooted = run("verify", str(bundle), "--json", "--timestamp-root", str(made.root))
    assert rooted.exit_code == 0 and checks(rooted)["timestamp"] == "holds"
    (stored / f"{bundle.name}.tsr").write_bytes(made.reply(request(b"another bundle")))
    assert checks(run("verify", str(bundle), "--json"))["timestamp"] == "does not hold"


def test_a_root_that_is_named_wants_a_stamp(stored: Path, authority: tuple[str, Authority]) -> None:
    run("export", JOB, "--out", str(stored))
    checked = run("verify", str(stored / f"rimelog-{JOB}.zip"), "--json", "--timestamp-root", str(authority[1].root))
    assert checked.exit_code == 1 and checks(checked)["timestamp"] == "does not hold"


@pytest.mark.parametrize("url", ["file:///etc/hostname", "stamp.example", "http://127.0.0.1:9/"])
def test_an_authority_that_is_not_there_costs_nothing(stored: Path, url: str) -> None:
    bundle = stored / "some.zip"
    bundle.write_bytes(b"a bundle")
    answer = run("timestamp", str(bundle), "--authority", url)
    assert answer.exit_code != 0 and [each.name for each in stored.glob("some*")] == ["some.zip"]


def checks(result: Result) -> dict[str, str]:
    return {each["key"]: each["outcome"] for each in json.loads(result.output)["checks"]}
