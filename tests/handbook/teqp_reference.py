"""Bubble and dew points of blends by teqp: its own flash code on its own copy of the mixture models.

teqp's bundled pair file gives six HFC pairs as (xi, zeta); its model builder reads only (beta, gamma), so they are
converted first with the pure fluids' reducing points (Lemmon and Jacobsen 2004 give the relation).
"""

import json
import math
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import teqp

from logger.refrigerant import Refrigerant, find
from logger.refrigerant.primed import CP, component_key

# Models with which CoolProp and teqp describe the same pair alike; R-1234yf's and R-1234ze(E)'s pairs were fitted
# anew (Bell 2022, 2023) since teqp's file (Akasaka 2013, Bell 2016), so there two models are compared.
SAME_MODELS = frozenset({"Lemmon-JPCRD-2004", "Bell-JCED-2016", "Kunz-JCED-2012"})


@cache
def _fluids() -> Mapping[str, tuple[str, Any]]:
    """CAS number -> (file, contents) of teqp's bundled pure fluids."""
    found = {}
    for path in Path(teqp.get_datapath(), "dev", "fluids").glob("*.json"):
        fluid = json.loads(path.read_text())
        found[fluid["INFO"]["CAS"]] = (str(path), fluid)
    return found


@cache
def _pairs() -> tuple[str, Mapping[frozenset[str], str]]:
    """(path of the converted pair file, pair of CAS numbers -> citation key of its model)."""
    states = {cas: fluid["EOS"][0]["STATES"]["reducing"] for cas, (_, fluid) in _fluids().items()}
    pairs = json.loads(Path(teqp.get_datapath(), "dev", "mixtures", "mixture_binary_pairs.json").read_text())
    converted, sources = [], {}
    for pair in pairs:
        first, second = states.get(pair["CAS1"]), states.get(pair["CAS2"])
        if "xi" in pair:
            if first is None or second is None:
                continue
            v1, v2 = 1 / first["rhomolar"], 1 / second["rhomolar"]
            pair["betaT"] = pair["betaV"] = 1.0
            pair["gammaT"] = 0.5 * (first["T"] + second["T"] + pair.pop("xi")) / math.sqrt(first["T"] * second["T"])
            pair["gammaV"] = 4 * (v1 + v2 + pair.pop("zeta")) / (v1 ** (1 / 3) + v2 ** (1 / 3)) ** 3
        converted.append(pair)
        sources[frozenset((pair["CAS1"], pair["CAS2"]))] = pair.get("BibTeX", "")
    with tempfile.NamedTemporaryFile("w", suffix=".json", delete=False) as file:
        json.dump(converted, file)
    return file.name, sources


def _cas(component: str) -> str:
    return str(CP.get_fluid_param_string(component_key(component), "CAS"))


def covered(refrigerant: Refrigerant) -> bool:
    """Whether teqp has every fluid and every pair of this blend."""
    numbers = [_cas(component) for component in refrigerant.composition]
    return (
        not refrigerant.pure
        and all(number in _fluids() for number in numbers)
        and all(frozenset(pair) in _pairs()[1] for pair in combinations(numbers, 2))
    )


def same_model(refrigerant: Refrigerant) -> bool:
    """Whether teqp's pairs have the same source as CoolProp's, so that only the solvers differ."""
    numbers = [_cas(component) for component in refrigerant.composition]
    theirs = {_pairs()[1][frozenset(pair)] for pair in combinations(numbers, 2)}
    return theirs <= SAME_MODELS and set(refrigerant.models) <= SAME_MODELS and theirs == set(refrigerant.models)


def _settle(model: Any, temperature_k: float, pressure_pa: float, fractions: Any, density: float) -> float:
    """Molar density at which this phase has the pressure, by Newton from a guess: a liquid needs it close."""
    for _ in range(20):
        energy = model.get_R(fractions) * temperature_k
        first = model.get_Ar01(temperature_k, density, fractions)
        second = model.get_Ar02(temperature_k, density, fractions)
        step = (energy * density * (1 + first) - pressure_pa) / (energy * (1 + 2 * first + second))
        density = density - step if abs(step) < 0.2 * density else density - math.copysign(0.2 * density, step)
        if abs(step) < 1e-10 * density:
            break
    return density


def _fugacities(model: Any, temperature_k: float, densities: Any) -> Any:
    """Pa, by component, of a phase with these molar densities."""
    total = densities.sum()
    fractions = densities / total
    pressure = total * model.get_R(fractions) * temperature_k * (1 + model.get_Ar01(temperature_k, total, fractions))
    return model.get_fugacity_coefficients(temperature_k, densities) * fractions * pressure


@dataclass(frozen=True)
class TeqpBlend:
    """Saturation temperatures of one blend by teqp's own Newton iteration."""

    name: str

    @cached_property
    def _setup(self) -> tuple[Any, Any, float, list[Any]]:
        refrigerant = find(self.name)
        fluids = [_fluids()[_cas(component)] for component in refrigerant.composition]
        model = teqp.build_multifluid_model([path for path, _ in fluids], teqp.get_datapath(), _pairs()[0])
        molar = np.array([fluid["EOS"][0]["molar_mass"] for _, fluid in fluids])
        moles = np.array(list(refrigerant.composition.values())) / molar
        fractions = moles / moles.sum()
        return model, fractions, float(fractions @ molar), [fluid["EOS"][0] for _, fluid in fluids]

    def temperatures(self, pressures_pa: Sequence[float], quality: int) -> list[float | None]:
        """K at the bubble (0) or dew (1) points; None where teqp does not converge, or finds a dew point below its own
        bubble point (a second, unphysical root of strongly non-ideal blends).

        The table gives only the first guess of temperature and densities. The other phase's composition starts from
        Wilson's K-values half-way up and is carried from each pressure to the next, down and then up.
        """
        found = self._walk(pressures_pa, quality)
        if quality == 1:
            bubbles = self._walk(pressures_pa, 0)
            for pressure_pa, dew in found.items():
                bubble = bubbles[pressure_pa]
                if dew is not None and bubble is not None and dew < bubble - 1e-3:
                    found[pressure_pa] = None
        return [found[pressure_pa] for pressure_pa in pressures_pa]

    def _walk(self, pressures_pa: Sequence[float], quality: int) -> dict[float, float | None]:
        found: dict[float, float | None] = {}
        middle = 0.4 * find(self.name).critical_pressure_pa
        below = sorted((p for p in pressures_pa if p <= middle), reverse=True)
        above = sorted(p for p in pressures_pa if p > middle)
        for walk in (below, above):
            ratio = None
            for pressure_pa in walk:
                found[pressure_pa], ratio = self._solve(pressure_pa, quality, ratio)
        return found

    def _solve(self, pressure_pa: float, quality: int, ratio: Any) -> tuple[float | None, Any]:
        model, fractions, molar_mass, equations = self._setup
        refrigerant = find(self.name)
        guess_k = (refrigerant.bubble_temperature if quality == 0 else refrigerant.dew_temperature)(pressure_pa)
        if ratio is None:
            reducing = [equation["STATES"]["reducing"] for equation in equations]
            k_values = np.array([
                state["p"] / pressure_pa * math.exp(5.373 * (1 + equation["acentric"]) * (1 - state["T"] / guess_k))
                for state, equation in zip(reducing, equations, strict=True)
            ])  # fmt: skip
            ratio = k_values if quality == 0 else 1 / k_values
        other = fractions * ratio
        other = other / other.sum()
        liquid = refrigerant.liquid_density(refrigerant.bubble_temperature(pressure_pa)) / molar_mass
        vapour = refrigerant.vapour_density(refrigerant.dew_temperature(pressure_pa)) / molar_mass
        bulk, incipient = (liquid, vapour) if quality == 0 else (vapour, liquid)
        bulk = _settle(model, guess_k, pressure_pa, fractions, bulk)
        for _ in range(4):  # teqp's Newton wants the incipient phase close: a few steps of successive substitution
            incipient = _settle(model, guess_k, pressure_pa, other, incipient)
            inside = model.get_fugacity_coefficients(guess_k, bulk * fractions)
            other = fractions * inside / model.get_fugacity_coefficients(guess_k, incipient * other)
            other /= other.sum()
        _, kelvin, one, two = model.mixture_VLE_px(pressure_pa, fractions, guess_k, bulk * fractions, incipient * other)
        if not np.isfinite(kelvin) or abs(one.sum() / two.sum() - 1) < 1e-3 or abs(kelvin - guess_k) > 20:
            return None, ratio
        x, y = one / one.sum(), two / two.sum()
        if not np.allclose(_fugacities(model, kelvin, one), _fugacities(model, kelvin, two), rtol=1e-5, atol=0):
            return None, ratio
        return float(kelvin), y / x
