"""Events as any program could have written them, well formed or not: their JSON, not our classes."""

import json
from typing import Any

from logger.model.plain import plain
from logger.model.records import EVENT, NewRecord


def stored_event(type_: str, t_ns: int, /, **fields: Any) -> NewRecord:
    """fields: what goes into its JSON; dataclasses become tables."""
    data = plain({"type": type_, "t_ns": t_ns, **fields})
    return NewRecord(EVENT, "", t_ns, 1, b"", json.dumps(data, sort_keys=True, separators=(",", ":")).encode())
