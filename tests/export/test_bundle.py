"""The bundle: reproducible, whole, and checked with stock tools alone."""

import json
import os
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evidence.checkpoint import Checkpoint, checkpoint_bytes, checkpoint_line
from logger.evidence.errors import BundleError
from logger.evidence.keys import public_key
from logger.evidence.record_lines import parse_record, parse_records, record_line
from logger.evidence.sshsig import CHECKPOINT_NAMESPACE, sign
from logger.export.bundle.write import Exported, export_bundle
from logger.export.errors import ExportError
from logger.model.records import EVENT, FRAMES, Record
from tests import pdf
from tests.export.invented import Recorder, replay, short_job
from tests.tools import needs

WHY = "checks a bundle with none of our code"
KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


def exported(out: Path, rec: Recorder | None = None, checkpoints: bytes = b"") -> Exported:
    return export_bundle((rec or short_job()).source, replay, KEY, out, checkpoints=checkpoints)


def checkpoint_at(rec: Recorder, record_id: int, key: Ed25519PrivateKey = KEY, job_id: str = "2026-03-02-01") -> bytes:
    head = rec.records[record_id - 1].digest
    plain = Checkpoint(job_id, rec.records[record_id - 1].t0_ns, record_id, record_id, head)
    signature = sign(key, checkpoint_bytes(plain), CHECKPOINT_NAMESPACE)
    return checkpoint_line(replace(plain, signature=signature))


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("bundle")
    rec = short_job()
    done = exported(out, rec, checkpoint_at(rec, 20))
    with zipfile.ZipFile(done.bundle) as archive:
        archive.extractall(out)
    return out / "rimelog-2026-03-02-01"


def test_stock_tools_check_it(unpacked: Path) -> None:
    sums = [needs("sha256sum", WHY), "--strict", "-c", "manifest-sha256.txt", "tagmanifest-sha256.txt"]
    assert subprocess.run(sums, cwd=unpacked, capture_output=True).returncode == 0
    verify = [needs("ssh-keygen", WHY), "-Y", "verify", "-f", "allowed_signers", "-I", "rimelog", "-n",
              "rimelog-bundle", "-s", "tagmanifest-sha256.txt.sig"]  # fmt: skip
    message = (unpacked / "tagmanifest-sha256.txt").read_bytes()
    good = subprocess.run(verify, cwd=unpacked, input=message, capture_output=True)
    assert good.returncode == 0, good.stderr
    assert public_key(KEY).fingerprint.encode() in good.stdout
    assert subprocess.run(verify, cwd=unpacked, input=message + b"\n", capture_output=True).returncode != 0


def test_the_customers_form_is_the_first_page_alone_and_outside_the_bundle(tmp_path: Path) -> None:
    rec = short_job()
    plain_one = export_bundle(rec.source, replay, KEY, tmp_path / "plain")
    done = export_bundle(rec.source, replay, KEY, tmp_path / "form", customer=True)
    assert plain_one.customer is None and done.customer is not None
    assert done.bundle.read_bytes() == plain_one.bundle.read_bytes()
    (page,) = pdf.pages(done.customer)
    first = pdf.pages(done.report)[0]
    assert page.replace("Page 1 of 1", "") == first.replace(f"Page 1 of {len(pdf.pages(done.report))}", "")


def test_a_calibrations_certificate_is_followed_into_record_figures_and_report(unpacked: Path) -> None:
    channels = json.loads((unpacked / "data/job.json").read_text())["instruments"][0]["channels"]
    assert channels[0]["calibration"]["certificate"] == "C-118"
    assert "C-118" in (unpacked / "data/raw/records.jsonl").read_text()
    assert "certificate C-118" in " ".join(" ".join(pdf.pages(unpacked / "data/report.pdf")).split())


def test_the_readme_names_the_very_commands(unpacked: Path) -> None:
    for program in ("sha256sum", "ssh-keygen"):
        needs(program, WHY)
    text = (unpacked / "README.txt").read_text().replace("\\\n", " ")
    assert "{" not in text
    starts = ("sha256sum -c", "ssh-keygen -Y", "python3 ")
    run = [line.strip() for line in text.splitlines() if line.strip().startswith(starts)]
    assert len(run) == 3
    for command in run:
        done = subprocess.run(command, shell=True, cwd=unpacked, capture_output=True, text=True)
        assert done.returncode == 0, (command, done.stderr)
    assert public_key(KEY).fingerprint in text and "SAMPLE DATA" in text


def test_the_stand_alone_script_finds_a_changed_record(unpacked: Path, tmp_path: Path) -> None:
    folder = unpacked / "data/raw"
    for name in ("check_chain.py", "records.jsonl"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    lines = (tmp_path / "records.jsonl").read_bytes().splitlines(keepends=True)
    lines[30] = lines[30].replace(b'"n":1', b'"n":2')
    (tmp_path / "records.jsonl").write_bytes(b"".join(lines))
    done = subprocess.run([sys.executable, "-I", tmp_path / "check_chain.py"], capture_output=True, text=True)
    assert done.returncode == 1 and "breaks at record 31" in done.stderr


def test_same_job_same_bytes_and_an_older_export_is_replaced(tmp_path: Path) -> None:
    first, second = exported(tmp_path / "a"), exported(tmp_path / "b")
    assert first.bundle.read_bytes() == second.bundle.read_bytes()
    assert first.report.read_bytes() == second.report.read_bytes()
    grown = short_job()
    grown.event("note", grown.records[-1].t0_ns + 1, text="later")
    again = exported(tmp_path / "a", grown)
    assert again.bundle == first.bundle and again.bundle.read_bytes() != second.bundle.read_bytes()
    assert sorted(p.name for p in (tmp_path / "a").iterdir()) == [
        "rimelog-2026-03-02-01.pdf",
        "rimelog-2026-03-02-01.zip",
    ]


def test_a_job_id_that_plays_tricks_stays_inside_the_folder(tmp_path: Path) -> None:
    done = exported(tmp_path / "out", short_job(job_id="../../=cmd\x1b[2J"))
    assert done.bundle.parent == tmp_path / "out"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
    with zipfile.ZipFile(done.bundle) as archive:
        assert all(name.startswith("rimelog-cmd-2J/") and ".." not in name for name in archive.namelist())


def test_records_that_are_not_whole_are_not_signed(tmp_path: Path) -> None:
    rec = short_job()
    rec.records[40] = replace(rec.records[40], payload=bytes(8))
    with pytest.raises(ExportError, match=r"not whole.*record 41"):
        exported(tmp_path, rec)
    assert list(tmp_path.iterdir()) == []
    rec = short_job()
    marks = checkpoint_at(rec, len(rec.records))
    del rec.records[-3:]
    with pytest.raises(ExportError, match="3 records missing at the end"):
        exported(tmp_path, rec, marks)


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(ExportError, match="cannot write to"):
        exported(tmp_path / "file" / "out")


@pytest.mark.skipif(os.name != "posix", reason="limits of a process are a POSIX matter")
def test_a_full_disk_leaves_the_older_export_alone(tmp_path: Path) -> None:
    import resource
    import signal

    done = exported(tmp_path)
    before = done.bundle.read_bytes()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    previous = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) // 2, hard))
    try:
        with pytest.raises(ExportError, match="cannot write to"):
            exported(tmp_path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, previous)
    assert done.bundle.read_bytes() == before
    assert len(list(tmp_path.iterdir())) == 2


RECORDS = st.builds(
    Record,
    id=st.integers(0, 2**63),
    kind=st.sampled_from([FRAMES, EVENT]),
    device=st.text(st.characters(codec="utf-8"), max_size=20),
    t0_ns=st.integers(-(2**63), 2**63 - 1),
    n=st.integers(0, 2**31),
    offsets=st.binary(max_size=20),
    payload=st.one_of(st.binary(max_size=60), st.text(max_size=30).map(lambda t: t.encode("utf-8", "replace"))),
    digest=st.binary(min_size=32, max_size=32),
)


@given(st.lists(RECORDS, max_size=6), st.integers(1, 50))
@settings(max_examples=100, deadline=None)
def test_records_come_back_from_their_lines(records: list[Record], cut: int) -> None:
    # What an event's line leaves out is the same for every event.
    records = [replace(r, device="", n=1, offsets=b"") if r.kind == EVENT else r for r in records]
    data = b"".join(map(record_line, records))
    assert data.isascii() and data.count(b"\n") == len(records)
    chunks = [data[i : i + cut] for i in range(0, len(data), cut)]
    assert list(parse_records(chunks)) == records


@given(st.binary(max_size=120))
@settings(max_examples=100, deadline=None)
def test_any_line_gives_only_the_stated_error(line: bytes) -> None:
    for candidate in (line, b'{"id":1,"kind":"event","t0_ns":0,"text":' + line + b',"digest":""}'):
        try:
            parse_record(candidate, 1)
        except BundleError as exc:
            assert "record line 1" in str(exc)


def test_a_line_without_end_is_bounded() -> None:
    with pytest.raises(BundleError, match="more than"):
        list(parse_records(iter([b"x" * 1_000_000] * 6)))
    with pytest.raises(BundleError, match="cut short"):
        list(parse_records([record_line(short_job().records[0])[:-1]]))
