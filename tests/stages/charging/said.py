"""Each thing that is said of charging (tests/words.py). Invented figures."""

from collections.abc import Sequence
from datetime import date

from logger.model.finding import Finding
from logger.model.points import Quantity
from logger.model.value import Statement, Value, known, name_of, number, unknown, word
from logger.refrigerant import Refrigerant, find
from logger.scale.ledger import Leg, MassLedger
from logger.stages.charging.analysis import _full_charge_finding, _mass_finding, _target_finding
from logger.stages.charging.definition import alarms
from logger.stages.leak_law.leak_rate import Appliance
from logger.stages.leak_law.leak_record import EarlierJob, leak_rate_finding, leak_record

DAY = date(2026, 9, 18)
FULL_KG = 62.0
R404A = find("R-404A")
NO_GWP = Refrigerant.from_record(R404A.record())
NO_GWP.composition = {"R-999": 1.0}
NO_SCALE = unknown("kg", "no settled reading of the scale yet")
LEDGER = MassLedger(0.01, legs=(Leg("S-1", 41.2, 12.6, 30.0), Leg("S-2", 43.9, 26.35, 1900.0)))
BUMPED = MassLedger(0.01, legs=(Leg("S-1", 41.2, 40.6, 3.0), Leg("", 40.9, 40.3, 60.0)), steps=((0.3, 0.02),))


def kg(mass_kg: float) -> Value:
    return known(mass_kg, "kg", 0.03)


def leak(
    charged_kg: float | None, recovered_kg: Sequence[float] = (), jobs: Sequence[EarlierJob] = (),
    full_kg: float | None = FULL_KG, kind: str = "commercial", first_charge: bool = False,
    purpose: str = "", complete: bool = True, named: bool = True, method: str = "annualizing",
    of: Refrigerant | None = R404A, regime: str = "us", day: date = DAY,
) -> Finding:  # fmt: skip
    kept = leak_record(jobs, full_kg, complete) if named else None
    charged = kg(charged_kg) if charged_kg is not None else NO_SCALE
    return leak_rate_finding(
        [charged], [kg(one) for one in recovered_kg], kept, appliance=Appliance(of, full_kg, kind, regime), on=day,
        method=method, first_charge=first_charge, purpose=purpose,
    )  # fmt: skip


def job(year: int, month: int, added_kg: float | None) -> EarlierJob:
    return EarlierJob(f"visit {year}", date(year + 1, month, 4), added_kg)


FASTEST = number("fastest", Quantity.MASS_RATE, known(0.0121, "kg/s"))
LEFT = [number(name, Quantity.TIME, known(s, "s")) for name, s in (("soonest", 8.0), ("latest", 31.0))]

SAID = (
    *alarms(None, {}),
    Statement("charging.scale_silent", (name_of("why", "no reading for 9 s"),)),
    Statement("charging.settling"),
    Statement("charging.close_now"),
    Statement("charging.target_met"),
    Statement("charging.over_target", (number("over", Quantity.MASS, known(0.41, "kg", 0.02)),)),
    Statement("charging.top_up", (number("short", Quantity.MASS, known(0.62, "kg", 0.02)), FASTEST)),
    Statement("charging.wait"),
    Statement("charging.slow_down", (FASTEST,)),
    Statement("charging.close_in", tuple(LEFT)),
    Statement("charging.unknown", (name_of("why", "no reading for 9 s"),)),
    Statement("charging.to_charge", (number("short", Quantity.MASS, known(5.6, "kg", 0.02)),)),
    Statement("charging.none_yet"),
    _mass_finding(kg(46.15), known(0.0312, "kg/s", 0.0004), 3120.0, LEDGER),
    _mass_finding(kg(46.15), known(0.0312, "kg/s", 0.0004), 3120.0, LEDGER, 0.34),
    *_target_finding(known(0.52, "kg", 0.03), 0.5, 0.01),
    *_full_charge_finding(known(0.52, "kg", 0.03), 0.5, 0.0),
    _mass_finding(kg(1.2), known(0.0, "kg/s"), 84.0, BUMPED),
    _mass_finding(NO_SCALE, known(0.0, "kg/s"), 40.0, MassLedger(0.01)),
    *(found for charged in (46.15, 46.4, 45.7) for found in _target_finding(kg(charged), 46.15, 0.01)),
    *(found for before in (None, 15.9, 17.2, 14.1) for found in _full_charge_finding(kg(46.15), FULL_KG, before)),
    *_full_charge_finding(kg(46.15), FULL_KG, None, target_kg=46.15),
    leak(7.4, (), (job(2025, 2, 3.1), job(2024, 12, 1.9))),
    leak(13.2, (), (job(2025, 2, 3.1),), method="rolling"),
    leak(12.401, (), (job(2024, 3, 4.0),)),
    leak(51.0, (46.2,), (job(2025, 6, 1.0),), kind="industrial"),
    leak(2.6, (), (job(2024, 3, 4.0), job(2025, 5, -53.0))),
    leak(14.9, (), (job(2024, 3, 4.0), job(2025, 5, -13.0)), kind="comfort-cooling"),
    leak(81.0, (), (job(2025, 2, 3.1),)),
    leak(2.1, (), (job(2025, 3, 0.4),), complete=False, method="rolling"),
    leak(2.1, (), (job(2025, 3, None),), method="rolling"),
    leak(2.1),
    leak(60.5, (), first_charge=True),
    leak(3.3, (), (job(2025, 3, 0.4),), purpose="a longer liquid line"),
    leak(1.4, (), (job(2025, 3, 0.4),), full_kg=6.0),
    leak(1.4, (), (job(2025, 3, 0.4),), kind="residential-light-commercial"),
    leak(2.1, of=find("R-22"), kind="residential-light-commercial"),
    leak(2.1, day=date(2023, 4, 2)),
    leak(2.1, of=find("R-290")),
    leak(2.1, of=None),
    leak(2.1, of=NO_GWP),
    leak(2.1, regime="eu"),
    leak(0.1, full_kg=1.1, regime="eu"),
    leak(2.1, kind="marine"),
    leak(2.1, full_kg=None),
    leak(2.1, named=False),
    leak(None),
    *(
        Statement("charging.began", (word("seen", seen), number("rate", Quantity.MASS_RATE, known(0.054, "kg/s"))))
        for seen in ("off", "onto")
    ),
    Statement("charging.over", (number("moved", Quantity.MASS, known(43.2, "kg")),)),
)
