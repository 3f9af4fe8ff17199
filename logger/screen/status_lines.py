"""The state as plain lines, for `rimelog status`, pipes and terminals that cannot do more."""

from typing import Any

from logger.model.finding import Text
from logger.screen.words import alarm_line, proposal_line, shown, title


def status_lines(state: dict[str, Any]) -> list[str]:
    """Whole state, one fact a line."""
    lines = [title(state)]
    alarms = state.get("alarms", [])
    lines += [f"{alarm_line(a, len(alarms) > 1)} [{a['key']}]" for a in alarms] or ["No alarms"]
    for one in state.get("proposals", []):
        lines.append(f"  {proposal_line(one)} `rimelog yes {one['n']}` or `rimelog no {one['n']}`")
    if state["stage"] is None or not state["stage"]["running"]:
        lines.append("  Readings are stored, but no stage is running.")
    step = state["next"]
    colon = "" if step["text"].endswith("?") else ":"
    lines.append(f"  Next: {step['text']}" + (f"{colon} {step['command']}" if step["command"] else ""))
    live, view = state["live"], state["view"]
    keys = [view["headline"], *view["lines"]] if view["headline"] else []
    for key in keys:
        if key in live:
            row = live[key]
            why = f"  ({row['problem']})" if row["problem"] else f"  ({row['note']})" if row["note"] else ""
            lines.append(f"  {row['label']:<36} {shown(row):>14}{why}")
    lines += [f"  {text}" for text in state.get("advice", [])]
    for point in state["points"]:
        why = f"  ({point['problem']})" if point["problem"] else ""
        lines.append(f"  {point['label']:<36} {shown(point):>14}{why}")
    for finding in state.get("findings", []):
        lines.append(f"  {Text(finding['headline'], finding['text']).line}")
    for device in state.get("devices", []):
        lines.append(f"  device {device['name']}: {device['text']}")
    for relay in state.get("relays", []):
        lines.append(f"  relay {relay['name']}: {relay['text']}")
    store = state.get("store", {})
    if store:
        lines.append(f"  {store['text']}")
    if state.get("log"):
        lines.append(f"  messages of the logger: {state['log']}")
    lines.append(f"  {state['caution']}")
    return lines
