"""Published points, each with its source. "From memory" means: not looked up in the primary text for this project."""

ASHRAE_34 = "ASHRAE 34 / ISO 817, not checked against the standard's text"
FUNDAMENTALS = "ASHRAE Fundamentals saturation tables, not checked against the book"
REFERENCE_DATA = "public test data of the reference equation"
REGRESSION = "computed once with CoolProp: a regression value, not an independent check"

# Normal boiling points at 101.325 kPa, °C: (bubble, dew). Source: ASHRAE_34.
NORMAL_BOILING_C: dict[str, tuple[float, float]] = {
    "R-11": (23.7, 23.7), "R-12": (-29.8, -29.8), "R-13": (-81.4, -81.4), "R-22": (-40.8, -40.8),
    "R-23": (-82.0, -82.0), "R-32": (-51.7, -51.7), "R-113": (47.6, 47.6), "R-114": (3.6, 3.6), "R-123": (27.8, 27.8),
    "R-124": (-12.0, -12.0), "R-125": (-48.1, -48.1), "R-134a": (-26.1, -26.1), "R-142b": (-9.1, -9.1),
    "R-143a": (-47.2, -47.2), "R-152a": (-24.0, -24.0), "R-170": (-88.6, -88.6), "R-227ea": (-16.3, -16.3),
    "R-236fa": (-1.4, -1.4), "R-245fa": (15.1, 15.1), "R-290": (-42.1, -42.1), "R-600": (-0.5, -0.5),
    "R-600a": (-11.7, -11.7), "R-717": (-33.3, -33.3), "R-1150": (-103.8, -103.8), "R-1224yd(Z)": (14.6, 14.6),
    "R-1233zd(E)": (18.3, 18.3), "R-1234yf": (-29.5, -29.5), "R-1234ze(E)": (-19.0, -19.0), "R-1270": (-47.6, -47.6),
    "R-1336mzz(E)": (7.5, 7.5), "R-1336mzz(Z)": (33.4, 33.4),
    "R-401A": (-34.4, -28.8), "R-402A": (-49.2, -47.0), "R-404A": (-46.6, -45.8), "R-407A": (-45.2, -38.7),
    "R-407C": (-43.8, -36.7), "R-407F": (-46.1, -39.7), "R-407H": (-44.6, -37.6), "R-408A": (-45.5, -45.0),
    "R-409A": (-35.4, -27.5), "R-410A": (-51.6, -51.5), "R-414B": (-34.4, -26.1), "R-417A": (-38.0, -32.9),
    "R-421A": (-40.8, -35.5), "R-422A": (-46.5, -44.1), "R-422B": (-40.5, -35.6), "R-422D": (-43.2, -38.4),
    "R-424A": (-39.1, -33.3), "R-427A": (-43.0, -36.3), "R-434A": (-45.0, -42.3), "R-438A": (-43.0, -36.4),
    "R-442A": (-46.5, -39.9), "R-448A": (-45.9, -39.8), "R-449A": (-46.0, -39.9), "R-450A": (-23.4, -22.8),
    "R-452A": (-47.0, -43.2), "R-452B": (-51.0, -50.3), "R-453A": (-42.2, -35.0), "R-454A": (-48.4, -41.6),
    "R-454B": (-50.9, -50.0), "R-454C": (-46.0, -37.8), "R-455A": (-51.6, -39.1), "R-458A": (-39.0, -32.4),
    "R-466A": (-51.7, -51.0), "R-500": (-33.6, -33.6), "R-502": (-45.3, -45.0), "R-503": (-87.5, -87.5),
    "R-507A": (-47.1, -47.1), "R-508B": (-87.4, -87.0), "R-513A": (-29.2, -29.1), "R-514A": (29.0, 29.0),
    "R-515B": (-18.9, -18.8), "R-516A": (-29.4, -29.4),
}  # fmt: skip
# What the tier of the model promises at the normal boiling point, K, the published rounding included.
BOILING_TOLERANCE_K = {"reference": 0.7, "predictive": 1.4, "estimated": 3.4}

# (refrigerant, °C, bubble kPa, dew kPa, liquid kg/m3 or None, source, relative tolerance)
SATURATION: tuple[tuple[str, float, float, float, float | None, str, float], ...] = (
    ("R-134a", 0.0, 292.80, 292.80, 1294.8, FUNDAMENTALS, 1e-3),
    ("R-134a", 25.0, 665.38, 665.38, 1206.7, FUNDAMENTALS, 1e-3),
    ("R-134a", 40.0, 1016.6, 1016.6, 1146.7, FUNDAMENTALS, 1e-3),
    ("R-22", 0.0, 497.99, 497.99, 1281.5, FUNDAMENTALS, 1e-3),
    ("R-22", 25.0, 1043.9, 1043.9, 1190.7, FUNDAMENTALS, 1e-3),
    ("R-22", 40.0, 1533.6, 1533.6, 1128.5, FUNDAMENTALS, 1e-3),
    ("R-32", 0.0, 813.1, 813.1, 1055.3, FUNDAMENTALS, 1e-3),
    ("R-717", 0.0, 429.4, 429.4, 638.6, FUNDAMENTALS, 2e-3),
    ("R-717", 25.0, 1003.0, 1003.0, 602.8, FUNDAMENTALS, 2e-3),
    ("R-744", 0.0, 3485.1, 3485.1, 927.4, FUNDAMENTALS, 1e-3),
    ("R-744", 20.0, 5729.1, 5729.1, 773.4, FUNDAMENTALS, 1e-3),
    ("R-290", 0.0, 474.5, 474.5, 528.6, FUNDAMENTALS, 1e-3),
    ("R-407C", 20.0, 1038.0, 880.0, None, REFERENCE_DATA, 6e-4),
    ("R-134a", 0.0, 292.8, 292.8, None, REGRESSION, 2e-4),
    ("R-22", 0.0, 498.0, 498.0, None, REGRESSION, 2e-4),
    ("R-32", 0.0, 813.1, 813.1, None, REGRESSION, 2e-4),
    ("R-410A", 0.0, 800.7, 798.1, None, REGRESSION, 2e-4),
    ("R-407C", 0.0, 567.9, 460.7, None, REGRESSION, 2e-4),
)

# (refrigerant, critical temperature °C, critical pressure MPa). Source: FUNDAMENTALS.
CRITICAL: tuple[tuple[str, float, float], ...] = (
    ("R-134a", 101.06, 4.059), ("R-22", 96.15, 4.990), ("R-32", 78.11, 5.782), ("R-744", 30.98, 7.377),
    ("R-290", 96.74, 4.251), ("R-600a", 134.66, 3.629), ("R-123", 183.68, 3.662), ("R-1234yf", 94.70, 3.382),
)  # fmt: skip
