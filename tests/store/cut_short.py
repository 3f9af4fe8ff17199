"""Copies, rescues and repairs that end in the middle: `python -m tests.store.cut_short WAY FILE OUT`.

Runs WAY again and again in forked processes, the n-th ended like by SIGKILL at its n-th step (a file opened, made,
renamed, removed, a database connected), each on a fresh copy of FILE's folder; then once more to its end, whatever was
left. Prints the number of steps.
"""

import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

from logger.store.copy import copy_job
from logger.store.jobfile import JobFile
from logger.store.rescue import rescue
from tests.store.making import JOB_ID, T0_NS

STEPS = ("open", "os.mkdir", "os.rename", "os.remove", "os.rmdir", "sqlite3.connect", "os.truncate")


def copied(file: Path, out: Path) -> None:
    assert copy_job(file, out).chain.holds


def rescued(file: Path, out: Path) -> None:
    rescue(file, out / file.name, job_id=JOB_ID, now_ns=T0_NS)


def repaired(file: Path, out: Path) -> None:
    JobFile(file, job_id=JOB_ID, now_ns=lambda: T0_NS, repair_damaged=True).close()


WAYS: dict[str, Callable[[Path, Path], None]] = {f.__name__: f for f in (copied, rescued, repaired)}


def ended_at(step: int, act: Callable[[], None]) -> int:
    """Exit status of a process that does it: 0 when it came to its end before."""
    if (pid := os.fork()) == 0:
        count = 0

        def hook(name: str, arguments: tuple[object, ...]) -> None:
            nonlocal count
            if name in STEPS:
                count += 1
                if count == step:
                    os._exit(9)

        try:
            if step:
                sys.addaudithook(hook)
            act()
        except BaseException as exc:
            print(type(exc).__name__, exc, flush=True)
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def main(way: str, file: Path, out: Path) -> None:
    step, status = 0, 9
    while status == 9:
        step += 1
        place = out / str(step)
        shutil.copytree(file.parent, place / "job")
        again = place / "job" / file.name
        status = ended_at(step, lambda: WAYS[way](again, place / "out"))  # noqa: B023
        if status == 9:
            second = ended_at(0, lambda: WAYS[way](again, place / "out"))  # noqa: B023
            print(step, second, flush=True)
    assert status == 0
    print("steps", step)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]))
