"""The whole annunciator in one event loop: rings, sends, reports, survives."""

import asyncio
import logging
import os
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from logger.alarms.alarm_engine import AlarmEngine
from logger.alarms.defaults import HEALTH
from logger.alarms.memory import AlarmRow, AlarmState
from logger.annunciate.annunciator import Annunciator, Timing
from logger.annunciate.errors import ChannelFailed
from logger.annunciate.message import Message
from logger.annunciate.news import News
from logger.annunciate.push import Push
from logger.annunciate.sound import Sound
from logger.model.alarm import Priority, State
from logger.model.value import known
from logger.pipeline.job_alarms import all_rules
from logger.stages.words import alarm_text
from logger.wording.book import AlarmText
from logger.wording.values import Shown
from tests.annunciate.fakes import calls, in_process, only_these, program, push_server, row, text

FAST = Timing(ring_urgent=0.02, ring_high=0.06, rise=2, repeat=0.4, gather=0.02, restart=0.02)
URGENT = row("full", priority=Priority.URGENT)
ACKNOWLEDGED = row("full", State.ACKNOWLEDGED, priority=Priority.URGENT)


class Horn:
    """A ringer that notes what it is asked, and fails as told."""

    name = "horn"

    def __init__(self) -> None:
        self.rung: list[tuple[bool, int]] = []
        self.fails: list[Exception] = []
        self.closed = False

    def check(self) -> None:
        """It is there."""

    async def ring(self, urgent: bool, level: int) -> None:
        self.rung.append((urgent, level))
        if self.fails:
            raise self.fails.pop(0)

    def close(self) -> None:
        self.closed = True


class Board:
    name = "board"

    def __init__(self) -> None:
        self.shown: list[Message] = []

    async def notify(self, message: Message) -> None:
        self.shown.append(message)


class Night:
    """An annunciator with a horn and a board, run while `script` acts."""

    def __init__(self, **more: object) -> None:
        self.horn, self.board = Horn(), Board()
        self.health: list[tuple[str, str | None]] = []
        options: dict[str, object] = {"ringers": [self.horn], "notifiers": [self.board], "timing": FAST, **more}
        self.annunciator = Annunciator(
            self.words, lambda: "48.1 lb in the cylinder.", lambda *h: self.health.append(h), **options  # type: ignore[arg-type]
        )  # fmt: skip

    def words(self, r: AlarmRow) -> AlarmText:
        return text(r)

    def run(self, script: Callable[[], Awaitable[None]]) -> None:
        async def whole() -> None:
            task = asyncio.create_task(self.annunciator.run())
            await asyncio.sleep(0)
            try:
                await script()
                assert not task.done()
            finally:
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)

        asyncio.run(whole())

    async def until(self, done: Callable[[], object], timeout_s: float = 60.0) -> None:
        end = time.monotonic() + timeout_s
        while not done():
            assert time.monotonic() < end, "did not happen"
            await asyncio.sleep(0.005)


def test_it_rings_rising_until_acknowledged() -> None:
    night = Night()

    async def script() -> None:
        await asyncio.sleep(0.05)
        assert night.horn.rung == []
        night.annunciator.update([URGENT])
        await night.until(lambda: len(night.horn.rung) >= 9)
        night.annunciator.update([ACKNOWLEDGED])
        await asyncio.sleep(0.05)
        count = len(night.horn.rung)
        await asyncio.sleep(0.1)
        assert len(night.horn.rung) == count

    night.run(script)
    assert [level for _, level in night.horn.rung[:9]] == [0, 0, 1, 1, 2, 2, 3, 3, 3]
    assert all(urgent for urgent, _ in night.horn.rung)
    assert night.horn.closed


def test_an_urgent_alarm_does_not_wait_for_a_pause() -> None:
    night = Night(timing=Timing(ring_high=60, ring_urgent=60))

    async def script() -> None:
        night.annunciator.update([row("a")])
        await night.until(lambda: night.horn.rung == [(False, 0)])
        night.annunciator.update([row("a"), URGENT])
        await night.until(lambda: night.horn.rung == [(False, 0), (True, 0)], 30.0)

    night.run(script)


def test_raised_and_acknowledged_at_once_rings_nothing_and_does_not_spin(monkeypatch: pytest.MonkeyPatch) -> None:
    night = Night()

    async def script() -> None:
        await asyncio.sleep(0.01)
        night.annunciator.update([URGENT])
        night.annunciator.update([ACKNOWLEDGED])
        turns, loop = 0, asyncio.get_running_loop()

        def asked() -> float:  # by each turn of the loop
            nonlocal turns
            turns += 1
            return time.monotonic()

        monkeypatch.setattr(loop, "time", asked)
        await asyncio.sleep(0.2)
        assert turns < 100

    night.run(script)
    assert night.horn.rung == []


def test_a_ringer_that_fails_is_told_and_goes_on() -> None:
    night = Night()
    night.horn.fails = [ChannelFailed("no cards"), RuntimeError("boom"), ChannelFailed("no cards")]

    async def script() -> None:
        night.annunciator.update([URGENT])
        await night.until(lambda: len(night.horn.rung) >= 6)

    night.run(script)
    told = [problem for channel, problem in night.health if channel == "horn"]
    assert told == [None, "no cards", "internal failure: RuntimeError('boom')", None, "no cards", None]


def test_messages_are_gathered_and_shown() -> None:
    night = Night()

    async def script() -> None:
        night.annunciator.update([row("a")])
        night.annunciator.update([row("a"), row("b")])
        await night.until(lambda: len(night.board.shown) >= 2)
        night.annunciator.update([])
        await night.until(lambda: len(night.board.shown) >= 3)

    night.run(script)
    assert [m.title for m in night.board.shown] == ["Alarm: A", "Alarm: B", "Back to normal"]


def test_an_unanswered_urgent_alarm_is_sent_again_by_itself() -> None:
    night = Night()

    async def script() -> None:
        night.annunciator.update([URGENT])
        await night.until(lambda: len(night.board.shown) >= 3)

    night.run(script)
    assert [m.title for m in night.board.shown][:3] == [
        "URGENT: Full", "URGENT: Full (alert 2)", "URGENT: Full (alert 3)"
    ]  # fmt: skip


def test_a_failing_callback_ends_nothing(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.ERROR)
    night = Night()

    def bad(channel: str, problem: str | None) -> None:
        raise ValueError("the app's own fault")

    night.annunciator._on_health = bad

    async def script() -> None:
        night.annunciator.update([URGENT])
        await night.until(lambda: len(night.horn.rung) >= 3 and night.board.shown)

    night.run(script)
    assert "unknown" in caplog.text


def test_a_notifier_that_breaks_is_reported_and_started_again() -> None:
    night = Night()
    real, broken = night.board.notify, [RuntimeError("boom")]

    async def notify(message: Message) -> None:
        if broken:
            raise broken.pop()
        await real(message)

    night.board.notify = notify  # type: ignore[method-assign]

    async def script() -> None:
        night.annunciator.update([row("a")])
        await night.until(lambda: ("push", "internal failure: RuntimeError('boom')") in night.health)
        night.annunciator.update([row("a"), row("b")])
        await night.until(lambda: night.board.shown)

    night.run(script)
    assert [m.title for m in night.board.shown] == ["Alarm: B"]


def test_still_fine_and_then_not_over_real_http() -> None:
    with push_server() as server:
        night = Night(push=Push([server.url()], back_off_s=(0.02,), send=in_process), heartbeat_s=0.15)

        async def script() -> None:
            await night.until(lambda: server.got)
            night.annunciator.update([ACKNOWLEDGED])
            await night.until(lambda: "Running, 1 alarm" in server.titles())
            server.answers = [500]
            await night.until(lambda: any(c == "push" and p for c, p in night.health))
            await night.until(lambda: night.health[-1] == ("push", None))

        night.run(script)
    assert server.titles()[0] == "Still fine"
    body = server.got[0][1]["message"]
    assert body.startswith("48.1 lb in the cylinder. If no message comes within 0.0025 min, go and look.")


def test_a_status_line_that_fails_is_still_a_heartbeat() -> None:
    with push_server() as server:
        night = Night(push=Push([server.url()], send=in_process), heartbeat_s=60.0)

        def broken() -> str:
            raise KeyError("x")

        night.annunciator._status = broken

        async def script() -> None:
            await night.until(lambda: server.got)

        night.run(script)
    assert server.got[0][1]["message"].startswith("The logger runs, but cannot read the state of the job.")


@pytest.mark.skipif(os.name != "posix", reason="the stand-in player is a shell script")
def test_the_real_sound_in_the_real_loop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    night = Night(ringers=[Sound("linux")])

    async def script() -> None:
        await night.until(lambda: night.health)
        assert "no player found" in str(night.health[0][1])
        program(tmp_path, "aplay")
        monkeypatch.setenv("PATH", only_these(tmp_path))
        night.annunciator.update([URGENT])
        await night.until(lambda: len(calls(tmp_path, "aplay")) >= 3)

    night.run(script)
    assert ("sound", None) in night.health


def test_an_overfill_reaches_the_phone_until_someone_answers() -> None:
    """From the input to the request's bytes: engine, sentence, annunciator, push."""
    engine, state = AlarmEngine(all_rules(["cylinder_mass"])), AlarmState()
    inputs = {"cylinder_of_limit": known(1.013, "1"), **{name: known(1.0, "1") for name in HEALTH}}
    sent: list[Message | None] = []

    async def send(url: str, message: Message | None) -> str | None:
        problem = await in_process(url, message)
        sent.append(message)
        return problem

    with push_server() as server:
        night = Night(push=Push([server.url()], send=send))
        night.words = lambda r: alarm_text(r, Shown())  # type: ignore[method-assign]
        night.annunciator._news = News(night.words, FAST.repeat)

        async def script() -> None:
            nonlocal state
            await night.until(lambda: sent)  # the address has been looked at
            state, _ = engine.step(state, {**inputs, "cylinder_mass": known(40.0, "kg")}, "recovery", 0)
            night.annunciator.update(engine.present(state))
            await night.until(lambda: len(server.got) >= 2 and night.horn.rung)
            state, _ = engine.acknowledge(state, "overfill", "Kim", 1)
            night.annunciator.update(engine.present(state))
            counts = [-1, 0]
            while counts[-1] != counts[-2]:  # what was on its way has come, and nothing follows it
                assert len(counts) < 40, "it goes on"
                await asyncio.sleep(2 * FAST.repeat)
                counts.append(len(server.got))

        night.run(script)
    _, first = server.got[0]
    assert first["title"] == "URGENT: CYLINDER FULL: STOP RECOVERY"
    assert first["message"].startswith("CYLINDER FULL: STOP RECOVERY, 101.3 %, limit 100 %. Stop the recovery machine")
    later = server.got[1][1]  # where sending takes long, with the next in one
    assert "(alert 2)" in later["title"] + later["message"]
