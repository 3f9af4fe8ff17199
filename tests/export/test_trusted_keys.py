"""The signing key: made once, private, readable by stock ssh-keygen; anything doubtful is refused in words."""

import stat
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from logger.evidence.keys import public_key
from logger.export.bundle.trusted_keys import key_path, own_public_key, signing_key
from logger.export.errors import KeyFileError
from tests.tools import needs


def test_made_on_first_use_and_kept(tmp_path: Path) -> None:
    assert own_public_key(tmp_path) is None
    first = public_key(signing_key(tmp_path))
    assert public_key(signing_key(tmp_path)) == first == own_public_key(tmp_path)
    path = key_path(tmp_path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert path.with_name("signing_key.pub").read_text().startswith(first.text)
    assert [p.name for p in sorted(path.parent.iterdir())] == ["signing_key", "signing_key.pub"]
    program = needs("ssh-keygen", "reads the key as a stock tool does")
    shown = subprocess.run([program, "-lf", path], capture_output=True, text=True, check=True).stdout
    assert first.fingerprint in shown


def test_many_at_once_end_with_one_key(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        keys = set(pool.map(lambda _: public_key(signing_key(tmp_path)), range(16)))
    assert len(keys) == 1


def test_a_key_that_others_can_read_is_refused(tmp_path: Path) -> None:
    signing_key(tmp_path)
    key_path(tmp_path).chmod(0o644)
    with pytest.raises(KeyFileError, match="chmod 600"):
        signing_key(tmp_path)


@pytest.mark.parametrize("kind", ["rubbish", "passphrase", "rsa"])
def test_a_file_that_is_no_fit_key_is_refused_and_left_alone(tmp_path: Path, kind: str) -> None:
    path = key_path(tmp_path)
    path.parent.mkdir()
    if kind == "rubbish":
        path.write_text("not a key")
    else:
        options = ["-t", "rsa", "-b", "2048", "-N", ""] if kind == "rsa" else ["-t", "ed25519", "-N", "secret"]
        subprocess.run([needs("ssh-keygen", "makes the key"), "-q", *options, "-f", path], check=True)
    path.chmod(0o600)
    before = path.read_bytes()
    with pytest.raises(KeyFileError, match="move it away"):
        signing_key(tmp_path)
    assert path.read_bytes() == before


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "keys").write_text("a file where the folder should be")
    with pytest.raises(KeyFileError, match="keys"):
        signing_key(tmp_path)
