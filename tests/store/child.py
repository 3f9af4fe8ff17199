"""A daemon's store alone, to be killed: `python -m tests.store.child PATH`.

For each line on standard input it forks a process that goes on with the job at PATH and submits numbered seconds as
fast as a commit every few milliseconds can take them. That process writes to standard output, 17 bytes each: "c" and
the last committed id, "s" and the number last submitted (with its run). The pid comes first: "p" and the pid.
"""

import os
import signal
import struct
import sys
import time
from pathlib import Path

from logger.store.writer import StoreWriter
from tests.store.making import JOB_ID, T0_NS, readings, second

MESSAGE = struct.Struct("<cQQ")


def send(kind: bytes, number: int, more: int = 0) -> None:
    os.write(1, MESSAGE.pack(kind, number, more))


def work(path: Path, run: int) -> None:
    send(b"p", os.getpid())
    writer = StoreWriter.open(
        path,
        job_id=JOB_ID,
        now_ns=lambda: T0_NS,
        on_commit=lambda records: send(b"c", records[-1].id),
        commit_interval_s=0.004,
        checkpoint_interval_s=0.02,
        reserve_bytes=64 << 10,
    )
    number = 0
    while True:
        writer.submit([second(number, t_ns=run)], readings(number))
        send(b"s", number, run)
        number += 1
        time.sleep(0.001)


def main(path: Path) -> None:
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # the killed need no burial
    for run, _ in enumerate(sys.stdin):
        if os.fork() == 0:
            try:
                work(path, run)
            finally:
                os._exit(1)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
