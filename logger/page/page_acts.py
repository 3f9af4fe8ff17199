"""What the page may ask for, as the daemon is asked: the acts of the terminal view, with who acts.

A stage's settings come as typed, in the user's units; what is wrong with one is said in words.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from logger.model.units import STANDARD_ATMOSPHERE_PA, UnitError
from logger.model.value import word
from logger.pipeline.errors import ASKED_BACK
from logger.screen.daemon_client import MAX_TYPED
from logger.stages import registry
from logger.stages.settings import UNUSUAL, Form, Setting, SettingError, check, from_text, settings_of
from logger.stages.words import statement_of
from logger.wording.values import Shown

Body = Mapping[str, Any]


class ActRefused(Exception):
    """The message says why. again: what to send besides when a person means it all the same; "" where nothing helps."""

    def __init__(self, text: str, again: str = "") -> None:
        super().__init__(text)
        self.again = again


def daemon_body(action: str, body: Body, state: Mapping[str, Any], operator: str) -> dict[str, Any]:
    """What the daemon is sent for what the page sent. state: the daemon's, for units. Raises ActRefused."""
    made = _BODIES.get(action)
    if made is None:
        raise ActRefused("The page has no such act.")
    return made(body, state, operator)


def again(code: str) -> str:
    """Of a refusal: what makes it done when it is sent besides."""
    return "anyway" if code in ASKED_BACK else "as_entered" if code == UNUSUAL else ""


def answered(answer: Mapping[str, Any]) -> str:
    """What was done, in one line, with the first thing found."""
    first, *rest = str(answer["text"]).split("\n")
    found = "".join(f": {one['headline']}" for one in answer.get("findings", [])[:1])
    return ". ".join(one.rstrip(".") for one in (first + found, *rest)) + "."


def stage_forms() -> list[dict[str, Any]]:
    """Every stage with what can be entered when it is begun."""
    return [
        {"kind": one.kind, "label": one.label, "settings": [_form(s) for s in settings_of(one.settings)]}
        for one in registry.STAGES
    ]


def _form(one: Setting) -> dict[str, Any]:
    kind = one.kind
    return {
        "name": one.name,
        "label": one.name.replace("high_side", "high-side").replace("_", " "),
        "text": one.text,
        "flag": kind is Form.FLAG,
        "words": list(kind) if isinstance(kind, tuple) else [],
    }


def _text(body: Body, name: str) -> str:
    text = body.get(name, "")
    if not isinstance(text, str) or len(text) > MAX_TYPED:
        raise ActRefused(f"Up to {MAX_TYPED} characters.")
    return text.strip()


def _number(body: Body, name: str) -> int:
    number = body.get(name)
    if type(number) is not int:
        raise ActRefused("This is answered already.")
    return number


def _begin(body: Body, state: Mapping[str, Any], operator: str) -> dict[str, Any]:
    kind, typed = _text(body, "kind"), body.get("settings", {})
    stage = registry.definition(kind)
    if stage is None or not isinstance(typed, dict):
        raise ActRefused("Say which stage begins.")
    around = state["ambient"]["value"]
    shown = Shown(state["job"]["units"], STANDARD_ATMOSPHERE_PA if around is None else around)
    as_entered = body.get("as_entered") is True
    entered: dict[str, Any] = {}
    for one in settings_of(stage.settings):
        text = typed.get(one.name)
        if not isinstance(text, str) or not text.strip():
            continue
        try:
            entered[one.name] = from_text(one, text, shown.ambient_pa)
            profiles = [text.strip()] if one.kind is Form.PROFILE else ()  # which there are, the logger knows
            check(stage.settings, {one.name: entered[one.name]}, profiles, as_entered)
        except UnitError as exc:
            raise ActRefused(f"{_form(one)['label'].capitalize()}: {exc}") from exc
        except SettingError as exc:
            whys = [statement_of(replace(why, inputs=(*why.inputs, word("stage", kind))), shown) for why in exc.why]
            raise ActRefused(" ".join(whys), again(exc.why[0].key)) from exc
    begun = {"kind": kind, "settings": entered, "operator": operator}
    return begun | {name: True for name in ("anyway", "as_entered") if body.get(name) is True}


def _answer(body: Body, state: Mapping[str, Any], operator: str) -> dict[str, Any]:
    name = _text(body, "name")
    return {"n": _number(body, "n"), "operator": operator} | ({"name": name} if name else {})


_BODIES: dict[str, Callable[[Body, Mapping[str, Any], str], dict[str, Any]]] = {
    "stage-begin": _begin,
    "stage-end": lambda body, state, operator: {"operator": operator},
    "cylinder": lambda body, state, operator: {"name": _text(body, "name")},
    "mark": lambda body, state, operator: {"act": _text(body, "act"), "text": ""},
    "note": lambda body, state, operator: {"text": _text(body, "text"), "author": operator},
    "yes": _answer,
    "no": _answer,
    "acknowledge": lambda body, state, operator: {"key": _text(body, "key"), "operator": operator},
}
