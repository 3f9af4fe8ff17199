"""A slip in a cylinder's data is refused and named; what is published of real cylinders is not."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.cylinder.markings import unlikely
from logger.model.cylinder import Cylinder
from logger.model.units import POUND_KG as LB
from logger.model.units import PSI_PA as PSI
from logger.model.value import Value
from tests.worded import values_of

# (tare, water capacity, service pressure): worked examples of the trade's guideline, a supplier's published table.
PUBLISHED = [
    (27.5 * LB, 47.6 * LB, 400 * PSI), (380 * LB, 1000 * LB, None), (4.4, 6.2, None), (9.0, 12.0, None),
    (13.0, 26.5, None), (28.5, 61.0, None), (37.0, 88.0, None), (500.0, 860.0, None), (16.0, 6.7, 1800 * PSI),
]  # fmt: skip


@pytest.mark.parametrize("cylinder", PUBLISHED)
def test_what_is_published_is_taken(cylinder: tuple[float, float, float | None]) -> None:
    assert unlikely(Cylinder("A", *cylinder)) is None


TARE, WC, STAMP = 27.5 * LB, 47.6 * LB, 400 * PSI


@pytest.mark.parametrize(
    ("cylinder", "marking", "given_", "meant"),
    [
        (Cylinder("lb taken as kg", TARE, 47.6, STAMP), "water_capacity", {"light", "other_unit"}, WC),
        (Cylinder("point shifted", TARE, 476 * LB, STAMP), "water_capacity", {"light", "shifted"}, WC),
        (Cylinder("another's", TARE, 132.0, STAMP), "water_capacity", {"light"}, None),
        (Cylinder("tare lb as kg", 27.5, WC, STAMP), "tare", {"heavy", "other_unit"}, TARE),
        (Cylinder("tare shifted", 275 * LB, WC), "tare", {"heavy", "shifted"}, TARE),
        (Cylinder("bar for psi", TARE, WC, 400e5), "service_pressure", {"other_unit", 400e5}, STAMP),
        (Cylinder("psi for bar", TARE, WC, 28 * PSI), "service_pressure", {"other_unit"}, 28e5),
        (Cylinder("test pressure", TARE, WC, 48e5), "service_pressure", {48e5, 500 * PSI}, None),
        (Cylinder("kPa for psi", TARE, WC, 400e3), "service_pressure", {150 * PSI, 3000 * PSI}, None),
    ],
    ids=lambda x: x.name if isinstance(x, Cylinder) else "",
)
def test_a_slip_is_refused_and_named(
    cylinder: Cylinder, marking: str, given_: set[object], meant: float | None
) -> None:
    found = unlikely(cylinder)
    assert found is not None
    assert found.marking == marking and given_ <= values_of(found.why)
    would_fit = [one.value.number for one in found.why.inputs if one.name == "meant" and isinstance(one.value, Value)]
    assert would_fit == ([] if meant is None else [pytest.approx(meant)])


@given(st.sampled_from(PUBLISHED[:-1]), st.sampled_from([LB, 1 / LB, 0.1, 10.0]), st.sampled_from(["tare", "capacity"]))
def test_no_such_slip_that_permits_more_passes_for_a_small_cylinder(
    cylinder: tuple[float, float, float | None], factor: float, which: str
) -> None:
    """More capacity or more tare is more that may go in. Of the large ones a tare of 2.2 times does not show."""
    tare, water, service = cylinder
    factor = max(factor, 1 / factor)
    wrong = Cylinder(
        "A", tare * (factor if which == "tare" else 1), water * (factor if which != "tare" else 1), service
    )
    assert unlikely(wrong) is not None


def test_a_person_may_say_that_it_is_so() -> None:
    assert unlikely(Cylinder("A", TARE, 47.6, 400e5, as_stamped=True)) is None
