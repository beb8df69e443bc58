from .book import JobBook
from .entry import Entry, entry_of
from .query import FINDINGS, Query
from .table import book_bytes
from .told import finding_text, when_text

__all__ = [
    "Entry", "FINDINGS", "JobBook", "Query", "book_bytes", "entry_of", "finding_text", "when_text",
]
