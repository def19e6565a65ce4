"""Pages and figures: what the published tables and the lake hold, shown; nothing is computed."""

from __future__ import annotations

from tasks.report.files import find_foreign
from tasks.report.waiting import list_waiting
from tasks.report.write import Report, write_report

__all__ = ["Report", "find_foreign", "list_waiting", "write_report"]
