"""The hook-ups of docs/mechanic.md as SVG: `python -m tests.pictures` writes them.

What is measured is a circle with its letters as in ANSI/ISA-5.1 (P pressure, T temperature, W weight, V vacuum here;
T after them: transmitter); valves are the two triangles of piping drawings. Numbers are in units of the drawing.
"""

import html
from collections.abc import Callable, Sequence

Point = tuple[float, float]
INK, SOFT, ACCENT, PAPER, WASH = "#1d2a30", "#55646b", "#0b5d57", "#ffffff", "#eef2f3"
WIDTH, HEIGHT = 900, 330


class Sheet:
    """One drawing. Later parts cover earlier ones: pipes first."""

    def __init__(self, title: str) -> None:
        self.title = title
        self._parts: list[str] = []
        self._words: list[str] = []

    def pipe(self, *points: Point, thick: float = 3) -> None:
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        self._parts.append(f'<polyline points="{path}" fill="none" stroke="{INK}" stroke-width="{thick:g}"/>')

    def flow(self, x: float, y: float, down: bool = False) -> None:
        """An arrow head: which way it goes."""
        shape = (
            f"{x - 6},{y - 7} {x + 6},{y - 7} {x},{y + 6}" if down else f"{x - 7},{y - 6} {x - 7},{y + 6} {x + 6},{y}"
        )
        self._parts.append(f'<polygon points="{shape}" fill="{INK}"/>')

    def box(self, x: float, y: float, w: float, h: float, *lines: str) -> None:
        self._parts.append(
            f'<rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}" rx="4" fill="{WASH}" stroke="{INK}"/>'
        )
        self._centered(x + w / 2, y + h / 2, lines)

    def cylinder(self, x: float, y: float, w: float, h: float, *lines: str) -> None:
        """With its shoulder and valve; the hose joins at (x + w / 2, y - 22)."""
        middle = x + w / 2
        self._parts.append(
            f'<path d="M{middle - 7:g},{y:g} v-14 h14 v14" fill="{WASH}" stroke="{INK}"/>'
            f'<path d="M{x:g},{y + h:g} v{18 - h:g} q0,-18 18,-18 h{w - 36:g} q18,0 18,18 v{h - 18:g} z" '
            f'fill="{WASH}" stroke="{INK}"/>'
        )
        self._centered(middle, y + h / 2, lines)

    def scale(self, x: float, y: float, w: float) -> None:
        self._parts.append(
            f'<path d="M{x:g},{y:g} h{w:g} v10 h-{w:g} z M{x + 8:g},{y + 10:g} h{w - 16:g} l10,12 h-{w + 4:g} z" '
            f'fill="{PAPER}" stroke="{INK}"/>'
        )

    def valve(self, x: float, y: float, label: str = "", upright: bool = False, below: bool = True) -> None:
        a, b = (8, 11) if upright else (11, 8)
        shape = (
            f"{x - a},{y - b} {x + a},{y - b} {x - a},{y + b} {x + a},{y + b}"
            if upright
            else f"{x - a},{y - b} {x - a},{y + b} {x + a},{y - b} {x + a},{y + b}"
        )
        self._parts.append(f'<polygon points="{shape}" fill="{PAPER}" stroke="{INK}"/>')
        if label:
            if upright:
                self._text(x + 16, y + 4, label, anchor="start")
            else:
                self._text(x, y + 26 if below else y - 16, label)

    def sensor(self, x: float, y: float, letters: str, label: str, at: Point, right: bool = True) -> None:
        """at: where it is mounted."""
        self._parts.append(
            f'<line x1="{x:g}" y1="{y:g}" x2="{at[0]:g}" y2="{at[1]:g}" stroke="{ACCENT}"/>'
            f'<circle cx="{x:g}" cy="{y:g}" r="15" fill="{PAPER}" stroke="{ACCENT}" stroke-width="2"/>'
        )
        self._text(x, y + 4, letters, color=ACCENT, bold=True)
        self._text(x + (20 if right else -20), y + 4, label, "start" if right else "end", ACCENT)

    def note(self, x: float, y: float, text: str) -> None:
        self._text(x, y, text, "start", SOFT)

    def _centered(self, x: float, y: float, lines: Sequence[str]) -> None:
        for i, line in enumerate(lines):
            self._text(x, y + 5 + 17 * (i - (len(lines) - 1) / 2), line, bold=i == 0)

    def _text(
        self, x: float, y: float, text: str, anchor: str = "middle", color: str = INK, bold: bool = False
    ) -> None:
        weight = ' font-weight="600"' if bold else ""
        self._words.append(text)
        self._parts.append(
            f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="{color}"{weight}>{html.escape(text)}</text>'
        )

    def svg(self) -> str:
        told = f"<title>{html.escape(self.title)}</title><desc>{html.escape('; '.join(self._words))}</desc>"
        return (
            f'<svg role="img" viewBox="0 0 {WIDTH} {HEIGHT}" xmlns="http://www.w3.org/2000/svg" '
            f'font-family="sans-serif" font-size="13">{told}\n'
            f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>\n' + "\n".join(self._parts) + "\n</svg>\n"
        )


def recovery() -> Sheet:
    s = Sheet("Hook-up for a recovery")
    s.pipe((150, 180), (656, 180), (656, 70), (790, 70), (790, 136))
    s.box(30, 120, 120, 120, "SYSTEM", "both service", "valves open")
    s.valve(185, 180)
    s.flow(225, 180)
    s.box(255, 160, 80, 40, "filter-drier")
    s.box(412, 140, 160, 80, "RECOVERY MACHINE", "condenser in the air")
    s.valve(619, 180, "outlet valve")
    s.flow(715, 70)
    s.cylinder(740, 150, 100, 120, "CYLINDER", "max gross", "on its tag")
    s.scale(725, 270, 130)
    s.sensor(90, 60, "PT", "system pressure", (90, 120))
    s.sensor(385, 90, "PT", "recovery inlet", (385, 180))
    s.sensor(385, 260, "TT", "recovery inlet temp: a clamp", (385, 180))
    s.sensor(616, 120, "PT", "recovery outlet", (656, 150), right=False)
    s.sensor(840, 90, "PT", "", (790, 105))
    s.note(765, 52, "cylinder pressure")
    s.sensor(690, 230, "TT", "cylinder temp: a clamp", (740, 215), right=False)
    s.sensor(690, 300, "WT", "scale (gross): the overfill alarm rests on it", (725, 280), right=False)
    return s


def nitrogen_test() -> Sheet:
    s = Sheet("Hook-up for a nitrogen pressure test")
    s.pipe((100, 116), (100, 80), (560, 80), (560, 160), (640, 160))
    s.cylinder(50, 130, 100, 150, "NITROGEN", "dry", "(upright, tied)")
    s.box(170, 58, 110, 44, "REGULATOR")
    s.pipe((350, 80), (350, 45))
    s.valve(350, 45, "relief valve, at the test pressure", upright=True)
    s.valve(440, 80, "shut it for the hold")
    s.flow(520, 80)
    s.box(640, 110, 160, 110, "SYSTEM", "compressor off", "all valves inside open")
    s.sensor(720, 50, "PT", "system pressure", (720, 110))
    s.sensor(720, 280, "TT", "system temperature, where most of the volume is", (720, 220), right=False)
    s.sensor(845, 280, "TT", "", (845, 260))
    s.note(815, 315, "ambient")
    s.note(170, 200, "Never above the lowest marking of what is under test.")
    s.note(170, 220, "Open the regulator slowly. Nitrogen only, no oxygen, no air.")
    return s


def evacuation() -> Sheet:
    s = Sheet("Hook-up for an evacuation and the decay test after it")
    s.pipe((170, 200), (560, 200), thick=6)
    s.pipe((150, 190), (190, 190), (190, 110), (620, 110), (620, 140), thick=6)
    s.box(50, 150, 120, 90, "VACUUM PUMP", "fresh oil")
    s.flow(250, 200)
    s.box(560, 130, 160, 120, "SYSTEM", "high and low side,", "valves inside open")
    s.valve(400, 200, "isolation valves: shut both, then mark isolated")
    s.valve(400, 110)
    s.sensor(750, 80, "VT", "vacuum gauge", (690, 130))
    s.note(730, 182, "at the system, far from")
    s.note(730, 199, "the pump, on its own side")
    s.note(730, 216, "of the isolation valves")
    s.sensor(640, 300, "TT", "system temperature", (640, 250))
    s.note(60, 290, "Large, short hoses; valve cores out. No refrigerant hose with a manifold between.")
    return s


def charging() -> Sheet:
    s = Sheet("Hook-up for charging by weight, and for the start-up")
    s.pipe((130, 136), (130, 80), (430, 80), (430, 150), (520, 150))
    s.cylinder(80, 150, 100, 120, "CYLINDER", "liquid valve")
    s.scale(65, 270, 130)
    s.valve(260, 80, "charging valve: a hand on it in the last minute", below=False)
    s.flow(360, 80)
    s.box(520, 100, 180, 150, "SYSTEM", "liquid into the", "liquid line")
    s.sensor(250, 285, "WT", "scale (gross): what left the cylinder", (195, 280))
    s.sensor(738, 60, "PT", "discharge pressure", (700, 115))
    s.sensor(738, 120, "TT", "discharge line temp", (700, 135))
    s.sensor(738, 175, "PT", "liquid line pressure", (700, 175))
    s.sensor(738, 230, "TT", "liquid line temp", (700, 200))
    s.sensor(560, 300, "PT", "suction pressure", (560, 250))
    s.sensor(738, 290, "TT", "suction line temp", (700, 240))
    return s


HOOK_UPS: dict[str, Callable[[], Sheet]] = {
    "hook-up-recovery": recovery,
    "hook-up-nitrogen": nitrogen_test,
    "hook-up-evacuation": evacuation,
    "hook-up-charging": charging,
}
