"""What is dear to make and only looked at is made once a run of the tests, by whichever worker first needs it."""

import contextlib
import functools
import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

RUN = "RIMELOG_TESTS_RUN"  # environment: pid of the run of tests, ":", a folder that all its workers share
P = ParamSpec("P")
T = TypeVar("T")
_KEPT: list[Any] = []


@contextlib.contextmanager
def run_of_tests() -> Iterator[None]:
    """Around a run: its folder, made unless this is a worker of one."""
    if RUN in os.environ:
        yield
        return
    with tempfile.TemporaryDirectory(prefix="rimelog-tests-", ignore_cleanup_errors=True) as folder:
        os.environ[RUN] = f"{os.getpid()}:{folder}"
        try:
            yield
        finally:
            del os.environ[RUN]


def run_folder() -> tuple[int, Path]:
    """The pid of the run, and its folder."""
    pid, _, folder = os.environ[RUN].partition(":")
    return int(pid), Path(folder)


@functools.cache
def built_folder(name: str) -> Path:
    """A folder that all workers of a run share and that lasts as long as it; outside of a run, of this process."""
    if RUN not in os.environ:
        _KEPT.append(folder := tempfile.TemporaryDirectory(prefix=f"rimelog-{name}-"))
        return Path(folder.name)
    made = run_folder()[1] / name
    made.mkdir(exist_ok=True)
    return made


def once_a_run(make: Callable[P, T]) -> Callable[P, T]:
    """make: gives the same for the same arguments, which repr tells apart; what it gives can be pickled."""

    @functools.wraps(make)
    def made(*args: P.args, **kwargs: P.kwargs) -> T:
        if RUN not in os.environ:
            return make(*args, **kwargs)
        of = hashlib.sha256(repr((args, sorted(kwargs.items()))).encode()).hexdigest()[:16]
        place = run_folder()[1] / f"{make.__module__}.{make.__qualname__}-{of}"
        with _by_one(Path(f"{place}.lock")):
            if not place.exists():
                found = make(*args, **kwargs)
                part = Path(f"{place}.{os.getpid()}")
                part.write_bytes(pickle.dumps(found, pickle.HIGHEST_PROTOCOL))
                part.replace(place)
                return found
        again: T = pickle.loads(place.read_bytes())
        return again

    return made


@contextlib.contextmanager
def _by_one(lock: Path) -> Iterator[None]:
    with lock.open("w") as held:
        if os.name != "nt":  # there each makes its own
            import fcntl

            fcntl.flock(held, fcntl.LOCK_EX)
        yield
