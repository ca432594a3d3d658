"""Reports as files: HTML, drawings and pictures."""

from __future__ import annotations

from holdwatch_api.reports.files import FORMS, Form, verify_file, write_report

__all__ = ["FORMS", "Form", "verify_file", "write_report"]
