"""The signing key of this computer's user: made on first use, kept in a file that stock ssh-keygen reads.

<data>/keys/signing_key (OpenSSH private key format, mode 0600, no passphrase) and signing_key.pub.
"""

import os
import stat
import tempfile
from pathlib import Path

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from logger.config.private_files import make_private
from logger.evidence.keys import PublicKey, public_key
from logger.export.errors import KeyFileError

PRIVATE_NAME = "signing_key"


def key_path(data_dir: Path) -> Path:
    return data_dir / "keys" / PRIVATE_NAME


def signing_key(data_dir: Path) -> Ed25519PrivateKey:
    """The user's key; made when there is none. Raises KeyFileError."""
    path = key_path(data_dir)
    try:
        if not path.exists():
            _create(path)
        return _load(path)
    except OSError as exc:
        raise KeyFileError(f"{path}: {exc.strerror or exc}") from exc


def own_public_key(data_dir: Path) -> PublicKey | None:
    """Of the key in `data_dir`, None when none was made yet. Raises KeyFileError."""
    path = key_path(data_dir)
    return public_key(signing_key(data_dir)) if path.exists() else None


def _create(path: Path) -> None:
    """Two processes at once end with one key: the file appears whole or not at all, and is never replaced."""
    make_private(path.parent)
    private = Ed25519PrivateKey.generate()
    pem = private.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.OpenSSH, serialization.NoEncryption()
    )
    number, name = tempfile.mkstemp(prefix=".new-", dir=path.parent)  # mode 0600
    part = Path(name)
    try:
        with os.fdopen(number, "wb") as file:
            file.write(pem)
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(part, path)
        except FileExistsError:
            return
        except OSError:  # a file system without links
            if not path.exists():
                part.rename(path)
    finally:
        part.unlink(missing_ok=True)
    path.with_name(path.name + ".pub").write_text(public_key(private).text + " rimelog\n")


def _load(path: Path) -> Ed25519PrivateKey:
    if os.name == "posix" and (mode := stat.S_IMODE(path.stat().st_mode)) & 0o077:
        raise KeyFileError(f"{path} can be read by others (mode {mode:04o}); make it yours alone: chmod 600 {path}")
    try:
        private = serialization.load_ssh_private_key(path.read_bytes(), password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as exc:
        raise KeyFileError(
            f"{path} is not a private key without a passphrase that can be read; move it away and a new one is made"
        ) from exc
    if not isinstance(private, Ed25519PrivateKey):
        raise KeyFileError(f"{path} is not an Ed25519 key; move it away and a new one is made")
    return private
