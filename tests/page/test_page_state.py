"""What the page shows of the daemon's state: keys, numbers and places; whole sentences are golden (shown.json)."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.page.page_state import page_state
from tests.page.states import NOW_NS, alarm, recovery, row, vacuum


def test_a_recovery_shows_the_room_left_and_its_share_on_the_tape() -> None:
    shown = page_state(recovery())
    assert shown["number"] == {"label": "Room left in A", "number": "9.9", "unit": "lb"}
    assert shown["tape"]["at"] == pytest.approx(0.912 / 1.1, abs=1e-3)
    assert [one["label"] for one in shown["values"]] == ["Recovered"]  # what is large is not said twice
    assert (shown["stage"]["time"], shown["job"]["who"]) == ("1:10:05", "Job 2026-01-06-01")
    assert [one["at"] for one in shown["stages"]] == ["now"] + 5 * ["later"]
    json.dumps(shown, allow_nan=False)


def test_over_its_limit_the_number_is_what_is_over() -> None:
    state = recovery()
    state["live"]["mass_allowed"] = row("mass_allowed", "Room left in cylinder", -0.2, "mass", "-0.4 lb")
    state["live"]["cylinder_of_limit"]["value"] = 1.004
    shown = page_state(state)
    assert (shown["number"]["label"], shown["number"]["number"]) == ("Over the limit of A", "0.4")
    assert shown["tape"]["at"] > shown["tape"]["zone"][0]


def test_an_unknown_number_is_its_reason_and_no_number() -> None:
    state = recovery()
    for key in ("mass_allowed", "cylinder_of_limit"):
        state["live"][key] |= {"value": None, "problem": "the scale is silent", "text": "unknown"}
    shown = page_state(state)
    assert shown["number"] == {"label": "Room left in A", "problem": "the scale is silent"}
    assert shown["tape"]["at"] is None


def test_an_old_reading_says_its_age_and_an_unknown_one_why() -> None:
    fresh, old, unknown, *_ = page_state(recovery())["readings"]
    assert (fresh["age"], old["age"], unknown["problem"]) == ("", "8 s old", "open circuit")
    assert "text" not in unknown


@given(st.floats(1e-3, 2e5), st.sampled_from(["target", "limit"]))
def test_a_vacuum_is_on_the_tape_wherever_it_is(pa: float, label: str) -> None:
    tape = page_state(vacuum(pa, 40.0, label))["tape"]
    edge = tape["band" if label == "target" else "zone"][0]
    assert 0.0 <= tape["at"] <= 1.0
    past = pa < 39.9 if label == "target" else pa > 40.1
    assert not past or tape["at"] >= round(edge, 4)  # what is past the limit is past it on the tape


def test_alarms_are_name_number_and_advice_with_what_became_of_them() -> None:
    alarms = [
        alarm(), alarm(key="b", acknowledged=True, operator="Sam"), alarm(key="c", active=False),
        alarm(key="d", state="shelved", shelved_until_ns=NOW_NS, reason="new filter-drier"),
    ]  # fmt: skip
    shown = page_state(recovery(alarms=alarms))
    first, seen, cleared, away = shown["alarms"]
    assert (first["word"], first["name"], first["number"], first["do"], first["said"], first["new"]) == (
        "HIGH", "CYLINDER NEARLY FULL", "91.2 %, limit 90.0 %", "Get an empty cylinder.", "", True,
    )  # fmt: skip
    assert (seen["new"], seen["said"]) == (False, "acknowledged by Sam")
    assert (cleared["new"], cleared["said"], cleared["active"]) == (True, "cleared", False)
    assert away["away"] and not away["new"] and away["said"].startswith("silenced until ")
    assert shown["title"].startswith("(!) CYLINDER NEARLY FULL")
    assert not page_state(recovery(alarms=[alarms[1]]))["title"].startswith("(!)")


def test_between_stages_there_is_no_number_but_a_next_step() -> None:
    state = recovery(stage=None, next={"text": "Begin recovery", "command": "x", "begin": "recovery"})
    state["view"] = {"headline": "", "lines": [], "trend": "cylinder_mass", "log_trend": False}
    shown = page_state(state)
    assert shown["number"] is None and shown["tape"] is None
    assert (shown["begin"], shown["next"]) == ("recovery", ["Begin recovery"])


def test_a_proposal_takes_the_place_of_the_next_step() -> None:
    one = {"n": 3, "text": "Flow fell", "question": "Liquid ended?", "as_of_ns": NOW_NS, "needs": []}
    shown = page_state(recovery(proposals=[one]))
    assert shown["next"] == [] and shown["proposals"][0]["n"] == 3 and not shown["proposals"][0]["named"]
