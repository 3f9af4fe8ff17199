"""SSH signatures over bytes, as OpenSSH's PROTOCOL.sshsig lays them down: ours pass `ssh-keygen -Y verify`.

    blob   = "SSHSIG", u32 1, string public key, string namespace, string "" (reserved), string hash name,
             string signature
    signed = "SSHSIG", string namespace, string "" (reserved), string hash name, string H(message)

Ed25519 only; Ed25519 signatures are deterministic, so the same key and bytes give the same file (RFC 8032).
The namespace keeps a signature made for one purpose from passing for another.
"""

import base64
import binascii
import hashlib

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from logger.evidence.errors import SignatureError
from logger.evidence.keys import KEY_TYPE, PublicKey, pack_string, parse_blob, public_key, take_string

BUNDLE_NAMESPACE = "rimelog-bundle"
CHECKPOINT_NAMESPACE = "rimelog-checkpoint"

_MAGIC = b"SSHSIG"
_BEGIN = "-----BEGIN SSH SIGNATURE-----"
_END = "-----END SSH SIGNATURE-----"
_HASHES = ("sha512", "sha256")
_MAX_TEXT = 10_000


def sign(private: Ed25519PrivateKey, message: bytes, namespace: str) -> str:
    """The armoured signature, as text for a .sig file."""
    space = namespace.encode()
    signature = private.sign(_signed(message, space, "sha512"))
    blob = b"".join((
        _MAGIC,
        (1).to_bytes(4, "big"),
        pack_string(public_key(private).blob),
        pack_string(space),
        pack_string(b""),
        pack_string(b"sha512"),
        pack_string(pack_string(KEY_TYPE) + pack_string(signature)),
    ))  # fmt: skip
    text = base64.b64encode(blob).decode()
    return "\n".join([_BEGIN, *(text[i : i + 70] for i in range(0, len(text), 70)), _END, ""])


def verify(text: str, message: bytes, namespace: str) -> PublicKey:
    """The key that signed `message`. Raises SignatureError when nothing did, or the text cannot be read.

    Whose key that is, is another question: compare its fingerprint with one received another way.
    """
    key, space, hash_name, signature = _parse(text)
    if space != namespace.encode():
        raise SignatureError(f"the signature was made for {space[:60]!r}, not for {namespace!r}")
    if not key.check(signature, _signed(message, space, hash_name)):
        raise SignatureError("the signature does not fit: what was signed was changed, or signed with another key")
    return key


def _signed(message: bytes, space: bytes, hash_name: str) -> bytes:
    digest = hashlib.new(hash_name, message).digest()
    return _MAGIC + pack_string(space) + pack_string(b"") + pack_string(hash_name.encode()) + pack_string(digest)


def _parse(text: str) -> tuple[PublicKey, bytes, str, bytes]:
    """Key, namespace, hash name, Ed25519 signature."""
    if len(text) > _MAX_TEXT:
        raise SignatureError("the signature file is too long for one signature")
    lines = [line.strip() for line in text.strip().splitlines()]
    if len(lines) < 3 or lines[0] != _BEGIN or lines[-1] != _END:
        raise SignatureError(f"not an SSH signature: it begins with {_BEGIN!r} and ends with {_END!r}")
    try:
        blob = base64.b64decode("".join(lines[1:-1]), validate=True)
    except (binascii.Error, ValueError) as exc:
        raise SignatureError("the signature is not base64") from exc
    if blob[:6] != _MAGIC or blob[6:10] != (1).to_bytes(4, "big"):
        raise SignatureError("not an SSH signature of version 1")
    what = "the signature"
    key_blob, rest = take_string(blob[10:], what)
    space, rest = take_string(rest, what)
    _reserved, rest = take_string(rest, what)
    hash_name, rest = take_string(rest, what)
    signature, rest = take_string(rest, what)
    kind, inner = take_string(signature, what)
    raw, tail = take_string(inner, what)
    name = hash_name.decode("ascii", "replace")
    if name not in _HASHES:
        raise SignatureError(f"hash {name[:20]!r} is not one of {', '.join(_HASHES)}")
    if rest or tail or kind != KEY_TYPE or len(raw) != 64:
        raise SignatureError("the signature is not one Ed25519 signature")
    return parse_blob(key_blob), space, name, raw
