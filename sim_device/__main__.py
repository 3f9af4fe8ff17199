"""`python -m sim_device`: a simulated rig on real links."""

import argparse
import asyncio
import contextlib
import logging
import os
import signal
import sys
import threading
from pathlib import Path

from sim_device.control import Control, serve_control
from sim_device.errors import SimError
from sim_device.faults import FaultRates
from sim_device.rig import Rig, rig_toml
from sim_device.scenarios import SCENARIOS
from sim_device.serve import RigServer
from sim_device.sim_clock import SimClock


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m sim_device",
        description="Simulated measuring devices with a plant behind them, over TCP, pseudo-terminals or Bluetooth. "
        "All scenarios are invented.",
    )
    parser.add_argument("scenario", nargs="?", default="brewery", help="name of a scenario (see --list)")
    parser.add_argument("--list", action="store_true", help="list the scenarios and what is true of them, and stop")
    parser.add_argument("--seed", type=int, default=0, help="same seed, same bytes (default 0)")
    parser.add_argument("--speed", type=float, default=1.0, help="times real time (default 1)")
    parser.add_argument("--link", choices=("tcp", "pty"), default="tcp", help="how hosts connect (default tcp)")
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default 127.0.0.1)")
    parser.add_argument("--port", type=int, default=0, help="TCP port of the first device; the others follow")
    parser.add_argument(
        "--ble", action="append", metavar="TRANSPORT",
        help='serve over Bluetooth LE on the radio that bumble names so, such as "usb:0" (repeat it: one a device)',
    )  # fmt: skip
    parser.add_argument("--device", action="append", metavar="NAME", help="serve only this device (repeatable)")
    parser.add_argument("--rig-toml", type=Path, metavar="FILE", help="write a rig file for the logger here")
    parser.add_argument("--control-port", type=int, metavar="PORT", help="JSON lines to steer it, on 127.0.0.1; 0: any")
    parser.add_argument("--no-autopilot", action="store_true", help="do not follow the scenario's own time line")
    parser.add_argument(
        "--hold", action="store_true", help='the time line waits for {"begin": true} or {"go_on": true}, see control.py'
    )
    parser.add_argument("--relay", action="store_true", help="the scale's relay switches the recovery machine")
    parser.add_argument("--until-end", action="store_true", help="stop when the scenario's time is over")
    parser.add_argument("--exit-with-parent", action="store_true", help="stop when standard input ends")
    for rate in ("dropped", "flipped", "inserted"):
        parser.add_argument(
            f"--{rate}", type=float, default=0.0, metavar="RATE", help=f"share of bytes {rate} (0 to 1)"
        )
    return parser


def _list() -> None:
    for scenario in SCENARIOS.values():
        facts = ", ".join(f"{key} {value}" for key, value in scenario.facts.items())
        print(f"{scenario.name:20} {scenario.title}\n{'':20} {scenario.duration_s / 3600:.1f} h; {facts}")


async def _serve(args: argparse.Namespace) -> int:
    only = tuple(args.device) if args.device else None
    rig = Rig(args.scenario, args.seed, autopilot=not args.no_autopilot, hold=args.hold, relay=args.relay, only=only)
    rates = FaultRates(args.dropped, args.flipped, args.inserted)
    for line in rig.to_host.values():
        line.rates = rates
    clock = SimClock(args.speed)
    link = "ble" if args.ble else args.link
    async with RigServer(rig, clock, link, args.host, args.port, args.ble or ()) as served:
        print(f"Invented scenario: {rig.plant.scenario.title}; seed {args.seed}, {args.speed:g} times real time")
        for name, url in served.urls.items():
            print(f"{name}: {url}")
        if args.rig_toml:
            # By radio a device is found by its id: its address has another form on every system.
            urls = dict.fromkeys(served.urls, "ble://") if args.ble else served.urls
            args.rig_toml.write_text(rig_toml(urls, rig.plant.scenario, args.seed), encoding="utf-8")
            print(f"rig file: {args.rig_toml}")
        control = None
        if args.control_port is not None:
            control = await serve_control(Control(rig, clock), args.control_port)
            print(f"control: 127.0.0.1:{control.sockets[0].getsockname()[1]}")
        sys.stdout.flush()
        stop = asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            # Windows has no handlers in the loop: Ctrl-C arrives as KeyboardInterrupt there
            with contextlib.suppress(NotImplementedError):
                asyncio.get_running_loop().add_signal_handler(number, stop.set)
        if args.exit_with_parent:
            _stop_with_input(stop)
        while not stop.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), 0.2)
            if served.failed is not None:
                print(f"stopped: {served.failed}", file=sys.stderr)
                return 1
            if args.until_end and rig.plant.t_s >= rig.plant.scenario.duration_s:
                break
        if control is not None:
            control.close()
    return 0


def _stop_with_input(stop: asyncio.Event) -> None:
    """A thread waits for the pipe's end, as Windows' loop cannot."""
    loop = asyncio.get_running_loop()

    def wait() -> None:
        with contextlib.suppress(OSError):
            while os.read(0, 4096):
                pass
        with contextlib.suppress(RuntimeError):  # the loop has ended before
            loop.call_soon_threadsafe(stop.set)

    threading.Thread(target=wait, name="standard input", daemon=True).start()


def main(argv: list[str] | None = None) -> int:
    """Serve until stopped; 0 when all went well, 2 for a setting that makes no sense."""
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    args = _parser().parse_args(argv)
    if args.list:
        _list()
        return 0
    try:
        return asyncio.run(_serve(args))
    except KeyboardInterrupt:
        return 0
    except (SimError, OSError) as exc:
        print(f"python -m sim_device: {exc}", file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
