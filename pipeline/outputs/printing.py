"""A page as a PDF: the same HTML, drawn by weasyprint."""

from typing import Any

from pipeline.errors import WardbookError


def drawn(html: str) -> Any:
    """A page laid out on paper: weasyprint's document, with its `pages`.

    Raises
    ------
    WardbookError : where the libraries that weasyprint draws with are missing.
    """
    try:
        from weasyprint import HTML  # takes a second, and needs Pango: nothing else waits for it
        from weasyprint.urls import URLFetcher
    except OSError as error:
        raise WardbookError(
            f"--format pdf: Pango is missing on this machine ({str(error).splitlines()[0]}). Install it (Debian: "
            "apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0), or print the page from a browser."
        ) from error
    nothing = URLFetcher(allowed_protocols=())  # a page is complete in itself: whatever it asks for is not fetched
    return HTML(string=html, url_fetcher=nothing).render()


def as_pdf(html: str) -> bytes:
    """The bytes of a PDF; raises as `drawn` does."""
    made: bytes = drawn(html).write_pdf()
    return made
