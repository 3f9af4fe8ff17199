"""Programs and threads beside the loop: ended, cancelled, never waited for in vain."""

import asyncio
import os
import threading
import time
from pathlib import Path

import pytest

from logger.annunciate.background import in_thread, run_program
from logger.annunciate.errors import ChannelFailed
from tests.annunciate.fakes import program

posix = pytest.mark.skipif(os.name != "posix", reason="shell scripts")


@posix
def test_a_cancellation_is_never_lost(tmp_path: Path) -> None:
    """Cancelled at any instant around the program's own end, the task ends cancelled or done, at once."""
    path = str(program(tmp_path, "quick"))

    async def all_instants() -> None:
        for i in range(60):
            task = asyncio.create_task(run_program([path], 10))
            await asyncio.sleep(i * 0.0002)
            task.cancel()
            async with asyncio.timeout(60):
                await asyncio.gather(task, return_exceptions=True)
            assert task.cancelled() or task.exception() is None

    asyncio.run(all_instants())


@posix
def test_a_programs_last_words_are_kept_clean_and_short(tmp_path: Path) -> None:
    path = program(tmp_path, "player", fails="x" * 600 + " bad \\033[2J end")
    with pytest.raises(ChannelFailed) as caught:
        asyncio.run(run_program([str(path)], 60))
    assert str(caught.value).startswith("player: x")
    assert len(str(caught.value)) < 250
    assert "\x1b" not in str(caught.value)


def test_a_program_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ChannelFailed, match="none: No such file"):
        asyncio.run(run_program([str(tmp_path / "none")], 10))


def test_work_in_a_thread_gives_its_result_or_its_error() -> None:
    assert asyncio.run(in_thread(threading.get_ident, 60)) != threading.get_ident()

    def fails() -> None:
        raise LookupError("no such host")

    with pytest.raises(LookupError, match="no such host"):
        asyncio.run(in_thread(fails, 60))


def test_a_hanging_thread_is_left_behind() -> None:
    release = threading.Event()
    begun = time.monotonic()
    with pytest.raises(TimeoutError):
        asyncio.run(in_thread(release.wait, 0.05))
    assert time.monotonic() - begun < 60
    release.set()  # it ends after its loop is closed, and that is no error
    time.sleep(0.05)
