"""SSHSIG: held to stock ssh-keygen in both directions, and to never raising anything but its own error."""

import subprocess
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization as s
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evidence.errors import SignatureError
from logger.evidence.keys import PublicKey, allowed_signers_line, parse_public, public_key, signers_of
from logger.evidence.sshsig import BUNDLE_NAMESPACE, sign, verify
from tests.tools import needs

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))


def write_key(folder: Path, key: Ed25519PrivateKey) -> Path:
    path = folder / "key"
    path.write_bytes(key.private_bytes(s.Encoding.PEM, s.PrivateFormat.OpenSSH, s.NoEncryption()))
    path.chmod(0o600)
    return path


def keygen() -> str:
    return needs("ssh-keygen", "the stock tool that our signatures are held to")


@pytest.mark.parametrize("message", [b"", b"x", b"manifest\n" * 5000])
def test_ssh_keygen_takes_our_signature(tmp_path: Path, message: bytes) -> None:
    (tmp_path / "sig").write_text(sign(KEY, message, "file"))
    (tmp_path / "allowed").write_text(allowed_signers_line("rimelog", "file", public_key(KEY)))
    command = [keygen(), "-Y", "verify", "-f", "allowed", "-I", "rimelog", "-n", "file", "-s", "sig"]
    good = subprocess.run(command, cwd=tmp_path, input=message, capture_output=True)
    assert good.returncode == 0, good.stderr
    assert public_key(KEY).fingerprint.encode() in good.stdout
    bad = subprocess.run(command, cwd=tmp_path, input=message + b"!", capture_output=True)
    assert bad.returncode != 0


def test_the_same_text_as_ssh_keygen_makes(tmp_path: Path) -> None:
    write_key(tmp_path, KEY)
    (tmp_path / "m").write_bytes(b"hello")
    subprocess.run([keygen(), "-Y", "sign", "-q", "-n", "file", "-f", "key", "m"], cwd=tmp_path, check=True)
    theirs = (tmp_path / "m.sig").read_text()
    assert sign(KEY, b"hello", "file") == theirs
    assert verify(theirs, b"hello", "file") == public_key(KEY)


def test_fingerprint_and_public_line_as_ssh_keygen_shows_them(tmp_path: Path) -> None:
    path = write_key(tmp_path, KEY)
    shown = subprocess.run([keygen(), "-lf", path], capture_output=True, text=True, check=True).stdout
    assert shown.split()[1] == public_key(KEY).fingerprint
    line = subprocess.run([keygen(), "-yf", path], capture_output=True, text=True, check=True).stdout
    assert line.strip() == public_key(KEY).text
    assert parse_public(line + " a comment") == public_key(KEY)


def test_sha256_signatures_are_read_too(tmp_path: Path) -> None:
    write_key(tmp_path, KEY)
    (tmp_path / "m").write_bytes(b"hello")
    command = [keygen(), "-Y", "sign", "-q", "-O", "hashalg=sha256", "-n", "file", "-f", "key", "m"]
    subprocess.run(command, cwd=tmp_path, check=True)
    assert verify((tmp_path / "m.sig").read_text(), b"hello", "file") == public_key(KEY)


def test_another_purpose_message_or_key_is_refused() -> None:
    text = sign(KEY, b"m", "file")
    with pytest.raises(SignatureError, match="made for"):
        verify(text, b"m", BUNDLE_NAMESPACE)
    with pytest.raises(SignatureError, match="does not fit"):
        verify(text, b"n", "file")
    assert verify(sign(OTHER, b"m", "file"), b"m", "file") != public_key(KEY)


def test_an_rsa_signature_is_refused_in_words(tmp_path: Path) -> None:
    subprocess.run([keygen(), "-q", "-t", "rsa", "-b", "2048", "-N", "", "-f", tmp_path / "key"], check=True)
    (tmp_path / "m").write_bytes(b"hello")
    subprocess.run([keygen(), "-Y", "sign", "-q", "-n", "file", "-f", "key", "m"], cwd=tmp_path, check=True)
    with pytest.raises(SignatureError, match="Ed25519"):
        verify((tmp_path / "m.sig").read_text(), b"hello", "file")


GOOD = sign(KEY, b"m", "file")


@given(st.integers(0, len(GOOD) - 1), st.characters(max_codepoint=0x2FF))
@settings(max_examples=300, deadline=None)
def test_a_changed_character_never_passes_as_another_signature(at: int, ch: str) -> None:
    changed = GOOD[:at] + ch + GOOD[at + 1 :]
    try:
        assert verify(changed, b"m", "file") == public_key(KEY)  # white space may change, nothing else
        assert "".join(changed.split()) == "".join(GOOD.split())
    except SignatureError:
        pass


@given(st.text(max_size=300))
@settings(max_examples=100, deadline=None)
def test_any_text_gives_only_the_stated_error(text: str) -> None:
    begin, end = "-----BEGIN SSH SIGNATURE-----", "-----END SSH SIGNATURE-----"
    for candidate in (text, f"{begin}\n{text}\n{end}"):
        with pytest.raises(SignatureError):
            verify(candidate, b"m", "file")


def test_allowed_signers_of_all_kinds() -> None:
    mine, other = public_key(KEY), public_key(OTHER)
    text = (
        "# comment\n\n"
        f'pat@example.org namespaces="file,{BUNDLE_NAMESPACE}" {mine.text} Pat\n'
        f'shop namespaces="git" {other.text}\n'
        f"ca@example.org cert-authority {other.text}\n"
        f'old valid-before="20200101" {other.text}\n'
        "x ssh-rsa AAAAB3NzaC1yc2E=\n"
    )
    assert signers_of(text, BUNDLE_NAMESPACE) == {mine: "pat@example.org"}
    assert signers_of(text, "git") == {other: "shop"}
    assert signers_of(f"anything {other.text}\n", BUNDLE_NAMESPACE) == {other: "anything"}
    with pytest.raises(SignatureError, match="line 1"):
        signers_of("just words\n", "file")
    with pytest.raises(SignatureError, match="line 2"):
        signers_of(f"# c\nx ssh-ed25519 {mine.text.split()[1][:-9]}\n", "file")


@given(st.binary(min_size=32, max_size=32))
@settings(max_examples=50, deadline=None)
def test_public_line_round_trip(raw: bytes) -> None:
    key = PublicKey(raw)
    assert parse_public(key.text) == key
    assert signers_of(allowed_signers_line("a", "n", key), "n") == {key: "a"}
