"""Sentences in the columns there are: folded between words, dropped whole where there is no room, never cut."""

import re

from rich.cells import cell_len, set_cell_size


def wrapped(text: str, width: int) -> list[str]:
    """All of it; a word longer than a line goes on in the next."""
    lines, line = [], ""
    for word in text.split():
        while cell_len(word) > width:
            if line:
                lines.append(line)
                line = ""
            lines.append(set_cell_size(word, width).rstrip())
            word = word[len(lines[-1]) :]
        if line and cell_len(line) + 1 + cell_len(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [*lines, line] if line or not lines else lines


def fitted(text: str, width: int, rows: int, more: str = "") -> list[str]:
    """As many whole sentences as fit into the rows; `more` says where the rest is, when there is one."""
    if rows <= 0:
        return []
    whole = wrapped(text, width)
    if len(whole) <= rows:
        return whole
    sentences = re.split(r"(?<=[.!?:;])\s+", text.strip())
    for count in range(len(sentences) - 1, 0, -1):
        said = " ".join(sentences[:count]).rstrip(":;") + (f" ({more})" if more else "")
        lines = wrapped(said, width)
        if len(lines) <= rows:
            return lines
    return [f"({more})"] if more and cell_len(more) + 2 <= width else []
