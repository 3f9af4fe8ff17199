"""CoolProp, used the one way that is right for blends. Only the table's script, a
user's own blends and the enthalpies of a start-up's end import this.

Plain mixture saturation of CoolProp 8 fails in bands at ordinary condensing temperatures and now and then returns
a wrong root without an error. Building the phase envelope before the first update (`build_phase_envelope`) gives
every later flash a good first guess and removes nearly all of it; what is left is caught by `build.py`, which
refuses a curve that is not smooth and rising.
"""

from collections.abc import Mapping
from functools import cached_property
from itertools import combinations
from typing import Any

import CoolProp.CoolProp

# Pair models with a fitted departure function: they reproduce measured mixtures about as well as the pure fluids'
# equations. Pairs of other sources have only reducing parameters (fitted to few data, or estimated).
DEPARTURE_MODELS = frozenset({"Lemmon-JPCRD-2004", "Bell-JPCRD-2022", "Bell-JPCRD-2023", "McLinden-NISTIR-8570"})


CP: Any = CoolProp.CoolProp  # its type stubs disagree with what it does

_guessed: set[frozenset[str]] = set()  # pairs that this process gave CoolProp by the linear mixing rule


def version() -> str:
    return str(CP.get_global_param_string("version"))


def component_key(name: str) -> str:
    """CoolProp's name of a component: "R600a" for "R-600a"."""
    key = name.replace("-", "")
    return {"R1224yd(Z)": "R1224YDZ"}.get(key, key)


def equation(name: str) -> str:
    """Citation key of the pure fluid's equation of state."""
    return str(CP.get_BibTeXKey(component_key(name), "EOS"))


def molar_mass(name: str) -> float:
    """kg/mol."""
    return float(CP.PropsSI("M", component_key(name)))


def pair_model(first: str, second: str) -> str | None:
    """Citation key of the pair's mixture model, None when CoolProp has no model of that pair."""
    if frozenset((first, second)) in _guessed:
        return None
    cas = [CP.get_fluid_param_string(component_key(name), "CAS") for name in (first, second)]
    for order in (cas, cas[::-1]):
        try:
            return str(CP.get_mixture_binary_pair_data(*order, "BibTeX"))
        except ValueError:
            continue
    return None


def missing_pairs(components: Mapping[str, float]) -> list[tuple[str, str]]:
    return [pair for pair in combinations(components, 2) if pair_model(*pair) is None]


def tier_of(components: Mapping[str, float]) -> tuple[str, tuple[str, ...]]:
    """(tier, models behind it).

    reference: a pure fluid, or every pair has a departure function. predictive: some pair has reducing parameters
    only. estimated: some pair is unknown to CoolProp and is guessed by linear mixing of the critical points.
    """
    if len(components) == 1:
        return "reference", (equation(next(iter(components))),)
    found = [pair_model(*pair) for pair in combinations(components, 2)]
    models = tuple(sorted({model or "linear mixing rule" for model in found}))
    if None in found:
        return "estimated", models
    return ("reference" if set(models) <= DEPARTURE_MODELS else "predictive"), models


class PrimedState:
    """Saturation of one composition. Shapes: scalars. SI: absolute Pa, K, kg/m3.

    components: name -> mass fraction; fractions are normalised. Pairs that CoolProp lacks are set to its linear
    mixing rule for the rest of the process: read `tier_of` first.
    """

    def __init__(self, components: Mapping[str, float]) -> None:
        for pair in missing_pairs(components):
            if frozenset(pair) not in _guessed:
                cas = [CP.get_fluid_param_string(component_key(name), "CAS") for name in pair]
                CP.apply_simple_mixing_rule(*cas, "linear")
                _guessed.add(frozenset(pair))
        self._state = CP.AbstractState("HEOS", "&".join(component_key(name) for name in components))
        self.pure = len(components) == 1
        self._components = len(components)
        if self.pure:
            return
        total = sum(components.values())
        self._state.set_mass_fractions([fraction / total for fraction in components.values()])
        self._state.build_phase_envelope("none")

    @cached_property
    def critical(self) -> tuple[float, float]:
        """(K, Pa). T_critical() fails on blends: take the stable one of CoolProp's critical points that lies on the
        envelope; with five components or more the search takes too long, and the envelope itself must do (0.1 K).
        """
        if self.pure:
            return float(self._state.T_critical()), float(self._state.p_critical())
        envelope = self._state.get_phase_envelope_data()
        gap = [liquid - vapour for liquid, vapour in zip(envelope.rhomolar_liq, envelope.rhomolar_vap, strict=True)]
        crossing = next(i for i in range(1, len(gap)) if gap[i] * gap[i - 1] <= 0)
        share = gap[crossing - 1] / (gap[crossing - 1] - gap[crossing])
        on_envelope = [
            float(line[crossing - 1] + share * (line[crossing] - line[crossing - 1]))
            for line in (envelope.T, envelope.p)
        ]
        if self._components >= 5:
            return on_envelope[0], on_envelope[1]
        try:
            candidates = [(p.T, p.p) for p in self._state.all_critical_points() if p.stable and p.p > 0]
        except ValueError:
            candidates = []
        near = [c for c in candidates if abs(c[0] - on_envelope[0]) < 0.5]
        if near:
            return float(near[0][0]), float(near[0][1])
        return on_envelope[0], on_envelope[1]

    def triple_pressure(self) -> float:
        """Lowest saturation pressure the equation covers, Pa (pure fluids only)."""
        self._state.update(CP.QT_INPUTS, 0, max(self._state.Ttriple(), self._state.Tmin()) + 0.01)
        return float(self._state.p())

    def temperature(self, pressure_pa: float, quality: int) -> float:
        """K at the bubble (quality 0) or dew (1) point. ValueError when CoolProp finds none."""
        self._state.update(CP.PQ_INPUTS, float(pressure_pa), quality)
        return float(self._state.T())

    def pressure(self, temperature_k: float, quality: int) -> float:
        """Absolute Pa at the bubble (quality 0) or dew (1) point. ValueError when CoolProp finds none."""
        self._state.update(CP.QT_INPUTS, quality, float(temperature_k))
        return float(self._state.p())

    def density(self, temperature_k: float, quality: int) -> float:
        """kg/m3 of the liquid at its bubble point (quality 0) or the vapour at its dew point (1)."""
        self._state.update(CP.QT_INPUTS, quality, float(temperature_k))
        return float(self._state.rhomass())

    def part_vapour(self, temperature_k: float, quality: float) -> tuple[float, float]:
        """(absolute Pa, kg/m3 of the whole) of a vessel with this share of its amount (mol) as vapour."""
        self._state.update(CP.QT_INPUTS, quality, float(temperature_k))
        return float(self._state.p()), float(self._state.rhomass())

    def density_at(self, pressure_pa: float, quality: int) -> float:
        """kg/m3 at the bubble (0) or dew (1) point of a pressure; the fallback where `density` finds none."""
        self._state.update(CP.PQ_INPUTS, float(pressure_pa), quality)
        return float(self._state.rhomass())

    def single_phase(self, pressure_pa: float, temperature_k: float, liquid: bool) -> tuple[float, float, float]:
        """(J/kg, J/(kg K), kg/m3) where there is one phase: its enthalpy and entropy (of CoolProp's own zero), density.

        Above the critical pressure liquid says nothing. ValueError when CoolProp finds none.
        """
        if pressure_pa >= self.critical[1]:
            self._state.unspecify_phase()
        else:
            self._state.specify_phase(CP.iphase_liquid if liquid else CP.iphase_gas)
        try:
            self._state.update(CP.PT_INPUTS, float(pressure_pa), float(temperature_k))
            return float(self._state.hmass()), float(self._state.smass()), float(self._state.rhomass())
        finally:
            self._state.unspecify_phase()
