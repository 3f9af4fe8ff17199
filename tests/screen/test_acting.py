"""The keys of the screen: one question, one confirming line, one act."""

import copy
from typing import Any

import pytest

from logger.screen.acting import Acting
from logger.screen.layout import render
from tests.screen.test_layout import STATE, TREND

STAGES = (("recovery", "Recovery"), ("pressure-test", "Pressure test"))
Done = list[tuple[str, dict[str, Any]]]


def acting(done: Done) -> Acting:
    def do(action: str, **body: Any) -> dict[str, Any]:
        done.append((action, body))
        return {"text": f"did {action}"}

    return Acting(do, STAGES, lambda: ["B", "kept"], "A. B.")


@pytest.mark.parametrize(
    ("keys", "action", "body"),
    [
        ("b2\r", "stage-begin", {"kind": "pressure-test", "settings": {}, "operator": "A. B."}),
        ("b\r\r", "stage-begin", {"kind": "pressure-test", "settings": {}, "operator": "A. B."}),  # the usual next
        ("ey", "stage-end", {"operator": "A. B."}),
        ("s3\r", "cylinder", {"name": "kept"}),
        ("s4x 1\r\r", "cylinder", {"name": "x 1"}),
        ("m1\r", "mark", {"act": "machine-started", "text": ""}),
        ("m5lunch\r\r", "mark", {"act": "lunch", "text": ""}),
        ("nbx\x7fr\r", "note", {"text": "br", "author": "A. B."}),
    ],
)
def test_a_key_asks_confirms_and_acts(keys: str, action: str, body: dict[str, Any]) -> None:
    done: Done = []
    hand = acting(done)
    state = copy.deepcopy(STATE)
    state["stage"]["kind"] = "recovery"
    assert hand.begin(keys[0], state)
    said = ""
    for key in keys[1:]:
        assert not done  # nothing is done before it is confirmed
        asking = hand.asking
        assert asking is not None
        shown = [line.plain for line in render(state, TREND, 80, 24, asking=asking)]
        assert len(shown) == 24
        assert shown[-1].rstrip() == asking.keys
        said = hand.press(key)
    assert done == [(action, body)]
    assert said == f"did {action}"
    assert not hand.busy


@pytest.mark.parametrize("keys", ["b\x1b", "b2\x1b", "b2n", "e\x1b", "ntext\x1b", "s4x\x1b"])
def test_esc_does_nothing(keys: str) -> None:
    done: Done = []
    hand = acting(done)
    state = copy.deepcopy(STATE)
    state["stage"]["kind"] = "recovery"
    hand.begin(keys[0], state)
    for key in keys[1:]:
        hand.press(key)
    assert not hand.busy
    assert not done


def test_a_refusal_that_asks_back_is_confirmed_once_more() -> None:
    done: Done = []

    class Refused(Exception):
        code = "stage.not_done"

    def do(action: str, **body: Any) -> dict[str, Any]:
        done.append((action, body))
        if "anyway" not in body:
            raise Refused("It is not done. Leave it all the same?")
        return {"text": "done"}

    hand = Acting(do, STAGES, list, "")
    hand.begin("b", copy.deepcopy(STATE))
    said = [hand.press(key) for key in "2\r"]
    assert hand.asking is not None and hand.asking.lines[0].endswith("all the same?")
    said.append(hand.press("\r"))
    assert said == ["", "", "done"]
    assert [body.get("anyway") for _, body in done] == [None, True]


@pytest.mark.parametrize(
    ("keys", "settings", "said"),
    [
        ("b1s1\r", {"minor_repair": True}, "Begin recovery with minor repair?"),
        ("b1s1s1s2\r", {"leaking": True}, "Begin recovery with leaking?"),  # taken back, another
        ("b2s1150psig\r\r", {"test_pressure": 1_135_539.0}, "Begin pressure test with test pressure 150.0 psig?"),
        ("b2s1150\rpsig\r\r", {"test_pressure": 1_135_539.0}, "Begin pressure test with test pressure 150.0 psig?"),
        (
            "b2s12psig\r\rs360%\ry",  # unusual, and meant so
            {"test_pressure": 115_114.5, "share": 0.6},
            "Begin pressure test with test pressure 2.0 psig, share 60.0 %?",
        ),
    ],
)
def test_settings_are_typed_as_for_the_command_and_shown_back(keys: str, settings: dict[str, Any], said: str) -> None:
    done: Done = []
    hand = acting(done)
    state = {**copy.deepcopy(STATE), "stage": None}
    state["job"]["units"] = "us"
    shown = ""
    assert hand.begin(keys[0], state)
    for key in keys[1:]:
        asking = hand.asking
        assert asking is not None and not done
        screen = [line.plain for line in render(state, TREND, 80, 24, asking=asking)]
        assert len(screen) == 24 and all(len(line) <= 80 for line in screen)
        shown = " ".join(" ".join(screen).split())
        hand.press(key)
    assert said in shown
    ((action, body),) = done
    assert action == "stage-begin"
    assert body["settings"] == pytest.approx(settings)
    assert body.get("as_entered", False) == ("2psig" in keys)


def test_a_setting_that_is_none_says_why_and_is_typed_again() -> None:
    hand = acting([])
    state = {**copy.deepcopy(STATE), "stage": None}
    hand.begin("b", state)
    for key in "2s312kg\r":
        hand.press(key)
    asking = hand.asking
    assert asking is not None and "kg" in asking.lines[-1] and "mass" in asking.lines[-1]
    hand.press("\x1b")
    assert not hand.busy


def test_between_stages_there_is_nothing_to_end() -> None:
    hand = acting([])
    assert hand.begin("e", {**STATE, "stage": None})
    assert not hand.busy
    assert not hand.begin("x", STATE)


PROPOSAL = {"n": 3, "key": "recovery.started", "text": "Recovery machine started: 6.8 lb/min into the cylinder",
            "question": "Begin recovery as of 20:14?", "as_of_ns": 1_700_000_000_000_000_000, "needs": ""}  # fmt: skip


@pytest.mark.parametrize(("yes", "action"), [(True, "yes"), (False, "no")])
def test_one_key_answers_what_is_proposed(yes: bool, action: str) -> None:
    done: Done = []
    hand, state = acting(done), {**STATE, "proposals": [PROPOSAL]}
    assert hand.answer(yes, state) == f"did {action}"
    assert done == [(action, {"n": 3, "operator": "A. B."})]


def test_a_cylinder_that_the_weight_does_not_name_is_chosen() -> None:
    done: Done = []
    hand = acting(done)
    assert hand.answer(True, {**STATE, "proposals": [{**PROPOSAL, "needs": "name"}]}) == ""
    hand.press("2")
    hand.press("\r")
    assert done == [("yes", {"n": 3, "operator": "A. B.", "name": "B"})]


def test_nothing_proposed_nothing_done() -> None:
    done: Done = []
    assert acting(done).answer(True, STATE) == "nothing is proposed"
    assert done == []


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (60, 16)])
@pytest.mark.parametrize("alarms", [True, False])
def test_a_proposal_is_on_the_first_page_with_its_keys_and_nothing_jumps(size: tuple[int, int], alarms: bool) -> None:
    state = {**copy.deepcopy(STATE), "proposals": [PROPOSAL], "alarms": STATE["alarms"] if alarms else []}
    plain = {**state, "proposals": []}
    with_it, without = ([line.plain for line in render(one, TREND, *size)] for one in (state, plain))
    text = " ".join(" ".join(with_it).split())
    assert "Begin recovery as of 20:14?" in text and "y yes" in text and "Esc no" in text
    if alarms:
        assert "Cylinder nearly full" in text
    long = {**PROPOSAL, "question": "Begin vacuum decay test, mark isolated as of 20:14?"}
    both = render({**state, "proposals": [long, PROPOSAL]}, TREND, *size)
    assert size[0] < 80 or "mark isolated as of 20:14? (y yes, Esc no" in " ".join(line.plain for line in both)
    top = next(i for i, line in enumerate(without) if "share of its limit" in line)
    assert "share of its limit" in with_it[top]
