"""Pages people act on, drawn from facts and tables; no database and no network."""

from reports.render.write import write_month, write_pages

__all__ = ["write_month", "write_pages"]
