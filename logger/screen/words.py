"""Words the screen and the plain output share."""

from datetime import UTC, datetime
from typing import Any

from logger.model.units import NS_PER_S

ALARM_WORD = {"urgent": "URGENT", "high": "ALARM", "low": "notice"}
PUT_AWAY = ("shelved", "out of service")  # states in which it is not known here whether its condition holds


def duration(seconds: float | None) -> str:
    """65 -> "1:05", 3720 -> "1:02:00", None -> "--"."""
    if seconds is None:
        return "--"
    whole = max(0, int(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


def span(seconds: float) -> str:
    """ "25 min", "12.4 h"."""
    return f"{seconds / 60:.0f} min" if seconds < 3 * 3600 else f"{seconds / 3600:.1f} h"


def shown(row: dict[str, Any]) -> str:
    """Value text of a live quantity or point; times as durations."""
    if row["value"] is None:
        return "unknown"
    if row["quantity"] == "time":
        return duration(row["value"])
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
        parts.append("INVENTED DATA")
    return " · ".join(parts)


def alarm_line(alarm: dict[str, Any], several: bool = False) -> str:
    """Priority, whether anyone acknowledged it, label, and what to do. several: then which came first is said."""
    word = ALARM_WORD.get(alarm["priority"], alarm["priority"])
    if alarm.get("state") in PUT_AWAY:
        until = alarm.get("shelved_until_ns")
        till = f" until {datetime.fromtimestamp(until // NS_PER_S, UTC):%H:%M} UTC" if until else ""
        reason = f" ({alarm['reason']})" if alarm.get("reason") else ""
        return f"{word} {alarm['state']}{till}: {alarm['label']}{reason}. Nothing is told of it meanwhile."
    new = "" if alarm["acknowledged"] else " NEW"
    first = " (came first)" if several and alarm.get("first_out") else ""
    over = "" if alarm["active"] else ", over"
    return f"{word}{new}{first}: {alarm['label']}{over}. {alarm['message']}"
