"""Tests run on a changed module, in a forked process: nothing has to be imported again that does not depend on it."""

import ast
import json
import os
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Generator, Sequence
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

import hypothesis
import pytest

PRELOADED = ("logger.model", "logger.refrigerant")  # what the modules under trial are built on
OPTIONS = ("-q", "-x", "-p", "no:cacheprovider", "-p", "no:randomly", "-n", "0", "--hypothesis-profile=mutants")
# Shrinking what failed would take most of the time, and nobody reads it.
hypothesis.settings.register_profile(
    "mutants", derandomize=True, deadline=None, database=None,
    phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate), suppress_health_check=list(hypothesis.HealthCheck),
)  # fmt: skip


class _Changed(MetaPathFinder, Loader):
    """Imports one module from changed code."""

    def __init__(self, name: str, path: Path, code: CodeType) -> None:
        self.name, self.path, self.code = name, path, code

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> ModuleSpec | None:
        return ModuleSpec(fullname, self, origin=str(self.path)) if fullname == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = str(self.path)
        exec(self.code, module.__dict__)


class _Recorder:
    """Which lines of a file each test runs, and how long it takes."""

    def __init__(self, path: Path) -> None:
        self.path, self.lines, self.took_s = str(path), dict[str, list[int]](), dict[str, float]()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Generator[None, Any, Any]:
        lines: set[int] = set()

        def inside(frame: FrameType, event: str, _: object) -> Callable[..., Any]:
            lines.add(frame.f_lineno)
            return inside

        def enter(frame: FrameType, event: str, arg: object) -> Callable[..., Any] | None:
            return inside(frame, event, arg) if frame.f_code.co_filename == self.path else None

        threading.settrace(enter)  # of a thread that the test begins
        sys.settrace(enter)
        begun = time.monotonic()
        try:
            return (yield)
        finally:
            sys.settrace(None)
            threading.settrace(None)
            self.lines[item.nodeid], self.took_s[item.nodeid] = sorted(lines), time.monotonic() - begun


def _in_child(work: Callable[[], int]) -> int:
    """Id of a forked process that does the work in silence; its status is what the work gives."""
    child = os.fork()
    if child:
        return child
    status = 70
    try:
        os.setpgrp()
        silence = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(silence, stream)
        for name in [
            n for n in sys.modules if n.split(".")[0] in ("logger", "tests", "sim_device", "firmware_protocol")
        ]:
            if not name.startswith((*PRELOADED, "tests.mutants")) and name not in ("logger", "tests"):
                del sys.modules[name]
        status = work()
    finally:
        os._exit(status)


def record(path: Path, tests: Sequence[str]) -> tuple[dict[str, list[int]], dict[str, float]]:
    """By test: lines of `path` that it runs; seconds it takes, traced. Raises RuntimeError where one fails."""
    with tempfile.TemporaryDirectory() as folder:
        result = Path(folder) / "lines.json"

        def work() -> int:
            recorder = _Recorder(path)
            status = int(pytest.main([*OPTIONS, *tests], plugins=[recorder]))
            result.write_text(json.dumps([recorder.lines, recorder.took_s]))
            return status

        _, status = os.waitpid(_in_child(work), 0)
        if status:
            raise RuntimeError(f"{path.name}: its tests fail before anything is changed")
        lines, took_s = json.loads(result.read_text())
        return lines, took_s


class Trial:
    """One mutant, being tried."""

    def __init__(self, module: str, path: Path, tree: ast.Module, tests: Sequence[str], most_s: float) -> None:
        code = compile(tree, str(path), "exec")

        def work() -> int:
            sys.meta_path.insert(0, _Changed(module, path, code))
            return int(pytest.main([*OPTIONS, *tests]))

        self._child, self._until = _in_child(work), time.monotonic() + most_s

    def killed(self) -> bool | None:
        """None while it is not known. A test that never ends notices too."""
        child, status = os.waitpid(self._child, os.WNOHANG)
        if child:
            return status != 0
        if time.monotonic() > self._until:
            os.killpg(self._child, signal.SIGKILL)
            os.waitpid(self._child, 0)
            return True
        return None
