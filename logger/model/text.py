"""Text from outside (a device, a file, a person) made harmless before it is shown, logged or exported."""

import unicodedata

MAX_SHOWN = 300


def clean(text: str, limit: int = MAX_SHOWN) -> str:
    """Without control, format, surrogate, private or unassigned characters; white space folded; bounded.

    Terminal escapes, bidirectional overrides and line breaks cannot pass.
    """
    allowed = text[: limit * 4]
    if not allowed.isprintable():  # true of none that is taken out here, and of no white space but the blank
        allowed = "".join(
            " " if ch.isspace() else ch for ch in allowed if ch.isspace() or unicodedata.category(ch)[0] != "C"
        )
    folded = " ".join(allowed.split())
    return folded if len(folded) <= limit else folded[: limit - 1] + "…"


def clean_name(text: str, limit: int = 60) -> str:
    """Safe as part of a file name on every system: letters, digits, - and _ only, never empty."""
    allowed = "".join(ch if ch.isascii() and (ch.isalnum() or ch in "-_") else "-" for ch in clean(text, limit))
    return allowed.strip("-") or "unnamed"
