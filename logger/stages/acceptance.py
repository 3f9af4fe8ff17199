"""Acceptance profiles: what a vacuum decay or a standing pressure test must show to be called held.

A profile names its source. The law of the United States sets no micron figure for evacuation, so none of these is
called after it. A user's own profile is a table with the same words (see `profile_from_mapping`).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.model.errors import ComputeError
from logger.model.points import Quantity
from logger.model.units import MICRON_PA, UnitError, parse_quantity

SOURCED = "published"  # the text of the source was read
FROM_MEMORY = "not checked"  # to be checked against the primary text before it is relied on
OWN = "user's own"


@dataclass(frozen=True, slots=True)
class HoldStep:
    """One hold under vacuum. Absolute Pa.

    start_max_pa: pressure at isolation, at most. hold_s: how long isolated. limit_pa: never above during the hold.
    rise_max_pa: rise over the hold, at most. At least one of the last two is set.
    """

    start_max_pa: float | None
    hold_s: float
    limit_pa: float | None
    rise_max_pa: float | None = None

    @property
    def allowed_rise_pa(self) -> float:
        """What the step lets the pressure rise; for a step with start and limit alike, a tenth of the limit."""
        allowed = [x for x in (self.rise_max_pa,) if x is not None]
        if self.limit_pa is not None:
            start = self.limit_pa if self.start_max_pa is None else self.start_max_pa
            allowed.append(max(self.limit_pa - start, 0.1 * self.limit_pa))
        return min(allowed)


@dataclass(frozen=True, slots=True)
class DecayProfile:
    """steps: holds in the order they are done, the last one decides. evacuations: how many are asked for.

    ambient_min_k: below it the test does not count. standing: SOURCED, FROM_MEMORY or OWN.
    """

    key: str
    label: str
    source: str
    standing: str
    steps: tuple[HoldStep, ...]
    evacuations: int = 1
    ambient_min_k: float | None = None
    remark: str = ""

    def described(self) -> str:
        mark = f" ({self.standing})" if self.standing == FROM_MEMORY else ""
        return f"{self.label}; source: {self.source}{mark}"


MIN_HOLD_S = 600.0  # of test pressure, before a change is judged


@dataclass(frozen=True, slots=True)
class PressureProfile:
    """Standing pressure. hold_s: how long. drop_max_pa: largest corrected drop, None: no drop that can be seen.

    must_see: the test counts only if it could have seen a drop of this share of the gauge pressure.
    """

    key: str
    label: str
    source: str
    standing: str
    hold_s: float
    drop_max_pa: float | None = None
    must_see: float = 0.01
    remark: str = ""

    def described(self) -> str:
        mark = f" ({self.standing})" if self.standing == FROM_MEMORY else ""
        return f"{self.label}; source: {self.source}{mark}"


class ProfileError(ComputeError):
    """A profile as written cannot be used. `problems`: every fault, each with its key."""

    def __init__(self, key: str, problems: list[str]) -> None:
        self.key, self.problems = key, tuple(problems)
        super().__init__(f"profile {key!r}: " + "; ".join(problems))


def _micron(number: float) -> float:
    return number * MICRON_PA


_HOUR = 3600.0

DECAY_PROFILES: dict[str, DecayProfile] = {
    p.key: p
    for p in (
        DecayProfile(
            "ufgs-15182", "300 microns, then not above 500 microns in 1 h",
            "Unified Facilities Guide Specification 15182 section 3.3.3 (now 23 23 00)", SOURCED,
            (HoldStep(_micron(300), 1 * _HOUR, _micron(500)),), ambient_min_k=(35 + 459.67) * 5 / 9,
            remark="ambient above 35 °F; one system per pump",
        ),
        DecayProfile(
            "ufgs-15741n", "three evacuations to 300 microns, the last held at 300 microns for 2 h",
            "Unified Facilities Guide Specification 15741N section 3.7.3", SOURCED,
            (HoldStep(_micron(300), 2 * _HOUR, _micron(300)),), evacuations=3,
        ),
        DecayProfile(
            "iec-60335-2-40", "500 microns, then not above 1,500 microns in 10 min",
            "instruction in the style of IEC 60335-2-40 (quoted; the standard itself not seen)", SOURCED,
            (HoldStep(_micron(500), 600.0, _micron(1500)),),
        ),
        DecayProfile(
            "ca-green-5.508.2.6", "500 microns held 30 min, then 300 microns for 24 h, drift up to 100 microns",
            "California Green Building Standards Code 5.508.2.6", FROM_MEMORY,
            (HoldStep(None, 0.5 * _HOUR, _micron(500)), HoldStep(_micron(300), 24 * _HOUR, None, _micron(100))),
            evacuations=2,
        ),
        DecayProfile(
            "en-378-2", "below 270 Pa for 30 min, nitrogen break, below 270 Pa for 6 h",
            "EN 378-2, charge above 20 kg", FROM_MEMORY,
            (HoldStep(None, 0.5 * _HOUR, 270.0), HoldStep(None, 6 * _HOUR, 270.0)), evacuations=2,
        ),
    )
}  # fmt: skip

PRESSURE_PROFILES: dict[str, PressureProfile] = {
    p.key: p
    for p in (
        PressureProfile(
            "ufgs-15217n", "24 h, no drop beyond what temperature explains",
            "Unified Facilities Guide Specification 15217N section 3.2.6.4", SOURCED, 24 * _HOUR,
            remark="that the test must be able to see 1 % of the test pressure is this program's own condition",
        ),
    )
}  # fmt: skip

DEFAULT_DECAY_PROFILE = "ufgs-15182"
DEFAULT_PRESSURE_PROFILE = "ufgs-15217n"
NAMED = f"pass/fail standard: {DEFAULT_DECAY_PROFILE} (vacuum), {DEFAULT_PRESSURE_PROFILE} (pressure), or your own"
Profile = DecayProfile | PressureProfile

DECAY = "vacuum decay"
STANDING = "standing pressure"


def profile_from_mapping(key: str, table: Mapping[str, Any]) -> Profile:
    """A user's profile from a table such as a TOML file gives. Raises ProfileError with every fault in it.

    kind = "vacuum decay": label, hold = "1h", and limit = "500micron" or rise = "100micron" (or both);
    start = "300micron", evacuations = 3, ambient_min = "35F", source, remark as wanted; earlier holds as a list
    `before` of tables with start, hold, limit, rise. kind = "standing pressure": label, hold, drop = "1psi",
    must_see = "1%", source, remark.
    """
    problems: list[str] = []
    kind = table.get("kind", DECAY)
    text = {"label": key, "source": "not stated", "remark": ""}
    for name in text:
        if name in table:
            if isinstance(table[name], str) and table[name].strip():
                text[name] = table[name].strip()
            else:
                problems.append(f"{name}: must be a text")
    words = {"kind", *text}
    result: Profile | None = None
    if kind == DECAY:
        words |= {"start", "hold", "limit", "rise", "evacuations", "ambient_min", "before"}
        result = _decay(key, table, text, problems)
    elif kind == STANDING:
        words |= {"hold", "drop", "must_see"}
        result = _standing(key, table, text, problems)
    else:
        problems.append(f"kind: {kind!r} is neither {DECAY!r} nor {STANDING!r}")
        raise ProfileError(key, problems)
    problems += [f"{name}: no such key here; known: {', '.join(sorted(words))}" for name in table if name not in words]
    if problems or result is None:
        raise ProfileError(key, problems)
    return result


def _decay(key: str, table: Mapping[str, Any], text: dict[str, str], problems: list[str]) -> DecayProfile | None:
    steps: list[HoldStep | None] = []
    before = table.get("before", [])
    if not isinstance(before, list | tuple):
        problems.append("before: must be a list of tables, one a hold")
        before = []
    for i, row in enumerate(before, start=1):
        if not isinstance(row, Mapping):
            problems.append(f"before[{i}]: must be a table")
            continue
        known_words = {"start", "hold", "limit", "rise"}
        problems += [f"before[{i}].{w}: no such key here" for w in row if w not in known_words]
        steps.append(_step(row, f"before[{i}].", problems))
    steps.append(_step(table, "", problems))
    evacuations = table.get("evacuations", 1)
    if not isinstance(evacuations, int) or isinstance(evacuations, bool) or not 1 <= evacuations <= 20:
        problems.append(f"evacuations: must be a whole number from 1 to 20, not {evacuations!r}")
        evacuations = 1
    ambient = _quantity(table, "ambient_min", Quantity.TEMPERATURE, "", problems)
    if problems:
        return None
    whole = tuple(s for s in steps if s is not None)
    return DecayProfile(key, text["label"], text["source"], OWN, whole, evacuations, ambient, text["remark"])


def _step(table: Mapping[str, Any], where: str, problems: list[str]) -> HoldStep | None:
    seen = len(problems)
    start = _quantity(table, "start", Quantity.VACUUM, where, problems)
    limit = _quantity(table, "limit", Quantity.VACUUM, where, problems)
    rise = _quantity(table, "rise", Quantity.PRESSURE_DIFFERENCE, where, problems)
    hold = _quantity(table, "hold", Quantity.TIME, where, problems, needed=True)
    if "limit" not in table and "rise" not in table:
        problems.append(f'{where}limit: a limit or a rise is needed, such as limit = "500micron"')
    if start is not None and limit is not None and start > limit:
        problems.append(f"{where}start: lies above the limit")
    if len(problems) > seen or hold is None:
        return None
    return HoldStep(start, hold, limit, rise)


def _standing(key: str, table: Mapping[str, Any], text: dict[str, str], problems: list[str]) -> PressureProfile | None:
    hold = _quantity(table, "hold", Quantity.TIME, "", problems, needed=True)
    drop = _quantity(table, "drop", Quantity.PRESSURE_DIFFERENCE, "", problems)
    must_see = _quantity(table, "must_see", Quantity.RATIO, "", problems)
    if must_see is not None and not must_see <= 0.5:
        problems.append("must_see: a share of the test pressure, up to 50%")
    if problems or hold is None:
        return None
    return PressureProfile(
        key, text["label"], text["source"], OWN, hold, drop, 0.01 if must_see is None else must_see, text["remark"]
    )


def _quantity(
    table: Mapping[str, Any], name: str, quantity: Quantity, where: str, problems: list[str], needed: bool = False
) -> float | None:
    if name not in table:
        if needed:
            problems.append(f"{where}{name}: is missing")
        return None
    raw = table[name]
    if not isinstance(raw, str):
        problems.append(f"{where}{name}: {raw!r} has no unit; write it as text with its unit")
        return None
    try:
        number = parse_quantity(raw, quantity)
    except UnitError as exc:
        problems.append(f"{where}{name}: {exc}")
        return None
    if not (math.isfinite(number) and number > 0.0):
        problems.append(f"{where}{name}: {raw!r} must be above zero")
        return None
    return number
