"""What goes into the shipped table: names, compositions by mass and safety classes.

Compositions: as designated in ANSI/ASHRAE 34 (the same as ISO 817). Those that CoolProp also predefines are compared
with its list by a test; the rest (R-514A, R-515B, R-516A) are from memory.
Safety classes (ISO 817 / ASHRAE 34): from memory, shown with that mark.
To add one: a line here, then `python -m logger.refrigerant.build_table`.
"""

SAFETY_SOURCE = "ASHRAE 34 / ISO 817, not checked against the standard's text"

PURE: dict[str, str] = {
    "R-11": "A1", "R-12": "A1", "R-13": "A1", "R-22": "A1", "R-23": "A1", "R-32": "A2L", "R-113": "A1",
    "R-114": "A1", "R-115": "A1", "R-123": "B1", "R-124": "A1", "R-125": "A1", "R-134a": "A1", "R-142b": "A2",
    "R-143a": "A2L", "R-152a": "A2", "R-170": "A3", "R-227ea": "A1", "R-236fa": "A1", "R-245fa": "B1", "R-290": "A3",
    "R-600": "A3", "R-600a": "A3", "R-717": "B2L", "R-744": "A1", "R-1150": "A3", "R-1224yd(Z)": "A1",
    "R-1233zd(E)": "A1",
    "R-1234yf": "A2L", "R-1234ze(E)": "A2L", "R-1270": "A3", "R-1336mzz(E)": "A1", "R-1336mzz(Z)": "A1",
}  # fmt: skip

# name -> (safety class, composition in percent by mass)
BLENDS: dict[str, tuple[str, dict[str, float]]] = {
    "R-401A": ("A1", {"R-22": 53, "R-152a": 13, "R-124": 34}),
    "R-402A": ("A1", {"R-125": 60, "R-290": 2, "R-22": 38}),
    "R-404A": ("A1", {"R-125": 44, "R-143a": 52, "R-134a": 4}),
    "R-407A": ("A1", {"R-32": 20, "R-125": 40, "R-134a": 40}),
    "R-407C": ("A1", {"R-32": 23, "R-125": 25, "R-134a": 52}),
    "R-407F": ("A1", {"R-32": 30, "R-125": 30, "R-134a": 40}),
    "R-407H": ("A1", {"R-32": 32.5, "R-125": 15, "R-134a": 52.5}),
    "R-408A": ("A1", {"R-125": 7, "R-143a": 46, "R-22": 47}),
    "R-409A": ("A1", {"R-22": 60, "R-124": 25, "R-142b": 15}),
    "R-410A": ("A1", {"R-32": 50, "R-125": 50}),
    "R-414B": ("A1", {"R-22": 50, "R-124": 39, "R-600a": 1.5, "R-142b": 9.5}),
    "R-417A": ("A1", {"R-125": 46.6, "R-134a": 50, "R-600": 3.4}),
    "R-421A": ("A1", {"R-125": 58, "R-134a": 42}),
    "R-422A": ("A1", {"R-125": 85.1, "R-134a": 11.5, "R-600a": 3.4}),
    "R-422B": ("A1", {"R-125": 55, "R-134a": 42, "R-600a": 3}),
    "R-422D": ("A1", {"R-125": 65.1, "R-134a": 31.5, "R-600a": 3.4}),
    "R-424A": ("A1", {"R-125": 50.5, "R-134a": 47, "R-600a": 0.9, "R-600": 1.0, "R-601a": 0.6}),
    "R-427A": ("A1", {"R-32": 15, "R-125": 25, "R-143a": 10, "R-134a": 50}),
    "R-434A": ("A1", {"R-125": 63.2, "R-143a": 18, "R-134a": 16, "R-600a": 2.8}),
    "R-438A": ("A1", {"R-32": 8.5, "R-125": 45, "R-134a": 44.2, "R-600": 1.7, "R-601a": 0.6}),
    "R-442A": ("A1", {"R-32": 31, "R-125": 31, "R-134a": 30, "R-152a": 3, "R-227ea": 5}),
    "R-448A": ("A1", {"R-32": 26, "R-125": 26, "R-1234yf": 20, "R-134a": 21, "R-1234ze(E)": 7}),
    "R-449A": ("A1", {"R-32": 24.3, "R-125": 24.7, "R-1234yf": 25.3, "R-134a": 25.7}),
    "R-450A": ("A1", {"R-134a": 42, "R-1234ze(E)": 58}),
    "R-452A": ("A1", {"R-32": 11, "R-125": 59, "R-1234yf": 30}),
    "R-452B": ("A2L", {"R-32": 67, "R-125": 7, "R-1234yf": 26}),
    "R-453A": ("A1", {"R-32": 20, "R-125": 20, "R-134a": 53.8, "R-227ea": 5, "R-600": 0.6, "R-601a": 0.6}),
    "R-454A": ("A2L", {"R-32": 35, "R-1234yf": 65}),
    "R-454B": ("A2L", {"R-32": 68.9, "R-1234yf": 31.1}),
    "R-454C": ("A2L", {"R-32": 21.5, "R-1234yf": 78.5}),
    "R-455A": ("A2L", {"R-744": 3, "R-32": 21.5, "R-1234yf": 75.5}),
    "R-458A": ("A1", {"R-32": 20.5, "R-125": 4, "R-134a": 61.4, "R-227ea": 13.5, "R-236fa": 0.6}),
    "R-466A": ("A1", {"R-32": 49, "R-125": 11.5, "R-13I1": 39.5}),
    "R-471A": ("A1", {"R-1234ze(E)": 78.7, "R-227ea": 4.3, "R-1336mzz(E)": 17.0}),
    "R-500": ("A1", {"R-12": 73.8, "R-152a": 26.2}),
    "R-502": ("A1", {"R-22": 48.8, "R-115": 51.2}),
    "R-503": ("A1", {"R-23": 40.1, "R-13": 59.9}),
    "R-507A": ("A1", {"R-125": 50, "R-143a": 50}),
    "R-508B": ("A1", {"R-23": 46, "R-116": 54}),
    "R-513A": ("A1", {"R-1234yf": 56, "R-134a": 44}),
    "R-514A": ("B1", {"R-1336mzz(Z)": 74.7, "R-1130(E)": 25.3}),
    "R-515B": ("A1", {"R-1234ze(E)": 91.1, "R-227ea": 8.9}),
    "R-516A": ("A2L", {"R-1234yf": 77.5, "R-134a": 8.5, "R-152a": 14}),
}


def compositions() -> dict[str, dict[str, float]]:
    """Every refrigerant of the table: name -> component -> mass fraction (summing to 1)."""
    table = {name: {name: 1.0} for name in PURE}
    table |= {
        name: {part: round(percent / 100, 6) for part, percent in parts.items()} for name, (_, parts) in BLENDS.items()
    }
    return table


def safety_class(name: str) -> str:
    return PURE[name] if name in PURE else BLENDS[name][0]
