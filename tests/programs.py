"""Our own programs as child processes that begin at once.

A program that is started anew imports for half a second, the simulated rig for three (CoolProp), and the tests start
some hundreds. So one process imports everything once a run and forks a child for each: a real process that has its
own signals, files, directory and environment, and ends as any other. That a cold start works is held by the tests
that use subprocess. Where nothing can be forked (Windows) all do.
"""

import atexit
import contextlib
import gc
import importlib
import io
import json
import os
import pkgutil
import runpy
import select
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from pathlib import Path
from typing import IO, Any, NoReturn

from tests.once import run_folder

IMPORTED = ("firmware_protocol", "logger", "sim_device")
ALSO = ("CoolProp.CoolProp", "bumble.device", "bumble.transport", "tests.link.ble.backend")
LOOKS_S = 1.0
ROOT = Path(__file__).resolve().parent.parent


class Program:
    """`python -m module words`, with what the tests use of subprocess.Popen."""

    def __init__(self, module: str, words: list[str], env: dict[str, str], cwd: Path, files: list[int]) -> None:
        """files: what the child has as stdin, stdout, stderr."""
        self.args = [sys.executable, "-m", module, *words]
        self.returncode: int | None = None
        self.stdout: IO[str] | None = None
        self._told = _connected()
        request = json.dumps({"module": module, "words": words, "env": env, "cwd": str(cwd)}).encode()
        socket.send_fds(self._told, [len(request).to_bytes(4, "big")], files)
        self._told.sendall(request)
        self.pid = _number(self._told)

    def poll(self) -> int | None:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.wait(0.0)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Its exit status, or less than zero by which signal. Raises subprocess.TimeoutExpired."""
        if self.returncode is None:
            if not select.select([self._told], [], [], timeout)[0]:
                raise subprocess.TimeoutExpired(self.args, timeout or 0.0)
            self.returncode = _number(self._told)
            self._told.close()
        return self.returncode

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


Process = Program | subprocess.Popen[str]


def begin(
    module: str, *words: str, env: dict[str, str], cwd: Path, stderr: IO[str], stdout: IO[str] | None = None
) -> Process:
    """Without standard input. stdout None: a pipe, in `stdout` of what is given back."""
    if not hasattr(os, "fork"):
        return subprocess.Popen(
            [sys.executable, "-m", module, *words], env=env, cwd=cwd, text=True, stdin=subprocess.DEVNULL,
            stdout=stdout or subprocess.PIPE, stderr=stderr,
        )  # fmt: skip
    ours, theirs = os.pipe() if stdout is None else (-1, stdout.fileno())
    nothing = os.open(os.devnull, os.O_RDONLY)
    try:
        program = Program(module, list(words), env, cwd, [nothing, theirs, stderr.fileno()])
    finally:
        os.close(nothing)
        if stdout is None:
            os.close(theirs)
    if stdout is None:
        program.stdout = os.fdopen(ours, encoding="utf-8")
    return program


def run(
    module: str, *words: str, env: dict[str, str], cwd: Path, patience_s: float
) -> "subprocess.CompletedProcess[str]":
    """To its end. Raises subprocess.TimeoutExpired, and has killed it then."""
    with tempfile.TemporaryFile("w+", encoding="utf-8") as out, tempfile.TemporaryFile("w+", encoding="utf-8") as err:
        program = begin(module, *words, env=env, cwd=cwd, stdout=out, stderr=err)
        try:
            status = program.wait(patience_s)
        except subprocess.TimeoutExpired:
            program.kill()
            raise
        said = []
        for file in (out, err):
            file.seek(0)
            said.append(file.read())
    return subprocess.CompletedProcess(program.args, status, *said)


# --- the process that forks ---------------------------------------------------------------------------------------


def _connected() -> socket.socket:
    """To the process that forks, begun by the first who needs it."""
    owner, folder = run_folder()
    place, until_s = folder / "programs", time.monotonic() + 100.0
    with contextlib.suppress(FileExistsError):
        os.close(os.open(place.with_suffix(".begun"), os.O_CREAT | os.O_EXCL))
        with place.with_suffix(".log").open("w") as log:
            subprocess.Popen(
                [sys.executable, "-m", "tests.programs", str(place), str(owner)], cwd=ROOT, stdin=subprocess.DEVNULL,
                stdout=log, stderr=log, start_new_session=True,
            )  # fmt: skip
    while True:
        told = socket.socket(socket.AF_UNIX)
        try:
            told.connect(str(place))
            return told
        except OSError:
            told.close()
            if time.monotonic() > until_s:
                raise AssertionError(f"nothing forks: {place.with_suffix('.log').read_text()}") from None
            time.sleep(0.02)


def _number(printed: socket.socket) -> int:
    data = printed.recv(4, socket.MSG_WAITALL)
    assert len(data) == 4, "the process that forks has ended"
    return int.from_bytes(data, "big", signed=True)


def serve(place: Path, owner: int) -> dict[str, Any] | None:
    """Fork a child for each request until the owner, or the folder of `place`, is gone. In the child: its request."""
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(str(place) + ".new")
    listener.listen(100)
    Path(str(place) + ".new").rename(place)
    woken, wake = os.pipe()
    os.set_blocking(wake, False)
    signal.set_wakeup_fd(wake, warn_on_full_buffer=False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    running: dict[int, socket.socket] = {}
    while place.exists() and _runs(owner):
        ready = select.select([listener.fileno(), woken], [], [], LOOKS_S)[0]
        if woken in ready:
            os.read(woken, 4096)
        for pid in list(running):
            ended, status = os.waitpid(pid, os.WNOHANG)
            if ended:
                with contextlib.suppress(OSError), running.pop(pid) as told:
                    told.sendall(os.waitstatus_to_exitcode(status).to_bytes(4, "big", signed=True))
        if listener.fileno() not in ready:
            continue
        told, _ = listener.accept()
        head, files, _, _ = socket.recv_fds(told, 4, 3)
        request: dict[str, Any] = json.loads(told.recv(int.from_bytes(head, "big"), socket.MSG_WAITALL))
        pid = os.fork()
        if not pid:
            signal.set_wakeup_fd(-1)
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            for one in (listener, told, *running.values()):
                one.close()
            for number in (woken, wake):
                os.close(number)
            return request | {"files": files}
        for number in files:
            os.close(number)
        running[pid] = told
        told.sendall(pid.to_bytes(4, "big"))
    return None


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except OSError:
        return False
    return True


def _become(request: dict[str, Any]) -> None:
    """The program asked for, as if this process had been started for it."""
    for number, file in enumerate(request["files"]):
        os.dup2(file, number)
        os.close(file)
    os.chdir(request["cwd"])
    os.environ.clear()
    os.environ.update(request["env"])
    time.tzset()
    sys.stdin, sys.stdout = os.fdopen(0, closefd=False), os.fdopen(1, "w", closefd=False)
    sys.stderr = os.fdopen(2, "w", buffering=1, errors="backslashreplace", closefd=False)
    if "PYTHONUNBUFFERED" in os.environ and isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(write_through=True)
    sys.__stdin__, sys.__stdout__, sys.__stderr__ = sys.stdin, sys.stdout, sys.stderr  # type: ignore[misc]
    sys.path[0], sys.argv = request["cwd"], [request["module"], *request["words"]]
    for name in (request["module"], request["module"] + ".__main__"):
        if not hasattr(sys.modules.get(name), "__path__"):
            sys.modules.pop(name, None)  # imported by another; runpy makes its own
    runpy.run_module(request["module"], run_name="__main__", alter_sys=True)


def _to_its_end(request: dict[str, Any]) -> NoReturn:
    """As the interpreter ends a program, but for taking its modules apart, which takes longer than most programs do."""
    status: object = 1
    try:
        _become(request)
        status = 0
    except SystemExit as exc:
        status = exc.code or 0
        if not isinstance(status, int):
            print(status, file=sys.stderr)
    except KeyboardInterrupt:
        traceback.print_exc()
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGINT)
    except BaseException:
        traceback.print_exc()
    threading._shutdown()  # type: ignore[attr-defined]  # waits for threads
    atexit._run_exitfuncs()
    for file in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError):
            file.flush()
    os._exit(status if isinstance(status, int) else 1)


def _import_all() -> None:
    for name in IMPORTED:
        package = importlib.import_module(name)
        for module in pkgutil.walk_packages(package.__path__, name + "."):
            if not module.name.endswith("__main__"):
                importlib.import_module(module.name)
    for name in ALSO:
        importlib.import_module(name)
    gc.collect()
    gc.freeze()


if __name__ == "__main__":
    _import_all()
    if (asked := serve(Path(sys.argv[1]), int(sys.argv[2]))) is not None:
        _to_its_end(asked)
