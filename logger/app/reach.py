"""Helpers beside the daemon: reaching someone (sound, bell, notice, push) and keeping the computer awake."""

import asyncio
import logging
import time

from logger.alarms.defaults import AWAKE, PUSH, SOUND
from logger.alarms.memory import AlarmRow
from logger.annunciate.annunciator import Annunciator
from logger.annunciate.awake import Awake, KeepAwake
from logger.annunciate.bell import Bell
from logger.annunciate.desktop import Desktop
from logger.annunciate.errors import AnnunciateError
from logger.annunciate.message import Ringer
from logger.annunciate.push import Push
from logger.annunciate.push_file import load_push, push_file_path
from logger.annunciate.sound import Sound
from logger.app.daemon import Daemon
from logger.model.events import KeepAwakeNoted
from logger.model.value import known, unknown
from logger.stages.words import alarm_text
from logger.wording.book import AlarmText

log = logging.getLogger(__name__)

UPDATE_S, VALUES_S = 0.2, 1.0
CHECK_AWAKE_S = 60.0


def set_health(daemon: Daemon, channel: str, problem: str | None) -> None:
    """What the alarms and screens see of a channel; the bell's and notice's troubles are only shown."""
    daemon.channels[channel] = problem
    if channel in (SOUND, PUSH, AWAKE):
        daemon.engine.judge.health[channel] = known(1.0, "1") if problem is None else unknown("1", problem)


class Reach:
    """sound, notices: False leaves those channels out."""

    def __init__(self, *, sound: bool = True, notices: bool = True) -> None:
        self._sound, self._notices = sound, notices

    async def __call__(self, daemon: Daemon) -> None:
        def health(channel: str, problem: str | None) -> None:
            set_health(daemon, channel, problem)

        def words(row: AlarmRow) -> AlarmText:
            return alarm_text(row, daemon.engine.shown)

        push, heartbeat_s = None, None
        try:
            settings = load_push(push_file_path())
            heartbeat_s = settings.heartbeat_s
            if settings.urls or settings.heartbeat_urls:
                push = Push(settings.urls, settings.heartbeat_urls)
        except AnnunciateError as exc:
            health(PUSH, str(exc))
        ringers: list[Ringer] = [Sound(), Bell()] if self._sound else [Bell()]
        annunciator = Annunciator(
            words,
            daemon.status_line,
            health,
            ringers=ringers,
            notifiers=[Desktop()] if self._notices else [],
            push=push,
            heartbeat_s=heartbeat_s if push is not None else None,
        )
        async with asyncio.TaskGroup() as group:
            group.create_task(annunciator.run())
            group.create_task(_feed(annunciator, daemon))


async def _feed(annunciator: Annunciator, daemon: Daemon) -> None:
    """A change of an alarm at once; what the instruments read in the meantime, each second."""
    given: list[AlarmRow] = []
    failed, seen, next_s = False, None, 0.0
    while True:
        keys, now_s = daemon.engine.judge.state.keys, time.monotonic()
        if keys == seen and now_s < next_s:
            await asyncio.sleep(UPDATE_S)
            continue
        seen, next_s = keys, now_s + VALUES_S
        try:
            rows = daemon.alarms()
        except Exception:  # what was given so far goes on sounding
            if not failed:
                log.exception("the present alarms cannot be listed")
            failed = True
        else:
            failed = False
            if rows != given:
                annunciator.update(rows)
                given = rows
        await asyncio.sleep(UPDATE_S)


async def keep_awake(daemon: Daemon) -> None:
    """Hold off sleep; what was obtained is shown, recorded, and looked at again each minute."""
    keeper = KeepAwake()
    try:
        outcome = await keeper.start()
        _record_awake(daemon, outcome)
        while True:
            await asyncio.sleep(CHECK_AWAKE_S)
            now = keeper.check()
            if now != outcome:
                outcome = now
                _record_awake(daemon, outcome)
    finally:
        await keeper.stop()


def _record_awake(daemon: Daemon, outcome: Awake) -> None:
    problem = outcome.problem
    set_health(daemon, AWAKE, problem)
    text = "kept awake" if problem is None else "MAY FALL ASLEEP"
    daemon.awake = {"ok": problem is None, "text": text, **outcome.to_dict()}
    daemon.emit(
        KeepAwakeNoted(
            t_ns=daemon.clock.now_ns(), text=problem or text, held=outcome.held, missing=outcome.missing,
            advice=outcome.advice,
        )
    )  # fmt: skip
