"""RFC 3161 time stamps: a third party's signed word that a file existed, just so, at a time.

A signature proves who, not when: the holder of the key can make all of a chain anew. A stamp taken soon after the job
cannot be made later. `openssl ts -verify -data BUNDLE -in BUNDLE.tsr -CAfile ROOTS` checks the same.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.evidence.errors import TimestampError, TimestampsUnavailable
from logger.model.extras import how_to_add

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

SUFFIX = ".tsr"
MAX_REPLY_BYTES = 64_000


@dataclass(frozen=True, slots=True)
class Timestamp:
    """at: UTC, as the authority has it. authority: its name, where the stamp brings its certificate."""

    at: datetime
    authority: str

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M:%S} UTC, by {self.authority or 'an authority that does not name itself'}"


def request(data: bytes) -> bytes:
    """What an authority is asked: it gets the SHA-256 of the data, nothing else. Raises TimestampsUnavailable."""
    library = _library()
    asked = library.TimestampRequestBuilder(data=data, hash_algorithm=library.HashAlgorithm.SHA256).build()
    return bytes(asked.as_bytes())


def read(reply: bytes, data: bytes) -> Timestamp:
    """What the stamp says of the data. It may be forged: `check` asks whose it is.

    Raises TimestampError when it is no stamp, or one of other data; TimestampsUnavailable.
    """
    return _said(_parsed(reply), hashlib.sha256(data).digest())


def check(reply: bytes, data: bytes, roots: Path) -> Timestamp:
    """The same, with the authority's signature and certificates up to one of the roots (PEM, one or several).

    Raises TimestampError and OSError.
    """
    library, answer, digest = _library(), _parsed(reply), hashlib.sha256(data).digest()
    found = _said(answer, digest)
    builder = library.VerifierBuilder(roots=list(_certificates(roots)), intermediates=_brought(answer))
    try:
        builder.build().verify(answer, digest)
    except (library.VerificationError, ValueError) as exc:
        raise TimestampError(f"it does not lead to a root in {roots.name}: {exc}") from exc
    return found


def _said(answer: Any, digest: bytes) -> Timestamp:
    if answer.tst_info.message_imprint.message != digest:
        raise TimestampError("it is the stamp of another file")
    return Timestamp(answer.tst_info.gen_time, _authority_of(answer))


def _parsed(reply: bytes) -> Any:
    """A granted one, whose content can be read."""
    library = _library()
    if len(reply) > MAX_REPLY_BYTES:
        raise TimestampError(f"no time stamp: {len(reply):,} bytes")
    try:
        answer = library.decode_timestamp_response(reply)
        if library.PKIStatus(answer.status) is not library.PKIStatus.GRANTED:
            raise TimestampError(f"the authority refused: {'; '.join(answer.status_string) or 'without a reason'}")
        answer.tst_info  # noqa: B018  what is no stamp shows here
        return answer
    except ValueError as exc:
        raise TimestampError(f"no time stamp: {exc}") from exc


def _brought(answer: Any) -> "list[Certificate]":
    from cryptography.x509 import load_der_x509_certificate

    try:
        return [load_der_x509_certificate(bytes(one)) for one in answer.signed_data.certificates]
    except ValueError as exc:
        raise TimestampError(f"its certificates cannot be read: {exc}") from exc


def _authority_of(answer: Any) -> str:
    """Of the certificate that may stamp."""
    from cryptography.x509 import OID_COMMON_NAME, ExtendedKeyUsage, ExtensionNotFound
    from cryptography.x509.oid import ExtendedKeyUsageOID

    for certificate in _brought(answer):
        try:
            use = certificate.extensions.get_extension_for_class(ExtendedKeyUsage).value
        except (ExtensionNotFound, ValueError):
            continue
        if ExtendedKeyUsageOID.TIME_STAMPING in use:
            names = certificate.subject.get_attributes_for_oid(OID_COMMON_NAME)
            return str(names[0].value) if names else certificate.subject.rfc4514_string()
    return ""


def _certificates(roots: Path) -> "Sequence[Certificate]":
    from cryptography.x509 import load_pem_x509_certificates

    try:
        return load_pem_x509_certificates(roots.read_bytes())
    except ValueError as exc:
        raise TimestampError(f"{roots}: no certificate in PEM form: {exc}") from exc


def _library() -> Any:
    try:
        import rfc3161_client
    except ImportError as exc:
        raise TimestampsUnavailable(f"time stamps need rfc3161-client: {how_to_add('rfc3161-client')}") from exc
    return rfc3161_client
