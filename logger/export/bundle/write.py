"""A job's evidence as one zip that a stranger can check, and the report beside it."""

import hashlib
import os
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from logger.evidence.bagit import PAYLOAD, SIGNATURE, TAG_MANIFEST, Digest, tag_files
from logger.evidence.chain import verify_chain
from logger.evidence.checkpoint import parse_checkpoints
from logger.evidence.keys import allowed_signers_line, public_key
from logger.evidence.record_lines import record_line
from logger.evidence.safezip import CHUNK, FileSource, write_zip
from logger.evidence.sshsig import BUNDLE_NAMESPACE, sign
from logger.export.bundle.derived import READINGS, REPORT, Derived
from logger.export.errors import ExportError
from logger.export.report.report_data import RecordSource, Replay
from logger.export.report.report_words import INVENTED
from logger.export.report.typeset import ATTACHED_AT_MOST, PAPER, Paper, typesetter
from logger.export.story import Story
from logger.model.records import Record
from logger.model.text import clean, clean_name
from logger.model.version import ANALYSIS, SOFTWARE

PRINCIPAL = "rimelog"
SIGNERS = "allowed_signers"
RECORDS = "raw/records.jsonl"
CHECKPOINTS = "raw/checkpoints.jsonl"
SIGNING_KEY_INFO, PAPER_INFO, TYPESETTER_INFO = "Signing-Key", "Report-Paper", "Report-Made-With"
ANALYSIS_INFO = "Analysis-Version"
FORM = "customer.pdf"
MIN_ANALYSIS_INFO = "Least-Analysis-Version"
MIN_ANALYSIS_OF_CORRECTIONS = 2  # earlier ones know no corrections, and would accuse
SUPERSEDES_INFO = "Supersedes"  # records and head of the closed job that this one goes on from


@dataclass(frozen=True, slots=True)
class Exported:
    """bundle, report, customer: the files written. readings: digest of readings.csv."""

    bundle: Path
    report: Path
    fingerprint: str
    readings: Digest
    records: int
    customer: Path | None = None


def export_bundle(
    records: RecordSource,
    replay: Replay,
    key: Ed25519PrivateKey,
    out_dir: Path,
    *,
    checkpoints: bytes = b"",
    paper: Paper | None = None,
    customer: bool = False,
) -> Exported:
    """Write rimelog-<job>.zip and rimelog-<job>.pdf into `out_dir`; an older export of the job is replaced.

    customer: the report's first page alone too, rimelog-<job>-customer.pdf, which is not in the bundle.
    checkpoints: the job's checkpoints.jsonl, read before `records`. Nothing in the files depends on when or where this
    runs. Raises ExportError, or EvidenceError for records that are not whole.
    """
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".rimelog-", dir=out_dir) as folder:
            return _export(records, replay, key, out_dir, Path(folder), checkpoints, paper, customer)
    except OSError as exc:
        raise ExportError(
            f"cannot write to {out_dir}: {exc.strerror or exc}; make room or name another folder"
        ) from exc


def _export(
    records: RecordSource,
    replay: Replay,
    key: Ed25519PrivateKey,
    out_dir: Path,
    staged: Path,
    checkpoints: bytes,
    paper: Paper | None,
    customer: bool,
) -> Exported:
    stage = _Staging(staged)
    story = Story()
    with stage.open(RECORDS) as file:
        chain = verify_chain(file.passing(story.passing(records())), parse_checkpoints(checkpoints).checkpoints)
    if chain.problem is not None:
        raise ExportError(f"the records are not whole, so nothing was signed: {chain.problem}; see `rimelog doctor`")
    job = story.job
    derived = Derived(story, records, replay)
    with stage.open(READINGS) as file:
        file.write_all(derived.readings())
    readings = stage.digests[READINGS]
    csv = (staged / READINGS).read_bytes() if readings.size <= ATTACHED_AT_MOST else None
    public, paper = public_key(key), paper or PAPER[job.units]
    small = derived.small()
    small[REPORT] = derived.report(readings, csv, public.fingerprint, paper)
    small["raw/FORMAT.txt"] = _file("FORMAT.txt")
    small["raw/check_chain.py"] = _file("check_chain.py")
    if checkpoints:
        small[CHECKPOINTS] = checkpoints
    for name, data in small.items():
        with stage.open(name) as file:
            file.write_all([data])
    name = f"rimelog-{clean_name(job.job_id)}"
    software = clean(story.software, 40)
    info = [
        ("Bag-Software-Agent", SOFTWARE),
        ("External-Identifier", clean(job.job_id, 80)),
        ("External-Description", "Evidence of a refrigeration service job" + (f". {INVENTED}" * job.invented)),
        (SIGNING_KEY_INFO, public.fingerprint),
        (PAPER_INFO, paper),
        (TYPESETTER_INFO, typesetter()),
        (ANALYSIS_INFO, str(ANALYSIS)),
    ]
    if story.facts.corrections:
        info.append((MIN_ANALYSIS_INFO, str(MIN_ANALYSIS_OF_CORRECTIONS)))
    if story.supersedes is not None:
        info.append((SUPERSEDES_INFO, "{} {}".format(*story.supersedes)))
    others = {
        "README.txt": _readme(
            invented=f"{INVENTED.upper()}.\n" * job.invented, job_id=clean(job.job_id, 80), software=software,
            fingerprint=public.fingerprint, principal=PRINCIPAL, namespace=BUNDLE_NAMESPACE, bundle=f"{name}.zip",
        ),
        SIGNERS: allowed_signers_line(PRINCIPAL, BUNDLE_NAMESPACE, public).encode(),
    }  # fmt: skip
    tags = tag_files(stage.digests, info, others)
    tags[SIGNATURE] = sign(key, tags[TAG_MANIFEST], BUNDLE_NAMESPACE).encode()
    part = staged / "bundle.zip"
    with part.open("wb") as out:
        write_zip(out, _sources(name, tags, stage))
        out.flush()
        os.fsync(out.fileno())
    bundle, report = out_dir / f"{name}.zip", out_dir / f"{name}.pdf"
    part.replace(bundle)
    (staged / REPORT).replace(report)
    form = out_dir / f"{name}-customer.pdf" if customer else None
    if form is not None:
        (staged / FORM).write_bytes(derived.customer_form(readings, public.fingerprint, paper))
        (staged / FORM).replace(form)
    return Exported(bundle, report, public.fingerprint, readings, story.count, form)


def _sources(top: str, tags: dict[str, bytes], stage: "_Staging") -> Iterator[FileSource]:
    """Tag files first: README.txt and the signature show at the top of a listing."""
    for name, data in sorted(tags.items()):
        yield FileSource(f"{top}/{name}", len(data), [data])
    for name, digest in sorted(stage.digests.items()):
        yield FileSource(f"{top}/{PAYLOAD}{name}", digest.size, stage.chunks(name))


def _readme(**words: str) -> bytes:
    text = _file("README.txt").decode()
    for word, value in words.items():
        text = text.replace("{" + word + "}", value)
    return text.encode()


def _file(name: str) -> bytes:
    return (resources.files("logger.export") / "files" / name).read_bytes()


class _Staging:
    """Payload files on their way into the zip: written once, hashed while written."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.digests: dict[str, Digest] = {}

    def open(self, name: str) -> "_Staged":
        path = self._folder / name
        path.parent.mkdir(exist_ok=True)
        return _Staged(self, name, path)

    def chunks(self, name: str) -> Iterator[bytes]:
        with (self._folder / name).open("rb") as file:
            while chunk := file.read(CHUNK):
                yield chunk


class _Staged:
    def __init__(self, staging: _Staging, name: str, path: Path) -> None:
        self._staging, self._name, self._file = staging, name, path.open("wb")
        self._size, self._hash = 0, hashlib.sha256()

    def __enter__(self) -> "_Staged":
        return self

    def __exit__(self, *_exc: object) -> None:
        self._file.close()
        self._staging.digests[self._name] = Digest(self._size, self._hash.hexdigest())

    def write_all(self, chunks: Iterable[bytes]) -> None:
        for chunk in chunks:
            self._file.write(chunk)
            self._hash.update(chunk)
            self._size += len(chunk)

    def passing(self, records: Iterable[Record]) -> Iterator[Record]:
        for record in records:
            self.write_all([record_line(record)])
            yield record
