"""Blocking work beside the event loop, which must never wait for a player, a desktop or a network."""

import asyncio
import contextlib
import threading
from collections.abc import Callable, Sequence
from typing import TypeVar

from logger.annunciate.errors import ChannelFailed
from logger.model.text import clean

T = TypeVar("T")


async def run_program(
    argv: Sequence[str],
    timeout_s: float,
    env: dict[str, str] | None = None,
    *,
    name: str | None = None,
    given: bytes | None = None,
) -> bytes:
    """Run a program to its end, its output kept from the terminal. Raises ChannelFailed with its last words.

    name: of it in failures. given: to its standard input; its standard output is returned, and no last words are
    told, for they might hold what was given.
    """
    name = name or argv[0].replace("\\", "/").rsplit("/", 1)[-1]
    pipe, nothing = asyncio.subprocess.PIPE, asyncio.subprocess.DEVNULL
    try:
        process = await asyncio.create_subprocess_exec(
            *argv,
            stdin=nothing if given is None else pipe,
            stdout=nothing if given is None else pipe,
            stderr=pipe if given is None else nothing,
            env=env,
        )
    except OSError as exc:
        raise ChannelFailed(f"{name}: {exc.strerror or exc}") from exc
    try:
        async with asyncio.timeout(timeout_s):  # not wait_for, which before 3.12 can lose a cancellation
            answer, said = await process.communicate(given)
    except TimeoutError as exc:
        raise ChannelFailed(f"{name}: did not end within {timeout_s:g} s") from exc
    finally:
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    if process.returncode != 0:
        last = clean((said or b"").decode(errors="replace")[-500:], 200)
        raise ChannelFailed(f"{name}: {last or f'ended with {process.returncode}'}")
    return answer or b""


async def in_thread(work: Callable[[], T], timeout_s: float) -> T:
    """Run `work` in a thread of its own that never holds up the program's end. Raises TimeoutError, or what it raises.

    asyncio.to_thread would do, but its threads are waited for at exit: a hanging name server would hold the daemon.
    """
    loop = asyncio.get_running_loop()
    done: asyncio.Future[T] = loop.create_future()

    def settle(result: T | None, error: Exception | None) -> None:
        if done.cancelled():
            return
        if error is not None:
            done.set_exception(error)
        else:
            done.set_result(result)  # type: ignore[arg-type]

    def body() -> None:
        result, error = None, None
        try:
            result = work()
        except Exception as exc:
            error = exc
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits any more
            loop.call_soon_threadsafe(settle, result, error)

    threading.Thread(target=body, daemon=True, name="annunciate").start()
    async with asyncio.timeout(timeout_s):
        return await done
