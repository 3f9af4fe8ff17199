"""The shipped saturation table and the refrigerants in it.

Read with nothing but the standard library: neither CoolProp nor numpy is imported. The descriptions are read once;
a refrigerant's nodes become splines the first time one of its numbers is asked for.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from functools import cache, cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Any

from logger.refrigerant.errors import RefrigerantError
from logger.refrigerant.names import key_of
from logger.refrigerant.spline import DensityCurve, SaturationCurve

FORMAT = 2
TABLE_PATH = Path(__file__).with_name("saturation.jsonl")


class Refrigerant:
    """Saturation properties of one refrigerant. SI: absolute Pa, K, kg/m3. Every method raises OutOfRange.

    name: "R-410A". composition: component -> mass fraction. tier: "reference" (pure fluid, or every pair of the
    blend has a model fitted with a departure function), "predictive" (some pair has reducing parameters only) or
    "estimated" (some pair is a guess: say so wherever a number shows). models: citation keys of CoolProp's models.
    molar_mass: kg/mol. normal_bubble_k, normal_dew_k: at 101.325 kPa, None where the table does not reach it.
    critical point: of the blend's envelope. safety_class, pressure_class: see compositions.py and pressure_class.py.
    low_pa, high_pa: range of both curves; bubble_range_k (also of liquid density), dew_range_k (vapour density).
    """

    def __init__(self, description: Mapping[str, Any], nodes: str | bytes | Mapping[str, Any], coolprop: str) -> None:
        self.name: str = description["name"]
        self.composition: Mapping[str, float] = MappingProxyType(dict(description["composition"]))
        self.tier: str = description["tier"]
        self.models: tuple[str, ...] = tuple(description["models"])
        self.molar_mass: float = description["molar_mass"]
        self.critical_temperature_k: float = description["critical_temperature_k"]
        self.critical_pressure_pa: float = description["critical_pressure_pa"]
        self.safety_class: str = description["safety_class"]
        self.safety_source: str = description["safety_source"]
        self.pressure_class: str = description["pressure_class"]
        self.normal_bubble_k: float | None = description["normal_bubble_k"]
        self.normal_dew_k: float | None = description["normal_dew_k"]
        self.low_pa: float = description["low_pa"]
        self.high_pa: float = description["high_pa"]
        self.bubble_range_k: tuple[float, float] = tuple(description["bubble_k"])
        self.dew_range_k: tuple[float, float] = tuple(description["dew_k"])
        self.coolprop_version = coolprop
        self._anchor_k: float = description["density_anchor_k"]
        self._source = nodes
        self._description = dict(description)

    def __repr__(self) -> str:
        return f"Refrigerant({self.name!r})"

    def record(self) -> dict[str, Any]:
        """All of it as plain data; `from_record` gives it back, with no CoolProp."""
        return {"description": self._description, "nodes": dict(self._nodes), "coolprop": self.coolprop_version}

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> "Refrigerant":
        """Raises RefrigerantError when it is not such a record."""
        try:
            return cls(record["description"], record["nodes"], record["coolprop"])
        except (KeyError, TypeError, ValueError) as exc:
            raise RefrigerantError(f"not a refrigerant's record ({exc})") from exc

    @property
    def pure(self) -> bool:
        return len(self.composition) == 1

    @property
    def estimated(self) -> bool:
        """True where every number must be marked as estimated."""
        return self.tier == "estimated"

    @property
    def label(self) -> str:
        """The name, with the tier where the numbers are less sure than the best: "R-438A (estimated)"."""
        return self.name if self.tier == "reference" else f"{self.name} ({self.tier})"

    @property
    def glide_k(self) -> float:
        """Dew minus bubble temperature at 101.325 kPa, or at the lowest pressure of the table where that is higher."""
        return self.glide(max(101325.0, self.low_pa))

    def glide(self, pressure_pa: float) -> float:
        """Dew minus bubble temperature at a pressure, K; 0 for a pure fluid."""
        return self.dew_temperature(pressure_pa) - self.bubble_temperature(pressure_pa)

    def bubble_temperature(self, pressure_pa: float) -> float:
        return self._bubble.temperature(pressure_pa)

    def dew_temperature(self, pressure_pa: float) -> float:
        return self._dew.temperature(pressure_pa)

    def bubble_pressure(self, temperature_k: float) -> float:
        return self._bubble.pressure(temperature_k)

    def dew_pressure(self, temperature_k: float) -> float:
        return self._dew.pressure(temperature_k)

    def liquid_density(self, temperature_k: float) -> float:
        """Liquid at its bubble point."""
        return self._liquid.density(temperature_k)

    def vapour_density(self, temperature_k: float) -> float:
        """Vapour at its dew point."""
        return self._vapour.density(temperature_k)

    def liquid_full_temperature(self, density: float) -> float:
        """K at which the liquid has this density (kg/m3): a rigid vessel holding it is then full of liquid."""
        return self._liquid.temperature_of_liquid(density)

    @cached_property
    def _nodes(self) -> Mapping[str, Any]:
        nodes = self._source if isinstance(self._source, Mapping) else json.loads(self._source)
        return dict(nodes)

    @cached_property
    def _bubble(self) -> SaturationCurve:
        return SaturationCurve(self.name, "bubble point", self.low_pa, self.high_pa, self._nodes["bubble"])

    @cached_property
    def _dew(self) -> SaturationCurve:
        if self._nodes["dew"] is None:
            return self._bubble
        return SaturationCurve(self.name, "dew point", self.low_pa, self.high_pa, self._nodes["dew"])

    @cached_property
    def _liquid(self) -> DensityCurve:
        return DensityCurve(self.name, "liquid density", *self.bubble_range_k, self._anchor_k, self._nodes["liquid"])

    @cached_property
    def _vapour(self) -> DensityCurve:
        return DensityCurve(self.name, "vapor density", *self.dew_range_k, self._anchor_k, self._nodes["vapour"])


class SaturationTable:
    """Refrigerants of a table file, by name. Nothing is added to it: a user's own blends lie over it (catalogue.py)."""

    def __init__(self, refrigerants: Iterable[Refrigerant]) -> None:
        self._by_key = {key_of(refrigerant.name): refrigerant for refrigerant in refrigerants}

    @classmethod
    def read(cls, path: Path) -> "SaturationTable":
        """Raises RefrigerantError when the file is not a table of this format."""
        try:
            lines = path.read_bytes().splitlines()
            head = json.loads(lines[0])
            if head["format"] != FORMAT:
                raise RefrigerantError(f"{path.name}: table format {head['format']}, this version reads {FORMAT}")
            described = head["refrigerants"]
            found = [Refrigerant(d, nodes, head["coolprop"]) for d, nodes in zip(described, lines[1:], strict=True)]
        except (OSError, KeyError, IndexError, TypeError, ValueError) as exc:
            if isinstance(exc, RefrigerantError):
                raise
            raise RefrigerantError(f"{path.name}: not a saturation table ({exc})") from exc
        return cls(found)

    def get(self, name: str) -> Refrigerant | None:
        """By any usual form of the name."""
        return self._by_key.get(key_of(name))

    def __iter__(self) -> Iterator[Refrigerant]:
        return iter(self._by_key.values())


@cache
def shipped() -> SaturationTable:
    """The table that comes with the program; read at the first call."""
    return SaturationTable.read(TABLE_PATH)
