"""Each thing that is said of a cylinder (tests/words.py). Invented figures."""

from dataclasses import replace
from datetime import date

from logger.cylinder.checks import filled, non_condensables, one_refrigerant, requalification, suitability
from logger.cylinder.markings import unlikely
from logger.model.cylinder import Cylinder, MonthOnly
from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.units import POUND_KG, PSI_PA
from logger.model.value import Statement, Value, known, name_of, number, unknown, word
from logger.refrigerant import Refrigerant, find

TODAY = date(2025, 9, 18)
CYLINDER = Cylinder("R-7", tare_kg=12.9, water_capacity_kg=23.4)
R134A, R404A, R22, R744, R407C = (find(name) for name in ("R-134a", "R-404A", "R-22", "R-744", "R-407C"))
AT_K = 294.4


def marked(service_psi: float | None, *inside: Refrigerant) -> Finding:
    service_pa = None if service_psi is None else service_psi * PSI_PA
    return suitability(replace(CYLINDER, service_pressure_pa=service_pa), inside)


def short_table() -> Finding:
    """Of a blend of one's own whose table ends before 131 °F."""
    whole = marked(400.0, R404A)
    ends = (word("short", "table_ends"), name_of("short_of", "SHOP-4"),
            number("ends_at", Quantity.TEMPERATURE, known(319.0, "K")))  # fmt: skip
    return Finding(whole.key, Verdict.CANNOT_TELL, (*whole.inputs[:-1], *ends, word("judged", "not_reached")))


def un(test_bar: float, *inside: Refrigerant) -> Finding:
    return suitability(replace(CYLINDER, test_pressure_pa=test_bar * 1e5), inside)


def un_short() -> Finding:
    whole = un(42.0, R404A)
    ends = (word("short", "table_ends"), name_of("short_of", "SHOP-4"),
            number("ends_at", Quantity.TEMPERATURE, known(319.0, "K")))  # fmt: skip
    return Finding(whole.key, Verdict.CANNOT_TELL, (*whole.inputs[:-1], *ends, word("judged", "not_reached")))


def entered(*names: str, of: Refrigerant = R404A) -> Finding:
    return one_refrigerant(replace(CYLINDER, refrigerant=names[0] if names else None, candidates=names[1:]), of)


def tested(day: date | None) -> Finding:
    return requalification(replace(CYLINDER, tested=day), TODAY)


def air(
    over: float, inside: tuple[Refrigerant, ...] = (R134A,), *, settled: bool | None = True, u_pa: float | None = 600.0,
    kelvin: float = AT_K, fill: Value | None = None, again: float | None = None,
) -> Finding:  # fmt: skip
    """over: pressure as a multiple of the bubble pressure at 70 °F. again: likewise, 18 K warmer."""
    warmer = None
    if again is not None:
        warmer = known(again * inside[0].bubble_pressure(AT_K + 18), "Pa", u_pa), known(AT_K + 18, "K", 0.06)
    pressure = known(over * (inside or (R134A,))[0].bubble_pressure(AT_K), "Pa", u_pa)
    return non_condensables(pressure, known(kelvin, "K", 0.06), inside, settled=settled, fill=fill, other=warmer)


def slip(tare_lb: float, water_lb: float, service_psi: float | None) -> Statement:
    """Why such a cylinder is refused."""
    service_pa = None if service_psi is None else service_psi * PSI_PA
    found = unlikely(Cylinder("R-7", tare_lb * POUND_KG, water_lb * POUND_KG, service_pa))
    assert found is not None
    return found.why


SAID = (
    *(
        filled(room, known(17.2, "kg"))
        for room in (
            known(4.13, "kg", 0.06),
            known(0.07, "kg", 0.06),
            known(-0.94, "kg", 0.06),
            unknown("kg", "no tare"),
        )
    ),
    marked(260.0),
    marked(None, R22),
    marked(None, R744),
    marked(240.0, R404A),
    marked(1800.0, R744),
    marked(1500.0, R744),
    marked(1800.0, find("R-23")),
    un(42.0),
    un(30.0, find("R-410A")),
    un(35.0, find("R-32")),
    un(42.0, R404A),
    un_short(),
    un(30.0, find("R-125")),
    marked(None, find("R-23")),
    short_table(),
    marked(400.0, R404A),
    entered("R-404A"),
    entered("R-22"),
    entered("R-22", "R-407C"),
    entered(of=find("R-454B")),
    tested(None),
    tested(date(2026, 3, 1)),
    tested(date(2019, 5, 14)),
    tested(date(2023, 5, 14)),
    tested(MonthOnly(2023, 5, 1)),
    non_condensables(unknown("Pa", "gauge silent for 40 s"), known(AT_K, "K", 0.1), (R134A,), settled=True),
    air(1.1, (R134A, R22)),
    air(1.1, u_pa=None),
    air(1.1, fill=known(0.0, "1")),
    air(1.1, kelvin=420.0),
    air(1.1, settled=False),
    air(1.1, settled=None),
    air(0.86),
    air(1.16),
    air(1.16, again=1.10),
    air(1.16, again=1.16),
    air(1.16, again=1.13, u_pa=9000.0),
    air(1.0),
    air(1.0, (R407C,)),
    air(1.0, (R407C,), fill=known(0.12, "1")),
    air(1.01, u_pa=9000.0),
    *(slip(tare, water, None) for tare, water in ((27.5, 104.9), (27.5, 476.0), (27.5, 291.0), (60.6, 47.6))),
    *(slip(27.5, 47.6, psi) for psi in (5800.0, 58.0, 28.0, 696.0)),
)
