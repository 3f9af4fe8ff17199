"""What is sent to a person: one short message."""

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Message:
    """urgent: breaks through where the channel can. heartbeat: a later one replaces it while it waits."""

    title: str
    body: str
    urgent: bool = False
    heartbeat: bool = False


class Ringer(Protocol):
    """Makes a noise here and now."""

    @property
    def name(self) -> str: ...

    def check(self) -> None:
        """Raises ChannelFailed when it surely cannot ring."""

    async def ring(self, urgent: bool, level: int) -> None:
        """Raises ChannelFailed."""

    def close(self) -> None: ...


class Notifier(Protocol):
    """Shows a message, once, no retry."""

    @property
    def name(self) -> str: ...

    async def notify(self, message: Message) -> None:
        """Raises ChannelFailed."""
