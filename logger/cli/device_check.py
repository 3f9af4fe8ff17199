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
MAX_S = 300.0
OUTPUTS = "Also close the first output: disconnect first what it switches."


@click.group()
def device() -> None:
    """For makers of devices."""


@device.command(short_help="Hold a device to every rule.")
@click.argument("target", metavar="URL_OR_FILE")
@click.option("--outputs", "close_outputs", is_flag=True, help=OUTPUTS)
@click.option("--trace", is_flag=True, help="Print every frame on the line, decoded.")
@click.option("--baudrate", type=int, default=115_200, show_default=True, help="Of a serial port.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")
def check(target: str, close_outputs: bool, trace: bool, baudrate: int, as_json: bool) -> int:
    """Hold the device at URL to every rule of the protocol (firmware_protocol/SPEC.md), and name each that it breaks.

    URL: a port's name, socket://host:port, ble://ADDRESS. FILE: bytes of a device, as they came over the line. It takes
    about half a minute. No other program may use the device at the same time. Status 0: no rule is broken.
    """
    from logger.conformance.check import recorded
    from logger.conformance.check_report import trace_line

    def show(raw: bytes) -> None:
        if trace:
            click.echo(trace_line(None, False, raw))

    if Path(target).is_file():
        observer, step, finished = recorded([Path(target).read_bytes()], show), "recorded bytes", True
    else:
        checked = asyncio.run(_live(target, baudrate, close_outputs, trace))
        observer, step, finished = checked.observer, checked.step, checked.done
    if as_json:
        click.echo(json.dumps(_data(observer, step, finished), indent=1))
    else:
        _say(observer, step, finished)
    return 1 if observer.faults or not finished else 0


async def _live(url: str, baudrate: int, close_outputs: bool, trace: bool) -> "ConformanceCheck":
    """Raises LinkLost when the device cannot be reached or goes away."""
    from logger.conformance.check import ConformanceCheck
    from logger.conformance.check_report import trace_line
    from logger.link.opening import open_stream

    begun_ns = time.monotonic_ns()

    def show(from_host: bool, raw: bytes) -> None:
        click.echo(trace_line((time.monotonic_ns() - begun_ns) / NS_PER_S, from_host, raw))

    made = ConformanceCheck(close_outputs=close_outputs, trace=show if trace else None)
    link = await open_stream(url, baudrate)
    try:
        async with asyncio.timeout(MAX_S):
            await _drive(made, link)
    finally:
        await link.close()
    return made


async def _drive(made: "ConformanceCheck", link: Any) -> None:
    reading = asyncio.ensure_future(link.read())
    try:
        while not made.done:
            made.passed(time.monotonic_ns())
            if out := made.to_send():
                await link.write(out)
            done, _ = await asyncio.wait({reading}, timeout=TICK_S)
            if done:
                data, at_ns = reading.result()
                made.data(data, at_ns)
                reading = asyncio.ensure_future(link.read())
    finally:
        reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)


def _say(observer: "Observer", step: str, finished: bool) -> None:
    from logger.conformance.check_report import fault_lines, summary

    for fault in observer.faults.values():
        click.echo("\n".join(fault_lines(fault)) + "\n")
    click.echo(summary(observer, step, finished))


def _data(observer: "Observer", step: str, finished: bool) -> dict[str, Any]:
    from logger.conformance.protocol_rules import RULES

    return {
        "finished": finished,
        "step": step,
        "frames": observer.counts["good"],
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
