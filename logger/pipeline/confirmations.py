"""Looser limits that a person is asked about before they count."""

import hashlib
from dataclasses import dataclass, field

from logger.model.units import NS_PER_S

CONFIRM_NS = 120 * NS_PER_S  # within so long


@dataclass(slots=True)
class Confirmations:
    """Looser limits that a person was asked about: token -> (what it is bound to, until when)."""

    asked: dict[str, tuple[str, int]] = field(default_factory=dict)

    def ask(self, bound: str, now_ns: int) -> str:
        token = hashlib.sha256(f"{bound} {now_ns}".encode()).hexdigest()[:8]
        self.asked = {t: one for t, one in self.asked.items() if one[1] > now_ns} | {
            token: (bound, now_ns + CONFIRM_NS)
        }
        return token

    def given(self, token: str, bound: str, now_ns: int) -> bool:
        """Whether it was asked for just that, not long ago; a token counts once."""
        of, until_ns = self.asked.pop(token, ("", 0))
        return of == bound and now_ns <= until_ns
