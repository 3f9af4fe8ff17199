"""Keeping awake: against a real D-Bus where there is one to start, and always without any."""

import asyncio
import importlib
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from logger.annunciate import awake as awake_module
from logger.annunciate.awake import ASKED, IDLE, LID, Awake, KeepAwake, _why
from logger.annunciate.logind import LockRefused, take_lock

linux = pytest.mark.skipif(sys.platform != "linux", reason="D-Bus is Linux'; the way without it is tested everywhere")


@pytest.fixture(autouse=True)
def no_bus(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """No test here asks the real system anything."""
    monkeypatch.setenv("DBUS_SESSION_BUS_ADDRESS", f"unix:path={tmp_path / 'none'}")
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'none'}")
    monkeypatch.delenv("WAKEPY_FAKE_SUCCESS", raising=False)


@pytest.fixture
def bus(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[str]:
    from tests.annunciate.bus import private_bus

    with private_bus(tmp_path) as address:
        monkeypatch.setenv("DBUS_SESSION_BUS_ADDRESS", address)
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        yield address


def started_and_stopped(keep: KeepAwake) -> Awake:
    async def both() -> Awake:
        outcome = await keep.start()
        await keep.stop()
        return outcome

    return asyncio.run(both())


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere wakepy needs no bus and may succeed")
def test_without_any_bus_it_says_what_is_missing_and_what_to_do() -> None:
    outcome = started_and_stopped(KeepAwake())
    assert outcome.held == ()
    assert [what for what, _ in outcome.missing] == [IDLE, ASKED, LID]
    assert all(why for _, why in outcome.missing)
    assert outcome.problem is not None
    assert outcome.problem.startswith("nothing holds off sleep when nobody uses it: ")
    assert outcome.advice[0].startswith("Set the computer never to sleep")
    assert "Leave the lid open." in outcome.advice


def test_a_bus_without_a_desktop_is_said_in_words() -> None:
    said = "('The name org.x was not provided by any .service files',)"
    methods = [SimpleNamespace(failure_reason=f"[org.freedesktop.DBus.Error.ServiceUnknown] {said}")] * 2
    assert _why(SimpleNamespace(list_methods=lambda ignore_unused: methods)) == "no desktop runs that could"


def test_a_faked_success_is_no_success(monkeypatch: pytest.MonkeyPatch) -> None:
    """wakepy can be told to pretend; the report of a night must not."""
    monkeypatch.setenv("WAKEPY_FAKE_SUCCESS", "1")
    outcome = started_and_stopped(KeepAwake("linux"))
    if sys.platform == "linux":
        assert IDLE not in dict(outcome.held)


def test_on_other_systems_the_lid_is_the_users(monkeypatch: pytest.MonkeyPatch) -> None:
    outcome = started_and_stopped(KeepAwake("darwin"))
    assert dict(outcome.missing)[LID] == "no program can hold it off on this system"
    assert "Leave the lid open." in outcome.advice


def test_a_broken_library_stops_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "wakepy", None)
    monkeypatch.setitem(sys.modules, "jeepney", None)
    outcome = started_and_stopped(KeepAwake("linux"))
    assert outcome.held == ()
    assert "no D-Bus library" in dict(outcome.missing)[ASKED]


def test_a_system_that_gives_no_answer_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(awake_module, "TIMEOUT_S", 0.05)
    monkeypatch.setattr(awake_module, "take_lock", lambda names: __import__("time").sleep(0.5))
    outcome = started_and_stopped(KeepAwake("linux"))
    assert dict(outcome.missing)[LID] == "logind: no answer"


def test_an_outcome_as_stored() -> None:
    outcome = Awake(((IDLE, "x"),), ((LID, "y"),), ("Leave the lid open.",))
    assert outcome.problem is None
    assert outcome.to_dict() == {"held": [[IDLE, "x"]], "missing": [[LID, "y"]], "advice": ["Leave the lid open."]}


@linux
def test_everything_is_held_and_let_go(bus: str) -> None:
    from tests.annunciate.bus import LOGIN1, POWER, StandIn

    logind, power = StandIn(bus, LOGIN1), StandIn(bus, POWER)

    async def night() -> None:
        keep = KeepAwake()
        outcome = await keep.start()
        assert dict(outcome.held) == {IDLE: POWER, ASKED: "logind", LID: "logind"}
        assert (outcome.missing, outcome.problem) == ((), None)
        assert outcome.advice == ("Leave the charger plugged in.",)
        assert logind.held() == 2
        assert [body[0] for _, body in logind.calls] == ["idle:sleep", "handle-lid-switch"]
        assert {body[3] for _, body in logind.calls} == {"block"}
        assert [member for member, _ in power.calls] == ["Inhibit"]
        await keep.stop()
        assert logind.held() == 0
        assert [member for member, _ in power.calls] == ["Inhibit", "UnInhibit"]

    try:
        asyncio.run(night())
    finally:
        logind.close()
        power.close()


@linux
def test_no_connection_to_the_bus_is_left_open(bus: str, monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.annunciate.bus import POWER, StandIn

    adapter: Any = importlib.import_module("wakepy.dbus_adapters.jeepney")
    opened, open_one = [], adapter.open_dbus_connection

    def noted(**where: Any) -> Any:
        opened.append(open_one(**where))
        return opened[-1]

    monkeypatch.setattr(adapter, "open_dbus_connection", noted)
    started_and_stopped(KeepAwake())  # nothing there to hold it
    power = StandIn(bus, POWER)
    try:
        assert IDLE in dict(started_and_stopped(KeepAwake()).held)
    finally:
        power.close()
    assert len(opened) >= 2
    assert [connection.sock.fileno() for connection in opened] == [-1] * len(opened)


@linux
def test_a_refused_lid_lock_leaves_the_others(bus: str) -> None:
    from tests.annunciate.bus import LOGIN1, StandIn

    logind = StandIn(bus, LOGIN1, frozenset({"handle-lid-switch"}))
    try:
        outcome = started_and_stopped(KeepAwake())
    finally:
        logind.close()
    assert dict(outcome.held) == {ASKED: "logind"}
    assert dict(outcome.missing)[LID] == "logind: Permission denied"
    assert outcome.problem is None  # logind holds off idle sleep too
    assert "Leave the lid open." in outcome.advice


@linux
def test_a_lock_lost_by_a_restart_of_logind_is_noticed(bus: str) -> None:
    from tests.annunciate.bus import LOGIN1, StandIn

    logind = StandIn(bus, LOGIN1)

    async def night() -> None:
        keep = KeepAwake()
        assert (await keep.start()).problem is None
        logind.restart()
        outcome = keep.check()
        assert dict(outcome.missing)[LID] == "the lock was lost: logind was restarted"
        assert outcome.problem is not None
        await keep.stop()

    try:
        asyncio.run(night())
    finally:
        logind.close()


@linux
def test_no_logind_on_the_bus_is_a_reason_not_a_crash(bus: str) -> None:
    with pytest.raises(LockRefused, match=r"logind: .*org\.freedesktop\.login1"):
        take_lock("idle")
