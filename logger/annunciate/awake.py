"""Keep the computer from sleeping while a job runs, and say honestly how far that succeeded.

Two means: wakepy asks the desktop or system not to sleep when idle (Linux desktops, macOS, Windows); on Linux logind
also gives locks against sleep and the lid switch. Neither can stop an empty battery, and only logind the lid.
"""

import asyncio
import importlib
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from logger.annunciate.background import in_thread
from logger.annunciate.logind import Lock, LockRefused, take_lock
from logger.model.text import clean

TIMEOUT_S = 20.0

IDLE = "sleep when nobody uses it"
ASKED = "sleep on request"
LID = "sleep when the lid is closed"
_LOCKS = {ASKED: "idle:sleep", LID: "handle-lid-switch"}


@dataclass(frozen=True, slots=True)
class Awake:
    """held: (what is held off, by what). missing: (what is not, why). advice: what the user should do, plain words."""

    held: tuple[tuple[str, str], ...]
    missing: tuple[tuple[str, str], ...]
    advice: tuple[str, ...]

    @property
    def problem(self) -> str | None:
        """For the health input "awake": set when the computer may fall asleep by itself."""
        if any(what in (IDLE, ASKED) for what, _ in self.held):
            return None
        why = next((why for what, why in self.missing if what == IDLE), "not asked yet")
        return f"nothing holds off {IDLE}: {why}"

    def to_dict(self) -> dict[str, Any]:
        """As shown: plain JSON types."""
        return {
            "held": [list(pair) for pair in self.held],
            "missing": [list(pair) for pair in self.missing],
            "advice": list(self.advice),
        }


class KeepAwake:
    """start, then check now and then, then stop. Never raises: what fails is in the outcome."""

    def __init__(self, platform: str = sys.platform) -> None:
        self._linux = platform.startswith("linux")
        self._locks: dict[str, Lock] = {}
        self._desktop = _DesktopHold()
        self._desktop_says: tuple[str | None, str] = (None, "not asked yet")
        self._refused: dict[str, str] = {}

    async def start(self) -> Awake:
        """Take what can be had. A few seconds at most; blocks nothing."""
        self._desktop_says = await self._desktop.start()
        for what, names in _LOCKS.items():
            if not self._linux:
                self._refused[what] = "no program can hold it off on this system"
                continue
            try:
                self._locks[what] = await in_thread(partial(take_lock, names), TIMEOUT_S)
            except TimeoutError:
                self._refused[what] = "logind: no answer"
            except LockRefused as exc:
                self._refused[what] = clean(str(exc), 200)
        return self.check()

    def check(self) -> Awake:
        """The outcome now: a lock is lost when logind is restarted."""
        for what, lock in list(self._locks.items()):
            if not lock.is_held():
                lock.release()
                del self._locks[what]
                self._refused[what] = "the lock was lost: logind was restarted"
        method, why = self._desktop_says
        held = [(IDLE, method)] if method is not None else []
        missing = [(IDLE, why)] if method is None else []
        held += [(what, "logind") for what in self._locks]
        missing += list(self._refused.items())
        return Awake(tuple(held), tuple(missing), _advice({what for what, _ in held}))

    async def stop(self) -> None:
        """Let everything go."""
        for lock in self._locks.values():
            lock.release()
        self._locks.clear()
        await self._desktop.stop()


def _advice(held: set[str]) -> tuple[str, ...]:
    advice = ["Leave the charger plugged in."]
    if not held & {IDLE, ASKED}:
        advice.insert(0, "Set the computer never to sleep while this job runs: look under power in its settings.")
    if LID not in held:
        advice.append("Leave the lid open.")
    return tuple(advice)


class _DesktopHold:
    """wakepy's mode, entered, held and left in one thread of its own, as it requires."""

    def __init__(self) -> None:
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    async def start(self) -> tuple[str | None, str]:
        """(method that holds, "") or (None, why not)."""
        loop = asyncio.get_running_loop()
        outcome_known: asyncio.Future[tuple[str | None, str]] = loop.create_future()

        def report(outcome: tuple[str | None, str]) -> None:
            loop.call_soon_threadsafe(lambda: None if outcome_known.done() else outcome_known.set_result(outcome))

        self._thread = threading.Thread(target=self._hold, args=(report,), daemon=True, name="keep-awake")
        self._thread.start()
        try:
            async with asyncio.timeout(TIMEOUT_S):
                return await outcome_known
        except TimeoutError:
            return None, "the system gave no answer"

    def _hold(self, report: Callable[[tuple[str | None, str]], None]) -> None:
        try:
            keep: Any = importlib.import_module("wakepy").keep
            with keep.running(on_fail="pass") as mode:
                if mode.result.real_success:
                    report((mode.method.name, ""))
                    self._stop.wait()
                else:
                    report((None, _why(mode.result)))
            adapter = getattr(mode, "_dbus_adapter_instance", None)  # wakepy leaves its connection open
            if adapter is not None:
                adapter.close_connections()
        except Exception as exc:  # whatever the desktop's side throws, the job goes on
            report((None, clean(repr(exc), 200)))

    async def stop(self) -> None:
        self._stop.set()
        thread = self._thread
        if thread is not None:
            try:
                await in_thread(lambda: thread.join(TIMEOUT_S), TIMEOUT_S)
            except TimeoutError:
                pass  # a daemon thread: it does not hold the program's end


def _why(result: Any) -> str:
    """wakepy's reasons in one line: the innermost sentence of each method that was tried."""
    reasons = []
    for method in result.list_methods(ignore_unused=True):
        reason = clean(str(method.failure_reason), 400)
        if "DBUS_SESSION_BUS_ADDRESS" in reason:
            reason = "no session D-Bus"
        elif "ServiceUnknown" in reason:
            reason = "no desktop runs that could"
        reason = reason.rsplit("failed with message: ", 1)[-1]
        if reason not in reasons:
            reasons.append(reason)
    return clean("; ".join(reasons), 200) or "no method for this system"
