"""The bag (RFC 8493): payload under data/, SHA-256 manifests beside it, and the tag files that describe them.

Pure. Writing: digests of the payload in, tag files out. Reading: a checked archive in, what does not hold out.
"""

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from logger.evidence.errors import BundleError
from logger.evidence.safezip import SafeZip

BAGIT = "bagit.txt"
INFO = "bag-info.txt"
MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
SIGNATURE = TAG_MANIFEST + ".sig"
PAYLOAD = "data/"

_DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_LINE = re.compile(r"([0-9a-fA-F]{64})  ?\*?([^\s*].*)")
_MAX_TAG = 1_000_000


@dataclass(frozen=True, slots=True)
class Digest:
    """size in bytes; sha256 in hex."""

    size: int
    sha256: str


def digest_of(chunks: Iterable[bytes]) -> Digest:
    """Size and SHA-256 of all chunks together."""
    size, state = 0, hashlib.sha256()
    for chunk in chunks:
        size += len(chunk)
        state.update(chunk)
    return Digest(size, state.hexdigest())


def tag_files(
    payload: Mapping[str, Digest], info: Iterable[tuple[str, str]], others: Mapping[str, bytes]
) -> dict[str, bytes]:
    """Tag files of a bag whose payload is data/<name> for each name.

    info: labels and one-line values for bag-info.txt, Payload-Oxum is added. others: further tag files (README).
    The last one made is the tag manifest, which vouches for all others: signing it signs the bag.
    """
    oxum = f"{sum(d.size for d in payload.values())}.{len(payload)}"
    tags = {
        BAGIT: _DECLARATION,
        INFO: "".join(f"{k}: {v}\n" for k, v in [*info, ("Payload-Oxum", oxum)]).encode(),
        MANIFEST: "".join(f"{d.sha256}  {PAYLOAD}{name}\n" for name, d in sorted(payload.items())).encode(),
        **others,
    }
    lines = [f"{digest_of([data]).sha256}  {name}\n" for name, data in sorted(tags.items())]
    return {**tags, TAG_MANIFEST: "".join(lines).encode()}


class Bag:
    """A bag inside an archive, under its one top folder. Raises BundleError when there is none."""

    def __init__(self, archive: SafeZip) -> None:
        tops = {name.partition("/")[0] for name in archive.names}
        if len(tops) != 1 or not all("/" in name for name in archive.names):
            raise BundleError("the archive does not hold one folder with everything in it")
        self.top = tops.pop()
        self._zip = archive
        self.names = [name.partition("/")[2] for name in archive.names]
        for needed in (BAGIT, MANIFEST, TAG_MANIFEST):
            if needed not in self.names:
                raise BundleError(f"{needed} is missing: not a bag (RFC 8493), or cut short")
        if self.read(BAGIT) != _DECLARATION:
            raise BundleError(f"{BAGIT} does not declare BagIt 1.0 in UTF-8")

    def size(self, name: str) -> int:
        return self._zip.size(f"{self.top}/{name}")

    def chunks(self, name: str) -> Iterator[bytes]:
        return self._zip.chunks(f"{self.top}/{name}")

    def read(self, name: str, limit: int = _MAX_TAG) -> bytes:
        return self._zip.read(f"{self.top}/{name}", limit)

    def info(self) -> dict[str, str]:
        """Labels of bag-info.txt; empty when there is none."""
        if INFO not in self.names:
            return {}
        pairs = (line.partition(":") for line in _text(self.read(INFO), INFO).splitlines())
        return {label.strip(): value.strip() for label, _, value in pairs}


def parse_manifest(data: bytes, name: str) -> dict[str, str]:
    """File name -> SHA-256 in lower-case hex. Raises BundleError with the line."""
    found: dict[str, str] = {}
    for number, line in enumerate(_text(data, name).splitlines(), 1):
        match = _LINE.fullmatch(line)
        if match is None:
            raise BundleError(f"{name} line {number} is not a SHA-256 and a file name")
        path = re.sub(r"%(0[AaDd]|25)", lambda m: chr(int(m[1], 16)), match[2])
        if path in found:
            raise BundleError(f"{name} line {number}: {path[:80]!a} is listed twice")
        found[path] = match[1].lower()
    return found


def tag_problems(bag: Bag) -> list[str]:
    """What of the tag files is not as the tag manifest says; files that nothing vouches for."""
    listed = parse_manifest(bag.read(TAG_MANIFEST), TAG_MANIFEST)
    problems = _digest_problems(bag, listed)
    tags = {name for name in bag.names if not name.startswith(PAYLOAD)} - {TAG_MANIFEST, SIGNATURE}
    problems += [f"{name} is not in {TAG_MANIFEST}: nothing vouches for it" for name in sorted(tags - listed.keys())]
    return problems


def payload_problems(bag: Bag) -> list[str]:
    """What of the payload is not as the manifest and Payload-Oxum say."""
    listed = parse_manifest(bag.read(MANIFEST), MANIFEST)
    outside = [name for name in listed if not name.startswith(PAYLOAD)]
    if outside:
        return [f"{MANIFEST} lists {outside[0][:80]!a}, which is not under {PAYLOAD}"]
    problems = _digest_problems(bag, listed)
    payload = [name for name in bag.names if name.startswith(PAYLOAD)]
    problems += [f"{name} is not in {MANIFEST}: nothing vouches for it" for name in payload if name not in listed]
    oxum = f"{sum(map(bag.size, payload))}.{len(payload)}"
    stated = bag.info().get("Payload-Oxum")
    if stated is not None and stated != oxum:
        problems.append(f"{INFO} states Payload-Oxum {stated[:40]!a}; the payload has {oxum} (bytes.files)")
    return problems


def _digest_problems(bag: Bag, listed: Mapping[str, str]) -> list[str]:
    problems = []
    for name, sha256 in listed.items():
        if name not in bag.names:
            problems.append(f"{name[:80]!a} is listed but missing")
            continue
        try:
            found = digest_of(bag.chunks(name)).sha256
        except BundleError as exc:
            problems.append(str(exc))
            continue
        if found != sha256:
            problems.append(f"{name} was changed, or its line of the list: its SHA-256 is {found}, listed is {sha256}")
    return problems


def _text(data: bytes, name: str) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as exc:
        raise BundleError(f"{name} is not UTF-8 text") from exc
