"""The words by which people mark a hold's course."""

from __future__ import annotations

import re

MARK_WORD = {"standing-vacuum": "isolated", "pressure-decay": "valve_closed"}
"""The mark that starts each procedure's clock."""
EXTENDED = re.compile(r"extended (\d{1,5}(?:\.\d{1,6})?)")
"""The mark that lets a hold last so many minutes longer."""
