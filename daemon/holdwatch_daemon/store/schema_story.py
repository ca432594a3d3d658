"""The story's tables: units, visits and everything written down at a visit, a row for each."""

from __future__ import annotations

from typing import Final

TABLES: Final = (
    """
CREATE TABLE units_under_test (
    id INTEGER PRIMARY KEY,
    fleet_number TEXT NOT NULL,
    plate TEXT NOT NULL,
    vin TEXT,
    description TEXT NOT NULL,
    refrigerant TEXT NOT NULL,
    nameplate_charge_g REAL,
    oil_kind TEXT NOT NULL,
    oil_grade TEXT NOT NULL,
    oil_amount_ml REAL,
    evaporators INTEGER NOT NULL,
    volume_litres REAL,
    volume_relative_u REAL,          -- relative standard uncertainty
    volume_how TEXT,                 -- measured, class, stated
    volume_source TEXT,
    volume_measured_on TEXT,
    max_pressure_kpa_g REAL,         -- highest allowed, above the room's
    own_places TEXT NOT NULL,        -- JSON: place -> its parent in the component tree
    changed TEXT NOT NULL            -- RFC 3339 UTC
)""",
    # Letters and digits only, in capitals: what a lookup compares. A clustered key: one search.
    """
CREATE TABLE unit_identifiers (
    identifier TEXT NOT NULL,
    unit_id INTEGER NOT NULL REFERENCES units_under_test(id),
    PRIMARY KEY (identifier, unit_id)
) WITHOUT ROWID""",
    "CREATE INDEX unit_identifiers_by_unit ON unit_identifiers (unit_id)",
    """
CREATE TABLE work_orders (
    id INTEGER PRIMARY KEY,
    number TEXT NOT NULL UNIQUE,
    unit_id INTEGER NOT NULL REFERENCES units_under_test(id),
    unit TEXT NOT NULL,              -- as it was called at the visit
    opened_on TEXT NOT NULL,
    closed_on TEXT,
    complaint TEXT NOT NULL,
    changed TEXT NOT NULL
)""",
    "CREATE INDEX work_orders_by_unit ON work_orders (unit_id, opened_on)",
    """
CREATE TABLE visit_weighings (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    kind TEXT NOT NULL, grams REAL NOT NULL, day TEXT NOT NULL, tolerance_g REAL NOT NULL,
    tops_up INTEGER NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    # The verdict's figures as they were when the hold was bound; g of refrigerant a year.
    """
CREATE TABLE visit_holds (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    hold_id TEXT NOT NULL, day TEXT NOT NULL, procedure TEXT NOT NULL, outcome TEXT NOT NULL,
    section TEXT NOT NULL, g_per_year REAL, low REAL, high REAL, smallest_visible REAL,
    readings_sha256 TEXT, sentence TEXT NOT NULL, criterion TEXT NOT NULL,
    after_repair INTEGER NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    "CREATE INDEX visit_holds_by_hold ON visit_holds (hold_id)",
    """
CREATE TABLE visit_findings (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    place TEXT NOT NULL, means TEXT NOT NULL, points TEXT NOT NULL, strength TEXT NOT NULL,
    misled_by TEXT NOT NULL, day TEXT NOT NULL, note TEXT NOT NULL, photographs TEXT NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    """
CREATE TABLE visit_dye (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    dye TEXT NOT NULL, amount_ml REAL NOT NULL, day TEXT NOT NULL, way TEXT NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    """
CREATE TABLE visit_repairs (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    place TEXT NOT NULL, act TEXT NOT NULL, day TEXT NOT NULL, opened_circuit INTEGER NOT NULL,
    opened_main_part INTEGER NOT NULL, oil_lost_ml REAL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    """
CREATE TABLE visit_parts (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    name TEXT NOT NULL, quantity INTEGER NOT NULL, place TEXT NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    """
CREATE TABLE visit_advice (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    """
CREATE TABLE visit_answers (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    point TEXT NOT NULL, answer TEXT NOT NULL, note TEXT NOT NULL, "by" TEXT NOT NULL,
    day TEXT NOT NULL, look_again_on TEXT,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    # The picture itself lies in the folder `photos` beside this file, under its hash.
    """
CREATE TABLE photographs (
    sha256 TEXT PRIMARY KEY, name TEXT NOT NULL, bytes INTEGER NOT NULL, added TEXT NOT NULL
) WITHOUT ROWID""",
    # Files of reports that were handed out: the hash of the file, and the report inside it.
    """
CREATE TABLE report_files (
    file_sha256 TEXT PRIMARY KEY, content_sha256 TEXT NOT NULL, kind TEXT NOT NULL,
    work_order TEXT NOT NULL, made TEXT NOT NULL, body TEXT NOT NULL
) WITHOUT ROWID""",
)
"""Statements of the migration that begins the story; they stay as they are once released."""

SECTION_VOLUMES: Final = (
    # JSON: place of the component tree -> its volume, as the unit's own.
    "ALTER TABLE units_under_test ADD COLUMN section_volumes TEXT NOT NULL DEFAULT '{}'"
)
