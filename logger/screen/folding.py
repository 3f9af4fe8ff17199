"""Sentences in the columns there are: folded between words, dropped whole where there is no room, never cut."""

import re

from rich.cells import cell_len, set_cell_size

NO_BREAK = "\u00a0"
_AFTER = re.compile(r"[/\\]")


def wrapped(text: str, width: int) -> list[str]:
    """All of it, never broken at NO_BREAK; a word longer than a line goes on in the next, a path after a folder."""
    lines, line = [], ""
    for word in re.findall(r"[^ \t\r\n]+", text):
        while cell_len(word) > width:
            if line:
                lines.append(line)
                line = ""
            cut = set_cell_size(word, width).rstrip()
            ends = [found.end() for found in _AFTER.finditer(cut)]
            lines.append(cut[: ends[-1]] if ends and ends[-1] > width // 3 else cut)
            word = word[len(lines[-1]) :]
        if line and cell_len(line) + 1 + cell_len(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    return [one.replace(NO_BREAK, " ") for one in [*lines, *([line] if line or not lines else [])]]


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
