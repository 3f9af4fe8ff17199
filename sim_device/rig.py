"""A whole simulated rig: one plant, its devices, a line with faults for each, and the relay wired to the machine."""

import hashlib

from sim_device.boards import boards
from sim_device.device import Device
from sim_device.errors import SimError
from sim_device.faults import FaultyLine
from sim_device.plant import Plant
from sim_device.scenario import Scenario


class UnknownDevice(SimError):
    """The rig has no device of that name."""


class Rig:
    """devices: by name ("recovery board", "scale", "vacuum board", "machine board"). to_host: their lines.

    relay: the scale's relay carries the recovery machine's supply, so that it stops when the relay opens.
    autopilot, hold: as for Plant. only: names of the devices to have; None for all.
    """

    def __init__(
        self,
        scenario: Scenario | str = "brewery",
        seed: int = 0,
        *,
        autopilot: bool = True,
        hold: bool = False,
        relay: bool = False,
        only: tuple[str, ...] | None = None,
    ) -> None:
        self.plant = Plant(scenario, seed, autopilot, hold)
        specs = {b.name: b for b in boards(self.plant.scenario)}
        unknown = [name for name in only or () if name not in specs]
        if unknown:
            raise UnknownDevice(f"no device {unknown[0]!r}; known: {', '.join(specs)}")
        self.devices = {
            name: Device(board, self._sense, device_id(name, seed), seed)
            for name, board in specs.items()
            if only is None or name in only
        }
        self.to_host = {name: FaultyLine(f"{name}/{seed}/out") for name in self.devices}
        self.from_host = {name: FaultyLine(f"{name}/{seed}/in") for name in self.devices}
        self.relay = relay
        self._relay_closed = False

    def _sense(self, point: str, t_s: float) -> float:
        self.plant.advance_to(t_s)
        return self.plant.read(point, t_s)

    def device(self, name: str) -> Device:
        """Raises UnknownDevice."""
        found = self.devices.get(name)
        if found is None:
            raise UnknownDevice(f"no device {name!r}; known: {', '.join(self.devices)}")
        return found

    def step(self, name: str, data: bytes, now_s: float, linked: bool = True) -> bytes:
        """Move the plant and one device on to now_s; bytes for its host, faults of the line applied."""
        device = self.device(name)
        self.plant.advance_to(now_s)
        sent = device.step(self.from_host[name].pass_on(data, now_s), now_s, linked)
        if self.relay and name == "scale":
            self._wire_relay(device)
        return self.to_host[name].pass_on(sent, now_s) if linked else b""

    def station(self, name: str) -> "Station":
        """One device as the servers take it."""
        self.device(name)
        return Station(self, name)

    def _wire_relay(self, scale: Device) -> None:
        closed = scale.outputs[0].closed
        if self._relay_closed and not closed and self.plant.machine.running:
            self.plant.do("stop_recovery")
        self._relay_closed = closed


class Station:
    """A device of the rig with the interface of `Device`: `step` and `connected`, through its faulty lines."""

    def __init__(self, rig: Rig, name: str) -> None:
        self._rig, self._name = rig, name

    def step(self, data: bytes, now_s: float, linked: bool = True) -> bytes:
        return self._rig.step(self._name, data, now_s, linked)

    def connected(self) -> bytes:
        return self._rig.to_host[self._name].connected() + self._rig.device(self._name).connected()


def device_id(name: str, seed: int) -> bytes:
    """8 bytes, another for every device name and seed."""
    return hashlib.sha256(f"rimelog simulated {name}/{seed}".encode()).digest()[:8]


def rig_toml(urls: dict[str, str], scenario: Scenario | str = "brewery", seed: int = 0, name: str = "") -> str:
    """A rig file for the logger: every channel of the devices in `urls` at its measuring point.

    urls: device name to what the logger opens ("socket://127.0.0.1:5001", "/dev/pts/3").
    """
    from sim_device.scenarios import scenario as scenario_by_name

    if isinstance(scenario, str):
        scenario = scenario_by_name(scenario)
    lines = ["[rig]", f'name = "{name or "Simulated rig (invented): " + scenario.name}"']
    for board in boards(scenario):
        if board.name not in urls:
            continue
        lines += ["", "[[device]]", f'name = "{board.name}"', f'url = "{urls[board.name]}"']
        lines.append(f'id = "{device_id(board.name, seed).hex()}"')
        for i, channel in enumerate(board.channels):
            lines += ["", "  [[device.channel]]", f"  index = {i}", f'  point = "{channel.point}"']
    return "\n".join(lines) + "\n"
