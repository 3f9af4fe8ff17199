"""Each thing that is said of a pressure test (tests/words.py). Invented figures."""

from collections.abc import Sequence
from dataclasses import replace

from logger.model.finding import Finding
from logger.model.points import Quantity
from logger.model.units import PSI_PA, STANDARD_ATMOSPHERE_PA
from logger.model.value import Argument, Statement, known, name_of, number, word
from logger.refrigerant import SHIPPED
from logger.stages.acceptance import PRESSURE_PROFILES, PressureProfile
from logger.stages.pressure_test.analysis import IDEAL, NITROGEN, GasLaw, Thermometer, _nothing, _verdict
from logger.stages.pressure_test.definition import alarms
from logger.stages.pressure_test.enough import Enough, enough
from tests.stages.hidden import hidden_said

HOUR = 3600.0
UFGS = PRESSURE_PROFILES["ufgs-15217n"]
OWN = replace(UFGS, key="shop", label="4 h, no more than 1 psi down", source="own", hold_s=4 * HOUR, drop_max_pa=PSI_PA)


R_448A = SHIPPED.find("R-448A")
LOST = (
    number("flow", Quantity.LEAK_RATE, known(0.0183, "Pa.m3/s", 0.0011)),
    number("loss_low", Quantity.MASS_PER_YEAR, known(2.2e-8, "kg/s")),
    number("loss_high", Quantity.MASS_PER_YEAR, known(6.1e-8, "kg/s")),
    name_of("gas", "R-448A"),
)


def stood(
    lost_psi: float,
    u_psi: float,
    profile: PressureProfile | None = UFGS,
    hours: float = 24.0,
    psig: float = 337.0,
    gaps_s: Sequence[float] = (),
    thermometer: Thermometer = Thermometer.GAS,
    law: GasLaw = NITROGEN,
    split_psi: float = 0.0,
    accuracy: bool = True,
    enough: Enough | None = None,
    lost: Sequence[Argument] = (),
    top_psig: float | None = None,
) -> Finding:
    """A test that lost that much, known to that (k=1), while it cooled from 21.4 to 17.9 °C."""
    start_pa = psig * PSI_PA + STANDARD_ATMOSPHERE_PA
    expected_pa = law.expected(start_pa, 294.55, 291.05)
    drop = known(lost_psi * PSI_PA, "Pa", u_psi * PSI_PA)
    smallest = known(3.29 * u_psi * PSI_PA, "Pa")
    inputs = (
        number("start", Quantity.PRESSURE, known(start_pa, "Pa", 0.3 * PSI_PA)),
        number("end", Quantity.PRESSURE, known(expected_pa - lost_psi * PSI_PA, "Pa", 0.3 * PSI_PA)),
        number("expected", Quantity.PRESSURE, known(expected_pa, "Pa", 0.4 * PSI_PA)),
        number("drop", Quantity.PRESSURE_DIFFERENCE, drop),
        number("smallest_drop", Quantity.PRESSURE_DIFFERENCE, smallest),
        number("rate", Quantity.PRESSURE_DIFFERENCE_RATE, known(-lost_psi * PSI_PA / hours / HOUR, "Pa/s", 1e-3)),
        number("temperature_start", Quantity.TEMPERATURE, known(294.55, "K")),
        number("temperature_end", Quantity.TEMPERATURE, known(291.05, "K")),
        number("lasted", Quantity.TIME, known(hours * HOUR, "s")),
        word("law", law.name),
        name_of("law_source", law.source),
        *((number("split", Quantity.PRESSURE_DIFFERENCE, known(split_psi * PSI_PA, "Pa")),) if split_psi else ()),
        *(() if accuracy else (word("accuracy", "not_stated"),)),
        *lost,
        *(() if enough is None else enough.inputs()),
    )
    lost_s = list(gaps_s)
    short = () if enough is None else enough.short(start_pa, 0.02, STANDARD_ATMOSPHERE_PA)
    if top_psig is not None:
        top = known(top_psig * PSI_PA + STANDARD_ATMOSPHERE_PA, "Pa")
        short += (word("doubt", "gauge_top"), number("gauge_top", Quantity.PRESSURE, top))
    gauge_pa = start_pa - STANDARD_ATMOSPHERE_PA
    return _verdict(profile, drop, smallest, gauge_pa, hours * HOUR, lost_s, thermometer, inputs, short)


SAID = (
    *alarms(None, {}),
    stood(0.04, 0.06),
    stood(-0.05, 0.06, law=IDEAL),
    stood(0.4, 0.1, OWN, hours=4.2),
    stood(7.3, 0.2),
    stood(2.6, 0.2, OWN, hours=4.0),
    stood(0.0, 0.06, None),
    stood(0.02, 0.06, hours=23.98 - 18.7),
    stood(0.02, 0.06, hours=23.98),
    stood(0.02, 0.06, gaps_s=(5200.0, 900.0)),
    stood(0.02, 0.06, psig=-3.0),
    stood(0.3, 1.4, psig=62.0, thermometer=Thermometer.AIR),
    stood(0.3, 1.4, split_psi=2.3),
    stood(0.02, 0.06, accuracy=False),
    *hidden_said("standing-pressure.hidden"),
    stood(-1.9, 0.2),
    stood(0.02, 0.06, psig=117.0, enough=enough(146.0 * PSI_PA + STANDARD_ATMOSPHERE_PA, None, R_448A, 1e5)),
    stood(0.02, 0.06, enough=enough(321.0 * PSI_PA + STANDARD_ATMOSPHERE_PA, None, R_448A, 1e5)),
    stood(0.02, 0.06, enough=enough(None, 318.0, R_448A, 1e5)),
    stood(0.02, 0.06, psig=218.0, enough=enough(None, None, R_448A, 1e5)),
    stood(0.02, 0.06, enough=enough(None, None, None, 1e5)),
    stood(0.02, 0.06, psig=500.0, top_psig=500.0),
    stood(7.3, 0.2, lost=LOST),
    stood(7.3, 0.2, lost=LOST[:1]),
    stood(0.21, 0.12),
    stood(0.9, 0.12, OWN, hours=4.0),
    *(
        _nothing(why, lasted_s=lasted_s).verdict
        for why, lasted_s in (
            ("few_readings", 700.0),
            ("too_short", 388.0),
            ("too_short", 599.8),
            ("out_of_range", None),
            ("no_temperature", None),
            ("absolute_zero", None),
            ("temperature_at_ends", None),
        )
    ),
    *(
        Statement(f"pressure-test.{what}", (number("pressure", Quantity.PRESSURE, known(1.95e6, "Pa")),))
        for what in ("nitrogen_in", "settled", "over")
    ),
    Statement("pressure-test.not_measured"),
    Statement("pressure-test.no_pressure", (name_of("why", "no reading for 9 s"),)),
    Statement("pressure-test.to_fill"),
    Statement("pressure-test.to_fill", (number("wanted", Quantity.PRESSURE, known(1.15e6, "Pa")),)),
    Statement("pressure-test.to_settle", (number("left", Quantity.TIME, known(720.0, "s")),)),
    *(
        Statement("pressure-test.to_hold", tuple(number(n, Quantity.TIME, known(s, "s")) for n, s in times))
        for times in ((("lasted", 539.0), ("hold", 2100.0)), (("lasted", 7559.0), ("hold", 86_400.0)))
    ),
)
