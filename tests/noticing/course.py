"""What a bench of detectors is fed: readings by the second with what really happened, and hands around the scale.

Sensors err as in the trade: a fixed error a channel, noise, digits. Hands, wind and links are drawn at random.
"""

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, field

NOISE = {"pressure": 250.0, "temperature": 0.02, "mass": 0.011, "vacuum": 0.0}
DIGITS = {"pressure": 70.0, "temperature": 0.01, "mass": 0.045, "vacuum": 0.133}
FIXED = {"pressure": 6e3, "temperature": 0.4, "mass": 0.03, "vacuum": 0.5}
VACUUM_TOP_PA = 3333.0
_ROOT_12 = 12**0.5
LAST_KG_S = 2e-4  # of a recovery; less is no flow any more
BOARDS = (
    ("cylinder_mass",),
    ("recovery_inlet_pressure", "recovery_outlet_pressure", "cylinder_pressure", "recovery_inlet_temperature",
     "cylinder_temperature", "ambient_temperature"),
    ("vacuum", "system_pressure", "system_temperature"),
    ("suction_pressure", "suction_temperature", "liquid_pressure", "discharge_pressure", "discharge_temperature"),
)  # fmt: skip


def kind_of(point: str) -> str:
    return point.rsplit("_", 1)[-1]


@dataclass(frozen=True, slots=True)
class Happened:
    """key: of the notice that ought to be given. at: when, s."""

    key: str
    at: float


@dataclass(slots=True)
class Course:
    """seconds: (t, readings by point). happened: the truth. hands: how many things happened that are none."""

    name: str
    refrigerant: str
    digits: Mapping[str, float]
    seconds: list[tuple[int, dict[str, float]]] = field(default_factory=list)
    happened: list[Happened] = field(default_factory=list)
    hands: int = 0

    @property
    def hours(self) -> float:
        return len(self.seconds) / 3600.0


class Instruments:
    """points: of this rig; not every rig has all. noise: of this rig's scale against a usual one."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self.division_kg = rng.choice((0.01, 0.02, 0.045, 0.045, 0.09))
        self._noise = {kind: value * rng.uniform(0.5, 2.0) for kind, value in NOISE.items()}
        self._fixed: dict[str, float] = {}
        self.without = set()
        for point, share in (
            ("recovery_inlet_temperature", 0.2), ("recovery_outlet_pressure", 0.15), ("cylinder_pressure", 0.15),
            ("cylinder_temperature", 0.2), ("discharge_temperature", 0.2), ("system_temperature", 0.1),
        ):  # fmt: skip
            if rng.random() < share:
                self.without.add(point)
        self.wind_kg = rng.choice((0.0, 0.0, 0.0, 0.01, 0.03, 0.06))
        self.wind_s = rng.uniform(3.0, 20.0)
        self._wind = 0.0
        self.gaps: list[tuple[int, float, float]] = []  # board, from, to

    def digits(self) -> dict[str, float]:
        """Standard uncertainty by digits, as the logger has it from the device's description."""
        found = {point: DIGITS[kind_of(point)] / _ROOT_12 for board in BOARDS for point in board}
        return found | {"cylinder_mass": self.division_kg / _ROOT_12}

    def lose_links(self, until_s: float, a_night: float) -> None:
        for board in range(len(BOARDS)):
            for _ in range(int(self._rng.random() * 2 * a_night * until_s / 43200 + 0.5)):
                at = self._rng.uniform(0, until_s)
                self.gaps.append((board, at, at + self._rng.choice((5.0, 15.0, 40.0, 120.0, 600.0))))

    def read(self, t: float, truth: Mapping[str, float]) -> dict[str, float]:
        """Means of a second. truth: SI by point."""
        rng, found = self._rng, dict[str, float]()
        lost = {board for board, begin, end in self.gaps if begin <= t < end}
        memory = math.exp(-1.0 / self.wind_s)
        self._wind = memory * self._wind + math.sqrt(1 - memory**2) * rng.gauss(0.0, self.wind_kg)
        for number, board in enumerate(BOARDS):
            if number in lost:
                continue
            for point in board:
                if point not in truth or point in self.without:
                    continue
                found[point] = self._one(point, truth[point])
                if point == "vacuum" and found[point] > VACUUM_TOP_PA:
                    del found[point]
        return found

    def _one(self, point: str, value: float) -> float:
        kind, rng = kind_of(point), self._rng
        step = self.division_kg if kind == "mass" else DIGITS[kind]
        if point not in self._fixed:
            self._fixed[point] = rng.gauss(0.0, FIXED[kind])
        value += self._fixed[point] + (self._wind if kind == "mass" else 0.0)
        if kind == "vacuum":
            value = max(value, 0.1) * (1.0 + self._fixed[point] / 50.0)
            noise = 0.003 * value + 0.07
        else:
            noise = self._noise[kind]
        draws = 3
        return sum(round((value + rng.gauss(0.0, noise)) / step) * step for _ in range(draws)) / draws


class Hands:
    """What disturbs a scale and is no event: each adds to what the platform feels.

    busy: times when none is made, because something that counts happens there.
    """

    def __init__(self, rng: random.Random, until_s: float, a_night: float, drift_kg: float = 0.0) -> None:
        self._rng, self._acts, self._day_s = rng, list[tuple[float, float, str, float]](), 86400.0
        self._drift_kg, self._phase = drift_kg, rng.uniform(0, 6.28)
        self._moved = 0.0
        for _ in range(round(a_night * until_s / 43200)):
            what = rng.choice(("lean", "lean", "knock", "tug", "hose", "lift", "toolbag", "foot"))
            begin = rng.uniform(120, max(130.0, until_s - 300))
            size, lasted = {
                "lean": (rng.uniform(1, 30), rng.uniform(2, 40)),
                "knock": (rng.uniform(-6, 6), 12.0),
                "tug": (rng.uniform(-1.5, 1.5), rng.uniform(3, 60)),
                "hose": (rng.uniform(-0.4, 0.4), 1e9),
                "lift": (0.0, rng.uniform(8, 60)),
                "toolbag": (rng.uniform(3, 12), rng.uniform(30, 900)),
                "foot": (rng.uniform(20, 85), rng.uniform(2, 9)),
            }[what]
            self._acts.append((begin, begin + lasted, what, size))
        self.count = len(self._acts)

    def spare(self, times: list[tuple[float, float]]) -> None:
        """No lift while what is measured is somebody else's lift."""
        self._acts = [a for a in self._acts if not any(begin < a[1] and a[0] < end for begin, end in times)]
        self.count = len(self._acts)

    def felt(self, t: float, gross_kg: float) -> float:
        """What the platform feels, kg."""
        load = gross_kg + self._drift_kg * math.sin(2 * math.pi * t / self._day_s + self._phase)
        if any(what == "lift" and begin <= t < end for begin, end, what, _ in self._acts):
            load -= gross_kg
        for begin, end, what, size in self._acts:
            if not begin <= t < end:
                continue
            ramp = min(1.0, (t - begin) / 1.5, (end - t) / 1.5)
            match what:
                case "lift":
                    pass
                case "knock":
                    load += size * math.exp(-(t - begin) / 2.0) * math.cos(5.0 * (t - begin))
                case "lean" | "foot":
                    load += size * ramp * (1.0 + self._rng.gauss(0.0, 0.08))
                case "tug":
                    load += size * ramp
                case _:
                    load += size
        return load
