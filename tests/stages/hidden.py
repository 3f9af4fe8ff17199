"""Each thing that is said of a leak that could hide, for the golden words of two stages. Invented figures."""

from logger.model.finding import Finding
from logger.model.value import known, unknown
from logger.physics.leak_flow import air_into_vacuum, service_gas
from logger.stages.hidden_leak import ClosedSystem, hidden_leak

GAS = service_gas("R-404A", 0.0976, 1.2e6)


def hidden_said(key: str) -> tuple[Finding, ...]:
    smallest, largest = known(2.1e-4, "Pa/s"), known(3.3e-4, "Pa/s")

    def said(volume_m3: float | None, gas: bool = True, charge_kg: float | None = None) -> Finding:
        tested = ClosedSystem(volume_m3, GAS if gas else None, charge_kg, 98e3)
        return hidden_leak(key, smallest, largest, air_into_vacuum(98e3), tested).finding

    no_rate = unknown("Pa/s", "isolated for less than the five minutes that a rise is judged by")
    unjudged = hidden_leak(key, no_rate, no_rate, air_into_vacuum(98e3), ClosedSystem(0.08, GAS, 40.0, 98e3)).finding
    return (
        unjudged,
        said(None),
        said(0.08, gas=False),
        said(0.08),
        said(0.08, charge_kg=140.0),
        said(0.08, charge_kg=14.0),
    )
