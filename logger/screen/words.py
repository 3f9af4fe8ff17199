"""Words the screen and the plain output share."""

from typing import Any

ALARM_WORD = {"urgent": "URGENT", "high": "ALARM", "low": "notice"}


def duration(seconds: float | None) -> str:
    """65 -> "1:05", 3720 -> "1:02:00", None -> "--"."""
    if seconds is None:
        return "--"
    whole = max(0, int(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


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


def alarm_line(alarm: dict[str, Any]) -> str:
    """Priority, whether anyone acknowledged it, label, and what to do."""
    word = ALARM_WORD.get(alarm["priority"], alarm["priority"])
    new = "" if alarm["acknowledged"] else " NEW"
    over = "" if alarm["active"] else ", over"
    return f"{word}{new}: {alarm['label']}{over}. {alarm['message']}"
