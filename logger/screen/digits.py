"""Large digits, to be read from two metres, and the letters of NOT CURRENT: our own shapes, five pixels high."""

# Each shape is five rows of pixels; "#" is set.
_SHAPES: dict[str, tuple[str, ...]] = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", " ##", " # ", " # "),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "-": ("   ", "   ", "###", "   ", "   "),
    "+": ("   ", " # ", "###", " # ", "   "),
    ".": (" ", " ", " ", " ", "#"),
    ",": (" ", " ", " ", "#", "#"),
    ":": (" ", "#", " ", "#", " "),
    "?": ("###", "  #", " ##", "   ", " # "),
    "C": ("###", "#  ", "#  ", "#  ", "###"),
    "E": ("###", "#  ", "## ", "#  ", "###"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": ("###", "# #", "# #", "# #", "###"),
    "R": ("## ", "# #", "## ", "# #", "# #"),
    "T": ("###", " # ", " # ", " # ", " # "),
    "U": ("# #", "# #", "# #", "# #", "###"),
    " ": (" ", " ", " ", " ", " "),
}
ROWS = 5


def large(text: str, width: int, height: int) -> list[str]:
    """`text` in large digits within width columns and height rows; plain text when it cannot fit or has letters."""
    if not text or any(ch not in _SHAPES for ch in text) or height < ROWS:
        return [text]
    pixels = sum(len(_SHAPES[ch][0]) for ch in text) + len(text) - 1
    for rows_per_pixel, columns_per_pixel in ((2, 4), (1, 2), (1, 1)):
        if pixels * columns_per_pixel <= width and ROWS * rows_per_pixel <= height:
            break
    else:
        return [text]
    lines = []
    for row in range(ROWS):
        line = " ".join(_SHAPES[ch][row] for ch in text)
        drawn = "".join(("█" if pixel == "#" else " ") * columns_per_pixel for pixel in line)
        lines += [drawn.rstrip()] * rows_per_pixel
    return lines
