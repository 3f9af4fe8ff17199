"""Alarms on the screen: the same rows whatever stands, the most pressing one whole; and the page of all."""

from typing import Any

from rich.text import Text

from logger.screen.folding import fitted, wrapped
from logger.screen.words import alarm_head, alarm_text

ALARM_STYLE = {"urgent": "bold black on bright_yellow", "high": "bold black on yellow", "low": "bold"}
Row = dict[str, Any]


def rows_for(height: int) -> int:
    """How many rows of a screen are the alarms', none or ten: the large number under them never jumps."""
    return 3 if height < 20 else 4 if height < 30 else 5


def alarm_rows(state: Row, width: int, rows: int) -> list[Text]:
    """Exactly `rows` lines: of the first alarm its name, number, limit and what to do; how many more there are."""
    alarms = state.get("alarms", [])
    if not alarms:
        quiet = [Text("No alarms", "dim"), Text(f"Next: {state['next']['text']}", "dim")]
        return [*quiet, *[Text("")] * (rows - len(quiet))]
    first, style = alarms[0], _style(alarms[0])
    count = f" (1 of {len(alarms)}, l lists)" if len(alarms) > 1 else ""
    head = wrapped(alarm_head(first, len(alarms) > 1) + count, width)[:rows]
    lines = head + fitted(alarm_text(first), width, rows - len(head), more="l: what to do")
    shown = [_filled(line, width, style) for line in lines]
    for other in alarms[1:]:
        line = alarm_head(other)
        if len(shown) < rows and len(wrapped(line, width)) == 1:
            shown.append(_filled(line, width, _style(other)))
    return [*shown, *[Text("")] * (rows - len(shown))]


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
