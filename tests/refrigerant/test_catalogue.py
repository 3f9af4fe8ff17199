"""A job's own catalogue: the shipped table is frozen, its names are never taken, and no catalogue sees another's."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.cylinder.limits import limits
from logger.model.cylinder import Cylinder
from logger.refrigerant import SHIPPED, Catalogue, Refrigerant, RefrigerantError, UnknownRefrigerant, find, names

CYLINDER = Cylinder("C-1", 12.5, 21.6, 2.8e6)


def blend(name: str, like: str = "R-410A", lighter: float = 1.0, **described: Any) -> Refrigerant:
    """A refrigerant with the curves of another, its liquid as many times as dense."""
    record = json.loads(json.dumps(find(like).record()))
    record["description"] |= {"name": name, **described}
    record["nodes"]["liquid"] = [density * lighter for density in record["nodes"]["liquid"]]
    return Refrigerant.from_record(record)


@given(st.sampled_from(names()), st.sampled_from(["", "hfc ", "R"]))
def test_no_shipped_name_can_be_taken_in_any_form_of_it(name: str, before: str) -> None:
    typed = before + name.removeprefix("R-") if before else name.lower()
    with pytest.raises(RefrigerantError, match="choose another name"):
        Catalogue([blend(typed)])
    with pytest.raises(RefrigerantError, match="choose another name"):
        SHIPPED.with_blends([blend(typed)])


def test_a_blend_is_known_to_its_own_catalogue_alone() -> None:
    mine = blend("SHOP-1")
    own = SHIPPED.with_blends([mine])
    assert own.find("shop 1") is mine and own.blend("shop1") is mine and own.blends == (mine,)
    assert own.find("R-410A") is find("R-410A") and own.blend("R-410A") is None
    assert set(own.names()) - set(names()) == {"SHOP-1"}
    assert SHIPPED.blends == () and "SHOP-1" not in SHIPPED.names()
    for nobody in (find, SHIPPED.find, SHIPPED.with_blends([blend("SHOP-2")]).find):
        with pytest.raises(UnknownRefrigerant):
            nobody("SHOP-1")


def test_nothing_added_is_the_same_catalogue() -> None:
    assert SHIPPED.with_blends([]) is SHIPPED


def test_another_composition_cannot_take_the_name_of_a_blend() -> None:
    own = SHIPPED.with_blends([blend("SHOP-1")])
    with pytest.raises(RefrigerantError, match="choose another name"):
        own.with_blends([blend("shop 1", composition={"R-32": 0.6, "R-125": 0.4})])
    again = blend("SHOP-1")
    assert own.with_blends([again]).find("SHOP-1") is again


def test_what_another_catalogue_knows_besides_is_added_and_nothing_else() -> None:
    mine, theirs, more = blend("SHOP-1"), blend("SHOP-1", lighter=0.9), blend("SHOP-2")
    both = SHIPPED.with_blends([mine]).with_more(SHIPPED.with_blends([theirs, more]).with_fault("X", "why"))
    assert both.blends == (mine, more) and both.faults == (("X", "why"),)


def test_records_are_those_of_the_blends_named_each_once() -> None:
    own = SHIPPED.with_blends([blend("SHOP-1"), blend("SHOP-2")])
    (record,) = own.blend_records(["R-22", "shop-2", "SHOP-2", "nothing"])
    assert Refrigerant.from_record(record).name == "SHOP-2"


def test_two_catalogues_give_their_own_limits_for_one_name() -> None:
    """The limits are remembered; not by name alone."""
    heavy, light = (SHIPPED.with_blends([blend("SHOP-1", lighter=x)]) for x in (1.0, 0.9))
    of_heavy, of_light = (limits(CYLINDER, "us", "SHOP-1", own).max_net.number for own in (heavy, light))
    assert of_heavy is not None and of_light is not None
    assert of_heavy == limits(CYLINDER, "us", "R-410A").max_net.number
    assert of_light < 0.95 * of_heavy
    assert limits(CYLINDER, "us", "SHOP-1", heavy).max_net.number == of_heavy
