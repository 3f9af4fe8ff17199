"""What the page shows, of the daemon's state: every word, number and place on a scale is made here.

The page lays it out and computes nothing. Values are as the other screens word them (logger.screen.words).
"""

import math
from collections.abc import Iterator
from typing import Any

from logger.clock import local_clock
from logger.model.finding import Verdict
from logger.model.units import STANDARD_ATMOSPHERE_PA
from logger.screen.words import alarm_text, duration, proposal_line, put_away, shown, span
from logger.stages import registry

Row = dict[str, Any]
OLD_S = 5.0  # a reading's age is told from here on
ROOM = "mass_allowed"  # what a cylinder's share of its limit leaves, by weight
CHARGE, CHARGED = "charge_to_go", "charged"
TARGET = "target"  # of a limit: to be reached, not to be passed
BEYOND = 1.1  # how far the tape goes on past a limit
MARKS = {Verdict.PASS: "pass", Verdict.FAIL: "fail", Verdict.CANNOT_TELL: "tell"}
LEVELS = {"urgent": 3, "high": 2, "low": 1}


def page_state(state: Row) -> Row:
    """JSON-able. state: as logger.api.shape makes it. A row has "text" or, where there is no value, "problem"."""
    stage, job = state["stage"], state["job"]
    running = stage is not None and stage["running"]
    proposals, alarms = state.get("proposals", []), [_alarm(a, state) for a in state.get("alarms", [])]
    title = "No stage begun" if stage is None else stage["label"] if running else f"{stage['label']} ended"
    step, advice, live = state["next"], state.get("advice", []), state["live"]
    large = _large(state)
    return {
        "t_ms": state["t_ns"] // 1_000_000,
        "clock": local_clock(state["t_ns"]),
        "title": " · ".join([*(f"(!) {a['name']}" for a in alarms[:1] if a["new"]), title, "Rimelog"]),
        "job": {
            "id": job["job_id"],
            "who": job.get("customer") or f"Job {job['job_id']}",
            "what": " · ".join(filter(None, (job.get("appliance"), state["refrigerant"]))),
            "sample": "SAMPLE DATA, NOT A REAL JOB" if job.get("invented") else "",
        },
        "stage": {
            "title": title,
            "running": running,
            "time": duration(stage["elapsed_s"]) if running else "",
            "kind": stage["kind"] if running else "",
            "number": stage["number"] if stage else 0,
        },
        "stages": list(_stages(state)),
        **_headline(state, large),
        "next": [*advice, *([] if proposals else [step["text"]])],
        "begin": step["begin"] or "",
        "proposals": [
            {"n": p["n"], "when": local_clock(p["as_of_ns"], seconds=False), "question": p["question"],
             "text": p["text"], "line": proposal_line(p), "named": bool(p["needs"])}
            for p in proposals
        ],
        "values": [_row(live[key]) for key in state["view"]["lines"] if key in live and key != large],
        "readings": [*map(_row, state["points"]), *map(_row, live.values())],
        "alarms": alarms,
        "findings": [{"forming": running, **_finding(f)} for f in state.get("findings", [])],
        "earlier": [
            {"head": f"Stage {e['number']}, {e['label']}: {e['headline']}", "text": e["text"]}
            for e in reversed(state.get("earlier", []))
        ],
        "notes": [f"{local_clock(n['t_ns'], seconds=False)} {n['text']}" for n in state.get("notes", [])],
        "devices": [
            {"name": d["name"], "text": d["text"], "ok": d.get("ok", True)}
            for d in (*state.get("relays", []), *state.get("devices", []))
        ],
        "store": [{"text": one["text"], "ok": one.get("ok", True)}
                  for one in (state.get("store"), state.get("awake")) if one and one.get("text")],
        "acts": [{"act": act, "text": act.replace("-", " ")} for act in state.get("acts", [])],
        "caution": state["caution"],
    }  # fmt: skip


def _row(row: Row) -> Row:
    age_s = row.get("age_s")
    old = f"{span(age_s)} old" if age_s and age_s >= 60 else f"{age_s:.0f} s old" if age_s and age_s > OLD_S else ""
    if row["value"] is None:
        return {"label": row["label"], "problem": row["problem"] or "no reading yet", "age": old}
    return {"label": row["label"], "text": shown(row), "note": row.get("note") or "", "age": old}


def _large(state: Row) -> str:
    """Key of the one number; "" where there is none. What a cylinder may still take says more at two meters than its
    share of a limit: then the tape shows the share."""
    live, headline = state["live"], state["view"]["headline"]
    if headline not in live:
        return ""
    return ROOM if live[headline]["quantity"] == "ratio" and ROOM in live else str(headline)


def _headline(state: Row, large: str) -> Row:
    """The one number and the tape under it."""
    if not large:
        return {"number": None, "tape": None}
    row, tape = state["live"][large], _tape(state, state["live"][state["view"]["headline"]])
    label, text = row["label"], shown(row)
    if large == ROOM:
        name = (state.get("cylinder") or {}).get("name") or "cylinder"
        over = row["value"] is not None and row["value"] < 0
        label, text = f"{'Over the limit of' if over else 'Room left in'} {name}", text.removeprefix("-")
    if row["value"] is None:
        return {"number": {"label": label, "problem": row["problem"] or "no reading yet"}, "tape": tape}
    number, _, unit = text.partition(" ")
    return {"number": {"label": label, "number": number, "unit": unit}, "tape": tape}


def _tape(state: Row, row: Row) -> Row | None:
    """Where the value stands between nothing and its limit: places as shares of the tape's length, and what is said at
    its ends. row: of the headline. at: end of the filled part, None where it is not known. zone: not to be reached.
    band: to be reached."""
    value, end = row["value"], [1 / BEYOND, 1.0]
    if row["quantity"] == "ratio":
        at = None if value is None else _share(value)
        return {"at": at, "zone": end, "left": f"{row['label']} {shown(row)}", "right": "limit 100 %"}
    if row["key"] == CHARGE:
        done = state["live"].get(CHARGED)
        if done is None or done["value"] is None or value is None or done["value"] + value <= 0:
            return None
        at = _share(done["value"] / (done["value"] + value))
        return {"at": at, "zone": end, "left": f"{done['label']} {shown(done)}", "right": "target"}
    limit = next((one for one in state.get("limits", []) if one["point"] == row["key"]), None)
    if limit is None or not 0 < limit["value"] < STANDARD_ATMOSPHERE_PA:
        return None
    right = f"{limit['label']} {limit['text']}"
    if limit["label"] != TARGET:
        at = None if value is None else _share(value / limit["value"])
        return {"at": at, "zone": end, "left": "0", "right": right}
    decades = math.log10(STANDARD_ATMOSPHERE_PA / limit["value"])
    at = _share(math.log10(STANDARD_ATMOSPHERE_PA / value) / decades) if value and value > 0 else None
    return {"at": at, "band": end, "left": "atmosphere", "right": right}


def _share(of_limit: float) -> float:
    return round(min(max(of_limit / BEYOND, 0.0), 1.0), 4)


def _stages(state: Row) -> Iterator[Row]:
    """All that there are, in the order of the work, with where each is."""
    stage = state["stage"]
    found = {e["label"]: e["headline"] for e in state.get("earlier", [])}  # the last of a kind
    for one in registry.STAGES:
        now = stage is not None and stage["running"] and stage["kind"] == one.kind
        done = one.label in found or (stage is not None and stage["kind"] == one.kind)
        yield {"label": one.label, "at": "now" if now else "done" if done else "later"}


def _alarm(alarm: Row, state: Row) -> Row:
    """As NAME, NUMBER / LIMIT, WHAT TO DO, with what became of it."""
    priority, away = str(alarm["priority"]), put_away(alarm)
    new, first = not alarm["acknowledged"], len(state["alarms"]) > 1 and alarm.get("first_out")
    said = ["came first"] if first else []
    if away:
        said, new = [away], False
    elif not new:
        said.append(f"acknowledged{' by ' + alarm['operator'] if alarm.get('operator') else ''}")
    if not alarm["active"] and not away:
        said.append("cleared")
    return {
        "key": alarm["key"],
        "level": priority,
        "strokes": LEVELS.get(priority, 1),
        "word": priority.upper(),
        "name": alarm["label"],
        "number": alarm.get("measured") or "",
        "do": alarm_text(alarm),
        "since": local_clock(alarm["since_ns"], seconds=False) if alarm.get("since_ns") else "",
        "said": ", ".join(said),
        "new": new,
        "active": alarm["active"],
        "away": bool(away),
    }


def _finding(finding: Row) -> Row:
    return {
        "verdict": Verdict(finding["verdict"]).word,
        "mark": MARKS.get(finding["verdict"], "info"),
        "head": finding["headline"],
        "text": finding["text"],
        "causes": "; ".join(finding["causes"]),
        "check": "; ".join(finding["check_next"]),
        "rule": finding["rule"] or "",
    }
