"""Named scenarios with known truth. All invented; R-407C unless the title says otherwise.

`scenario(name)` gives one, `SCENARIOS` all of them. `facts` states what a right analysis must find.
"""

from sim_device.errors import UnknownScenario
from sim_device.scenario import Scenario
from sim_device.scenarios.brewery import BREWERY
from sim_device.scenarios.evacuation import EVACUATIONS
from sim_device.scenarios.recovery import RECOVERIES
from sim_device.scenarios.running import CHARGING, START_UPS
from sim_device.scenarios.standing_pressure import STANDING_PRESSURE

SCENARIOS: dict[str, Scenario] = {
    s.name: s for s in (*EVACUATIONS, *STANDING_PRESSURE, *RECOVERIES, CHARGING, *START_UPS, BREWERY)
}


def scenario(name: str) -> Scenario:
    """A scenario by name. Raises UnknownScenario."""
    found = SCENARIOS.get(name)
    if found is None:
        raise UnknownScenario(f"no scenario {name!r}; known: {', '.join(SCENARIOS)}")
    return found
