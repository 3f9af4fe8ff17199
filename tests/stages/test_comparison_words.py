"""What a comparison says of each measure, in both unit systems (comparison_words.txt): read the difference, then
`python -m tests.stages.test_comparison_words`."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.model.points import Quantity
from logger.model.value import Argument, known, number, unknown
from logger.stages import registry
from logger.stages.comparison import Comparing
from logger.stages.comparison_words import said_of_measure
from logger.statistics.ratio import Measure, by_difference, measure
from logger.wording.values import Shown

FILE = Path(__file__).with_suffix(".txt").with_stem("comparison_words")
COMPARED = {one.kind: one.comparing() for one in registry.STAGES if one.comparing is not None}
K, PA = Quantity.TEMPERATURE_DIFFERENCE, Quantity.PRESSURE_DIFFERENCE
HIGH, LOW = (number(n, Quantity.VACUUM, known(p, "Pa")) for n, p in (("high", 8300.0), ("low", 71.0)))
SHARE, MASS = number("share", Quantity.RATIO, known(0.45, "1")), number("mass", Quantity.MASS, known(8.4, "kg"))
MEASURES: dict[str, tuple[Measure, ...]] = {
    "recovery": (
        measure("mean_rate", known(0.011, "kg/s", 2e-4), known(0.0128, "kg/s", 2e-4)),
        measure("time_to", known(940.0, "s", 6.0), known(700.0, "s", 6.0), SHARE),
        measure("time_to", known(940.0, "s", 6.0), known(945.0, "s", 6.0), MASS),
        by_difference("condensing_over_ambient", known(13.0, "K", 0.3), known(8.5, "K", 0.3), K),
        by_difference("condensing_over_ambient", known(13.0, "K", 0.3), known(13.2, "K", 0.3), K),
    ),
    "evacuation": (
        measure("pumping", known(600.0, "s", 9.0), known(2500.0, "s", 9.0), HIGH, LOW),
        measure("pumping", known(600.0, "s", 9.0), unknown("s", "that range was not passed through"), HIGH, LOW),
        measure("pumping_per_liter", known(11.0, "s/L", 0.2), known(14.0, "s/L", 0.2), HIGH, LOW),
        measure("last_pressure", known(61.0, "Pa", 1.0), known(33.0, "Pa", 1.0)),
        measure("pressure_after", known(61.0, "Pa", 1.0), known(93.0, "Pa", 1.0),
                number("after", Quantity.TIME, known(1500.0, "s"))),
        measure("pressure_after_per_liter", known(61.0, "Pa", 1.0), known(93.0, "Pa", 1.0),
                Argument("after", None, known(17.2, "s/L"))),
    ),
    "decay-test": (
        measure("steady_inflow", known(2e-6, "Pa.m3/s", 1e-7), known(9e-5, "Pa.m3/s", 1e-7)),
        measure("steady_rise", known(0.001, "Pa/s", 0.001), known(0.02, "Pa/s", 0.001)),
        measure("rise_in", known(30.0, "Pa", 1.0), known(24.0, "Pa", 1.0),
                number("time", Quantity.TIME, known(1800.0, "s"))),
    ),
    "start-up": (
        by_difference("suction_superheat", known(5.2, "K", 0.2), known(7.9, "K", 0.2), K),
        by_difference("subcooling", known(5.2, "K", 0.2), known(4.1, "K"), K),
        by_difference("discharge_superheat", known(24.0, "K", 0.4), known(21.0, "K", 0.4), K),
        by_difference("condensing_over_ambient", known(14.0, "K", 0.4), unknown("K", "not measured"), K),
        by_difference("approach", known(3.0, "K", 0.2), known(3.1, "K", 0.2), K),
        by_difference("total_superheat", known(11.0, "K", 0.3), known(9.0, "K", 0.3), K),
        by_difference("suction_line_rise", known(5.0, "K", 0.3), known(7.0, "K", 0.3), K),
        by_difference("compression_ratio", known(3.4, "1", 0.03), known(4.0, "1", 0.03), Quantity.COUNT),
        by_difference("liquid_line_drop", known(0.4, "K", 0.2), known(1.9, "K", 0.2), K),
        by_difference("condenser_split", known(5.2, "K", 0.2), known(4.1, "K", 0.2), K),
        by_difference("condenser_approach", known(2.2, "K", 0.2), known(3.9, "K", 0.2), K),
        by_difference("gas_cooler_approach", known(3.2, "K", 0.2), known(5.1, "K", 0.2), K),
        by_difference("freeze_margin", known(6.2, "K", 0.2), known(4.1, "K", 0.2), K),
        by_difference("valve_position", known(0.41, "1", 0.005), known(0.52, "1", 0.005), Quantity.RATIO),
        by_difference("liquid_level", known(0.41, "1", 0.005), known(0.42, "1", 0.005), Quantity.RATIO),
        by_difference("high_side_margin", known(6.1e5, "Pa", 4e3), known(4.3e5, "Pa", 4e3), PA),
    ),
}  # fmt: skip


def lines() -> Iterator[str]:
    for kind, measures in MEASURES.items():
        yield kind
        for one in measures:
            us, si = (said_of_measure(one, COMPARED[kind], Shown(system)) for system in ("us", "si"))
            yield from (f"    us {us}", f"    si {si}") if us != si else (f"    {us}",)


def test_the_words_are_the_golden_ones() -> None:
    assert FILE.read_text(encoding="utf-8").splitlines() == list(lines())


@pytest.mark.parametrize("kind", COMPARED)
def test_every_measure_is_said(kind: str) -> None:
    by: Comparing = COMPARED[kind]
    assert {one.key for one in MEASURES[kind]} == set(by.measures)


if __name__ == "__main__":
    FILE.write_text("\n".join(lines()) + "\n", encoding="utf-8")
