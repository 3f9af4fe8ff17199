"""Names as people type them: case, spaces and word ends do not matter; what is only near is asked about."""

import difflib
import sys
from collections.abc import Iterable, Mapping

import click

MARKS = {
    "isolated": "valved-off", "pump-started": "pump-on", "pump-stopped": "pump-off", "pump-oil-changed": "oil-changed",
    "nitrogen-break": "n2-break", "nitrogen-filled": "nitrogen-in", "vented": "bled-off", "valve-opened": "valve-open",
    "valve-closed": "valve-shut", "machine-started": "recovery-started", "machine-stopped": "recovery-stopped",
    "charging-valve-opened": "charging-started", "charging-valve-closed": "charging-stopped",
    "compressor-started": "compressor-on", "compressor-stopped": "compressor-off",
    "charge-added": "", "subcooler-on": "", "subcooler-off": "",
}  # fmt: skip
"""Acts that analyses, reports or plots know, and what else people call them."""
NEAR = 0.7  # of difflib's likeness


def plain_name(text: str) -> str:
    return "-".join(text.casefold().replace("_", " ").replace("-", " ").split())


def meant(text: str, known: Mapping[str, Iterable[str]]) -> tuple[str | None, str | None]:
    """(the name that is surely meant, the one that may be): by itself, another name of it, or the only one it begins.

    known: each name with what else it is called.
    """
    typed = plain_name(text)
    names = {plain_name(other): name for name, others in known.items() for other in (name, *others) if other}
    if typed in names:
        return names[typed], None
    begun = {name for other, name in names.items() if typed and len(typed) > 2 and other.startswith(typed)}
    if len(begun) == 1:
        return begun.pop(), None
    near = difflib.get_close_matches(typed, names, 1, NEAR)
    return None, names[near[0]] if near else None


def stage_kind(text: str) -> str:
    """Raises click.UsageError that names what may be meant, and all there is."""
    from logger.stages import registry

    known = {one.kind: (one.label, *one.also_called) for one in registry.STAGES}
    sure, near = meant(text, known)
    if sure is None and near is not None and _agreed(text, near):
        sure = near
    if sure is None:
        guess = f"; did you mean {near}?" if near else "."
        raise click.UsageError(f"no stage {text!r}{guess} Known: {', '.join(known)}")
    return sure


def mark_word(text: str) -> str:
    """A mark as it is stored. Words of one's own are allowed; one that is nearly a known mark is asked about.

    Raises click.UsageError where nobody can be asked.
    """
    sure, near = meant(text, {name: (other,) for name, other in MARKS.items()})
    if sure is not None:
        return sure
    if near is None:
        return text.strip()
    if _agreed(text, near):
        return near
    if sys.stdin.isatty():
        return text.strip()
    raise click.UsageError(f"no mark {text!r}; did you mean {near}? A word of your own: --own-word")


def _agreed(text: str, near: str) -> bool:
    return sys.stdin.isatty() and click.confirm(f"No {text!r}. Did you mean {near}?", default=True)
