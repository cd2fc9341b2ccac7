"""A page as a PDF: the same HTML, drawn by weasyprint."""

from pipeline.errors import WardbookError


def as_pdf(html: str) -> bytes:
    """The bytes of a PDF.

    Raises
    ------
    WardbookError : where the libraries that weasyprint draws with are missing.
    """
    try:
        from weasyprint import HTML  # takes a second, and needs Pango: nothing else waits for it
    except OSError as error:
        raise WardbookError(
            f"--format pdf: Pango is missing on this machine ({str(error).splitlines()[0]}). Install it (Debian: "
            "apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0), or print the HTML page from a browser."
        ) from error
    drawn: bytes = HTML(string=html, url_fetcher=nothing_from_outside).write_pdf()
    return drawn


def nothing_from_outside(url: str, *_: object, **__: object) -> dict[str, object]:
    """Refuses to fetch anything: a page is complete in itself."""
    raise ValueError(f"a page fetches nothing, and this one asks for {url}")
