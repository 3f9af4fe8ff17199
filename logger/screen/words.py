"""Words the screen and the plain output share."""

from typing import Any

from logger.clock import local_clock
from logger.model.units import NS_PER_S

LONG_S = 10 * 3600  # a longer time is no plan for a night, and no clock reading to be taken for exact
RECENT_S, BETWEEN_STAGES_S = 600.0, 1800.0  # of a trend
# How far apart the ends of a trend are at the least, in the unit shown: a steady reading is a line, not its noise.
MIN_SPAN = {
    "lb": 2.0, "kg": 1.0, "psig": 5.0, "bar": 0.4, "barg": 0.4, "kPa": 40.0, "°F": 5.0, "°C": 3.0, "%": 2.0,
}  # fmt: skip
# States in which it is not known here whether its condition holds, as people read them.
PUT_AWAY = {"shelved": "silenced", "out of service": "out of service"}


def duration(seconds: float | None) -> str:
    """65 -> "1:05", 3720 -> "1:02:00", None -> "--"."""
    if seconds is None:
        return "--"
    whole = max(0, int(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


def time_left(seconds: float) -> str:
    """ "9 min 34 s", "34 min", "1 h 34 min": no clock reading."""
    whole = max(0, int(seconds))
    minutes, secs = divmod(whole, 60)
    if minutes >= 60:
        return f"{minutes // 60} h {minutes % 60:02d} min"
    return f"{minutes} min" if minutes >= 10 else f"{minutes} min {secs:02d} s" if minutes else f"{secs} s"


def span(seconds: float) -> str:
    """ "25 min", "12.4 h"."""
    return f"{seconds / 60:.0f} min" if seconds < 3 * 3600 else f"{seconds / 3600:.1f} h"


def trend_span(state: dict[str, Any], recent: bool) -> tuple[int, str, str]:
    """Since when (ns, UTC), how the span is called, and what the key `t` shows instead.

    The running stage from its beginning, half an hour between stages; recent: the last ten minutes of either.
    """
    stage, now_ns = state["stage"], state["t_ns"]
    last = f"last {span(RECENT_S)}"
    running = stage is not None and stage["running"]
    other = "whole stage" if running else f"last {span(BETWEEN_STAGES_S)}"
    if recent:
        return now_ns - int(RECENT_S * NS_PER_S), last, f"t {other}"
    if running:
        return stage["begun_ns"], f"{other}, {span(stage['elapsed_s'])}", f"t {last}"
    return now_ns - int(BETWEEN_STAGES_S * NS_PER_S), other, f"t {last}"


def shown(row: dict[str, Any]) -> str:
    """Value text of a live quantity or point; times as durations."""
    if row["value"] is None:
        return "unknown"
    if row["quantity"] == "time":
        if row["value"] > LONG_S:
            return f"over {LONG_S // 3600} h"
        note = row.get("note") or ""
        return f"{duration(row['value'])} {note}" if note.startswith("of ") else time_left(row["value"])
    return str(row["text"])


def title(state: dict[str, Any]) -> str:
    """One line: stage, its time, refrigerant, job."""
    stage, job = state["stage"], state["job"]
    if stage is None:
        first = "No stage begun"
    elif stage["running"]:
        first = f"{stage['label']} {duration(stage['elapsed_s'])}"
    else:
        first = f"{stage['label']} ended"
    parts = [first, state["refrigerant"], f"job {job['job_id']}"]
    if job.get("invented"):
        parts.append("SAMPLE DATA")
    return " · ".join(parts)


def proposal_line(one: dict[str, Any]) -> str:
    """What the readings show and nobody has entered, with the question."""
    text = one["text"] if one["text"].endswith("?") else f"{one['text']}."
    return f"{local_clock(one['as_of_ns'], seconds=False)} {text} {one['question']}"


def alarm_line(alarm: dict[str, Any], several: bool = False) -> str:
    """An alarm whole, on one line."""
    return f"{alarm_head(alarm, several)}. {alarm_text(alarm)}".rstrip()


def alarm_head(alarm: dict[str, Any], several: bool = False) -> str:
    """Priority, whether anyone acknowledged it, name, number and limit. several: then which came first is said."""
    word = str(alarm["priority"]).upper()
    if away := put_away(alarm):
        return f"{word} {away}: {alarm['label']}"
    new = "" if alarm["acknowledged"] else " NEW"
    first = " (came first)" if several and alarm.get("first_out") else ""
    number = f", {alarm['measured']}" if alarm.get("measured") else ""
    return f"{word}{new}{first}: {alarm['label']}{number}{'' if alarm['active'] else ', cleared'}"


def put_away(alarm: dict[str, Any]) -> str:
    """ "silenced until 2:40"; "" for an alarm that is watched."""
    until = alarm.get("shelved_until_ns")
    word = PUT_AWAY.get(alarm.get("state", ""), "")
    return f"{word} until {local_clock(until, seconds=False)}" if word and until else word


def alarm_text(alarm: dict[str, Any]) -> str:
    """What to do; of one that was put away, why."""
    if put_away(alarm):
        until = "No warning until then." if alarm.get("shelved_until_ns") else "No warning."
        return f"{alarm['reason']}. {until}" if alarm.get("reason") else until
    return str(alarm["message"])
