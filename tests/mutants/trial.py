"""Tests run on a changed module, each mutant in a process forked off one that has imported everything.

A mutant inside a function takes the function's place there, and nothing is imported again. Only what that does not
kill, and what lies outside functions, is tried a second time with all imported anew that hangs on the module.
"""

import ast
import functools
import gc
import json
import os
import resource
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections import Counter
from collections.abc import Callable, Generator, Iterator, Sequence
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import CodeType, FrameType, FunctionType, ModuleType
from typing import Any

import hypothesis
import pytest

from tests.mutants.mutate import Mutant

MAX_TESTS = 150  # that are tried on a mutant, the quickest first
MAX_BYTES = 6 << 30  # a mutant may gather without end
MAX_EXAMPLES = 10  # of a property
NOT_ADOPTED = 71
PLAIN = (int, float, str, bytes, tuple, dict, frozenset)
OURS = ("logger", "tests", "sim_device", "firmware_protocol")
OPTIONS = ("-q", "-x", "-p", "no:cacheprovider", "-p", "no:randomly", "-n", "0", "--hypothesis-profile=mutants")
# Shrinking what failed would take most of the time, and nobody reads it.
hypothesis.settings.register_profile(
    "mutants", derandomize=True, deadline=None, database=None,
    phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate), suppress_health_check=list(hypothesis.HealthCheck),
)  # fmt: skip


def survivors_of(module: str, path: Path, mutants: Sequence[Mutant], tests: Sequence[str]) -> list[int]:
    """Which of the mutants no test noticed. Raises RuntimeError where a test fails before anything is changed."""
    with tempfile.TemporaryDirectory() as folder:
        result, log = Path(folder) / "survivors.json", Path(folder) / "log"

        def work() -> int:
            judge = _Judge(module, path, mutants, str(log))
            status = int(pytest.main([*OPTIONS, *tests], plugins=[judge]))
            result.write_text(json.dumps(judge.survivors))
            return status

        if _wait(_in_child(work, str(log)), most_s=None):
            raise RuntimeError(f"{module}: its tests fail before anything is changed\n{log.read_text()[-3000:]}")
        found: list[int] = json.loads(result.read_text())
        return found


class _Judge:
    """In place of pytest's loop over the tests: once each, noting the lines it runs; then those that see a mutant."""

    def __init__(self, module: str, path: Path, mutants: Sequence[Mutant], log: str) -> None:
        self.module, self.path, self.mutants, self.log = module, path, mutants, log
        self.survivors: list[int] = []
        self._failed = self._sound_anew = False
        self._lines: dict[pytest.Item, set[int]] = {}
        self._took_s: dict[pytest.Item, float] = {}

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        again = functools.partial(_in_child, lambda: int(self._fails(session.items)), self.log)
        if self._fails(session.items) or _wait(again(), None):
            session.testsfailed = 1
            return True
        for i, mutant in enumerate(self.mutants):
            items = self._seen_by(mutant)
            if not items or not self._killed(compile(mutant.tree, str(self.path), "exec"), items):
                self.survivors.append(i)
        return True

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Fewer examples: what a mutant survives here all of them may still notice."""
        for item in items:
            test: Any = getattr(item, "obj", None)
            test = getattr(test, "__func__", test)
            own = getattr(test, "_hypothesis_internal_use_settings", None)
            if own is not None and own.max_examples > MAX_EXAMPLES:
                test._hypothesis_internal_use_settings = hypothesis.settings(own, max_examples=MAX_EXAMPLES)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Generator[None, Any, Any]:
        if item in self._took_s:
            return (yield)
        lines = self._lines[item] = set[int]()

        def inside(frame: FrameType, event: str, _: object) -> Callable[..., Any]:
            lines.add(frame.f_lineno)
            return inside

        def enter(frame: FrameType, event: str, arg: object) -> Callable[..., Any] | None:
            return inside(frame, event, arg) if frame.f_code.co_filename == str(self.path) else None

        threading.settrace(enter)  # of a thread that the test begins
        sys.settrace(enter)
        begun = time.monotonic()
        try:
            return (yield)
        finally:
            sys.settrace(None)
            threading.settrace(None)
            self._took_s[item] = time.monotonic() - begun

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._failed |= report.failed

    def _fails(self, items: Sequence[pytest.Item]) -> bool:
        for item, following in zip(items, [*items[1:], None], strict=True):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if self._failed:
                return True
        return False

    def _seen_by(self, mutant: Mutant) -> list[pytest.Item]:
        """Tests that run a changed line, the quickest first; of what is run at import all may."""
        seen = [i for i, lines in self._lines.items() if not mutant.where or not lines.isdisjoint(mutant.lines)]
        return sorted(seen, key=lambda item: self._took_s[item])[:MAX_TESTS]

    def _killed(self, code: CodeType, items: Sequence[pytest.Item]) -> bool:
        most_s = 30 + 5 * sum(self._took_s[item] for item in items)

        def work() -> int:
            return int(self._fails(items)) if _adopt(self.module, str(self.path), code) else NOT_ADOPTED

        status = _wait(_in_child(work), most_s)
        return (self._anew(code, items, most_s) if status == NOT_ADOPTED else status) != 0

    def _anew(self, code: CodeType, items: Sequence[pytest.Item], most_s: float) -> int:
        if not self._sound_anew:
            self._sound_anew = True
            if self._anew(compile(self.path.read_text(), str(self.path), "exec"), [*self._took_s], 600):
                raise RuntimeError(f"tests of {self.module} fail when they are imported a second time")

        def work() -> int:
            for name in _hanging_on(self.module):
                del sys.modules[name]
            sys.meta_path.insert(0, _Changed(self.module, self.path, code))
            files = {str(item.path): None for item in items}
            return int(pytest.main([*OPTIONS, *files], plugins=[_Only({item.nodeid for item in items})]))

        return _wait(_in_child(work, self.log), most_s)


class _Only:
    """Of the tests that are found."""

    def __init__(self, names: set[str]) -> None:
        self.names = names

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = [item for item in items if item.nodeid in self.names]


def _adopt(module: str, path: str, code: CodeType) -> bool:
    """Whether a function or a plain value of the module differs; it is then what `code` has, wherever it is used."""
    twice = Counter((c.co_qualname, c.co_firstlineno) for c in _codes(code))
    new = {key: c for c in _codes(code) if twice[key := (c.co_qualname, c.co_firstlineno)] == 1}
    changed = False
    for thing in gc.get_objects():
        if isinstance(thing, functools._lru_cache_wrapper):
            thing.cache_clear()
        elif isinstance(thing, FunctionType) and (was := thing.__code__).co_filename == path:
            now = new.get((was.co_qualname, was.co_firstlineno), was)
            if now != was and now.co_freevars == was.co_freevars:
                thing.__code__, changed = now, True
    return changed or _adopt_values(module, code)


def _adopt_values(module: str, code: CodeType) -> bool:
    were, now = vars(sys.modules[module]), {"__name__": module}
    exec(code, now)
    differ = {n: v for n, v in now.items() if isinstance(v, PLAIN) and n in were and were[n] != v}
    for other in [m for name, m in sys.modules.items() if name.split(".")[0] in OURS and vars(m) is not were]:
        for key in differ:
            if vars(other).get(key) is were[key]:
                setattr(other, key, differ[key])
    were.update(differ)
    return bool(differ)


def _codes(code: CodeType) -> Iterator[CodeType]:
    yield code
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from _codes(constant)


def _hanging_on(module: str) -> set[str]:
    """The module, and what is loaded of ours and imports it, or imports what does."""
    needs = {name: _imported_by(name) for name in list(sys.modules) if name.split(".")[0] in OURS}
    found, more = set[str](), {module}
    while more:
        found |= more
        more = {name for name, needed in needs.items() if needed & found} - found
    return found & set(sys.modules) - {"tests.mutants.trial", "tests.mutants.__main__", "tests.once"}


def _imported_by(name: str) -> set[str]:
    source = getattr(sys.modules[name], "__file__", None)
    found: set[str] = set()
    for node in ast.walk(ast.parse(Path(source).read_text())) if source else ():
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


class _Changed(MetaPathFinder, Loader):
    """Imports one module from changed code."""

    def __init__(self, name: str, path: Path, code: CodeType) -> None:
        self.name, self.path, self.code = name, path, code

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> ModuleSpec | None:
        return ModuleSpec(fullname, self, origin=str(self.path)) if fullname == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = str(self.path)
        exec(self.code, module.__dict__)


def _in_child(work: Callable[[], int], log: str = os.devnull) -> int:
    """Id of a forked process that does the work, and says what it has to say in `log`; its status is the work's."""
    child = os.fork()
    if child:
        return child
    status = 70
    try:
        os.setpgrp()
        resource.setrlimit(resource.RLIMIT_AS, (MAX_BYTES, MAX_BYTES))
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        said = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        for stream in (1, 2):
            os.dup2(said, stream)
        status = work()
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def _wait(child: int, most_s: float | None) -> int:
    """Its status. A test that never ends notices too."""
    until = None if most_s is None else time.monotonic() + most_s
    while True:
        ended, status = os.waitpid(child, 0 if until is None else os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        if until is not None and time.monotonic() > until:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return 1
        time.sleep(0.02)
