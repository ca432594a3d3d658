"""What a request's body may be, by its address: JSON and small, but for a story's files."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

MAX_BODY_BYTES: Final = 64 * 1024
"""The largest body where nothing else is said; a recipe with all its channels has about 4 kB."""
_MIB: Final = 1024 * 1024


@dataclass(frozen=True, slots=True)
class BodyRule:
    """Kinds and size of a body.

    No kind is one that a form of another site's page could send without asking first.
    """

    kinds: frozenset[str] = frozenset({"application/json"})
    most_bytes: int = MAX_BODY_BYTES

    @property
    def told(self) -> str:
        """What to send, in words."""
        kinds = ", ".join(sorted(self.kinds))
        if self.kinds == {"application/json"}:
            return "Send the body as JSON with Content-Type: application/json."
        return f"Send the body with one of these Content-Types: {kinds}."


_PLAIN: Final = BodyRule()
_FILES: Final = {
    "/api/v1/photographs": BodyRule(
        frozenset({"image/jpeg", "image/png", "image/webp"}), 12 * _MIB
    ),
    "/api/v1/story": BodyRule(frozenset({"application/json", "text/csv"}), 16 * _MIB),
    # A report with its pictures inside.
    "/api/v1/reports/verify": BodyRule(
        frozenset({"text/html", "application/json", "application/pdf"}), 32 * _MIB
    ),
}
_TRACE: Final = BodyRule(most_bytes=32 * _MIB)  # a night of readings has about 3 MB


def body_rule(path: str) -> BodyRule:
    """Return what a body sent to an address may be.

    >>> body_rule("/api/v1/bays/bay-1/command").most_bytes
    65536
    >>> "image/png" in body_rule("/api/v1/photographs").kinds
    True
    """
    if path.startswith("/api/v1/visits/") and path.endswith("/traces"):
        return _TRACE
    return _FILES.get(path, _PLAIN)
