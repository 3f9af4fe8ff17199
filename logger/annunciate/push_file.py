"""The user's own file of push addresses. They are secrets: the file is the user's alone, and no job, record, bundle
or log line holds an address.

    urls = ["ntfys://...", "mailtos://..."]     # any address that apprise knows
    heartbeat = "2h"                            # a "still fine" message so often; "off" for none
    heartbeat_urls = ["jsons://..."]            # gets only those; such as a service that misses them
"""

import os
import re
import stat
import tomllib
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote

from platformdirs import user_config_path

from logger.annunciate.errors import PushFileError
from logger.config.private_files import write_private
from logger.model import toml_text
from logger.model.points import Quantity
from logger.model.units import UnitError, parse_quantity

HEARTBEAT_S = 2 * 3600.0
MIN_HEARTBEAT_S = 300.0
MAX_URLS = 10


@dataclass(frozen=True, slots=True)
class PushSettings:
    """heartbeat_s: None for no "still fine" messages."""

    urls: tuple[str, ...] = ()
    heartbeat_urls: tuple[str, ...] = ()
    heartbeat_s: float | None = HEARTBEAT_S

    def __repr__(self) -> str:
        """Without the addresses: a traceback or log line may show it."""
        return f"PushSettings({len(self.urls)} addresses, heartbeat every {self.heartbeat_s} s)"


def push_file_path() -> Path:
    """Where the file is looked for."""
    return user_config_path("rimelog") / "push.toml"


def load_push(path: Path) -> PushSettings:
    """Read the file; no file means no push. Raises PushFileError with every fault, naming keys, never addresses."""
    try:
        with path.open("rb") as file:
            _only_the_users(path, os.fstat(file.fileno()))
            data = toml_text.loads(file.read(100_000).decode())
    except FileNotFoundError:
        return PushSettings(heartbeat_s=None)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else re.sub(r"'.*'", "...", str(exc))
        raise PushFileError(f"{path}: {reason}") from None
    return _settings(path, data)


def save_push(path: Path, settings: PushSettings) -> None:
    """Write the file so that only the user can read it. Raises PushFileError."""
    heartbeat = "off" if settings.heartbeat_s is None else f"{settings.heartbeat_s:g}s"
    text = (
        f"urls = [{', '.join(map(toml_text.quoted, settings.urls))}]\n"
        f"heartbeat_urls = [{', '.join(map(toml_text.quoted, settings.heartbeat_urls))}]\n"
        f'heartbeat = "{heartbeat}"\n'
    )
    try:
        write_private(path, text)
    except OSError as exc:
        raise PushFileError(f"{path}: {exc.strerror or exc}") from exc


def scheme(url: str) -> str:
    """All of an address that may be shown: "ntfys"."""
    found = re.match(r"[a-zA-Z][a-zA-Z0-9+.-]{0,19}(?=://)", url)
    return found[0].lower() if found else "?"


def without_secrets(text: str, url: str) -> str:
    """`text` with every part of the address after its scheme blotted out, as written and percent-decoded."""
    parts = {part for part in re.split(r"[/:@?&=#,+]+", url)[1:] if len(part) >= 3}
    parts |= {unquote(part) for part in parts} | {url}
    for part in sorted(parts, key=len, reverse=True):
        text = re.sub(re.escape(part), "***", text, flags=re.IGNORECASE)
    return text


def _only_the_users(path: Path, status: os.stat_result) -> None:
    """On Windows the profile directory is the user's by its access list, which mode bits do not tell."""
    if os.name == "posix" and stat.S_IMODE(status.st_mode) & 0o077:
        raise PushFileError(f"{path}: others can read it, and its addresses are secrets; run: chmod 600 '{path}'")


def _settings(path: Path, data: dict[str, object]) -> PushSettings:
    faults = [f"{key}: not known here" for key in data if key not in ("urls", "heartbeat", "heartbeat_urls")]
    lists: dict[str, tuple[str, ...]] = {}
    for key in ("urls", "heartbeat_urls"):
        given = data.get(key, [])
        if not isinstance(given, list) or len(given) > MAX_URLS or any(not isinstance(u, str) for u in given):
            faults.append(f"{key}: is a list of up to {MAX_URLS} addresses in quotes")
            continue
        faults += [f"{key}[{i}]: has no scheme such as ntfys://" for i, u in enumerate(given, 1) if scheme(u) == "?"]
        lists[key] = tuple(given)
    heartbeat_s: float | None = HEARTBEAT_S
    given = data.get("heartbeat", f"{HEARTBEAT_S}s")
    if given == "off":
        heartbeat_s = None
    else:
        try:
            heartbeat_s = parse_quantity(given if isinstance(given, str) else repr(given), Quantity.TIME)
            if not MIN_HEARTBEAT_S <= heartbeat_s <= 24 * 3600:
                faults.append(f'heartbeat: {given!r} is outside 5 min to 24 h; or write "off"')
        except UnitError as exc:
            faults.append(f"heartbeat: {exc}")
    if faults:
        raise PushFileError("\n".join(f"{path}: {fault}" for fault in faults))
    return PushSettings(lists["urls"], lists["heartbeat_urls"], heartbeat_s)
