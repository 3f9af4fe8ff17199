"""What the screen and the page need of a client of the daemon."""

from typing import Any, Final, Protocol

MAX_TYPED: Final = 300  # characters that a person types at once


class DaemonClient(Protocol):
    """Of logger.api.client.Client. What it raises is handed over beside it, as `lost`."""

    def act(self, action: str, **body: Any) -> dict[str, Any]: ...
    def history(self, point: str, since_ns: int, buckets: int) -> list[dict[str, Any]]: ...
    def stream(self, last_event_id: str = "") -> Any: ...
