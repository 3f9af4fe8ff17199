"""What an enemy does with a bundle: take it apart, change it, put it together again, perhaps with their own key."""

import io
import zipfile
from collections.abc import Callable
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from logger.evidence.bagit import SIGNATURE, TAG_MANIFEST, digest_of, tag_files
from logger.evidence.chain import GENESIS, chained
from logger.evidence.keys import allowed_signers_line, public_key
from logger.evidence.record_lines import parse_records, record_line
from logger.evidence.safezip import FileSource, write_zip
from logger.evidence.sshsig import BUNDLE_NAMESPACE, sign
from logger.model.records import NewRecord, Record

Files = dict[str, bytes]


def taken_apart(bundle: Path) -> tuple[str, Files]:
    with zipfile.ZipFile(bundle) as archive:
        top = archive.namelist()[0].split("/")[0]
        return top, {name.partition("/")[2]: archive.read(name) for name in archive.namelist()}


def put_together(top: str, files: Files, out: Path) -> Path:
    data = io.BytesIO()
    write_zip(data, [FileSource(f"{top}/{name}", len(body), [body]) for name, body in files.items()])
    out.write_bytes(data.getvalue())
    return out


def manifested(files: Files) -> Files:
    """With manifests that fit the changed files; the signature stays what it was."""
    payload = {name[5:]: digest_of([body]) for name, body in files.items() if name.startswith("data/")}
    info = [
        (label, value)
        for line in files["bag-info.txt"].decode().splitlines()
        for label, _, value in [line.partition(": ")]
        if label != "Payload-Oxum"
    ]
    others = {name: files[name] for name in ("README.txt", "allowed_signers")}
    return {**files, **tag_files(payload, info, others)}


def signed_again(files: Files, key: Ed25519PrivateKey) -> Files:
    named = {**files, "allowed_signers": allowed_signers_line("rimelog", BUNDLE_NAMESPACE, public_key(key)).encode()}
    made = manifested(named)
    return {**made, SIGNATURE: sign(key, made[TAG_MANIFEST], BUNDLE_NAMESPACE).encode()}


def chained_again(files: Files, change: Callable[[Record], NewRecord | None]) -> Files:
    """Records changed one by one (None: left out) and the chain made to fit."""
    previous = GENESIS
    lines: list[bytes] = []
    for record in parse_records([files["data/raw/records.jsonl"]]):
        new = change(record)
        if new is not None:
            made = chained(previous, new, len(lines) + 1)
            previous = made.digest
            lines.append(record_line(made))
    return {**files, "data/raw/records.jsonl": b"".join(lines)}


def as_new(record: Record) -> NewRecord:
    return NewRecord(record.kind, record.device, record.t0_ns, record.n, record.offsets, record.payload)
