"""Reports: one page, whole in itself, on which corrected clips can be seen, read and judged."""

from .findings import ClipFindings, Findings, gather
from .page import page, write_page

__all__ = ["ClipFindings", "Findings", "gather", "page", "write_page"]
