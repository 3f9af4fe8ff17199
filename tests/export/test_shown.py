"""Numbers as people read them."""

import pytest

from logger.export.shown import Shown, duration
from logger.model.points import Quantity
from logger.model.units import MICRON_PA
from logger.model.value import Value, known, unknown

US, SI = Shown("us"), Shown("si")


@pytest.mark.parametrize(
    ("value", "us", "si"),
    [
        (known(45.359237, "kg", 0.05), "100.0 lb (45.36 kg) ± 0.22 lb (k = 2)",
         "45.36 kg (100.0 lb) ± 0.10 kg (k = 2)"),
        (known(500 * MICRON_PA, "Pa", 10 * MICRON_PA), "500 micron (66.7 Pa) ± 20 micron (k = 2)",
         "66.7 Pa (500 micron) ± 2.7 Pa (k = 2)"),
        (known(300.0, "K", 0.25), "80.3 °F (26.9 °C) ± 0.90 °F (k = 2)", "26.9 °C (80.3 °F) ± 0.50 K (k = 2)"),
        (known(5.0, "K"), "9.0 °F (5.0 K)", "5.0 K (9.0 °F)"),
        (known(689475.7293168, "Pa"), "100.0 psi (6.89 bar)", "6.89 bar (100.0 psi)"),
        (known(0.25, "1", 0.01), "0.25 ± 0.02 (k = 2)", "0.25 ± 0.02 (k = 2)"),
        (known(2.0, "h-1"), "2 h-1", "2 h-1"),
        (unknown("Pa", "no gauge"), "unknown: no gauge", "unknown: no gauge"),
        (known(1.0, "kg", None, "as entered"), "2.2 lb (1.00 kg); as entered", "1.00 kg (2.2 lb); as entered"),
    ],
)  # fmt: skip
def test_inputs_of_findings(value: Value, us: str, si: str) -> None:
    assert US.input(value) == us
    assert SI.input(value) == si


def test_gauge_pressures_refer_to_the_jobs_ambient() -> None:
    assert Shown("us", 80_000.0).one(known(80_000.0, "Pa"), Quantity.PRESSURE) == "0.0 psig"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.4, "0 s"), (59.6, "1 min 00 s"), (3599.4, "59 min 59 s"), (3600, "1 h 00 min"), (45_000, "12 h 30 min")],
)
def test_duration(seconds: float, text: str) -> None:
    assert duration(seconds) == text


@pytest.mark.parametrize(("offset", "zone"), [(0, "UTC"), (-6 * 3600, "UTC-06:00"), (20_700, "UTC+05:45")])
def test_zone(offset: int, zone: str) -> None:
    assert Shown(utc_offset_s=offset).zone == zone
