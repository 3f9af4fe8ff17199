"""Verify: an honest bundle holds; whatever is changed, by whom and how cleverly, the right check says so."""

import io
import json
import random
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.evidence.bagit import SIGNATURE, TAG_MANIFEST
from logger.evidence.keys import PublicKey, public_key
from logger.evidence.sshsig import BUNDLE_NAMESPACE, sign
from logger.export.bundle.outcome import Outcome, Result, VerifyReport
from logger.export.bundle.verify import verify_bundle
from logger.model.finding import Verdict
from logger.model.plain import plain
from logger.model.records import CLOCK, FINDING, FRAMES, NewRecord, Record
from logger.model.units import NS_PER_S
from logger.pipeline.engine import CLOCK_FITS
from tests import pdf
from tests.export.invented import SCALE, replay, short_job
from tests.export.rebag import Files, as_new, chained_again, manifested, put_together, signed_again, taken_apart
from tests.export.test_bundle import KEY, checkpoint_at, exported
from tests.worded import worded

ENEMY = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))


@pytest.fixture(scope="module")
def bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rec = short_job()
    marks = checkpoint_at(rec, 20) + checkpoint_at(rec, len(rec.records))
    return exported(tmp_path_factory.mktemp("honest"), rec, marks).bundle


def anyone(key: PublicKey) -> str:
    return "someone"


def outcomes(report: VerifyReport) -> dict[str, Outcome]:
    return {check.key: check.outcome for check in report.checks}


def failing(report: VerifyReport) -> set[str]:
    assert report.holds == (report.exit_status == 0)
    return {check.key for check in report.checks if check.outcome is Outcome.FAILS}


def detail_of(report: VerifyReport, key: str) -> str:
    return next(check.text for check in report.checks if check.key == key)


def test_an_honest_bundle_holds_in_every_check(bundle: Path) -> None:
    report = verify_bundle(bundle, replay, known=lambda key: "this computer" if key == public_key(KEY) else None)
    assert report.holds and report.exit_status == 0
    assert set(outcomes(report).values()) == {Outcome.HOLDS}
    assert (report.job_id, report.signer) == ("2026-03-02-01", "this computer")
    assert report.fingerprint == public_key(KEY).fingerprint
    assert "2 agree" in detail_of(report, "checkpoints")
    assert report.to_dict()["holds"] is True


def test_a_key_that_is_not_known_is_told_and_fails_only_when_asked(bundle: Path) -> None:
    report = verify_bundle(bundle, replay)
    assert report.result is Result.HOLDS_BUT and report.exit_status == 3 and report.to_dict()["holds"] is False
    assert [check.key for check in report.unchecked] == ["key"]
    assert "is not known here" in detail_of(report, "key")
    asked = verify_bundle(bundle, replay, must_be_known=True)
    assert not asked.holds and failing(asked) == {"key"}


def first_frame_of_the_scale(record: Record) -> NewRecord:
    """One reading of the scale 10 kg heavier."""
    if record.device == SCALE and record.id == 60:
        (mass,) = struct.unpack("<d", record.payload)
        return NewRecord(FRAMES, SCALE, record.t0_ns, 1, record.offsets, struct.pack("<d", mass + 10))
    return as_new(record)


def edited(name: str, old: bytes, new: bytes) -> Callable[[Files], Files]:
    def edit(files: Files) -> Files:
        assert old in files[name]
        return {**files, name: files[name].replace(old, new, 1)}

    return edit


RECORDS = "data/raw/records.jsonl"
CASES: dict[str, tuple[Callable[[Files], Files], set[str]]] = {
    "a reading changed": (edited("data/readings.csv", b",25.2,", b",26.2,"), {"payload", "readings"}),
    "the same with fitting manifests": (
        lambda f: manifested(edited("data/readings.csv", b",25.2,", b",26.2,")(f)), {"signature", "readings"}),
    "the same signed by the enemy": (
        lambda f: signed_again(edited("data/readings.csv", b",25.2,", b",26.2,")(f), ENEMY),
        {"readings", "checkpoints"}),
    "a finding changed by the holder of the key": (
        lambda f: signed_again(edited("data/findings.json", b'"pass"', b'"fail"')(f), KEY), {"findings"}),
    "a note taken out of the events": (
        lambda f: signed_again(edited("data/events.csv", b"Filter drier changed.", b"")(f), KEY), {"events"}),
    "another customer in job.json": (
        lambda f: signed_again(edited("data/job.json", b"Kettle & Reed", b"Somebody Else")(f), KEY), {"events"}),
    "another report": (
        lambda f: signed_again({**f, "data/report.pdf": f["data/report.pdf"] + b"\n"}, KEY), {"report"}),
    "a frame changed": (
        lambda f: signed_again(edited(RECORDS, b'"payload":"00', b'"payload":"01')(f), KEY), {"chain"}),
    "a frame changed and the chain made to fit": (
        lambda f: signed_again(chained_again(f, first_frame_of_the_scale), KEY), {"chain"}),
    "the same without checkpoints": (
        lambda f: signed_again(chained_again({k: v for k, v in f.items() if "checkpoints" not in k},
                                             first_frame_of_the_scale), KEY),
        {"readings", "events"}),
    "the last records cut off": (
        lambda f: signed_again(chained_again(f, lambda r: as_new(r) if r.id < 130 else None), KEY), {"chain"}),
    "no records": (
        lambda f: signed_again({k: v for k, v in f.items() if k != RECORDS}, KEY), {"chain"}),
    "no readings": (
        lambda f: signed_again({k: v for k, v in f.items() if k != "data/readings.csv"}, KEY), {"readings"}),
    "no signature": (
        lambda f: {k: v for k, v in f.items() if not k.endswith(".sig")}, {"signature"}),
    "another bundle's signature file, of the same key": (
        lambda f: {**f, SIGNATURE: sign(KEY, f[TAG_MANIFEST] + b"\n", BUNDLE_NAMESPACE).encode()}, {"signature"}),
    "another key named than the one that signed": (
        lambda f: {**signed_again(f, ENEMY), "allowed_signers": f["allowed_signers"]},
        {"signature", "tags", "checkpoints", "report"}),
    "a file added": (lambda f: {**f, "data/more.txt": b"x"}, {"payload"}),
    "a describing file added": (lambda f: {**f, "READ_THIS_FIRST.txt": b"x"}, {"tags"}),
    "a line that is no record": (lambda f: signed_again({**f, RECORDS: f[RECORDS] + b"{}\n"}, KEY), {"chain"}),
    "records of another job's checkpoints": (
        lambda f: signed_again({**f, "data/raw/checkpoints.jsonl": checkpoint_at(short_job(), 20, KEY, "other")}, KEY),
        {"checkpoints"}),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_what_was_changed_is_found(case: str, bundle: Path, tmp_path: Path) -> None:
    change, expected = CASES[case]
    top, files = taken_apart(bundle)
    report = verify_bundle(put_together(top, change(files), tmp_path / "changed.zip"), replay)
    assert failing(report) == expected, report.checks
    assert not report.holds


def test_what_differs_is_in_the_words_shown(bundle: Path, tmp_path: Path) -> None:
    top, files = taken_apart(bundle)
    changed = edited("data/events.csv", b"Filter drier changed.", b"Filter drier chanted.")(files)
    body = changed["tagmanifest-sha256.txt"]
    changed["tagmanifest-sha256.txt"] = body[:40] + (b"0" if body[40:41] != b"0" else b"1") + body[41:]
    report = verify_bundle(put_together(top, changed, tmp_path / "changed.zip"), replay)
    assert "drier chanted." in detail_of(report, "events") and "drier changed." in detail_of(report, "events")
    assert body[:64].decode() in detail_of(report, "tags") and changed["tagmanifest-sha256.txt"][
        :64
    ].decode() in detail_of(report, "tags")
    assert "without a signature" in detail_of(report, "report")


def test_a_checkpoint_line_that_cannot_be_read_is_told(bundle: Path, tmp_path: Path) -> None:
    top, files = taken_apart(bundle)
    name = "data/raw/checkpoints.jsonl"
    torn = {**files, name: files[name] + b'{"count":7'}
    report = verify_bundle(put_together(top, signed_again(torn, KEY), tmp_path / "torn.zip"), replay, known=anyone)
    assert report.holds and outcomes(report)["checkpoints"] is Outcome.NOTED
    assert "not a checkpoint" in detail_of(report, "checkpoints")


def test_a_checkpoint_without_a_signature_is_told_as_that(bundle: Path, tmp_path: Path) -> None:
    top, files = taken_apart(bundle)
    name = "data/raw/checkpoints.jsonl"
    unsigned = [{**json.loads(line), "signature": ""} for line in files[name].splitlines()]
    files[name] = b"".join(json.dumps(line).encode() + b"\n" for line in unsigned)
    report = verify_bundle(put_together(top, signed_again(files, KEY), tmp_path / "unsigned.zip"), replay)
    assert failing(report) == {"checkpoints"}
    assert f"checkpoint at record {unsigned[0]['last_id']} is not signed" in detail_of(report, "checkpoints")


def test_a_complete_forgery_holds_but_for_its_key(bundle: Path, tmp_path: Path) -> None:
    """Everything made anew from invented frames: only the fingerprint tells. So the fingerprint must be told."""
    out = tmp_path / "forged"
    rec = short_job(customer="Somebody Else")
    from logger.export.bundle.write import export_bundle

    forged = export_bundle(rec.source, replay, ENEMY, out).bundle
    report = verify_bundle(forged, replay, known=lambda key: "us" if key == public_key(KEY) else None)
    assert failing(report) == set() and report.result is Result.HOLDS_BUT
    assert {check.key for check in report.unchecked} == {"key", "checkpoints"}
    assert failing(verify_bundle(forged, replay, must_be_known=True)) == {"key"}


def test_a_last_figure_that_another_computer_rounds_differently_is_told_and_passes(
    bundle: Path, tmp_path: Path
) -> None:
    top, files = taken_apart(bundle)
    assert b",700050,499900," in files["data/readings.csv"]
    changed = edited("data/readings.csv", b",700050,499900,", b",700050.001,499900,")(files)
    report = verify_bundle(put_together(top, signed_again(changed, KEY), tmp_path / "rounded.zip"), replay)
    assert failing(report) == {"report"}  # its bytes are another digest's
    assert "1 numbers" in detail_of(report, "readings")


def test_the_report_is_left_unchecked_where_another_typesetter_made_it(bundle: Path, tmp_path: Path) -> None:
    top, files = taken_apart(bundle)
    files["bag-info.txt"] = files["bag-info.txt"].replace(b"typst ", b"typst 9.")
    report = verify_bundle(put_together(top, signed_again(files, KEY), tmp_path / "other.zip"), replay, known=anyone)
    assert report.result is Result.HOLDS_BUT and [check.key for check in report.unchecked] == ["report"]


def test_another_verdict_than_was_shown_at_the_stages_end_is_told_and_passes(tmp_path: Path) -> None:
    """Late readings may turn a verdict; both stand in the evidence, and nobody is left to find it out."""
    rec = short_job()
    then = worded("recovery.level", Verdict.CANNOT_TELL, "cannot tell", "Settling: 1 s of 10 min left.")
    rec.event(FINDING, rec.records[-1].t0_ns + 1, stage=1, finding=plain(then))
    done = exported(tmp_path, rec)
    report = verify_bundle(done.bundle, replay, known=anyone)
    assert report.result is Result.HOLDS_BUT and [check.key for check in report.unchecked] == ["checkpoints"]
    assert outcomes(report)["concluded"] is Outcome.NOTED
    shown = "stage 1: cannot tell was shown by version 1 of the analysis, all records give pass"
    assert shown in detail_of(report, "concluded")
    text = pdf.text(done.report)
    assert "Shown when the stage ended, by what had arrived by then: can't tell. Settling" in " ".join(text.split())


def zipped(**files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name.replace("__", "/"), data)
    return out.getvalue()


HOSTILE = {
    "nothing": b"",
    "no zip": b"PK\x03\x04 but no more",
    "path out": zipped(**{"..__..__etc__passwd": b"x"}),
    "bomb": zipped(bag__data__zeros=bytes(20_000_000)),
    "no bag": zipped(bag__file=b"x"),
}


@pytest.mark.parametrize("case", HOSTILE)
def test_a_hostile_archive_ends_at_the_first_check(case: str, tmp_path: Path) -> None:
    path = tmp_path / "\x1b[2Jhostile.zip"
    path.write_bytes(HOSTILE[case])
    report = verify_bundle(path, replay)
    assert failing(report) == {"archive"}
    assert {c.outcome for c in report.checks if c.key != "archive"} == {Outcome.NOT_CHECKED}
    assert "\x1b" not in str(report.to_dict())


def test_records_that_break_the_replay_end_in_words(bundle: Path, tmp_path: Path) -> None:
    """A frame that no device would send, chained and signed by the enemy."""

    def short_frame(record: Record) -> NewRecord:
        new = as_new(record)
        return NewRecord(FRAMES, "ffff", new.t0_ns, 1, b"\x00\x08", bytes(8)) if record.id == 60 else new

    top, files = taken_apart(bundle)
    del files["data/raw/checkpoints.jsonl"]
    forged = signed_again(chained_again(files, short_frame), ENEMY)
    report = verify_bundle(put_together(top, forged, tmp_path / "broken.zip"), replay)
    assert failing(report) == {"readings"}
    assert "could not be computed" in detail_of(report, "readings")


@given(st.integers(0, 2**32))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_random_damage_never_holds_and_never_raises(bundle: Path, tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    data = bytearray(bundle.read_bytes())
    for _ in range(rng.randint(1, 5)):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    if rng.random() < 0.3:
        del data[rng.randrange(len(data)) :]
    path = tmp_path / "damaged.zip"
    path.write_bytes(bytes(data))
    report = verify_bundle(path, replay, known=anyone)
    if report.result is not Result.FAILS:  # a flipped bit in a date or a comment of the archive changes no file
        assert taken_apart(path)[1] == taken_apart(bundle)[1]


def test_a_clock_that_was_not_believed_is_told_with_its_stretch(tmp_path: Path) -> None:
    rec = short_job()
    t_ns = rec.records[-1].t0_ns
    ran_back = "its clock ran backward; the time of arrival is used"
    for after_s, cause in ((0, ran_back), (90, CLOCK_FITS), (99, "its clock runs fast")):
        rec.event(CLOCK, t_ns + after_s * NS_PER_S, device=SCALE, cause=cause)
    report = verify_bundle(exported(tmp_path, rec).bundle, replay, known=anyone)
    assert outcomes(report)["clocks"] is Outcome.NOTED
    text = detail_of(report, "clocks")
    assert text.count("ran backward") == 1 and "runs fast" in text and "to the end" in text
