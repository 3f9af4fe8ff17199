"""Time stamps of an authority of the tests' own, made by OpenSSL: `openssl ts -reply`, as RFC 3161 has it."""

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from logger.evidence import timestamp
from logger.evidence.errors import TimestampError, TimestampsUnavailable
from tests.tools import needs

CONFIG = """
[tsa]
default_tsa = here
[here]
serial = {0}/serial
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
accuracy = secs:1
[req]
distinguished_name = name
[name]
[root]
basicConstraints = critical,CA:true
keyUsage = critical,keyCertSign
[stamps]
keyUsage = critical,digitalSignature
extendedKeyUsage = critical,timeStamping
"""
DATA = b"a bundle"


class Authority:
    """Root and signing certificate in `folder`, and what it replies."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.root = folder, folder / "root.pem"
        self.openssl = needs("openssl", "a time stamp authority")
        folder.mkdir(exist_ok=True)
        (folder / "conf").write_text(CONFIG.format(folder))
        (folder / "serial").write_text("01\n")
        key = ("-newkey", "rsa:2048", "-nodes", "-config", "conf")
        self._run("req", "-x509", *key, "-keyout", "root.key", "-out", "root.pem", "-subj", "/CN=Sample root",
                  "-extensions", "root", "-days", "30")  # fmt: skip
        self._run("req", *key, "-keyout", "ts.key", "-out", "ts.csr", "-subj", "/CN=Sample time stamps")
        self._run("x509", "-req", "-in", "ts.csr", "-CA", "root.pem", "-CAkey", "root.key", "-CAcreateserial", "-out",
                  "ts.pem", "-days", "30", "-extfile", "conf", "-extensions", "stamps")  # fmt: skip

    def _run(self, *words: str) -> None:
        subprocess.run([self.openssl, *words], cwd=self.folder, check=True, capture_output=True)

    def reply(self, asked: bytes) -> bytes:
        (self.folder / "asked").write_bytes(asked)
        self._run("ts", "-reply", "-queryfile", "asked", "-signer", "ts.pem", "-inkey", "ts.key", "-config", "conf",
                  "-out", "reply")  # fmt: skip
        return (self.folder / "reply").read_bytes()


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


def test_a_stamp_says_when_and_by_whom_and_leads_to_its_root(authority: Authority) -> None:
    reply = authority.reply(timestamp.request(DATA))
    found = timestamp.check(reply, DATA, authority.root)
    assert found == timestamp.read(reply, DATA)
    assert found.authority == "Sample time stamps"
    assert abs(found.at - datetime.now(UTC)) < timedelta(minutes=5)


def test_openssl_agrees(authority: Authority) -> None:
    (authority.folder / "data").write_bytes(DATA)
    (authority.folder / "stamp").write_bytes(authority.reply(timestamp.request(DATA)))
    authority._run("ts", "-verify", "-data", "data", "-in", "stamp", "-CAfile", "root.pem")


def test_a_stamp_of_another_file_or_another_root_does_not_hold(authority: Authority, tmp_path: Path) -> None:
    reply = authority.reply(timestamp.request(b"another bundle"))
    with pytest.raises(TimestampError, match="another file"):
        timestamp.read(reply, DATA)
    with pytest.raises(TimestampError, match="another file"):
        timestamp.check(reply, DATA, authority.root)
    stranger = Authority(tmp_path / "stranger")
    own = authority.reply(timestamp.request(DATA))
    with pytest.raises(TimestampError, match="does not lead to a root"):
        timestamp.check(own, DATA, stranger.root)


def test_a_changed_stamp_never_holds_and_never_raises_anything_else(authority: Authority) -> None:
    reply = authority.reply(timestamp.request(DATA))
    as_it_was = timestamp.check(reply, DATA, authority.root)
    for at in range(0, len(reply), 7):
        changed = reply[:at] + bytes([reply[at] ^ 0x55]) + reply[at + 1 :]
        try:
            assert timestamp.check(changed, DATA, authority.root) == as_it_was  # a byte outside of what is signed
        except TimestampError:
            continue


@pytest.mark.parametrize("reply", [b"", b"<html>", b"\x30\x03\x02\x01\x02", bytes(70_000)])
def test_what_is_no_stamp_is_refused(reply: bytes) -> None:
    with pytest.raises(TimestampError):
        timestamp.read(reply, DATA)


def test_without_its_library_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "rfc3161_client", None)
    with pytest.raises(TimestampsUnavailable, match="pipx inject rimelog rfc3161-client"):
        timestamp.request(DATA)
