"""Refrigerant names as people type them: R-410A, r410a, 410A, "R1234ze(E)", propane, CO2."""

from collections.abc import Iterable

# Common chemical names, and the isomer that the trade means when it leaves it out.
ALIASES = {
    "AMMONIA": "717", "NH3": "717", "CARBONDIOXIDE": "744", "CO2": "744", "PROPANE": "290", "ISOBUTANE": "600A",
    "BUTANE": "600", "NBUTANE": "600", "PROPYLENE": "1270", "PROPENE": "1270", "ETHANE": "170", "ETHYLENE": "1150",
    "ETHENE": "1150", "1234ZE": "1234ZEE", "1233ZD": "1233ZDE", "1224YD": "1224YDZ",
}  # fmt: skip


# Not refrigerants of a service cylinder: each gets its reason instead of a list of look-alikes.
REFUSED = {
    "WATER": "is water: no refrigerant cylinder holds it; `rimelog sat water` reads a vacuum gauge",
    "NITROGEN": "is a compressed gas without a liquid at these temperatures: its cylinder is limited by pressure alone",
    "AIR": "is no refrigerant: air in a cylinder is a fault (see the check for non-condensables)",
    "OXYGEN": "must never be used in refrigeration work: with oil it explodes",
}
_REFUSED_ALIASES = {
    "718": "WATER", "H2O": "WATER", "ICE": "WATER", "728": "NITROGEN", "N2": "NITROGEN", "729": "AIR", "732": "OXYGEN",
    "O2": "OXYGEN",
}  # fmt: skip


def refusal(name: str) -> str | None:
    """Why this substance is none of the table's, None when there is no special reason."""
    key = key_of(name)
    return REFUSED.get(_REFUSED_ALIASES.get(key, key))


def key_of(name: str) -> str:
    """The form in which names are compared: "R-1234ze(E)" -> "1234ZEE"."""
    key = "".join(c for c in name.upper() if c.isalnum())
    if key.startswith(("HFC", "HFO", "CFC")) and key[3:4].isdigit():
        key = key[3:]
    elif key.startswith("HCFC") and key[4:5].isdigit():
        key = key[4:]
    elif key.startswith("R") and key[1:2].isdigit():
        key = key[1:]
    return ALIASES.get(key, key)


def nearest(asked: str, names: Iterable[str], count: int = 3) -> tuple[str, ...]:
    """Names most like what was asked, best first; one wrong or missing letter is enough of a likeness."""
    from difflib import SequenceMatcher  # slow to import and only needed on a mistake

    key = key_of(asked)
    if not key:
        return ()
    scored = []
    for name in names:
        other = key_of(name)
        likeness = SequenceMatcher(None, key, other).ratio()
        if other.startswith(key) or key.startswith(other):
            likeness += 0.3
        scored.append((likeness, name))
    scored.sort(key=lambda pair: (-pair[0], pair[1]))
    return tuple(name for likeness, name in scored[:count] if likeness >= 0.6)
