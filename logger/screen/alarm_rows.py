"""Alarms on the screen: the same rows whatever stands, the most pressing one whole; and the page of all."""

from typing import Any

from rich.text import Text

from logger.screen.folding import NO_BREAK, fitted, wrapped
from logger.screen.words import alarm_head, alarm_text, proposal_line

ALARM_STYLE = {"urgent": "bold black on bright_yellow", "high": "bold black on yellow", "low": "bold"}
PROPOSAL_STYLE = "bold reverse"
Row = dict[str, Any]


def rows_for(height: int) -> int:
    """How many rows of a screen are the alarms', none or ten: the large number under them never jumps."""
    return 3 if height < 20 else 4 if height < 30 else 5


def alarm_rows(state: Row, width: int, rows: int) -> list[Text]:
    """Exactly `rows` lines: of the first alarm its name, number, limit and what to do; how many more there are; the
    next step beside what someone has seen. What the readings show and nobody has entered takes the last of them."""
    alarms, asked = state.get("alarms", []), proposal_rows(state, width, rows - 1)
    rows -= len(asked)
    step = [] if asked else [Text(line, "dim") for line in wrapped(f"Next: {state['next']['text']}", width)]
    if not alarms:
        quiet = [Text("No alarms", "dim"), *step[: rows - 1]]
        return [*quiet, *[Text("")] * (rows - len(quiet)), *asked]
    first, style = alarms[0], _style(alarms[0])
    count = " " + f"(1 of {len(alarms)}: L lists)".replace(" ", NO_BREAK) if len(alarms) > 1 else ""
    head = wrapped(alarm_head(first, len(alarms) > 1) + count, width)[:rows]
    seen_low = first["acknowledged"] and first["priority"] == "low"  # then all are seen: the most pressing is first
    reserved = min(len(step), rows - len(head)) if seen_low else 0
    text = fitted(alarm_text(first), width, rows - len(head) - reserved, more="L: what to do")
    shown = [_filled(line, width, style) for line in head + text]
    if first["acknowledged"] and len(step) <= rows - len(shown):
        shown += step
    for other in alarms[1:]:
        line = alarm_head(other)
        if len(shown) < rows and len(wrapped(line, width)) == 1:
            shown.append(_filled(line, width, _style(other)))
    return [*shown, *[Text("")] * (rows - len(shown)), *asked]


def proposal_rows(state: Row, width: int, most: int) -> list[Text]:
    """The newest proposal with its keys; how many more there are. One row beside an alarm, where that holds it."""
    proposals = state.get("proposals", [])
    if not proposals:
        return []
    more = f"; 1 of {len(proposals)}, r lists" if len(proposals) > 1 else ""
    room = 1 if state.get("alarms") else min(2, most)
    question = str(proposals[0]["question"])
    lines: list[str] = []
    for said, besides in ((proposal_line(proposals[0]), more), (question, more), (question, "")):
        lines = wrapped(f"{said} (y yes, Esc no{besides})", width)
        if len(lines) <= room:
            break
    return [_filled(one, width, PROPOSAL_STYLE) for one in lines[:room]]


def alarm_page(state: Row, width: int) -> list[Text]:
    """Each alarm whole, with its key for `rimelog ack` and `rimelog shelve`."""
    lines: list[Text] = []
    for alarm in state.get("alarms", []):
        lines += [_filled(line, width, _style(alarm)) for line in wrapped(alarm_head(alarm), width)]
        lines += [Text(line) for line in wrapped(f"{alarm_text(alarm)} [{alarm['key']}]", width)]
        lines.append(Text(""))
    return lines or [Text("No alarms", "dim")]


def _style(alarm: Row) -> str:
    if alarm["acknowledged"]:
        return "bold yellow" if alarm["active"] else ""
    return ALARM_STYLE.get(alarm["priority"], "bold")


def _filled(line: str, width: int, style: str) -> Text:
    text = Text(line, style)
    text.append(" " * max(0, width - text.cell_len), style)
    return text
