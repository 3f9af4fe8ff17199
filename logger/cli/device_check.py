"""`rimelog device check`: a maker's device put to the test."""

import asyncio
import json
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.model.units import NS_PER_S

if TYPE_CHECKING:
    from logger.conformance.check import ConformanceCheck
    from logger.conformance.observer import Observer

TICK_S = 0.05
REOPEN_S = 0.2
ONLY_SHOULD = 3  # exit status
MAX_S = 300.0  # beside the device's own reopen delays
OUTPUTS = (
    "Also close the first output, five times: disconnect first what it switches. Waits its reopen delay each time."
)
ASK_RESET = "Reset the device now, or cut its supply for a moment. Waiting a minute for it."
RESET = "At the end, ask you to reset the device, and hold it to what follows a start."


@click.group()
def device() -> None:
    """For makers of devices."""


@device.command(short_help="Hold a device to every rule.")
@click.argument("target", metavar="URL_OR_FILE")
@click.option("--outputs", "close_outputs", is_flag=True, help=OUTPUTS)
@click.option("--reset", is_flag=True, help=RESET)
@click.option("--trace", is_flag=True, help="Print every frame on the line, decoded.")
@click.option("--baudrate", type=int, default=115_200, show_default=True, help="Of a serial port.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")
def check(target: str, close_outputs: bool, reset: bool, trace: bool, baudrate: int, as_json: bool) -> int:
    """Hold the device at URL to every rule of the protocol (firmware_protocol/SPEC.md), and name each that it breaks.

    URL: a port's name, socket://host:port, ble://ADDRESS. FILE: bytes of a device, as they came over the line. It takes
    about half a minute. No other program may use the device at the same time. Status 0: no rule
    is broken; 3: none but rules that a device SHOULD keep; 1: one that it MUST keep, or the check did not end.
    """
    from logger.conformance.check import recorded
    from logger.conformance.protocol_rules import RULES
    from logger.conformance.trace import FrameTrace

    shown = FrameTrace()

    def show(raw: bytes) -> None:
        if trace:
            click.echo(shown.line(None, False, raw))

    if Path(target).is_file():
        observer, step = recorded([Path(target).read_bytes()], show), "recorded bytes"
        finished = observer.counts["good"] > 0
    else:
        checked = asyncio.run(_live(target, baudrate, close_outputs, reset, trace))
        observer, step, finished = checked.observer, checked.step, checked.done
    if as_json:
        click.echo(json.dumps(_data(observer, step, finished), indent=1))
    else:
        _say(observer, step, finished)
    if not finished or any(RULES[rule].must for rule in observer.faults):
        return 1
    return ONLY_SHOULD if observer.faults else 0


async def _live(url: str, baudrate: int, close_outputs: bool, reset: bool, trace: bool) -> "ConformanceCheck":
    """Raises LinkLost when the device cannot be reached, or goes away unless it is being reset."""
    from logger.conformance.check import ConformanceCheck
    from logger.conformance.trace import FrameTrace

    begun_ns, shown = time.monotonic_ns(), FrameTrace()

    def show(from_host: bool, raw: bytes) -> None:
        click.echo(shown.line((time.monotonic_ns() - begun_ns) / NS_PER_S, from_host, raw))

    made = ConformanceCheck(
        close_outputs=close_outputs, ask_reset=_ask_reset if reset else None, trace=show if trace else None
    )
    await _until_done(made, url, baudrate)
    return made


def _ask_reset() -> None:
    click.echo(ASK_RESET, err=True)


async def _until_done(made: "ConformanceCheck", url: str, baudrate: int) -> None:
    """A port that goes away with the device's supply, when that was asked for, is opened again."""
    from logger.link.errors import LinkLost
    from logger.link.opening import open_stream

    until_ns = time.monotonic_ns() + MAX_S * NS_PER_S
    while not made.done and time.monotonic_ns() < until_ns + made.waits_s * NS_PER_S:
        try:
            link = await open_stream(url, baudrate)
            try:
                await _drive(made, link, until_ns)
            finally:
                await link.close()
        except LinkLost:
            if not made.being_reset:
                raise
            made.link_lost()
            made.passed(time.monotonic_ns())
            await asyncio.sleep(REOPEN_S)


async def _drive(made: "ConformanceCheck", link: Any, until_ns: float) -> None:
    reading = asyncio.ensure_future(link.read())
    try:
        while not made.done and time.monotonic_ns() < until_ns + made.waits_s * NS_PER_S:
            made.passed(time.monotonic_ns())
            if out := made.to_send():
                await link.write(out)
            wait_s = TICK_S
            while (await asyncio.wait({reading}, timeout=wait_s))[
                0
            ]:  # all that came, before time is said to have passed
                data, at_ns = reading.result()
                made.data(data, at_ns)
                reading, wait_s = asyncio.ensure_future(link.read()), 0.001
                if out := made.to_send():
                    await link.write(out)
    finally:
        reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)


def _say(observer: "Observer", step: str, finished: bool) -> None:
    from logger.conformance.check_report import fault_lines, note_lines, summary

    for fault in observer.faults.values():
        click.echo("\n".join(fault_lines(fault)) + "\n")
    for line in note_lines(observer):
        click.echo(line)
    click.echo(summary(observer, step, finished))


def _data(observer: "Observer", step: str, finished: bool) -> dict[str, Any]:
    from logger.conformance.protocol_rules import RULES

    return {
        "finished": finished,
        "step": step,
        "frames": observer.counts["good"],
        "notes": list(observer.notes),
        "faults": [
            {
                "rule": fault.rule,
                "section": RULES[fault.rule].section,
                "must": RULES[fault.rule].must,
                "words": RULES[fault.rule].words,
                "found": fault.found,
                "times": fault.times,
                "payload": fault.payload.hex(),
                "at": fault.at,
            }
            for fault in observer.faults.values()
        ],
    }
