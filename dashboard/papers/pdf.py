"""A paper as PDF, set from the very HTML by WeasyPrint. Asks for nothing on any network.

WeasyPrint sets text with Pango, a library of the system: where that is not there, HTML alone is made, and
whoever asked is told in one sentence. Loads WeasyPrint only when a PDF is made.
"""

from __future__ import annotations

from store.errors import LinebookError

MISSING = (
    "PDF needs the system library Pango, which is not here (Debian: apt-get install libpango-1.0-0 "
    "libpangoft2-1.0-0 libharfbuzz-subset0); the HTML prints the same from a browser"
)


class NoPdf(LinebookError):
    """The PDF cannot be made here; its text says what is missing."""


def pdf(html: str) -> bytes:
    """The page as PDF. Raises NoPdf where the system's library is not there."""
    try:
        from weasyprint import HTML, URLFetcher
    except (ImportError, OSError):
        raise NoPdf(MISSING) from None

    fetcher = URLFetcher(allowed_protocols=())  # a paper holds all that it shows
    made: bytes = HTML(string=html, url_fetcher=fetcher).write_pdf()
    return made
