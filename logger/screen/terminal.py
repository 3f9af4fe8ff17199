"""The loop of `rimelog view`: follows the daemon's stream, draws, takes keys, reconnects by itself."""

import threading
import time
from collections.abc import Callable, Sequence
from typing import Any

from rich.console import Console, Group
from rich.live import Live

from logger.model.units import NS_PER_S
from logger.screen.acting import Acting
from logger.screen.daemon_client import DaemonClient
from logger.screen.folding import wrapped
from logger.screen.key_reader import DOWN, ESC, LEFT, RIGHT, UP, Keys
from logger.screen.layout import Asking, Trend, render
from logger.screen.words import trend_span

TREND_EVERY_NS = 5 * NS_PER_S  # of the record's time, which a demonstration lets run faster
TREND_BUCKETS = 400  # two a character: of a screen of 200 columns
NOTE_S = 5.0
PAGES = {"r": "readings", "f": "findings", "d": "devices", "l": "alarms", "?": "help"}
ONWARD = {" ": 1, "\r": 1, "\n": 1, "\x7f": -1, "\x08": -1} | {DOWN: 1, RIGHT: 1, UP: -1, LEFT: -1}
"""Keys that show the next or the last part of a page: large ones, for a hand in a glove."""


Picture = tuple[dict[str, Any], Trend]
"""State and trend that belong together: another stage may draw another point, in another unit."""


class StreamFollower:
    """A thread that keeps the newest picture; `problem` says why there is none."""

    def __init__(self, connect: Callable[[], DaemonClient], lost: type[Exception]) -> None:
        self._connect, self._lost = connect, lost
        self.picture: Picture | None = None
        self.problem = "waiting for the logger"
        self.changed = threading.Event()
        self.recent = False  # the trend of the last minutes, not of the whole stage
        self.ended = False
        self._thread = threading.Thread(target=self._run, name="screen", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self.ended:
            try:
                daemon = self._connect()
                self._follow(daemon)
                self.problem = "the logger has ended"
            except self._lost as exc:
                self.problem = str(exc)
            self.changed.set()
            time.sleep(1.0)

    def _follow(self, daemon: DaemonClient) -> None:
        trend, drawn, next_ns = Trend(), None, 0
        for name, _, data in daemon.stream():
            if self.ended:
                return
            if name != "snapshot":
                continue
            wanted = (data["view"]["trend"], data["stage"] and data["stage"]["number"], self.recent)
            if wanted != drawn or data["t_ns"] >= next_ns:
                drawn, next_ns = wanted, data["t_ns"] + TREND_EVERY_NS
                trend = self._trend(daemon, data)
            self.picture, self.problem = (data, trend), ""
            self.changed.set()

    def _trend(self, daemon: DaemonClient, state: dict[str, Any]) -> Trend:
        since_ns, over, key = trend_span(state, self.recent)
        try:
            return Trend(daemon.history(state["view"]["trend"], since_ns, TREND_BUCKETS), over, key)
        except self._lost as exc:  # the readings go on being shown
            return Trend(problem=str(exc))


def watch(
    connect: Callable[[], DaemonClient],
    lost: type[Exception],
    until: Callable[[], bool] = lambda: False,
    stages: Sequence[tuple[str, str]] = (),
    cylinders: Callable[[], Sequence[str]] = tuple,
    operator: str = "",
) -> None:
    """Draw until `q`, Ctrl-C or `until()`. Logging goes on. stages, cylinders, operator: of logger.screen.acting."""
    console = Console()
    follower = StreamFollower(connect, lost)
    acting = Acting(lambda action, **body: connect().act(action, **body), stages, cylinders, operator)
    page, part, note, note_until = "main", 0, "", 0.0
    rung: set[str] = set()
    with Keys() as keys, Live(console=console, screen=True, auto_refresh=False) as live:
        while not until():
            try:
                key = keys.pressed(0.25)
            except (KeyboardInterrupt, EOFError):
                break
            answer = ""
            if acting.busy and key:
                answer = _tried(lambda: acting.press(key), lost)  # noqa: B023
            elif key in ("q", "Q", "\x03"):
                break
            elif key in ("a", "A"):
                answer = _tried(lambda: str(connect().act("acknowledge", key="", operator=operator)["text"]), lost)
            elif key in ("t", "T"):
                follower.recent = not follower.recent  # drawn with the next snapshot
            elif key.lower() in PAGES:
                chosen = PAGES[key.lower()]
                page, part = "main" if page == chosen else chosen, 0
            elif (state := _answerable(follower, key, page, note_until)) is not None:
                answer = _tried(lambda: acting.answer(key != ESC, state), lost)  # noqa: B023
            elif key == ESC:
                page, part, note = "main", 0, ""
            elif key in ONWARD:
                part += ONWARD[key]
            elif key and stages and follower.picture is not None and not follower.problem:
                if acting.begin(key, follower.picture[0]) and not acting.busy:
                    answer = "no stage is running"
            elif not key and not follower.changed.is_set():
                continue
            if answer:
                note, note_until = answer.replace("\n", "; "), time.monotonic() + NOTE_S
            follower.changed.clear()
            unseen = _unseen(follower.picture)
            if unseen - rung:
                console.bell()
            rung = unseen
            shown = note if time.monotonic() < note_until else ""
            live.update(_drawn(follower, console, page, shown, part, acting.asking), refresh=True)
    follower.ended = True


def _answerable(follower: StreamFollower, key: str, page: str, note_until: float) -> dict[str, Any] | None:
    """The state with the proposal that the key answers. Esc first leaves a note and a page."""
    if follower.picture is None or follower.problem or key not in ("y", "Y", ESC):
        return None
    state = follower.picture[0]
    if key == ESC and not (page == "main" and state.get("proposals") and note_until < time.monotonic()):
        return None
    return state


def _unseen(picture: Picture | None) -> set[str]:
    """Alarms that ring: active, not acknowledged, and more than a notice."""
    alarms = picture[0].get("alarms", []) if picture else []
    return {a["key"] for a in alarms if a["active"] and not a["acknowledged"] and a["priority"] != "low"}


def _tried(act: Callable[[], str], lost: type[Exception]) -> str:
    try:
        return act()
    except lost as exc:
        return str(exc)


def _drawn(follower: StreamFollower, console: Console, page: str, note: str, part: int, asking: Asking | None) -> Group:
    width, height = console.size
    if follower.picture is None:
        return Group(*wrapped(follower.problem, width), "q leaves")
    return Group(*render(*follower.picture, width, height, page, note, part, asking, follower.problem))
