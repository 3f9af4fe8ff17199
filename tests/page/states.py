"""A daemon's state as the page is given it, invented."""

import copy
from typing import Any

from logger.model.units import NS_PER_S

NOW_NS = 1_767_700_000 * NS_PER_S
Row = dict[str, Any]


def row(key: str, label: str, value: float | None, quantity: str, text: str, problem: str | None = None) -> Row:
    return {
        "key": key, "label": label, "value": value, "quantity": quantity, "text": text, "problem": problem,
        "note": None,
    }  # fmt: skip


def alarm(**more: Any) -> Row:
    return {
        "key": "overfill-soon", "label": "CYLINDER NEARLY FULL", "priority": "high", "active": True,
        "acknowledged": False, "measured": "91.2 %, limit 90.0 %", "message": "Get an empty cylinder.",
        "state": "unacknowledged", "since_ns": NOW_NS - 60 * NS_PER_S, "first_out": False, "operator": "",
        "shelved_until_ns": None, "reason": "", **more,
    }  # fmt: skip


RECOVERY: Row = {
    "t_ns": NOW_NS,
    "job": {"job_id": "2026-01-06-01", "customer": "", "appliance": "Chiller 1", "invented": True, "units": "us"},
    "refrigerant": "R-407C",
    "stage": {"kind": "recovery", "label": "Recovery", "number": 1, "running": True, "elapsed_s": 4205.0,
              "begun_ns": NOW_NS - 4205 * NS_PER_S},
    "ambient": {"value": 101_325.0},
    "cylinder": {"name": "A"},
    "view": {"headline": "cylinder_of_limit", "lines": ["recovered", "mass_allowed"], "trend": "cylinder_mass",
             "log_trend": False},
    "live": {
        "cylinder_of_limit": row("cylinder_of_limit", "Cylinder fill, of its limit", 0.912, "ratio", "91.2 %"),
        "mass_allowed": row("mass_allowed", "Room left in cylinder", 4.5, "mass", "9.9 lb"),
        "recovered": row("recovered", "Recovered", 50.1, "mass", "110.4 lb"),
    },
    "points": [
        {"point": "cylinder_mass", "age_s": 0.4, **row("", "Scale (gross)", 75.0, "mass", "165.3 lb")},
        {"point": "cylinder_pressure", "age_s": 8.0, **row("", "Cylinder pressure", 9e5, "pressure", "118.0 psig")},
        {"point": "cylinder_temperature", "age_s": None,
         **row("", "Cylinder temp", None, "temperature", "unknown", "open circuit")},
    ],
    "next": {"text": "Wait for the recovery machine", "command": None, "begin": None},
    "alarms": [],
    "proposals": [],
    "cylinders": ["A", "B"],
    "acts": ["machine-started"],
    "limits": [],
    "marks": [],
    "devices": [{"name": "scale board", "text": "connected", "ok": True}],
    "store": {"text": "stored to 07:15:02", "ok": True},
    "caution": "Records and warns only.",
}  # fmt: skip


def recovery(**more: Any) -> Row:
    return {**copy.deepcopy(RECOVERY), **more}


def vacuum(pa: float, limit_pa: float, label: str) -> Row:
    """Of an evacuation (label "target") or a decay test ("limit")."""
    state = recovery(
        limits=[{"point": "vacuum", "label": label, "value": limit_pa, "shown": 300.0, "text": "300 microns"}]
    )
    state["view"] = {"headline": "vacuum", "lines": [], "trend": "vacuum", "log_trend": True}
    state["live"] = {"vacuum": row("vacuum", "Vacuum", pa, "vacuum", f"{pa / 0.133322:,.0f} microns")}
    return state
