from .book import JobBook
from .entry import Entry, book_bytes, finding_text, when_text
from .query import FINDINGS, Query

__all__ = [
    "Entry", "FINDINGS", "JobBook", "Query", "book_bytes", "finding_text", "when_text",
]
