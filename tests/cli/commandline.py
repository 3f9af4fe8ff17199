"""The real command line in this process, and jobs made by the store's own writer."""

import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from logger.cli import rimelog
from logger.cli.errors import run_command_line
from logger.evidence.sshsig import CHECKPOINT_NAMESPACE, sign
from logger.export.bundle.trusted_keys import signing_key
from logger.model.records import NewRecord, Record
from logger.store.place import checkpoints_path, job_place
from logger.store.writer import StoreWriter


@dataclass(frozen=True, slots=True)
class Ran:
    status: int
    out: str
    err: str


class CommandLine:
    """`rimelog ARGUMENTS` as `main` runs it: its status and what it printed."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._monkeypatch, self._capsys = monkeypatch, capsys

    def __call__(self, *arguments: object) -> Ran:
        self._monkeypatch.setattr(sys, "argv", ["rimelog", *map(str, arguments)])
        self._capsys.readouterr()
        status = run_command_line(rimelog)
        printed = self._capsys.readouterr()
        return Ran(status, printed.out, printed.err)


def store_job(data: Path, job_id: str, records: tuple[Record | NewRecord, ...], *, close: bool = True) -> StoreWriter:
    """A job in `data`, its checkpoints signed with the key there. close=False: it is still being written."""
    key = signing_key(data)
    writer = StoreWriter.open(
        job_place(job_id, data).file, job_id=job_id, now_ns=lambda: records[-1].t0_ns,
        sign=lambda message: sign(key, message, CHECKPOINT_NAMESPACE), reserve_bytes=0,
    )  # fmt: skip
    writer.submit([NewRecord(x.kind, x.device, x.t0_ns, x.n, x.offsets, x.payload) for x in records])
    assert writer.flush()
    if close:
        writer.close()
    while not checkpoints_path(writer.path).exists():  # the first is made right after the first commit
        time.sleep(0.01)
    return writer
