"""Record forms to fill in, made from the dictionary: a workbook for the desk, a page for the stand.

write_forms("forms.xlsx")                            # one sheet a table
write_forms("form.html", units="us")                 # one offline page for phone and tablet
"""

from __future__ import annotations

from pathlib import Path

from ventbook.errors import InputError
from ventbook.records.forms.columns import describe_allowed, example_rows
from ventbook.records.forms.page import write_page
from ventbook.records.forms.parts import Job
from ventbook.records.forms.workbook import write_workbook

__all__ = ["Job", "describe_allowed", "example_rows", "write_forms"]


def write_forms(path: str | Path, *, units: str = "metric", job: Job | None = None) -> Path:
    """Forms to fill in, as a workbook (.xlsx) or as one offline page (.html).

    Parameters
    ----------
    path : str or Path
        Its ending says which of the two.
    units : str
        "metric" or "us": the units of the page's fields. The workbook carries them in its headers, to be changed there.
    job : Job, optional
        What a page is filled ahead with.

    Returns
    -------
    Path
        What was written.

    Raises
    ------
    InputError
        With one line, where the file can't be written or the ending is neither.

    Examples
    --------
    >>> import tempfile
    >>> from ventbook.records.forms import write_forms
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_forms(f"{folder}/form.html", units="us").name
    'form.html'
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in (".xlsx", ".html"):
        raise InputError(
            f"{path}: name a file that ends in .xlsx (a workbook) or .html (a page for the stand)"
        )
    if units not in ("metric", "us"):
        raise InputError(f"units must be metric or us; got {units!r}")
    if ending == ".html":
        return write_page(path, units="us" if units == "us" else "metric", job=job)
    if job is not None or units != "metric":
        raise InputError(f"{path}: units and a planned job belong to a page; name a file that ends in .html")
    return write_workbook(path)
