"""Asks a running holdwatch whether it answers: exit status 0 where it does.

``python healthcheck.py [ADDRESS]``; the standard library is enough. A service that calls itself
degraded (a lost probe, a broker that is away) still answers, and starting it anew would not help.
"""

from __future__ import annotations

import json
import os
import ssl
import sys
import urllib.request

ADDRESS = "http://127.0.0.1:8765/health"


def answers(address: str) -> bool:
    """Return whether the service at an address answers as a service of ours does."""
    # On this very machine: whose certificate it is does not matter.
    context = ssl.create_default_context()
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    try:
        with urllib.request.urlopen(address, timeout=5, context=context) as answer:  # noqa: S310
            return json.load(answer).get("status") in {"ok", "degraded"}
    except (OSError, ValueError, AttributeError):
        return False


if __name__ == "__main__":
    wanted = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("HOLDWATCH_HEALTH", ADDRESS)
    raise SystemExit(0 if answers(wanted) else 1)
