"""Ed25519 public keys as OpenSSH writes them. Pure; key files are in logger/export/bundle/trusted_keys.py.

Formats: RFC 4253 section 6.6 (key blob), RFC 8709 (ssh-ed25519), ssh-keygen(1) "ALLOWED SIGNERS".
"""

import base64
import binascii
import hashlib
import re
import struct
from dataclasses import dataclass

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from logger.evidence.errors import SignatureError

KEY_TYPE = b"ssh-ed25519"
MAX_SIGNERS_BYTES = 1_000_000


def pack_string(data: bytes) -> bytes:
    """RFC 4251 section 5 "string": u32 length, then the bytes."""
    return struct.pack(">I", len(data)) + data


def take_string(data: bytes, what: str) -> tuple[bytes, bytes]:
    """The first string of `data` and the rest. Raises SignatureError."""
    if len(data) < 4 or len(data) - 4 < (size := int.from_bytes(data[:4], "big")):
        raise SignatureError(f"{what} is cut short")
    return data[4 : 4 + size], data[4 + size :]


@dataclass(frozen=True, slots=True)
class PublicKey:
    """raw: the 32 bytes of the Ed25519 point."""

    raw: bytes

    @property
    def blob(self) -> bytes:
        return pack_string(KEY_TYPE) + pack_string(self.raw)

    @property
    def text(self) -> str:
        """`ssh-ed25519 AAAA...`, without a comment."""
        return f"{KEY_TYPE.decode()} {base64.b64encode(self.blob).decode()}"

    @property
    def fingerprint(self) -> str:
        """As `ssh-keygen -lf` shows it: SHA256: and base64 without padding."""
        return "SHA256:" + base64.b64encode(hashlib.sha256(self.blob).digest()).decode().rstrip("=")

    def check(self, signature: bytes, message: bytes) -> bool:
        """Whether this key made the signature of the message."""
        try:
            Ed25519PublicKey.from_public_bytes(self.raw).verify(signature, message)
        except (InvalidSignature, ValueError):
            return False
        return True


def public_key(private: Ed25519PrivateKey) -> PublicKey:
    return PublicKey(private.public_key().public_bytes_raw())


def parse_blob(blob: bytes) -> PublicKey:
    """Raises SignatureError for anything but an Ed25519 key."""
    kind, rest = take_string(blob, "the public key")
    if kind != KEY_TYPE:
        raise SignatureError(f"key type {kind[:40]!r} is not read here; ssh-ed25519 is")
    raw, rest = take_string(rest, "the public key")
    if len(raw) != 32 or rest:
        raise SignatureError("the public key has the wrong length")
    return PublicKey(raw)


def parse_public(text: str) -> PublicKey:
    """From `ssh-ed25519 AAAA... comment`. Raises SignatureError."""
    words = text.split()
    if len(words) < 2 or words[0] != KEY_TYPE.decode():
        raise SignatureError("not an ssh-ed25519 public key (ssh-ed25519 AAAA...)")
    try:
        return parse_blob(base64.b64decode(words[1], validate=True))
    except binascii.Error as exc:
        raise SignatureError("the public key is not base64") from exc


def allowed_signers_line(principal: str, namespace: str, key: PublicKey) -> str:
    """One line of the file that `ssh-keygen -Y verify -f` takes. Raises SignatureError."""
    if not re.fullmatch(r"[A-Za-z0-9._@+-]+", principal):
        raise SignatureError(f"principal {principal!r} has characters beyond letters, digits and ._@+-")
    return f'{principal} namespaces="{namespace}" {key.text}\n'


_OPTION = re.compile(r'([A-Za-z-]+)(?:="([^"]*)")?$')


def signers_of(text: str, namespace: str) -> dict[PublicKey, str]:
    """Ed25519 keys an allowed-signers file trusts for `namespace`, with their principals.

    Entries of other key types, certificate authorities and entries with a validity date (a signature here carries
    no date) are left out. Raises SignatureError with the line for one that cannot be read.
    """
    if len(text) > MAX_SIGNERS_BYTES:
        raise SignatureError(f"the allowed-signers file has more than {MAX_SIGNERS_BYTES} bytes")
    found: dict[PublicKey, str] = {}
    for number, line in enumerate(text.splitlines(), 1):
        words = _words(line)
        if not words or words[0].startswith("#"):
            continue
        kinds = [i for i, word in enumerate(words) if i and word.startswith(("ssh-", "sk-", "ecdsa-"))]
        if not kinds or len(words) < kinds[0] + 2:
            raise SignatureError(f"line {number}: no key; a line is: principals [options] ssh-ed25519 AAAA...")
        options = [option for word in words[1 : kinds[0]] for option in _options(word, number)]
        names = {name for name, _ in options}
        spaces = [value.split(",") for name, value in options if name == "namespaces"]
        if words[kinds[0]] != KEY_TYPE.decode() or names - {"namespaces"}:
            continue
        if all(namespace in space for space in spaces):
            try:
                found.setdefault(parse_public(" ".join(words[kinds[0] :])), words[0])
            except SignatureError as exc:
                raise SignatureError(f"line {number}: {exc}") from exc
    return found


def _words(line: str) -> list[str]:
    """Split at spaces outside double quotes."""
    return re.findall(r'(?:[^\s"]|"[^"]*")+', line)


def _options(word: str, number: int) -> list[tuple[str, str]]:
    out = []
    for option in re.findall(r'(?:[^,"]|"[^"]*")+', word):
        match = _OPTION.match(option)
        if match is None:
            raise SignatureError(f"line {number}: option {option[:40]!r} cannot be read")
        out.append((match[1].lower(), match[2] or ""))
    return out
