"""What the keys of the screen do: one question at a time, one line that says what will be done, then the act.

Pure but for `do`: keys in, the question to show out.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from logger.model.points import Quantity
from logger.model.units import STANDARD_ATMOSPHERE_PA, UnitError
from logger.model.value import known, word
from logger.pipeline.errors import ASKED_BACK
from logger.screen.daemon_client import MAX_TYPED
from logger.screen.key_reader import ESC
from logger.screen.layout import Asking
from logger.stages import registry
from logger.stages.settings import UNUSUAL, Form, Setting, SettingError, check, from_text, settings_of
from logger.stages.words import statement_of
from logger.wording.values import Shown

State = Mapping[str, Any]
Do = Callable[..., dict[str, Any]]
ENTER, BACK = ("\r", "\n"), ("\x7f", "\x08")
CONFIRM = "Enter yes   Esc no"
CONFIRM_SETTABLE = "Enter yes   s a setting   Esc no"
CHOOSE = "1-9 choose   Esc no"
CHOOSE_USUAL = "Enter the usual next   1-9 choose   Esc no"
TYPE = "Enter write it   Esc no"
TYPE_SETTING = "Enter set it   Esc no"
ENTER_AGAIN = "On this screen: Enter once more."


@dataclass(frozen=True, slots=True)
class KeyAct:
    """said: what is asked to be confirmed."""

    said: str
    action: str
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Beginning:
    """A stage to be begun, not confirmed yet. entered: its settings, SI. texts: the same in the user's units."""

    kind: str
    label: str
    ends: str
    operator: str
    shown: Shown
    entered: Mapping[str, Any] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    as_entered: bool = False  # an unusual number was entered twice

    @property
    def settings(self) -> tuple[Setting, ...]:
        known_stage = registry.definition(self.kind)
        return settings_of(known_stage.settings) if known_stage is not None else ()

    @property
    def act(self) -> KeyAct:
        given = ", ".join(f"{spoken(name)} {text}".strip() for name, text in self.texts.items())
        said = f"Begin {self.label.lower()}{f' with {given}' if given else ''}{self.ends}"
        body = {"kind": self.kind, "settings": dict(self.entered), "operator": self.operator}
        return KeyAct(said, "stage-begin", body | ({"as_entered": True} if self.as_entered else {}))

    def having(self, one: Setting, value: Any, again: bool = False) -> "Beginning":
        """With a setting, SI; without it where it is None or False. again: it was refused, and entered once more.
        Raises SettingError."""
        entered = {name: of for name, of in self.entered.items() if name != one.name}
        texts = {name: text for name, text in self.texts.items() if name != one.name}
        if value is not None and value is not False:
            known_stage = registry.definition(self.kind)
            profiles = [str(value)] if one.kind is Form.PROFILE else ()  # which there are, the logger knows
            if known_stage is not None:
                check(known_stage.settings, {one.name: value}, profiles, again)
            entered[one.name] = value
            is_number = isinstance(one.kind, Quantity)
            text = self.shown.one(known(float(value), ""), one.kind) if is_number else str(value)  # type: ignore[arg-type]
            texts[one.name] = "" if value is True else text
        return replace(self, entered=entered, texts=texts, as_entered=self.as_entered or again)


@dataclass(slots=True)
class Choice:
    """options: by number from 1. usual: what Enter takes. own: what a typed text would do."""

    title: str
    options: Sequence[tuple[str, "Question"]]
    usual: "Question | None" = None
    own: "Callable[[str], Question] | None" = None


@dataclass(slots=True)
class Typing:
    """act: what follows from the text; its SettingError or UnitError is shown, to be typed once more."""

    title: str
    act: "Callable[[str], Question]"
    at_once: bool = False  # what was typed was seen: Enter writes it
    keys: str = TYPE
    wrong: Callable[[SettingError], str] = str
    text: str = ""
    problem: str = ""


Question = Choice | Typing | KeyAct | Beginning


class Acting:
    """stages: (kind, label) in the order of the work. cylinders: names the user keeps. operator: who acts."""

    def __init__(
        self, do: Do, stages: Sequence[tuple[str, str]], cylinders: Callable[[], Sequence[str]], operator: str
    ) -> None:
        self._do, self._stages, self._cylinders, self._operator = do, stages, cylinders, operator
        self._open: Question | None = None

    @property
    def busy(self) -> bool:
        return self._open is not None

    @property
    def asking(self) -> Asking | None:
        match self._open:
            case KeyAct(said=said):
                return Asking((f"{said}?",), CONFIRM)
            case Beginning() as begin:
                return Asking((f"{begin.act.said}?",), CONFIRM_SETTABLE if begin.settings else CONFIRM)
            case Typing() as typing:
                problem = ("", typing.problem) if typing.problem else ()
                return Asking((typing.title, "", f"> {typing.text}_", *problem), typing.keys)
            case Choice() as choice:
                lines = [f"{i}: {name}" for i, (name, _) in enumerate(choice.options, 1)]
                lines += [f"{len(lines) + 1}: another word"] if choice.own else []
                usual = (f"Enter: {_said(choice.usual)}", "") if choice.usual else ()
                return Asking((choice.title, "", *usual, *lines), CHOOSE_USUAL if choice.usual else CHOOSE)
        return None

    def begin(self, key: str, state: State) -> bool:
        """A key of the page: True when it opens a question."""
        opened = _QUESTIONS.get(key.lower())
        if opened is None:
            return False
        self._open = opened(self, state)
        return True

    def answer(self, yes: bool, state: State) -> str:
        """To the proposal that is shown, at once: its line is the question. What was done; "" where a name is asked."""
        proposals = state.get("proposals") or []
        if not proposals:
            return "nothing is proposed" if yes else ""
        one = proposals[0]
        body = {"n": one["n"], "operator": self._operator}
        if yes and one["needs"]:
            self._open = self._named(body, state)
            return ""
        return self._done(KeyAct("", "yes" if yes else "no", body))

    def press(self, key: str) -> str:
        """A key while a question is open; what was done, or "". Errors of the act are the caller's."""
        if key == ESC or self._open is None:
            self._open = None
            return ""
        match self._open:
            case KeyAct() as act:
                self._open = None
                return self._done(act) if key in (*ENTER, "y", "Y") else "" if key in ("n", "N") else self._again(act)
            case Beginning() as begin:
                return self._begun(begin, key)
            case Typing() as typing:
                return self._typed(typing, key)
            case Choice() as choice:
                self._chosen(choice, key)
        return ""

    def _again(self, act: KeyAct) -> str:
        self._open = act
        return ""

    def _done(self, act: KeyAct) -> str:
        try:
            answer = self._do(act.action, **act.body)
        except Exception as exc:
            if getattr(exc, "code", "") not in ASKED_BACK:
                raise
            question = str(exc).removesuffix("?")  # confirmed once more it is done
            self._open = KeyAct(question[:1].upper() + question[1:], act.action, {**act.body, "anyway": True})
            return ""
        first, *rest = str(answer["text"]).split("\n")
        found = "".join(f": {f['headline']}" for f in answer.get("findings", [])[:1])
        return "; ".join((first + found, *rest))

    def _begun(self, begin: Beginning, key: str) -> str:
        if key in (*ENTER, "y", "Y"):
            self._open = None
            return self._done(begin.act)
        if key in ("n", "N"):
            self._open = None
        elif key in ("s", "S") and begin.settings:
            self._open = Choice("Which setting?", [_setting(begin, one) for one in begin.settings])
        return ""

    def _typed(self, typing: Typing, key: str) -> str:
        if key in ENTER:
            if typing.text.strip():
                try:
                    act = typing.act(typing.text.strip())
                except UnitError as exc:
                    typing.problem = str(exc)
                except SettingError as exc:
                    typing.problem = typing.wrong(exc)
                else:
                    self._open = None if typing.at_once else act
                    return self._done(act) if typing.at_once and isinstance(act, KeyAct) else ""
        elif key in BACK:
            typing.text = typing.text[:-1]
        elif len(key) == 1 and key.isprintable() and len(typing.text) < MAX_TYPED:
            typing.text += key
        return ""

    def _chosen(self, choice: Choice, key: str) -> None:
        if key in ENTER and choice.usual is not None:
            self._open = choice.usual
        elif key.isdecimal() and 1 <= int(key) <= len(choice.options):
            self._open = choice.options[int(key) - 1][1]
        elif key.isdecimal() and int(key) == len(choice.options) + 1 and choice.own is not None:
            self._open = Typing("Type it, then Enter", choice.own)

    # -- the questions -------------------------------------------------------------------------------------------

    def _begin(self, state: State) -> Choice:
        stage = state["stage"]
        ends = f", which ends {stage['label'].lower()}" if stage and stage["running"] else ""

        around = state["ambient"]["value"]
        shown = Shown(state["job"]["units"], STANDARD_ATMOSPHERE_PA if around is None else around)
        options = [(label, Beginning(kind, label, ends, self._operator, shown)) for kind, label in self._stages]
        usual = next((one for (kind, _), (_, one) in zip(self._stages, options, strict=True)
                      if kind == state["next"]["begin"]), None)  # fmt: skip
        return Choice("Begin which stage?", options, usual)

    def _end(self, state: State) -> KeyAct | None:
        stage = state["stage"]
        if not (stage and stage["running"]):
            return None
        return KeyAct(f"End {stage['label'].lower()}", "stage-end", {"operator": self._operator})

    def _swap(self, state: State) -> Choice:
        names = [*dict.fromkeys([*state["cylinders"], *self._cylinders()])]
        now = (state.get("cylinder") or {}).get("name")
        options = [(n + (" (on the scale now)" if n == now else ""), _swapped(n)) for n in names[:8]]
        return Choice("Which cylinder is on the scale now?", options, own=_swapped)

    def _named(self, body: Mapping[str, Any], state: State) -> Choice:
        """Which cylinder it is that the scale has shown."""

        def act(name: str) -> KeyAct:
            return KeyAct(f"{name} is on the scale", "yes", {**body, "name": name})

        names = [*dict.fromkeys([*state["cylinders"], *self._cylinders()])]
        return Choice("Which cylinder is it?", [(name, act(name)) for name in names[:8]], own=act)

    def _mark(self, state: State) -> Choice:
        return Choice("Mark which act?", [(act, _marked(act)) for act in state["acts"]], own=_marked)

    def _note(self, state: State) -> Typing:
        def act(text: str) -> KeyAct:
            return KeyAct("", "note", {"text": text, "author": self._operator})

        return Typing("A note for the record:", act, at_once=True)


def spoken(name: str) -> str:
    """Of a setting: "high-side limit"."""
    return name.replace("high_side", "high-side").replace("_", " ")


def _said(question: Question) -> str:
    match question:
        case KeyAct(said=said):
            return said
        case Beginning() as begin:
            return begin.act.said
    return question.title


def _setting(begin: Beginning, one: Setting) -> tuple[str, Question]:
    """A setting as it is listed, and what its key asks; a flag is set, or taken back, at once."""
    name, now = spoken(one.name), begin.texts.get(one.name)
    line = f"{name}: {one.text}" if now is None else f"{name}: {now or 'yes'} now"
    match one.kind:
        case Form.FLAG:
            return line, begin.having(one, now is None)
        case tuple() as words:
            return line, Choice(f"{name}: {one.text}", [(word_, begin.having(one, word_)) for word_ in words])

    refused: list[object] = []

    def act(text: str) -> Beginning:
        value = from_text(one, text, begin.shown.ambient_pa)
        try:
            return begin.having(one, value, again=value in refused)
        except SettingError as exc:
            refused.extend(value for why in exc.why if why.key == UNUSUAL)
            raise

    def wrong(exc: SettingError) -> str:
        of = word("stage", begin.kind)
        lines = [statement_of(replace(why, inputs=(*why.inputs, of)), begin.shown) for why in exc.why]
        return " ".join(lines + ([ENTER_AGAIN] if exc.why[0].key == UNUSUAL else []))

    return line, Typing(f"{name}: {one.text}", act, keys=TYPE_SETTING, wrong=wrong)


def _swapped(name: str) -> KeyAct:
    return KeyAct(f"{name} is on the scale now", "cylinder", {"name": name})


def _marked(act: str) -> KeyAct:
    return KeyAct(f"Mark now: {act}", "mark", {"act": act, "text": ""})


_QUESTIONS: dict[str, Callable[[Acting, State], Choice | Typing | KeyAct | None]] = {
    "b": Acting._begin, "e": Acting._end, "s": Acting._swap, "m": Acting._mark, "n": Acting._note,
}  # fmt: skip
