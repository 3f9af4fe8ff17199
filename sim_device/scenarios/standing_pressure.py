"""Standing pressure test with nitrogen."""

from dataclasses import replace

from sim_device.physics.gas import Leak
from sim_device.scenario import Scenario, Step
from sim_device.scenarios.steps import HOUR, begin, end

_NITROGEN_STEPS = (begin("pressure-test"), Step("fill_nitrogen", {"to_pa": 2.2e6}, wait_s=10), end(8 * HOUR))
_NITROGEN = Scenario(
    "nitrogen",
    "Nitrogen at 21 bar over a cooling evening, tight",
    start="nitrogen",
    nitrogen_pa=1.2e5,
    charge_kg=0.0,
    ambient_c=20.0,
    ambient_swing_c=6.0,
    ambient_start_h=16.0,
    circuit={"metal_j_k": 4e4, "ambient_ua_w_k": 20.0},
    timeline=_NITROGEN_STEPS,
    duration_s=8.2 * HOUR,
    facts={"tight": True},
)
STANDING_PRESSURE = (
    _NITROGEN,
    replace(
        _NITROGEN,
        name="nitrogen_leak",
        title="Nitrogen at 21 bar over a cooling evening, leaking",
        leak=Leak(5e-4),
        facts={"tight": False, "leak_pa_m3_s": 5e-4},
    ),
)
