"""Steering a served rig from another process: one JSON object a line, one answer a line.

    {"do": "isolate"}                                   {"do": "fill_nitrogen", "kw": {"to_pa": 2e6}}
    {"truth": true}    {"done": 0}    {"now": true}    {"speed": 60}     {"devices": true}
    {"begin": true}     a held time line begins and is held no more
    {"go_on": true}     it goes on to the next stage change, and is held there again
    {"fault": "reboot", "device": "scale", "kw": {"down_s": 2}}

Answers {"ok": ...} or {"error": "..."}. For tests and demonstrations on one's own machine: no authentication, so it
listens on the loopback address only.
"""

import asyncio
import inspect
import json
from collections.abc import Callable
from typing import Any

from sim_device.errors import BadSetting, SimError
from sim_device.faults import FaultRates
from sim_device.rig import Rig
from sim_device.sim_clock import SimClock

_MAX_LINE = 16_384


class Control:
    """answer(request) -> answer; also the way to set faults by name from Python: `fault(name, device, **kw)`."""

    def __init__(self, rig: Rig, clock: SimClock) -> None:
        self.rig, self.clock = rig, clock

    def answer(self, line: bytes) -> dict[str, Any]:
        try:
            request = json.loads(line)
            if not isinstance(request, dict):
                raise BadSetting("a request is a JSON object")
            return {"ok": self._carry_out(request)}
        except json.JSONDecodeError as exc:
            return {"error": f"not JSON: {exc}"}
        except SimError as exc:
            return {"error": str(exc)}

    def _carry_out(self, request: dict[str, Any]) -> Any:
        kw = request.get("kw", {})
        if not isinstance(kw, dict):
            raise BadSetting("kw is a JSON object")
        match request:
            case {"do": str(action)}:
                self.rig.plant.do(action, **kw)
                return True
            case {"fault": str(name), "device": str(device)}:
                self.fault(name, device, **kw)
                return True
            case {"begin": True}:
                self.rig.plant.begin_timeline()
                return True
            case {"go_on": True}:
                self.rig.plant.go_on()
                return True
            case {"truth": True}:
                return self.rig.plant.truth()
            case {"done": int(first)}:
                return [[d.t_s, d.action, d.kw] for d in self.rig.plant.done[max(0, first) :]]
            case {"now": True}:
                return self.clock.now_s
            case {"devices": True}:
                return {n: [s.spec.point for s in d.sensors] for n, d in self.rig.devices.items()}
            case {"speed": int() | float() as speed}:
                self.clock.speed = speed
                return True
        raise BadSetting("a request has one of: do, fault with device, begin, go_on, truth, done, now, devices, speed")

    def fault(self, fault: str, device: str, **kw: Any) -> None:
        """Set one of FAULTS on a device or its line. Raises SimError for a name or setting that does not fit."""
        handler = FAULTS.get(fault)
        if handler is None:
            raise BadSetting(f"fault {fault!r} is not known; known: {', '.join(sorted(FAULTS))}")
        self.rig.device(device)
        try:
            inspect.signature(handler).bind(self, device, **kw)
        except TypeError as exc:
            raise BadSetting(f"fault {fault!r}: {exc}") from exc
        handler(self, device, **kw)

    def _reboot(self, device: str, down_s: float = 1.0, watchdog: bool = False) -> None:
        self.rig.device(device).reboot(down_s, watchdog)

    def _drift(self, device: str, ppm: float = 200.0) -> None:
        self.rig.device(device).set_drift(ppm)

    def _wire(self, device: str, channel: int = 0, state: str = "open") -> None:
        self._sensor(device, channel).wire = state

    def _error(self, device: str, channel: int = 0, value: float = 0.0) -> None:
        self._sensor(device, channel).extra_error = value

    def _sensor(self, device: str, channel: int) -> Any:
        sensors = self.rig.device(device).sensors
        if not 0 <= channel < len(sensors):
            raise BadSetting(f"{device} has channels 0 to {len(sensors) - 1}, not {channel}")
        return sensors[channel]

    def _silence(self, device: str, for_s: float = 10.0) -> None:
        self.rig.to_host[device].silence(self.clock.now_s + for_s)

    def _cut(self, device: str, after_bytes: int = 20) -> None:
        self.rig.to_host[device].cut_after(after_bytes)

    def _chatter(self, device: str, for_s: float = 5.0, bytes_s: float = 50_000.0) -> None:
        self.rig.to_host[device].chatter(self.clock.now_s + for_s, bytes_s)

    def _garbage(self, device: str) -> None:
        self.rig.to_host[device].greet_with_garbage()

    def _rates(self, device: str, dropped: float = 0.0, flipped: float = 0.0, inserted: float = 0.0) -> None:
        self.rig.to_host[device].rates = FaultRates(dropped, flipped, inserted)

    def _mend(self, device: str) -> None:
        """Line and wires whole again; clock as it is."""
        line = self.rig.to_host[device]
        line.mend()
        line.rates, line.garbage_at_connect = FaultRates(), b""
        for sensor in self.rig.device(device).sensors:
            sensor.wire, sensor.extra_error = "", 0.0


FAULTS: dict[str, Callable[..., None]] = {
    "reboot": Control._reboot,
    "drift": Control._drift,
    "wire": Control._wire,
    "error": Control._error,
    "silence": Control._silence,
    "cut": Control._cut,
    "chatter": Control._chatter,
    "garbage": Control._garbage,
    "rates": Control._rates,
    "mend": Control._mend,
}


async def serve_control(control: Control, port: int = 0) -> asyncio.Server:
    """Listen on 127.0.0.1; the port is in `server.sockets`."""

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while line := await reader.readline():
                writer.write(json.dumps(control.answer(line)).encode() + b"\n")
                await writer.drain()
        except (ConnectionError, ValueError):  # gone, or a line longer than the limit
            pass
        except asyncio.CancelledError:  # the rig ends; asyncio's streams before 3.12 log a cancelled task as an error
            pass
        finally:
            writer.close()

    return await asyncio.start_server(talk, "127.0.0.1", port, limit=_MAX_LINE)
