"""The alarm tone through whatever player the computer has."""

import shutil
import sys
import tempfile
from pathlib import Path

from logger.annunciate.background import in_thread, run_program
from logger.annunciate.errors import ChannelFailed
from logger.annunciate.tone import LEVELS, tone

TIMEOUT_S = 10.0
_PLAYERS: dict[str, tuple[tuple[str, ...], ...]] = {
    "linux": (("pw-play",), ("paplay",), ("aplay", "-q")),
    "darwin": (("afplay",),),
    "win32": (),  # winsound, of the standard library
}


class Sound:
    """Rings by playing a tone to its end. Whether the loudspeaker is turned up it cannot know: ring a test."""

    name = "sound"

    def __init__(self, platform: str = sys.platform) -> None:
        self._platform = platform
        self._players = _PLAYERS.get(platform, _PLAYERS["linux"])
        self._dir: tempfile.TemporaryDirectory[str] | None = None
        self._worked: tuple[str, ...] | None = None

    def check(self) -> None:
        """Raises ChannelFailed when there is no player at all."""
        if self._platform != "win32":
            self._found()

    async def ring(self, urgent: bool, level: int) -> None:
        """Play one burst. Raises ChannelFailed when no player could; says what each one said."""
        path = self._file(urgent, level)
        if self._platform == "win32":
            await _winsound(path)
            return
        said = []
        for player in self._found():
            try:
                await run_program([*player, str(path)], TIMEOUT_S)
                self._worked = player
                return
            except ChannelFailed as exc:
                said.append(str(exc))
        self._worked = None
        raise ChannelFailed("; ".join(said))

    def close(self) -> None:
        if self._dir is not None:
            self._dir.cleanup()
            self._dir = None

    def _found(self) -> list[tuple[str, ...]]:
        """Players on the PATH now, the one that worked last first."""
        found = [(path, *args) for name, *args in self._players if (path := shutil.which(name))]
        if not found:
            wanted = " or ".join(player[0] for player in self._players)
            raise ChannelFailed(f"no player found for the alarm tone; install {wanted}")
        return sorted(found, key=lambda player: player != self._worked)

    def _file(self, urgent: bool, level: int) -> Path:
        """Players want a file: one for each tone, kept until `close`."""
        level = min(level, LEVELS - 1)
        try:
            if self._dir is None or not Path(self._dir.name).is_dir():
                self._dir = tempfile.TemporaryDirectory(prefix="rimelog-tone-")
            path = Path(self._dir.name) / f"{'urgent' if urgent else 'high'}-{level}.wav"
            if not path.exists():
                path.write_bytes(tone(urgent, level))
        except OSError as exc:
            raise ChannelFailed(f"the alarm tone cannot be written: {exc.strerror or exc}") from exc
        return path


async def _winsound(path: Path) -> None:
    if sys.platform == "win32":
        import winsound

        def play() -> None:
            winsound.PlaySound(str(path), winsound.SND_FILENAME | winsound.SND_NODEFAULT)

        try:
            await in_thread(play, TIMEOUT_S)
        except (RuntimeError, TimeoutError) as exc:
            raise ChannelFailed(f"winsound: {exc or 'did not end'}") from exc
    else:
        raise ChannelFailed("winsound is only there on Windows")
