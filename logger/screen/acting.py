"""What the keys of the screen do: one question at a time, one line that says what will be done, then the act.

Pure but for `do`: keys in, the question to show out.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from logger.pipeline.errors import ASKED_BACK
from logger.screen.key_reader import ESC
from logger.screen.layout import Asking

State = Mapping[str, Any]
Do = Callable[..., dict[str, Any]]
ENTER, BACK = ("\r", "\n"), ("\x7f", "\x08")
MAX_TEXT = 300
CONFIRM = "Enter yes   Esc no"
CHOOSE = "1-9 choose   Esc no"
CHOOSE_USUAL = "Enter the usual next   1-9 choose   Esc no"
TYPE = "Enter write it   Esc no"


@dataclass(frozen=True, slots=True)
class KeyAct:
    """said: what is asked to be confirmed."""

    said: str
    action: str
    body: Mapping[str, Any]


@dataclass(slots=True)
class Choice:
    """options: by number from 1. usual: what Enter takes. own: what a typed text would do."""

    title: str
    options: Sequence[tuple[str, KeyAct]]
    usual: KeyAct | None = None
    own: Callable[[str], KeyAct] | None = None


@dataclass(slots=True)
class Typing:
    title: str
    act: Callable[[str], KeyAct]
    at_once: bool = False  # what was typed was seen: Enter writes it
    text: str = ""


class Acting:
    """stages: (kind, label) in the order of the work. cylinders: names the user keeps. operator: who acts."""

    def __init__(
        self, do: Do, stages: Sequence[tuple[str, str]], cylinders: Callable[[], Sequence[str]], operator: str
    ) -> None:
        self._do, self._stages, self._cylinders, self._operator = do, stages, cylinders, operator
        self._open: Choice | Typing | KeyAct | None = None

    @property
    def busy(self) -> bool:
        return self._open is not None

    @property
    def asking(self) -> Asking | None:
        match self._open:
            case KeyAct(said=said):
                return Asking((f"{said}?",), CONFIRM)
            case Typing(title=title, text=text):
                return Asking((title, "", f"> {text}_"), TYPE)
            case Choice() as choice:
                lines = [f"{i}: {name}" for i, (name, _) in enumerate(choice.options, 1)]
                lines += [f"{len(lines) + 1}: another word"] if choice.own else []
                usual = (f"Enter: {choice.usual.said}", "") if choice.usual else ()
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

    def _typed(self, typing: Typing, key: str) -> str:
        if key in ENTER:
            if typing.text.strip():
                act = typing.act(typing.text.strip())
                self._open = None if typing.at_once else act
                return self._done(act) if typing.at_once else ""
        elif key in BACK:
            typing.text = typing.text[:-1]
        elif len(key) == 1 and key.isprintable() and len(typing.text) < MAX_TEXT:
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

        def act(kind: str, label: str) -> KeyAct:
            body = {"kind": kind, "settings": {}, "operator": self._operator}
            return KeyAct(f"Begin {label.lower()}{ends}", "stage-begin", body)

        options = [(label, act(kind, label)) for kind, label in self._stages]
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


def _swapped(name: str) -> KeyAct:
    return KeyAct(f"{name} is on the scale now", "cylinder", {"name": name})


def _marked(act: str) -> KeyAct:
    return KeyAct(f"Mark now: {act}", "mark", {"act": act, "text": ""})


_QUESTIONS: dict[str, Callable[[Acting, State], Choice | Typing | KeyAct | None]] = {
    "b": Acting._begin, "e": Acting._end, "s": Acting._swap, "m": Acting._mark, "n": Acting._note,
}  # fmt: skip
