"""The hand-over sheet, as a page, a table or JSON."""

from recommender.report.report import FORMS, ReportError, policy, sheet_csv, sheet_html, sheet_json, write_report

__all__ = ["FORMS", "ReportError", "policy", "sheet_csv", "sheet_html", "sheet_json", "write_report"]
