"""Saturation properties of one refrigerant, tabled in memory so that a plant step costs microseconds.

The tables of what the scenarios use lie beside this file, made by `python -m sim_device.physics.fluid`: CoolProp's
import alone costs seconds. It fills the table of any other refrigerant. Blends keep their composition: a vessel's
pressure lies between dew and bubble by how much of its contents is liquid.
"""

import json
import math
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from sim_device.errors import BadSetting

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
_STEP_K = 0.5
_MIN_K = 190.0
_TOP = 0.97  # of the critical temperature
_TABLES = Path(__file__).parent
TABLED = ("R-134a", "R-407C")


class Saturation(NamedTuple):
    """At one temperature. Pressures Pa, densities kg/m3, internal energies and enthalpies J/kg.

    stiffness_pa: isothermal bulk modulus of the saturated liquid: what a liquid-full vessel feels.
    """

    bubble_pa: float
    dew_pa: float
    liquid_density: float
    vapour_density: float
    liquid_energy: float
    vapour_energy: float
    liquid_enthalpy: float
    vapour_enthalpy: float
    stiffness_pa: float


class Fluid:
    """at(t_k) gives a `Saturation`; beyond the table the last slope goes on, so that a plant never stops.

    The table runs from 190 K to 0.97 of the critical temperature; physics beyond it are a guess.
    """

    def __init__(self, name: str, molar_mass: float, critical_k: float, rows: Sequence[Sequence[float]]) -> None:
        self.name = name
        self.molar_mass = molar_mass  # kg/mol
        self.critical_k = critical_k
        self.rows = rows
        self._last = len(rows) - 2

    def at(self, t_k: float) -> Saturation:
        # past the critical point nothing here has a meaning: stand there
        x = (min(t_k, self.critical_k) - _MIN_K) / _STEP_K
        i = min(max(int(x), 0), self._last)
        w = x - i
        v = 1.0 - w
        a, b = self.rows[i], self.rows[i + 1]
        return Saturation(
            a[0] * v + b[0] * w, a[1] * v + b[1] * w, a[2] * v + b[2] * w, a[3] * v + b[3] * w, a[4] * v + b[4] * w,
            a[5] * v + b[5] * w, a[6] * v + b[6] * w, a[7] * v + b[7] * w, a[8] * v + b[8] * w,
        )  # fmt: skip

    def dew_k(self, pressure_pa: float) -> float:
        """Dew temperature at a pressure, within the table."""
        return self._temperature(pressure_pa, 1)

    def bubble_k(self, pressure_pa: float) -> float:
        """Bubble temperature at a pressure, within the table."""
        return self._temperature(pressure_pa, 0)

    def _temperature(self, pressure_pa: float, column: int) -> float:
        rows = self.rows
        low, high = 0, len(rows) - 1
        if pressure_pa <= rows[low][column]:
            return _MIN_K
        if pressure_pa >= rows[high][column]:
            return _MIN_K + high * _STEP_K
        while high - low > 1:
            middle = (low + high) // 2
            if rows[middle][column] > pressure_pa:
                high = middle
            else:
                low = middle
        a, b = rows[low][column], rows[high][column]
        # ln p is nearly straight against T over one step
        return _MIN_K + _STEP_K * (low + math.log(pressure_pa / a) / math.log(b / a))


@lru_cache(maxsize=8)
def fluid(name: str) -> Fluid:
    """The table of a refrigerant by its ASHRAE 34 name, such as "R-407C". Raises BadSetting when unknown."""
    if name not in TABLED:
        return made(name)
    return Fluid(name, **json.loads((_TABLES / f"{name}.json").read_text("utf-8")))


def made(name: str) -> Fluid:
    """The same by CoolProp, anew.

    Mixture calls fail near ordinary condensing temperatures unless the phase envelope is built first, so it is.
    """
    import CoolProp.CoolProp as coolprop

    key = name.upper().replace("-", "").replace(" ", "")
    state: Any = None
    # a blend first: without `.mix` CoolProp takes a pseudo-pure fit, which has no glide
    for candidate in (f"{key}.mix", key):
        try:
            state = coolprop.AbstractState("HEOS", candidate)
        except ValueError:
            continue
        break
    if state is None:
        raise BadSetting(f"refrigerant {name!r} is not known to CoolProp; try R-407C, R-134a, R-410A, R-22 ...")
    if len(state.fluid_names()) > 1:
        state.build_phase_envelope("none")
        envelope = state.get_phase_envelope_data()
        critical_k = max(zip(envelope.p, envelope.T, strict=True))[1]
    else:
        critical_k = state.T_critical()
    rows: list[tuple[float, ...]] = []
    t_k = _MIN_K
    while t_k <= _TOP * critical_k:
        state.update(coolprop.QT_INPUTS, 0.0, t_k)
        bubble, rho_l, u_l, h_l = state.p(), state.rhomass(), state.umass(), state.hmass()
        stiffness = 1.0 / state.isothermal_compressibility()
        state.update(coolprop.QT_INPUTS, 1.0, t_k)
        rows.append((bubble, state.p(), rho_l, state.rhomass(), u_l, state.umass(), h_l, state.hmass(), stiffness))
        t_k += _STEP_K
    return Fluid(name, state.molar_mass(), critical_k, rows)


if __name__ == "__main__":
    for _name in TABLED:
        _one = made(_name)
        _lines = ",\n  ".join(map(json.dumps, _one.rows))
        _head = f'{{"molar_mass": {_one.molar_mass}, "critical_k": {_one.critical_k}, "rows": [\n  '
        (_TABLES / f"{_name}.json").write_text(f"{_head}{_lines}\n]}}\n", "utf-8")
