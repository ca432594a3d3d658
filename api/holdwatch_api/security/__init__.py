"""What every request must pass: tokens, limits, sessions, headers."""

from __future__ import annotations

from holdwatch_api.security.access import Access
from holdwatch_api.security.tokens import FILE, Token, TokenBook, TokenScope

__all__ = ["FILE", "Access", "Token", "TokenBook", "TokenScope"]
