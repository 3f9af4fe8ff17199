"""Jobs of other computers: <data>/received/<id>/, apart from those that are written here.

received.json in the folder says whose it is; beside the job's file lies the bundle as it was received.
"""

import json
from dataclasses import asdict, dataclass

from logger.store.place import RECEIVED as FOLDER
from logger.store.place import JobPlace

ABOUT = "received.json"


@dataclass(frozen=True, slots=True)
class ReceivedJob:
    """key: fingerprint of the key that signed, "" when nothing was signed. name, sha256: of the file received.
    uid: SHA-256 of the first record. records: how many. taken_utc: when, RFC 3339."""

    key: str
    name: str
    sha256: str
    uid: str
    records: int
    taken_utc: str

    def text(self) -> str:
        return json.dumps(asdict(self), indent=1, ensure_ascii=False) + "\n"


def received(place: JobPlace) -> ReceivedJob | None:
    """None for a job of this computer. What cannot be read counts as signed by nobody."""
    if place.directory.parent.name != FOLDER:
        return None
    try:
        text = (place.directory / ABOUT).read_text(encoding="utf-8")
    except OSError:
        text = ""
    try:
        return ReceivedJob(**json.loads(text))
    except (ValueError, TypeError):
        return ReceivedJob("", "", "", "", 0, "")
