"""What a scenario is made of: sizes, starting state, faults and the operator's time line. Pure data.

All scenarios are invented. Temperatures here are in Celsius for reading; everything computed is SI.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sim_device.physics.gas import Hose, Leak

Settings = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Step:
    """One act of the operator, some time after the one before it.

    do, kw: as for `Plant.do`. wait_s: at the earliest after the step before. until: (watched name, ">=" or "<=",
    value) must hold as well; at_most_s: but not waited for longer than this after wait_s.
    """

    do: str
    kw: Settings = field(default_factory=dict)
    wait_s: float = 0.0
    until: tuple[str, str, float] | None = None
    at_most_s: float = 24 * 3600.0


@dataclass(frozen=True, slots=True)
class CylinderSpec:
    """contents_kg of refrigerant at contents_c; air_bar: air in its vapour space, as partial pressure at 25 C."""

    name: str
    tare_kg: float
    water_capacity_kg: float
    contents_kg: float = 0.1  # what an emptied cylinder still holds as vapour
    contents_c: float | None = None  # None: as ambient
    air_bar: float = 0.0
    sun_w: float = 0.0
    service_pressure_psi: float = 400.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """charge_kg is what is in the circuit at the start (oil_kg of it held by the oil); full_charge_kg the plate.

    start: "charged", "evacuated" (at vacuum_pa of air) or "nitrogen" (at nitrogen_pa).
    circuit, machine, pump, chiller, scale, gauge: settings over the defaults of the physics classes.
    facts: known truth a test of an analysis may be held to.
    """

    name: str
    title: str
    refrigerant: str = "R-407C"
    full_charge_kg: float = 20.0
    charge_kg: float = 20.0
    oil_kg: float = 0.0
    volume_m3: float = 0.05
    start: str = "charged"
    vacuum_pa: float = 2000.0
    nitrogen_pa: float = 1.0e6
    ambient_c: float = 22.0
    ambient_swing_c: float = 0.0
    ambient_start_h: float = 9.0  # clock time of the start, for the day's swing
    circuit_c: float | None = None  # None: as ambient
    barometer_pa: float = 101325.0
    water_kg: float = 0.0
    leak: Leak = field(default_factory=Leak)
    hose: Hose | None = field(default_factory=lambda: Hose(0.016, 1.5))
    cylinders: tuple[CylinderSpec, ...] = (CylinderSpec("cylinder 1", 12.5, 21.6),)
    circuit: Settings = field(default_factory=dict)
    machine: Settings = field(default_factory=dict)
    pump: Settings = field(default_factory=dict)
    water: Settings = field(default_factory=dict)
    oil: Settings = field(default_factory=dict)
    walls: Settings = field(default_factory=dict)
    chiller: Settings = field(default_factory=dict)
    scale: Settings = field(default_factory=dict)
    gauge: Settings = field(default_factory=dict)
    gauge_at_pump: bool = False
    charging_hose: float = 2.5e-6
    scale_unit: str = "[lb_av]"  # UCUM
    scale_exponent: int = -1  # it steps by 10**exponent of its unit
    timeline: tuple[Step, ...] = ()
    duration_s: float = 3600.0
    facts: Settings = field(default_factory=dict)
