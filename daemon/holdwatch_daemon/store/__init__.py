"""The recorder: one SQLite file, one writer, and readers beside it."""

from __future__ import annotations

from holdwatch_daemon.store import answers, history, rows, vehicles
from holdwatch_daemon.store.answers import connect
from holdwatch_daemon.store.backup import ACCESS, back_up, restore
from holdwatch_daemon.store.counters import SqliteCounters
from holdwatch_daemon.store.opening import SOCKET_MODE, ProcessLock, local_socket, socket_address
from holdwatch_daemon.store.queries import HoldRow
from holdwatch_daemon.store.salvage import salvage
from holdwatch_daemon.store.transactions import Transactions
from holdwatch_daemon.store.vehicles import StoredVehicle, list_vehicles, vehicle_named

__all__ = [
    "ACCESS",
    "SOCKET_MODE",
    "HoldRow",
    "ProcessLock",
    "SqliteCounters",
    "StoredVehicle",
    "Transactions",
    "answers",
    "back_up",
    "connect",
    "history",
    "list_vehicles",
    "local_socket",
    "restore",
    "rows",
    "salvage",
    "socket_address",
    "vehicle_named",
    "vehicles",
]
